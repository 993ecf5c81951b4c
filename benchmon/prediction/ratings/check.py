"""Check a bench before power is applied: the margin of every rating in the worst case, and cautions."""

from __future__ import annotations

from dataclasses import dataclass

from benchmon.bench import Bench
from benchmon.prediction.ratings.cautions import cautions_of
from benchmon.prediction.ratings.margins import Margin, margins_of
from benchmon.prediction.ratings.worst_case import worst_case_of


@dataclass(frozen=True)
class Ratings:
    """The margins of every rating that the bench file gives, and cautions as sentences."""

    margins: tuple[Margin, ...]
    cautions: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether every part is within its limits."""
        return all(margin.ok for margin in self.margins)


def check(bench: Bench) -> Ratings:
    """Return margins and cautions of a bench in its worst case: low, normal and high mains, no load, and switch-on.

    Raises `PredictionError` if the circuit cannot be solved.
    """
    worst_case = worst_case_of(bench)
    margins = margins_of(worst_case)
    return Ratings(tuple(margins), tuple(cautions_of(worst_case, margins)))
