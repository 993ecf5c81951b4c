"""Predictions that follow what is measured: the mains' voltage, the ambient and the load, as they are now."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchmon.bench import Bench
from benchmon.errors import PredictionError
from benchmon.prediction.heat import WarmState
from benchmon.prediction.parts import Parts, parts_of
from benchmon.prediction.predict import predict, predict_parts, solve, with_load
from benchmon.prediction.result import Prediction

Load = float | Literal["open"] | None
"""Another load than the bench's: ohms, or "open"; None for the bench's own."""

_MAINS_STEP = 1e-3
_LOAD_STEP = 1e-3
_NEAR_MAINS, _NEAR_AMBIENT = 0.03, 15.0
_CLOSE = 1e-5
_MOST_SECANTS = 4


@dataclass(frozen=True)
class _Start:
    """A solved state to start from, with the mains, ambient and load for which it was found from cold."""

    mains: float
    ambient: float
    load: int | str | None
    warm: WarmState


class Follower:
    """Predicts a bench at the measured mains, ambient and load, and keeps what it has predicted.

    A measured mains voltage is rounded to steps of 0.1 %, an ambient to 1 K and a load to 0.1 %, so that a reading
    that only trembles costs nothing; the last `keep` predictions are kept. One follower serves one thread.
    """

    def __init__(self, bench: Bench, keep: int = 256) -> None:
        self.bench = bench
        self._nominal = predict(bench)
        self._kept: OrderedDict[tuple[int | None, int | None, int | str | None], Prediction] = OrderedDict()
        self._keep = keep
        self._start: _Start | None = None

    def at(self, mains_voltage: float | None = None, ambient: float | None = None, load: Load = None) -> Prediction:
        """Return the prediction at a measured mains (V rms at the supply's terminals), ambient (°C) and load.

        None stands for the bench's own value, with its tolerance. The source's voltage is chosen so that the terminals
        have the measured one under load. What `mains.voltage.rms` should be stays the bench's: there the question is
        whether the mains is right. Raises `PredictionError`.
        """
        key = (_mains_key(self.bench, mains_voltage), _whole(ambient, "ambient.temperature"), _load_key(load))
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        prediction = self._predict(*key)
        self._kept[key] = prediction
        if len(self._kept) > self._keep:
            self._kept.popitem(last=False)
        return prediction

    def _predict(self, mains: int | None, ambient: int | None, load: int | str | None) -> Prediction:
        if mains is None and ambient is None and load is None:
            return self._nominal
        bench = with_load(self.bench, _load_of(load))
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

    def _near(self, parts: Parts, load: int | str | None) -> WarmState | None:
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
            quantities=prediction.quantities | {name: self._nominal.quantities[name]},
            contributions=prediction.contributions | {name: self._nominal.contributions[name]},
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
    if volts is None:
        return None
    if not np.isfinite(volts) or volts <= 0.0:
        raise PredictionError(f"mains.voltage: {volts:g} V is nothing to predict from; is the mains on?")
    return round(float(np.log(volts / bench.mains.voltage)) / _MAINS_STEP)


def _whole(celsius: float | None, name: str) -> int | None:
    if celsius is None:
        return None
    if not np.isfinite(celsius) or not -100.0 < celsius < 300.0:
        raise PredictionError(f"{name}: {celsius:g} °C is no ambient to predict from; check its sensor")
    return round(celsius)


def _load_key(load: Load) -> int | str | None:
    if load is None or load == "open":
        return load
    if not np.isfinite(load) or load <= 0.0:
        raise PredictionError(f"load.resistance: {load:g} Ω is no load to predict; give ohms above zero, or open")
    return round(float(np.log(load)) / _LOAD_STEP)


def _load_of(key: int | str | None) -> Load:
    if isinstance(key, int):
        return float(np.exp(key * _LOAD_STEP))
    return "open" if key == "open" else None
