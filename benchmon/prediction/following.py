"""Predictions that follow a measured mains voltage and ambient temperature, quickly and without steps.

A prediction is made at nodes, 2 % of the nominal voltage and one kelvin apart, as they are needed; between three nodes
a quantity is interpolated by a parabola, which comes within 0.01 % of a prediction of its own.
"""

from __future__ import annotations

from benchmon.bench import Accuracy, Bench
from benchmon.prediction.predict import predict
from benchmon.prediction.result import Expected, Prediction

_SPACING = 0.02
_RECTANGULAR = 3.0**0.5 / 2
"""An expanded uncertainty U (k = 2) has the standard uncertainty of a rectangular tolerance of √3/2·U."""


class FollowingPrediction:
    """What each quantity of a bench should read at any mains voltage and ambient temperature.

    `accuracy` is that of the meter which measures the mains at the supply's terminals: its uncertainty replaces the
    bench file's tolerance. The mains behind its source resistance is higher in proportion.
    """

    def __init__(self, bench: Bench, accuracy: Accuracy | None = None) -> None:
        self._bench = bench
        self._accuracy = accuracy
        self._nodes: dict[tuple[int, int | None], Prediction] = {}
        self.nominal = predict(bench)
        terminals = self.nominal.quantities["mains.voltage.rms"].value
        self._rise = self.nominal.mains_voltage / terminals if terminals > 0 else 1.0

    def at(
        self, quantity: str, mains: float, ambient: float | None = None, since: float | None = None
    ) -> Expected | None:
        """Return what `quantity` should read at `mains` (V rms at the terminals, above zero) and `ambient` (°C).

        `since` is the time from power-on in seconds, None for a settled supply. None where nothing is predicted.
        Raises `PredictionError`.
        """
        place = mains / (self._bench.mains.voltage * _SPACING)
        middle = max(2, round(place))
        part = place - middle
        air = None if ambient is None else round(ambient)
        around = [self._node(middle + step, air).at(quantity, since) for step in (-1, 0, 1)]
        below, at, above = around
        if below is None or at is None or above is None:
            return None
        slope, bend = (above.value - below.value) / 2.0, (above.value + below.value) / 2.0 - at.value
        value = at.value + part * (slope + part * bend)
        if ambient is not None and air is not None and at.unit == "°C":
            value += ambient - air
        widening = abs(part) * (above.uncertainty - below.uncertainty) / 2.0
        return Expected(value, at.uncertainty + (widening if part >= 0 else -widening), at.unit)

    def _node(self, index: int, air: int | None) -> Prediction:
        key = (index, air)
        if key not in self._nodes:
            self._nodes[key] = predict(self._at(index * _SPACING * self._bench.mains.voltage), ambient=air)
        return self._nodes[key]

    def _at(self, terminals: float) -> Bench:
        doubt = 0.0 if self._accuracy is None else _RECTANGULAR * self._accuracy.of(terminals) / terminals
        mains = self._bench.mains.model_copy(update={"voltage": terminals * self._rise, "tolerance": doubt})
        return self._bench.model_copy(update={"mains": mains})
