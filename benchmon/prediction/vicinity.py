"""Predictions around a measured mains voltage and ambient temperature, and what lies between them.

They are made at nodes, 2 % of the mains voltage and one kelvin apart; between them a quantity is interpolated, by a
parabola along the mains and a line along the ambient. That comes within 0.01 % of a prediction of its own, at the cost
of a few multiplications, and has no steps which a drift might be taken for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchmon.bench import Accuracy
from benchmon.prediction.result import Expected, Prediction

SPACING = 0.02
"""Between nodes, in the natural logarithm of the mains voltage."""

Row = tuple[Prediction, ...]


@dataclass(frozen=True)
class Vicinity:
    """Predictions at nodes around one state.

    A row of `rows` is of one ambient: three mains voltages `SPACING` apart around `mains` (V rms), or one prediction
    where the mains is not measured (None). There are two rows, at `air` (°C) and one kelvin above, or one where the
    ambient is not measured (None). `accuracy` is that of the meter which measures the mains.
    """

    rows: tuple[Row, ...]
    mains: float | None
    air: int | None
    accuracy: Accuracy

    @property
    def middle(self) -> Prediction:
        """The prediction at the node in the middle."""
        return self.rows[0][len(self.rows[0]) // 2]

    def holds_for(self, mains: float | None, ambient: float | None) -> bool:
        """Return whether a state lies between the nodes, or as little beside them as costs no accuracy."""
        if (mains is None) is not (self.mains is None) or (ambient is None) is not (self.air is None):
            return False
        near = mains is None or self.mains is None or abs(math.log(mains / self.mains)) <= SPACING
        return near and (ambient is None or self.air is None or abs(ambient - self.air - 0.5) <= 1.5)

    def expected(
        self, quantity: str, mains: float | None, ambient: float | None = None, since: float | None = None
    ) -> Expected | None:
        """Return what `quantity` should read at `mains` (V rms at the terminals, above zero) and `ambient` (°C).

        `since` is the time from power-on in seconds, None for a settled supply. None where nothing is predicted.
        """
        found = [self._along_the_mains(row, quantity, mains, since) for row in self.rows]
        cooler, warmer = found[0], found[-1]
        if cooler is None or warmer is None or ambient is None or self.air is None:
            return cooler
        part = ambient - self.air
        value = cooler.value + part * (warmer.value - cooler.value)
        return Expected(value, cooler.uncertainty + part * (warmer.uncertainty - cooler.uncertainty), cooler.unit)

    def _along_the_mains(self, row: Row, quantity: str, mains: float | None, since: float | None) -> Expected | None:
        if mains is None or self.mains is None:
            return row[0].at(quantity, since)
        below, at, above = (node.at(quantity, since) for node in row)
        if below is None or at is None or above is None:
            return None
        part = math.log(mains / self.mains) / SPACING
        slope, bend = (above.value - below.value) / 2.0, (above.value + below.value) / 2.0 - at.value
        value = at.value + part * (slope + part * bend)
        own = at.uncertainty + part * (above.uncertainty - below.uncertainty) / 2.0
        meter = slope / SPACING * self.accuracy.of(mains) / mains
        return Expected(value, math.hypot(own, meter), at.unit)
