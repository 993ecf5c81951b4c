"""Benches with a fault, and what its meters would then show."""
