"""Predictions that follow what is measured: the mains' voltage, the ambient and the load, as they are now.

Predictions around a measured mains voltage and ambient temperature, and what lies between them.

They are made at nodes, 2 % of the mains voltage and one kelvin apart; between them a quantity is interpolated, by a
parabola along the mains and a line along the ambient. That comes within 0.01 % of a prediction of its own, at the cost
of a few multiplications, and has no steps which a drift might be taken for.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchmon.bench import Accuracy, Bench
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.parts import Parts, parts_of
from benchmon.prediction.predict import predict, predict_parts, solve, with_load
from benchmon.prediction.result import Prediction
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium
from benchmon.quantities import Expected

SPACING = 0.02
"""Between nodes, in the natural logarithm of the mains voltage."""

Row = tuple[Prediction, ...]


@dataclass(frozen=True)
class OperatingGrid:
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


Load = float | Literal["open"] | None
"""Another load than the bench's: ohms, or "open"; None for the bench's own."""

_ROW = (-1, 0, 1)
_MAINS_STEP = 1e-3
_NEAR_MAINS, _NEAR_AMBIENT = 0.03, 15.0
_CLOSE = 1e-5
_MOST_SECANTS = 4


@dataclass(frozen=True)
class _Start:
    """A solved state to start from, with the mains, ambient and load for which it was found from cold."""

    mains: float
    ambient: float
    load: Load
    warm: ThermalEquilibrium


class OperatingPointPredictor:
    """Predicts a bench at the measured mains, ambient and load, and keeps what it has predicted.

    `expected` gives one quantity, smoothly, and `around` what it is made from. `at` gives a whole prediction, waves
    included: there a mains voltage is rounded to steps of 0.1 % and an ambient to 1 K, so that a reading that only
    trembles costs nothing; a load, which is set and not read, is taken as it is. The last `keep` predictions are kept.
    `accuracy` is that of the meter which measures the mains at the supply's terminals; `expected` carries its
    uncertainty on. One follower serves one thread. Raises `PredictionError` where the bench itself cannot be predicted.
    """

    def __init__(self, bench: Bench, accuracy: Accuracy | None = None, keep: int = 256) -> None:
        self.bench = bench
        self.nominal = predict(bench)
        self._accuracy = accuracy or Accuracy()
        self._vicinity: OperatingGrid | None = None
        self._vicinity_of: tuple[int | None, int | None, Load] | None = None
        self._kept: OrderedDict[tuple[int | None, int | None, Load], Prediction] = OrderedDict()
        self._keep = keep
        self._start: _Start | None = None

    def at(self, mains_voltage: float | None = None, ambient: float | None = None, load: Load = None) -> Prediction:
        """Return the prediction at a measured mains (V rms at the supply's terminals), ambient (°C) and load.

        None stands for the bench's own value, with its tolerance. The source's voltage is chosen so that the terminals
        have the measured one under load. What `mains.voltage.rms` should be stays the bench's: there the question is
        whether the mains is right. Raises `PredictionError`.
        """
        key = (_mains_key(self.bench, mains_voltage), _air_key(ambient), _checked(load))
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        prediction = self._predict(*key)
        self._kept[key] = prediction
        if len(self._kept) > self._keep:
            self._kept.popitem(last=False)
        return prediction

    def expected(
        self, quantity: str, mains: float, ambient: float | None = None, *, since: float | None = None
    ) -> Expected | None:
        """Return what `quantity` should read at `mains` (V rms at the terminals) and `ambient` (°C).

        `since` is the time from power-on in seconds, None for a settled supply. None where nothing is predicted.
        Raises `PredictionError`.
        """
        return self.around(mains, ambient).expected(quantity, mains, ambient, since)

    def around(self, mains: float | None, ambient: float | None = None, load: Load = None) -> OperatingGrid:
        """Return the predictions around a measured state; None stands for what is not measured.

        Raises `PredictionError`.
        """
        place = None if mains is None else round(_log_of(self.bench, mains) / SPACING)
        air = None if ambient is None else math.floor(_plausible(ambient))
        if self._vicinity is None or self._vicinity_of != (place, air, load):
            airs = (None,) if air is None else (float(air), air + 1.0)
            volts = [None if place is None else self._node(place + step) for step in ((0,) if place is None else _ROW)]
            rows = tuple(tuple(self.at(one, celsius, load) for one in volts) for celsius in airs)
            self._vicinity = OperatingGrid(rows, volts[len(volts) // 2], air, self._accuracy)
            self._vicinity_of = (place, air, load)
        return self._vicinity

    def _node(self, place: int) -> float:
        return self.bench.mains.voltage * math.exp(place * SPACING)

    def _predict(self, mains: int | None, ambient: int | None, load: Load) -> Prediction:
        if mains is None and ambient is None and load is None:
            return self.nominal
        bench = with_load(self.bench, load)
        parts = parts_of(bench)
        if ambient is not None:
            parts = parts.replaced({"ambient.temperature": np.array([float(ambient)])})
        if mains is None:
            return self._with_the_bench_s_mains(predict_parts(bench, parts, mains_is_measured=False)[0])
        volts = self.bench.mains.voltage * float(np.exp(mains * _MAINS_STEP))
        parts = parts.replaced({"mains.voltage": np.array([volts])})
        near = self._near(parts, load)
        parts, near = _with_source(bench, parts, volts, near)
        prediction, warm = predict_parts(bench, parts, mains_is_measured=True, near=near)
        if self._start is None:
            self._start = _Start(volts, float(parts["ambient.temperature"][0]), load, warm)
        return self._with_the_bench_s_mains(replace(prediction, mains_voltage=volts))

    def _near(self, parts: Parts, load: Load) -> ThermalEquilibrium | None:
        """Return the state to start from if it is near enough for its mesh to fit, else forget it."""
        start = self._start
        if start is not None and start.load == load:
            away = abs(float(parts["mains.voltage"][0]) / start.mains - 1.0)
            if away < _NEAR_MAINS and abs(float(parts["ambient.temperature"][0]) - start.ambient) < _NEAR_AMBIENT:
                return start.warm
        self._start = None
        return None

    def _with_the_bench_s_mains(self, prediction: Prediction) -> Prediction:
        name = "mains.voltage.rms"
        return replace(
            prediction,
            quantities=prediction.quantities | {name: self.nominal.quantities[name]},
            contributions=prediction.contributions | {name: self.nominal.contributions[name]},
        )


def _with_source(
    bench: Bench, parts: Parts, volts: float, near: ThermalEquilibrium | None
) -> tuple[Parts, ThermalEquilibrium | None]:
    """Return the parts with the source voltage that leaves `volts` at the terminals, by fixed-slope secants."""
    if bench.mains.source_resistance == 0.0:
        return parts, near
    for _ in range(_MOST_SECANTS):
        solved = solve(bench, parts, near=near)
        missing = volts - float(solved.quantities["mains.voltage.rms"][0])
        near = solved.warm
        if abs(missing) < _CLOSE * volts:
            break
        parts = parts.replaced({"mains.voltage": parts["mains.voltage"] + missing})
    return parts, near


def _mains_key(bench: Bench, volts: float | None) -> int | None:
    return None if volts is None else round(_log_of(bench, volts) / _MAINS_STEP)


def _log_of(bench: Bench, volts: float) -> float:
    """Return the natural logarithm of a mains voltage in parts of the bench's."""
    if not math.isfinite(volts) or volts <= 0.0:
        raise PredictionError(f"mains.voltage: {volts:g} V is nothing to predict from; is the mains on?")
    return math.log(volts / bench.mains.voltage)


def _plausible(celsius: float) -> float:
    if not math.isfinite(celsius) or not -100.0 < celsius < 300.0:
        raise PredictionError(f"ambient.temperature: {celsius:g} °C is no ambient to predict from; check its sensor")
    return celsius


def _air_key(celsius: float | None) -> int | None:
    return None if celsius is None else round(_plausible(celsius))


def _checked(load: Load) -> Load:
    if isinstance(load, float | int) and not (np.isfinite(load) and load > 0.0):
        raise PredictionError(f"load.resistance: {load:g} Ω is no load to predict; give ohms above zero, or open")
    return load
