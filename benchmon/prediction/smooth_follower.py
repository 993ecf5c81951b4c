"""Predictions that follow a measured mains voltage and ambient temperature quickly and without steps.

The follower's predictions are made at nodes, 2 % of the mains voltage and one kelvin apart, as they are needed; between
them a quantity is interpolated, by a parabola along the mains and a line along the ambient. That comes within 0.01 %
of a prediction of its own, at the cost of a few multiplications.
"""

from __future__ import annotations

import math

from benchmon.bench import Accuracy, Bench
from benchmon.prediction.follow import Follower
from benchmon.prediction.result import Expected, Prediction

_SPACING = 0.02
"""Between nodes, in the natural logarithm of the mains voltage: a whole number of the follower's own steps."""


class SmoothFollower:
    """What each quantity of a bench should read at any mains voltage and ambient temperature.

    `accuracy` is that of the meter which measures the mains at the supply's terminals; its uncertainty is carried on.
    """

    def __init__(self, bench: Bench, accuracy: Accuracy | None = None) -> None:
        self._bench = bench
        self._accuracy = accuracy or Accuracy()
        self._follower = Follower(bench)
        self._nodes: dict[tuple[int, int | None], Prediction] = {}
        self.nominal = self._follower.at()

    def at(
        self, quantity: str, mains: float, ambient: float | None = None, *, since: float | None = None
    ) -> Expected | None:
        """Return what `quantity` should read at `mains` (V rms at the terminals, above zero) and `ambient` (°C).

        `since` is the time from power-on in seconds, None for a settled supply. None where nothing is predicted.
        Raises `PredictionError`.
        """
        if ambient is None:
            return self._along_the_mains(quantity, mains, None, since)
        air = math.floor(ambient)
        cooler = self._along_the_mains(quantity, mains, air, since)
        warmer = self._along_the_mains(quantity, mains, air + 1, since)
        if cooler is None or warmer is None:
            return None
        part = ambient - air
        value = cooler.value + part * (warmer.value - cooler.value)
        return Expected(value, cooler.uncertainty + part * (warmer.uncertainty - cooler.uncertainty), cooler.unit)

    def _along_the_mains(self, quantity: str, mains: float, air: int | None, since: float | None) -> Expected | None:
        place = math.log(mains / self._bench.mains.voltage) / _SPACING
        middle = round(place)
        part = place - middle
        below, at, above = (self._node(middle + step, air).at(quantity, since) for step in (-1, 0, 1))
        if below is None or at is None or above is None:
            return None
        slope, bend = (above.value - below.value) / 2.0, (above.value + below.value) / 2.0 - at.value
        value = at.value + part * (slope + part * bend)
        own = at.uncertainty + part * (above.uncertainty - below.uncertainty) / 2.0
        meter = slope / _SPACING * self._accuracy.of(mains) / mains
        return Expected(value, math.hypot(own, meter), at.unit)

    def _node(self, index: int, air: int | None) -> Prediction:
        key = (index, air)
        if key not in self._nodes:
            volts = self._bench.mains.voltage * math.exp(index * _SPACING)
            self._nodes[key] = self._follower.at(volts, None if air is None else float(air))
        return self._nodes[key]
