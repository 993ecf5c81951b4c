"""Predict a sweep: every quantity at each value of a load or of the mains voltage, with its uncertainty.

Values that lie close together are solved together: the one in their middle in full, with its uncertainty, the others
on its mesh, as variants of one circuit. Their uncertainty is interpolated between the values that were solved in full.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchmon.bench import SWEPT, Bench, SetLoad, SweptOver, at_swept_output, with_swept
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.parts import Parts, parts_of
from benchmon.prediction.explained.budget import Sensitivities, sensitivities_of
from benchmon.prediction.mains_shape import THD
from benchmon.prediction.predict import predict_parts, with_load
from benchmon.prediction.solved import solve
from benchmon.prediction.uncertainty import input_uncertainties_of, model_uncertainty
from benchmon.quantities import CURRENT, Expected, format_value
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE

_LOADS_TOGETHER, _MAINS_TOGETHER = 1.35, 1.04
"""Largest ratio of a value to the middle one of its group, with which it is solved on that one's mesh.

At these the values of six demo benches differ from full solutions by less than 0.5 % of their ± (measured by
`tests/benchmarks/sweep_figures.py`).
"""
_LARGEST_GROUP = 12

VOLTS, AMPERES = "output.voltage.mean", "output.current.mean"


@dataclass(frozen=True)
class SweepPoint:
    """What is expected at one `value`: quantities by name, and the `problem` with it, "" where there is none.

    `value` is in the unit of what is swept; 0 A and an infinite resistance stand for no load.
    """

    value: float
    quantities: Mapping[str, Expected]
    problem: str = ""

    @property
    def efficiency(self) -> float | None:
        """The power of all outputs over that from the mains; None where either is not predicted."""
        output, mains = self.quantities.get("output.power.mean"), self.quantities.get("mains.power.active")
        if output is None or mains is None or mains.value <= 0.0:
            return None
        second = self.quantities.get("output_2.power.mean")
        return (output.value + (second.value if second is not None else 0.0)) / mains.value


@dataclass(frozen=True)
class SweepFigure:
    """A figure of a whole sweep with its expanded uncertainty (k = 2), from its first and its last point."""

    name: str
    value: float
    uncertainty: float
    unit: str


@dataclass(frozen=True)
class SweepPrediction:
    """The points of a sweep in the order in which they are set, and its figures."""

    over: SweptOver
    points: tuple[SweepPoint, ...]
    figures: tuple[SweepFigure, ...]

    @property
    def unit(self) -> str:
        """The unit of what is swept."""
        return SWEPT[self.over].unit


def predict_sweep(
    bench: Bench,
    over: SweptOver,
    values: Sequence[float],
    *,
    mains_voltage: float | None = None,
    ambient: float | None = None,
    load: SetLoad = None,
) -> SweepPrediction:
    """Return what every quantity should be at each of the `values`, in the unit of what is swept `over`.

    `mains_voltage` (V rms) is a measured one, for a sweep over a load; `ambient` is in °C; `load` is there where
    the sweep sets none. A point whose circuit cannot be solved, or whose current the supply does not carry, has its
    problem. Raises `PredictionError` if no point can be solved.
    """
    supply = _SweptSupply(bench, over, mains_voltage, ambient, load)
    solved = _SolvedPoints()
    for group in _groups(over, sorted(set(values))):
        _solve_group(supply, group, solved)
    if not solved.whole:
        raise PredictionError(next(iter(solved.problems.values())))
    points = tuple(solved.point(value) for value in values)
    if SWEPT[over] is CURRENT:
        points = tuple(_if_carried(point, at_swept_output(over, AMPERES)) for point in points)
    return SweepPrediction(over, points, tuple(_figures(supply, points)))


def _groups(over: SweptOver, rising: Sequence[float]) -> list[list[float]]:
    """Return rising values in groups, in which the middle one is near enough to all others to share its mesh.

    The first and the last value are groups of their own, so that every other lies between two that are solved in full.
    """
    together = _MAINS_TOGETHER if over == "mains.voltage" else _LOADS_TOGETHER
    loaded = [value for value in rising if _is_loaded(over, value)]
    groups = [[value] for value in rising if not _is_loaded(over, value)]
    groups += [[value] for value in (*loaded[:1], *loaded[1:][-1:])]
    inner: list[list[float]] = []
    for value in loaded[1:-1]:
        last = inner[-1] if inner else []
        middle = [*last, value][(len(last) + 1) // 2]
        near = bool(last) and value <= together * middle and middle <= together * last[0]
        if near and len(last) < _LARGEST_GROUP:
            last.append(value)
        else:
            inner.append([value])
    return groups + inner


_CARRIED = 0.995
"""Part of the current that is set from which it counts as carried: its own uncertainty is 0.5 %."""


def _if_carried(point: SweepPoint, amperes: str) -> SweepPoint:
    """Return a point with the problem that the supply does not carry its current, the quantity `amperes`, if so."""
    found = point.quantities.get(amperes)
    if found is None or found.value >= _CARRIED * point.value:
        return point
    return replace(point, problem=f"not carried: {format_value(found.value, found.unit, 3)} flow on average")


def _is_loaded(over: SweptOver, value: float) -> bool:
    """Return whether a value is that of a load, or of the mains; no load is a circuit of its own."""
    return over == "mains.voltage" or (value > 0.0 and math.isfinite(value))


@dataclass(frozen=True)
class _SweptSupply:
    """A bench, what is swept on it, and the conditions that stay."""

    bench: Bench
    over: SweptOver
    mains_voltage: float | None
    ambient: float | None
    load: SetLoad

    @property
    def mains_is_measured(self) -> bool:
        """Whether the mains voltage is known, and adds nothing to the uncertainty."""
        return self.mains_voltage is not None or self.over == "mains.voltage"

    def at(self, value: float) -> tuple[Bench, Parts]:
        """Return the bench and its parts at one value."""
        bench = self.bench
        if self.over == "mains.voltage":
            bench = bench.model_copy(update={"mains": bench.mains.model_copy(update={"voltage": value})})
        bench = with_load(bench, with_swept(self.load, self.over, value))
        given: dict[str, Floats] = {}
        if self.mains_voltage is not None:
            given["mains.voltage"] = np.array([self.mains_voltage])
        if self.ambient is not None:
            given["ambient.temperature"] = np.array([self.ambient])
        return bench, parts_of(bench).replaced(given)


@dataclass
class _SolvedPoints:
    """Points so far, by value: solved in full (`whole`), on the mesh of a neighbour (`near`), or not at all."""

    whole: dict[float, dict[str, Expected]] = field(default_factory=dict)
    near: dict[float, dict[str, float]] = field(default_factory=dict)
    problems: dict[float, str] = field(default_factory=dict)

    def point(self, value: float) -> SweepPoint:
        """Return the point at a value; one solved beside others has its uncertainty from them."""
        if value in self.problems:
            return SweepPoint(value, {}, self.problems[value])
        if value in self.whole:
            return SweepPoint(value, self.whole[value])
        levels = self.near[value]
        return SweepPoint(value, {name: self._between(name, value, level) for name, level in levels.items()})

    def _between(self, name: str, value: float, level: float) -> Expected:
        known = sorted(at for at, found in self.whole.items() if name in found and 0.0 < at < math.inf)
        nodes = [self.whole[at][name] for at in known]
        spread, below, above = (
            _interpolated(value, known, [reach(node) for node in nodes]) for reach in (_uncertainty, _below, _above)
        )
        if name == THD:
            # What is expected of it is what is usual, at every point alike.
            return nodes[0]
        has_limits = any(self.whole[at][name].low is not None for at in _beside(known, value))
        limits = (level - below, level + above) if has_limits else (None, None)
        return Expected(level, spread, nodes[0].unit, *limits)


def _interpolated(value: float, known: Sequence[float], sizes: Sequence[float]) -> float:
    """Return a size between known ones, straight over the logarithm of the value; beyond them along the last line."""
    if len(known) == 1:
        return sizes[0]
    at = min(max(sum(one <= value for one in known), 1), len(known) - 1)
    (before, after), (one, other) = known[at - 1 : at + 1], sizes[at - 1 : at + 1]
    part = math.log(value / before) / math.log(after / before)
    return max(one + part * (other - one), _LEAST_PART * min(one, other))


_LEAST_PART = 0.5
"""How little of its neighbours' an uncertainty beyond the last known one may become."""


