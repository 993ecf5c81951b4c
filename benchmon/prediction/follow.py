"""Predictions that follow what is measured: the mains' voltage, the ambient and the load, as they are now."""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchmon.bench import Accuracy, Bench
from benchmon.errors import PredictionError
from benchmon.prediction.heat import WarmState
from benchmon.prediction.parts import Parts, parts_of
from benchmon.prediction.predict import predict, predict_parts, solve, with_load
from benchmon.prediction.result import Expected, Prediction
from benchmon.prediction.vicinity import SPACING, Vicinity

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
    warm: WarmState


class Follower:
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
        self._vicinity: Vicinity | None = None
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

    def around(self, mains: float | None, ambient: float | None = None, load: Load = None) -> Vicinity:
        """Return the predictions around a measured state; None stands for what is not measured.

        Raises `PredictionError`.
        """
        place = None if mains is None else round(_log_of(self.bench, mains) / SPACING)
        air = None if ambient is None else math.floor(_plausible(ambient))
        if self._vicinity is None or self._vicinity_of != (place, air, load):
            airs = (None,) if air is None else (float(air), air + 1.0)
            volts = [None if place is None else self._node(place + step) for step in ((0,) if place is None else _ROW)]
            rows = tuple(tuple(self.at(one, celsius, load) for one in volts) for celsius in airs)
            self._vicinity = Vicinity(rows, volts[len(volts) // 2], air, self._accuracy)
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

    def _near(self, parts: Parts, load: Load) -> WarmState | None:
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


def _with_source(bench: Bench, parts: Parts, volts: float, near: WarmState | None) -> tuple[Parts, WarmState | None]:
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
