"""Predictions at the measured mains voltage, ambient temperature and load.

The circuit is solved on a grid of operating points, 2 % of the mains voltage and one kelvin apart. Between the nodes a
quantity is interpolated, by a parabola along the mains and a line along the ambient. The interpolated value is within
0.01 % of a full solution, costs a few multiplications, and has no steps that could be mistaken for a drift.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchmon.bench import Accuracy, Bench, SetLoad, TwoLoads
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.meter_response import MeterResponse
from benchmon.prediction.circuit.parts import Parts, parts_of
from benchmon.prediction.mains_shape import KnownShape, MeasuredShape, known_shape
from benchmon.prediction.predict import predict, predict_parts, with_load
from benchmon.prediction.result import Prediction
from benchmon.prediction.solved import solve
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium
from benchmon.prediction.winding_temperature import WINDINGS, MeasuredWindings
from benchmon.quantities import Expected

SPACING = 0.02
"""Distance between nodes, in the natural logarithm of the mains voltage."""

Row = tuple[Prediction, ...]


@dataclass
class OperatingGrid:
    """Predictions at the grid nodes around one operating point.

    Each row of `rows` belongs to one ambient temperature: three mains voltages `SPACING` apart around `mains` (V rms),
    or one prediction if the mains is not measured (None). There are two rows, at `ambient` (°C) and one kelvin above,
    or one if the ambient is not measured (None). `accuracy` is that of the meter that measures the mains.
    """

    rows: tuple[Row, ...]
    mains: float | None
    ambient: int | None
    accuracy: Accuracy
    _last_shape: tuple[MeasuredShape, KnownShape | None] | None = field(default=None, repr=False, compare=False)

    @property
    def middle(self) -> Prediction:
        """The prediction at the middle node."""
        return self.rows[0][len(self.rows[0]) // 2]

    def covers(self, mains: float | None, ambient: float | None) -> bool:
        """Return whether an operating point is between the nodes, or so little outside that accuracy is kept."""
        if (mains is None) is not (self.mains is None) or (ambient is None) is not (self.ambient is None):
            return False
        mains_is_close = mains is None or self.mains is None or abs(math.log(mains / self.mains)) <= SPACING
        return mains_is_close and (ambient is None or self.ambient is None or abs(ambient - self.ambient - 0.5) <= 1.5)

    def expected(
        self,
        quantity: str,
        mains: float | None,
        ambient: float | None = None,
        since: float | None = None,
        *,
        shape: MeasuredShape | None = None,
        windings: MeasuredWindings | None = None,
        meter: MeterResponse | None = None,
    ) -> Expected | None:
        """Return the expected value of `quantity` at `mains` (V rms at the terminals, above zero) and `ambient` (°C).

        `since` is the time from power-on in seconds, None for a settled supply; `shape` what meters read of the shape
        of the mains, `windings` how warm they read these, and `meter` the one that reads the quantity, None for an
        ideal one. Returns None if `quantity` is not predicted.
        """
        found = self._at_nominal_shape(quantity, mains, ambient, since, meter)
        known = None if shape is None else self._known_shape(shape)
        if found is not None and known is not None:
            found = known.follow(meter or quantity, found)
        copper = self.middle.copper
        if found is None or windings is None or copper is None:
            return found
        estimated = self._at_nominal_shape(WINDINGS, mains, ambient, None, None)
        return copper.follow(
            meter or quantity,
            found,
            windings,
            estimated=None if estimated is None else estimated.value,
            ambient=self.middle.ambient if ambient is None else ambient,
        )

    def _known_shape(self, measured: MeasuredShape) -> KnownShape | None:
        """Return the harmonics after a measurement, worked out once for all quantities."""
        if self._last_shape is None or self._last_shape[0] != measured:
            middle = self.middle
            known = None if middle.shape is None else known_shape(middle.shape, middle.quantities, measured)
            self._last_shape = measured, known
        return self._last_shape[1]

    def _at_nominal_shape(
        self,
        quantity: str,
        mains: float | None,
        ambient: float | None,
        since: float | None,
        meter: MeterResponse | None,
    ) -> Expected | None:
        found = [
            self._interpolate_mains(tuple(node.at(quantity, since, meter) for node in row), mains) for row in self.rows
        ]
        cooler, warmer = found[0], found[-1]
        if cooler is None or warmer is None or ambient is None or self.ambient is None:
            return cooler
        offset = ambient - self.ambient
        value = cooler.value + offset * (warmer.value - cooler.value)
        uncertainty = cooler.uncertainty + offset * (warmer.uncertainty - cooler.uncertainty)
        return _with_limits(Expected(value, uncertainty, cooler.unit), cooler, warmer, offset)

    def _interpolate_mains(self, row: Sequence[Expected | None], mains: float | None) -> Expected | None:
        if mains is None or self.mains is None:
            return row[0]
        below, middle, above = row
        if below is None or middle is None or above is None:
            return None
        offset = math.log(mains / self.mains) / SPACING
        slope, curvature = (above.value - below.value) / 2.0, (above.value + below.value) / 2.0 - middle.value
        value = middle.value + offset * (slope + offset * curvature)
        own = middle.uncertainty + offset * (above.uncertainty - below.uncertainty) / 2.0
        meter = slope / SPACING * self.accuracy.of(mains) / mains
        found = Expected(value, math.hypot(own, meter), middle.unit)
        return _with_limits(found, middle, above if offset > 0.0 else below, abs(offset), meter)


def _with_limits(found: Expected, near: Expected, other: Expected, part: float, more: float = 0.0) -> Expected:
    """Return what was `found` between two nodes with limits as far from it as theirs are, where any node has some.

    It lies `part` of the way from `near` to `other`; `more` is a further uncertainty.
    """
    if near.low is None and other.low is None:
        return found
    below, above = (
        math.hypot(one + part * (another - one), more)
        for one, another in zip(_reaches(near), _reaches(other), strict=True)
    )
    return replace(found, uncertainty=max(below, above), low=found.value - below, high=found.value + above)


def _reaches(node: Expected) -> tuple[float, float]:
    """Return how far below and above its value the readings of a node lie."""
    below, above = node.reaches
    return max(below, 0.0), max(above, 0.0)


_ROW = (-1, 0, 1)
_MAINS_STEP = 1e-3
_LARGEST_MAINS_CHANGE, _LARGEST_AMBIENT_CHANGE = 0.03, 15.0
_CLOSE = 1e-5
_MOST_CORRECTIONS = 4


@dataclass(frozen=True)
class _Start:
    """A solved state to start from, with the mains (V rms), ambient (°C) and load key that it belongs to."""

    mains: float
    ambient: float
    load: SetLoad
    equilibrium: ThermalEquilibrium


class OperatingPointPredictor:
    """Predicts a bench at the measured mains, ambient and load, and caches its predictions.

    `expected` returns one quantity, interpolated on the grid that `around` returns. `at` returns a whole prediction
    with waveforms: it rounds the mains voltage to steps of 0.1 % and the ambient to 1 K, so that the noise of a reading
    causes no new solution; a load, which is set and not measured, is taken as it is. The last `keep` predictions are
    cached. `accuracy` is that of the meter that measures the mains at the terminals of the supply; `expected`
    propagates its uncertainty. Not thread-safe. The constructor raises `PredictionError` if the bench itself cannot be
    predicted.
    """

    def __init__(self, bench: Bench, accuracy: Accuracy | None = None, keep: int = 256) -> None:
        self.bench = bench
        self.nominal = predict(bench)
        self._accuracy = accuracy or Accuracy()
        self._grid: OperatingGrid | None = None
        self._grid_key: tuple[int | None, int | None, SetLoad] | None = None
        self._cache: OrderedDict[tuple[int | None, int | None, SetLoad], Prediction] = OrderedDict()
        self._keep = keep
        self.made = 0
        """How many operating points were solved so far."""
        self._start: _Start | None = None

    def at(self, mains_voltage: float | None = None, ambient: float | None = None, load: SetLoad = None) -> Prediction:
        """Return the prediction at a measured mains (V rms at the supply's terminals), ambient (°C) and load.

        None means the value of the bench file, with its tolerance. The source voltage is chosen so that the terminals
        have the measured voltage under load. The expected `mains.voltage.rms` is always that of the bench file, since
        that reading is to be compared with the nominal mains. Raises `PredictionError` if an argument is not plausible
        or the circuit cannot be solved.
        """
        key = (_mains_key(self.bench, mains_voltage), _ambient_key(ambient), _checked(load))
        if key in self._cache:
            self._cache.move_to_end(key)
            return self._cache[key]
        self.made += 1
        prediction = self._predict(*key)
        self._cache[key] = prediction
        if len(self._cache) > self._keep:
            self._cache.popitem(last=False)
        return prediction

    def expected(
        self, quantity: str, mains: float, ambient: float | None = None, *, since: float | None = None
    ) -> Expected | None:
        """Return the expected value of `quantity` at `mains` (V rms at the terminals) and `ambient` (°C).

        `since` is the time from power-on in seconds, None for a settled supply. Returns None if `quantity` is not
        predicted. Raises `PredictionError` as `at` does.
        """
        return self.around(mains, ambient).expected(quantity, mains, ambient, since)

    def around(self, mains: float | None, ambient: float | None = None, load: SetLoad = None) -> OperatingGrid:
        """Return the grid around a measured operating point; None means not measured.

        Raises `PredictionError` as `at` does.
        """
        place = None if mains is None else round(_log_of(self.bench, mains) / SPACING)
        floor = None if ambient is None else math.floor(_plausible(ambient))
        if self._grid is None or self._grid_key != (place, floor, load):
            ambients = (None,) if floor is None else (float(floor), floor + 1.0)
            volts = [None if place is None else self._node(place + step) for step in ((0,) if place is None else _ROW)]
            rows = tuple(tuple(self.at(one, celsius, load) for one in volts) for celsius in ambients)
            self._grid = OperatingGrid(rows, volts[len(volts) // 2], floor, self._accuracy)
            self._grid_key = (place, floor, load)
        return self._grid

    def _node(self, place: int) -> float:
        return self.bench.mains.voltage * math.exp(place * SPACING)

    def _predict(self, mains: int | None, ambient: int | None, load: SetLoad) -> Prediction:
        if mains is None and ambient is None and load is None:
            return self.nominal
        bench = with_load(self.bench, load)
        parts = parts_of(bench)
        if ambient is not None:
            parts = parts.replaced({"ambient.temperature": np.array([float(ambient)])})
        if mains is None:
            return self._with_nominal_mains(predict_parts(bench, parts, mains_is_measured=False)[0])
        volts = self.bench.mains.voltage * float(np.exp(mains * _MAINS_STEP))
        parts = parts.replaced({"mains.voltage": np.array([volts])})
        initial_guess = self._initial_guess(parts, load)
        parts, initial_guess = with_source(bench, parts, volts, initial_guess)
        prediction, equilibrium = predict_parts(bench, parts, mains_is_measured=True, initial_guess=initial_guess)
        if self._start is None:
            self._start = _Start(volts, float(parts["ambient.temperature"][0]), load, equilibrium)
        return self._with_nominal_mains(replace(prediction, mains_voltage=volts))

    def _initial_guess(self, parts: Parts, load: SetLoad) -> ThermalEquilibrium | None:
        """Return the stored state if it is close enough for its mesh to fit, else discard it and return None."""
        start = self._start
        if start is not None and start.load == load:
            away = abs(float(parts["mains.voltage"][0]) / start.mains - 1.0)
            if (
                away < _LARGEST_MAINS_CHANGE
                and abs(float(parts["ambient.temperature"][0]) - start.ambient) < _LARGEST_AMBIENT_CHANGE
            ):
                return start.equilibrium
        self._start = None
        return None

    def _with_nominal_mains(self, prediction: Prediction) -> Prediction:
        name = "mains.voltage.rms"
        return replace(
            prediction,
            quantities=prediction.quantities | {name: self.nominal.quantities[name]},
            contributions=prediction.contributions | {name: self.nominal.contributions[name]},
        )


def with_source(
    bench: Bench, parts: Parts, volts: float, initial_guess: ThermalEquilibrium | None
) -> tuple[Parts, ThermalEquilibrium | None]:
    """Return the parts with the source voltage that gives `volts` at the terminals, and the state solved last.

    The source voltage is corrected by the missing volts until they are within a relative 1e-5.
    """
    if parts["mains.source_resistance"][0] == 0.0:
        return parts, initial_guess
    for _ in range(_MOST_CORRECTIONS):
        solved = solve(bench, parts, initial_guess=initial_guess)
        missing = volts - float(solved.quantities["mains.voltage.rms"][0])
        initial_guess = solved.equilibrium
        if abs(missing) < _CLOSE * volts:
            break
        parts = parts.replaced({"mains.voltage": parts["mains.voltage"] + missing})
    return parts, initial_guess


def _mains_key(bench: Bench, volts: float | None) -> int | None:
    return None if volts is None else round(_log_of(bench, volts) / _MAINS_STEP)


def _log_of(bench: Bench, volts: float) -> float:
    """Return the natural logarithm of a mains voltage over the nominal one."""
    if not math.isfinite(volts) or volts <= 0.0:
        raise PredictionError(f"mains.voltage: nothing can be predicted at {volts:g} V; is the mains on?")
    return math.log(volts / bench.mains.voltage)


def _plausible(celsius: float) -> float:
    if not math.isfinite(celsius) or not -100.0 < celsius < 300.0:
        raise PredictionError(f"ambient.temperature: {celsius:g} °C is not plausible; check the sensor")
    return celsius


def _ambient_key(celsius: float | None) -> int | None:
    return None if celsius is None else round(_plausible(celsius))


def _checked(load: SetLoad) -> SetLoad:
    for one in (load.first, load.second) if isinstance(load, TwoLoads) else ():
        _checked(one)
    if isinstance(load, float | int) and not (np.isfinite(load) and load > 0.0):
        raise PredictionError(f"load.resistance: {load:g} Ω is not a load; give ohms above zero, or open")
    return load
