"""A settled supply around one operating point: solved at a few neighbours, interpolated between them.

A period depends on mains, copper, junctions and load, which move slowly. So a benchmark may have the values of any
moment for the price of a few solved periods: quadratic in the mains voltage, as the magnetising current grows steeply
with it, linear in all else. The solved neighbours are those of the simulated circuit itself.

It also depends on what the capacitors hold. Those behind a load follow the mains
within a slice. Those from which hardly anything is drawn keep the highest peak until it has leaked away, which takes
minutes: then their volts are one more coordinate of the local model, and fall by what flows out of them in a period.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from benchmon_simulated.effects import Floats
from benchmon_simulated.supply.circuit import RESIDUE, Cycle
from benchmon_simulated.supply.rectifier import RectifierCircuit
from benchmon_simulated.supply.settling import SLOW, time_to_discharge

VOLTS, SHAPE, COPPER, JUNCTION, LOAD, LIMITER, STORED = 0.03, 0.1, 0.03, 12.0, 0.04, 0.1, 0.05
"""How far from its centre a local model is used: parts of the volts, of the harmonics' size, of the copper's
resistance; kelvins of the junctions; parts of load and inrush limiter; parts of stored volts."""

MOST_PERIODS = 150
"""Periods after which a neighbour of a local model is taken as settled."""

_MOST_MODELS = 8
"""Local models that are kept."""

_ABOVE, _LEAST_ABOVE = 1e-4, 1e-4
"""The part of its volts, and the volts, by which a capacitor must be above the settled ones to keep a charge."""

_SURELY_BLOCKED = 1.04
"""Times the settled volts at which diodes block at the neighbours of an operating point too."""

_PART_AT_ONCE = 0.03
"""The part of its volts that a capacitor may lose before a period is looked up again."""


@dataclass(frozen=True)
class OperatingPoint:
    """What one settled period depends on.

    `volts` rms of the mains and the `shape` of its harmonics; `copper`'s resistance relative to cold; `junctions` in
    °C; `load` and `second_load` in ohms or amperes; `limiter` in ohms. `others` is everything that does not change
    gradually. `stored` are the volts of the capacitors of those ports that are `kept`: charged to more than the mains
    would charge them.
    """

    volts: float
    shape: float
    copper: float
    junctions: tuple[float, ...]
    load: float
    limiter: float
    others: Hashable
    second_load: float = 0.0
    stored: tuple[float, ...] = ()
    kept: tuple[int, ...] = ()

    def coordinates(self, centre: OperatingPoint) -> list[float]:
        """Return how far it is from `centre`, each in units of what a local model allows."""
        return [
            (self.volts / centre.volts - 1.0) / VOLTS if centre.volts else 0.0,
            (self.shape - centre.shape) / SHAPE,
            (self.copper - centre.copper) / COPPER,
            (sum(self.junctions) - sum(centre.junctions)) / len(self.junctions) / JUNCTION,
            (self.load / centre.load - 1.0) / LOAD if centre.load else 0.0,
            (self.limiter / centre.limiter - 1.0) / LIMITER if centre.limiter else 0.0,
            (self.second_load / centre.second_load - 1.0) / LOAD if centre.second_load else 0.0,
            *(
                (volts / middle - 1.0) / STORED if middle else 0.0
                for volts, middle in zip(self.stored, centre.stored, strict=True)
            ),
        ]

    def neighbours(self) -> list[OperatingPoint]:
        """Return the points one unit of each coordinate away, in their order."""
        return [
            replace(self, volts=self.volts * (1.0 + VOLTS)),
            replace(self, shape=self.shape + SHAPE),
            replace(self, copper=self.copper + COPPER),
            replace(self, junctions=tuple(junction + JUNCTION for junction in self.junctions)),
            replace(self, load=self.load * (1.0 + LOAD)),
            replace(self, limiter=self.limiter * (1.0 + LIMITER)),
            replace(self, second_load=self.second_load * (1.0 + LOAD)),
            *(
                replace(self, stored=(*self.stored[:at], volts * (1.0 + STORED), *self.stored[at + 1 :]))
                for at, volts in enumerate(self.stored)
            ),
        ]


@dataclass(frozen=True)
class PeriodValues:
    """Values of one period: quantities, the windings' mean squared amperes, each diode's watts, waves.

    `states` are those of the circuit at its end.
    """

    quantities: dict[str, float]
    winding_squares: float
    diode_powers: tuple[float, ...]
    waveforms: Mapping[str, Floats]
    states: Floats


class LocalModel:
    """A supply around `centre`, whose periods `solve` returns settled. `varying` is which coordinates ever move."""

    def __init__(
        self, centre: OperatingPoint, solve: Callable[[OperatingPoint], PeriodValues], varying: tuple[bool, ...]
    ) -> None:
        self._centre = centre
        base = solve(centre)
        self._names, self._waves = tuple(base.quantities), tuple(base.waveforms)
        self._end = len(base.quantities) + 1 + len(base.diode_powers)
        self._base = _vector(base)
        self._base_waves = _stack(base)
        self._slopes: list[tuple[int, Floats, Floats]] = []
        least = self._base
        for at, neighbour in enumerate(centre.neighbours()):
            if varying[at]:
                found = solve(neighbour)
                least = np.fmin(least, _vector(found))
                self._slopes.append((at, _vector(found) - self._base, _stack(found) - self._base_waves))
        below = solve(replace(centre, volts=centre.volts * (1.0 - VOLTS)))
        # Through three points: s·(above − below)/2 + s²·(above + below)/2, both relative to the centre.
        _, above, above_waves = self._slopes[0]
        below_vector = _vector(below)
        under, under_waves = below_vector - self._base, _stack(below) - self._base_waves
        self._slopes[0] = (0, (above - under) / 2.0, (above_waves - under_waves) / 2.0)
        # What is never negative, as an rms, is not so in between.
        self._never_below = np.where(np.fmin(least, below_vector) < 0.0, -np.inf, 0.0)
        self._never_below[self._end :] = -np.inf
        self._bend, self._bend_waves = (above + under) / 2.0, (above_waves + under_waves) / 2.0

    def holds(self, point: OperatingPoint) -> bool:
        """Return whether it may be used at `point`."""
        alike = (point.others, point.kept) == (self._centre.others, self._centre.kept)
        return alike and max(map(abs, point.coordinates(self._centre))) <= 1.0

    def at(self, point: OperatingPoint) -> PeriodValues:
        """Return the values at `point`. Waveforms are interpolated when they are looked at."""
        places = point.coordinates(self._centre)
        vector = self._base + places[0] ** 2 * self._bend
        for at, slope, _ in self._slopes:
            vector = vector + places[at] * slope
        vector = np.maximum(vector, self._never_below)
        numbers = vector.tolist()
        count = len(self._names)
        quantities = dict(zip(self._names, numbers, strict=False))
        waves = _InterpolatedWaves(self._waves, lambda: self._waves_at(places))
        powers = tuple(numbers[count + 1 : self._end])
        return PeriodValues(quantities, numbers[count], powers, waves, vector[self._end :])

    def _waves_at(self, places: list[float]) -> Floats:
        waves: Floats = self._base_waves + places[0] ** 2 * self._bend_waves
        for at, _, slope in self._slopes:
            waves = waves + places[at] * slope
        return waves


class _InterpolatedWaves(Mapping[str, Floats]):
    """Waveforms by name, worked out when the first one is asked for."""

    def __init__(self, names: tuple[str, ...], work_out: Callable[[], Floats]) -> None:
        self._names, self._work_out = names, work_out
        self._found: Floats | None = None

    def __getitem__(self, name: str) -> Floats:
        if name not in self._names:
            raise KeyError(name)
        if self._found is None:
            self._found = self._work_out()
        wave: Floats = self._found[self._names.index(name)]
        return wave

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def _vector(values: PeriodValues) -> Floats:
    return np.array([*values.quantities.values(), values.winding_squares, *values.diode_powers, *values.states])


def _stack(values: PeriodValues) -> Floats:
    return np.array(list(values.waveforms.values()))


class SteppedSupply(Protocol):
    """The supply whose periods are solved."""

    def run_circuit(
        self, circuit: RectifierCircuit, point: OperatingPoint, periods: int, *, freely: bool = False
    ) -> tuple[Cycle, bool]:
        """Step `circuit` through at most `periods`; `freely` where only the settled period matters."""

    def period_values(self, circuit: RectifierCircuit, cycle: Cycle, point: OperatingPoint) -> PeriodValues:
        """Return the values of `cycle`, the last period of `circuit`."""

    def varying(self, point: OperatingPoint) -> tuple[bool, ...]:
        """Return which coordinates of an operating point ever move."""


class InterpolatedPeriods:
    """The local models of `supply`. The states of `circuit` follow what is shown, so that it can be stepped from there.

    Only states that were `settled` once are interpolated.
    """

    def __init__(self, supply: SteppedSupply, circuit: RectifierCircuit) -> None:
        self._supply, self._circuit = supply, circuit
        self._settled: dict[Hashable, None] = {}
        self._models: dict[Hashable, LocalModel] = {}

    def has_settled(self, point: OperatingPoint) -> None:
        """Say that the supply has settled in the state of `point`, which may be interpolated from now on."""
        self._settled.pop(point.others, None)
        self._settled[point.others] = None
        for oldest in list(self._settled)[:-_MOST_MODELS]:
            del self._settled[oldest]

    def values(self, point: OperatingPoint, periods: int, seconds: float) -> PeriodValues | None:
        """Return the values after `periods`, in `seconds`; None where the circuit is to be stepped."""
        settled = None
        if point.volts > 0.0:
            if point.others not in self._settled:
                return None
            settled = self._at(point)
        kept = self._kept(settled, seconds)
        if kept is None:
            return None
        if kept:
            return self._keeping(point, settled, kept, periods)
        if settled is not None:
            self._circuit.states = settled.states
        return settled

    def _kept(self, settled: PeriodValues | None, seconds: float) -> tuple[int, ...] | None:
        """Return the ports whose capacitors keep more than the mains gives, None where some lose it within seconds."""
        outputs, now = self._circuit.outputs, self._circuit.states
        found: set[int] = set()
        for at, port in outputs.capacitors:
            volts = float(now[at])
            rest = RESIDUE if settled is None else float(settled.states[at])
            above = volts - rest
            if above <= _ABOVE * volts + _LEAST_ABOVE:
                continue
            # Without mains nothing hides how it falls.
            if settled is not None and time_to_discharge(outputs, port, volts, above) <= seconds:
                continue
            if time_to_discharge(outputs, port, volts) < SLOW:
                return None
            found.add(port)
        return tuple(sorted(found))

    def _keeping(
        self, point: OperatingPoint, settled: PeriodValues | None, kept: tuple[int, ...], periods: int
    ) -> PeriodValues:
        """Return the values after `periods` in which the capacitors of the `kept` ports only lose charge."""
        places = [at for at, port in self._circuit.outputs.capacitors if port in kept]
        stored = self._circuit.states[places]
        blocked = np.zeros(len(places)) if settled is None else _SURELY_BLOCKED * settled.states[places]
        while True:
            values = self._at(_with_stored(point, kept, stored), blocked)
            change = values.states[places] - stored
            if periods <= 0:
                break
            falling = stored > np.maximum(0.0, -change)
            fastest = float(np.max(np.abs(change[falling]) / stored[falling], initial=0.0))
            passed = min(periods, max(1, int(_PART_AT_ONCE / fastest))) if fastest > 0.0 else periods
            ratio = np.divide(change, stored, out=np.zeros(len(stored)), where=falling)
            stored = np.where(falling, stored * np.exp(passed * np.minimum(ratio, 0.0)), 0.0)
            periods -= passed
        circuit = self._circuit
        circuit.states = values.states
        shift = np.zeros(len(circuit.slow_states))
        shift[places] = -change
        circuit.shift_states(shift)
        return values

    def _at(self, point: OperatingPoint, blocked: Floats | None = None) -> PeriodValues:
        """Return the values at `point`; where charge is kept, all that is solved keeps at least `blocked` volts."""
        key = point.others, point.kept
        model = self._models.get(key)
        if model is None or not model.holds(point):
            centre = point
            if blocked is not None:
                centre = _with_stored(point, point.kept, np.maximum(np.array(point.stored), blocked))
            varying = (*self._supply.varying(point), *(True for _ in point.stored))
            model = LocalModel(centre, _Settler(self._supply, self._circuit, centre), varying)
            self._models.pop(key, None)
            self._models = dict([*self._models.items(), (key, model)][-_MOST_MODELS:])
        return model.at(point)


def _with_stored(point: OperatingPoint, kept: tuple[int, ...], stored: Floats) -> OperatingPoint:
    return replace(point, kept=kept, stored=tuple(stored.tolist()))


class _Settler:
    """Solves settled periods of `supply` one from another, on a circuit of its own, beginning near `point`."""

    def __init__(self, supply: SteppedSupply, circuit: RectifierCircuit, point: OperatingPoint) -> None:
        self._supply, self._volts = supply, point.volts
        self._circuit = copy.deepcopy(circuit)

    def __call__(self, point: OperatingPoint) -> PeriodValues:
        if self._volts:
            self._circuit.shift_states((point.volts / self._volts - 1.0) * self._circuit.slow_states)
        self._volts = point.volts
        cycle, _ = self._supply.run_circuit(self._circuit, point, MOST_PERIODS, freely=True)
        return self._supply.period_values(self._circuit, cycle, point)
