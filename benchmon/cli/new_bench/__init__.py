"""Making a bench file by questions: what is asked and why, every answer checked at once, and a commented file."""

from benchmon.cli.new_bench.command import make_bench

__all__ = ["make_bench"]
