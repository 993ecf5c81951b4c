"""Supplies as they really are, drawn by seed, for benchmarks: their own circuit, bench files, meters and minutes."""
