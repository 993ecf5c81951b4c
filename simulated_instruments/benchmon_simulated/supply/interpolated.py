"""Periods of a settled supply from a few solved ones, with the charge that its capacitors keep.

A period depends on where the supply stands now, and on what its capacitors hold. Those behind a load follow the mains
within a slice. Those from which hardly anything is drawn keep the highest peak until it has leaked away, which takes
minutes: then their volts are one more coordinate of the local model, and fall by what flows out of them in a period.
"""

from __future__ import annotations

import copy
from collections.abc import Hashable
from dataclasses import replace
from typing import Protocol

import numpy as np

from benchmon_simulated.effects import Floats
from benchmon_simulated.supply.circuit import RESIDUE, Cycle
from benchmon_simulated.supply.local_model import LocalModel, OperatingPoint, PeriodValues
from benchmon_simulated.supply.rectifier import RectifierCircuit
from benchmon_simulated.supply.settling import SLOW, time_to_discharge

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
