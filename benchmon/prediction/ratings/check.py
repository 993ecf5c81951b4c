"""Ratings before power: how far every part is from its limits in the worst state, and what to take care of."""

from __future__ import annotations

from dataclasses import dataclass

from benchmon.bench import Bench
from benchmon.prediction.ratings.cautions import cautions_of
from benchmon.prediction.ratings.margins import Margin, margins_of
from benchmon.prediction.ratings.worst_case import worst_case_of


@dataclass(frozen=True)
class Ratings:
    """The margins of every rating the bench file gives, and cautions in plain words."""

    margins: tuple[Margin, ...]
    cautions: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether every part keeps its limits."""
        return all(margin.ok for margin in self.margins)


def check(bench: Bench) -> Ratings:
    """Return margins and cautions of a bench at its worst: low, normal and high mains, no load, and switching on.

    Raises `PredictionError` where the circuit has no trustworthy answer.
    """
    stress = worst_case_of(bench)
    margins = margins_of(stress)
    return Ratings(tuple(margins), tuple(cautions_of(stress, margins)))