def _beside(known: Sequence[float], value: float) -> list[float]:
    """Return the known values next to a value, at most one on each side."""
    return [*[at for at in known if at <= value][-1:], *[at for at in known if at > value][:1]]


def _uncertainty(node: Expected) -> float:
    return node.uncertainty


def _below(node: Expected) -> float:
    return node.reaches[0]


def _above(node: Expected) -> float:
    return node.reaches[1]


def _solve_group(supply: _SweptSupply, group: Sequence[float], solved: _SolvedPoints) -> None:
    """Solve a group of values; where they cannot be solved together, each by itself."""
    middle = group[len(group) // 2]
    bench, parts = supply.at(middle)
    others = [value for value in group if value != middle]
    try:
        prediction, equilibrium = predict_parts(bench, parts, mains_is_measured=supply.mains_is_measured)
        if others:
            varied = parts.replaced({supply.over: np.array(others)})
            quantities = solve(bench, varied, initial_guess=equilibrium).quantities
    except PredictionError as problem:
        if not others:
            solved.problems[middle] = str(problem)
        for value in group if others else ():
            _solve_group(supply, [value], solved)
        return
    solved.whole[middle] = prediction.quantities
    for row, value in enumerate(others):
        solved.near[value] = {name: float(quantities[name][row]) for name in prediction.quantities}


def _figures(supply: _SweptSupply, points: Sequence[SweepPoint]) -> list[SweepFigure]:
    """Return regulation and output resistance from the points of least and greatest load, or of the mains.

    Load regulation is the change of the mean output from the least load to the greatest, over that at the greatest, as
    transformers state theirs. Line regulation is the change over the mean of both ends. Both ends share their parts, so
    that most of the uncertainty is common to them and falls out.
    """
    volts, amperes = (at_swept_output(supply.over, name) for name in (VOLTS, AMPERES))
    usable = [point for point in points if not point.problem and amperes in point.quantities]
    if len(usable) < 2:
        return []
    by = "mains.voltage.rms" if supply.over == "mains.voltage" else amperes
    usable.sort(key=lambda point: point.quantities[by].value)
    try:
        ends = [_end(supply, point.value, volts, amperes) for point in (usable[0], usable[-1])]
    except PredictionError:
        return []
    first, last = ends
    if supply.over == "mains.voltage":
        middle = (first.volts + last.volts) / 2.0
        slopes = (-1.0 / middle, 1.0 / middle)
        value = (last.volts - first.volts) / middle
        return [SweepFigure("line regulation", 100.0 * value, 100.0 * _spread(ends, slopes, (0.0, 0.0)), "%")]
    value = (first.volts - last.volts) / last.volts
    slopes = (1.0 / last.volts, -first.volts / last.volts**2)
    found = [SweepFigure("load regulation", 100.0 * value, 100.0 * _spread(ends, slopes, (0.0, 0.0)), "%")]
    more = last.amperes - first.amperes
    if more > 0.0:
        ohms = (first.volts - last.volts) / more
        spread = _spread(ends, (1.0 / more, -1.0 / more), (ohms / more, -ohms / more))
        found.append(SweepFigure("output resistance", ohms, spread, "Ω"))
    return found


@dataclass(frozen=True)
class _End:
    """Mean volts and amperes at an end of a sweep, and their change with one standard uncertainty of each input."""

    volts: float
    amperes: float
    moves: Mapping[tuple[str, str], tuple[float, float]]


def _end(supply: _SweptSupply, value: float, volts: str, amperes: str) -> _End:
    """Return an end of a sweep; `volts` and `amperes` are the quantities of its output."""
    bench, parts = supply.at(value)
    inputs = input_uncertainties_of(bench, parts, mains_is_measured=supply.mains_is_measured)
    found: Sensitivities = sensitivities_of(bench, parts, inputs)
    moves = {
        (entry.part, entry.label): (float(one), float(other))
        for entry, one, other in zip(inputs, found.changes[volts], found.changes[amperes], strict=True)
    }
    levels = found.nominal.quantities
    return _End(float(levels[volts][0]), float(levels[amperes][0]), moves)


def _spread(ends: Sequence[_End], by_volts: tuple[float, float], by_amperes: tuple[float, float]) -> float:
    """Return the expanded uncertainty of a figure with these slopes at both ends, whose inputs are common to them.

    What the model itself may be off is taken as independent at both ends.
    """
    variance = 0.0
    for label in {label for end in ends for label in end.moves}:
        moved = 0.0
        for end, volts, amperes in zip(ends, by_volts, by_amperes, strict=True):
            change = end.moves.get(label, (0.0, 0.0))
            moved += volts * change[0] + amperes * change[1]
        variance += moved**2
    for end, volts in zip(ends, by_volts, strict=True):
        variance += (volts * model_uncertainty(VOLTS, end.volts)) ** 2
    return COVERAGE * math.sqrt(variance)
