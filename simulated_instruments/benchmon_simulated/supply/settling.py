"""How a circuit comes to rest: slow states extrapolated to where they settle, and charge that leaks away.

A capacitor from which hardly anything is drawn gives nothing back when the mains falls: its diodes block, and only
leakage takes its charge. Where it settles is where the rectifier gives as much as leaks.
"""

from __future__ import annotations

import math

import numpy as np

from benchmon_simulated.effects import Floats
from benchmon_simulated.supply.circuit import OutputNetwork
from benchmon_simulated.supply.rectifier import RectifierCircuit

SLOW = 2.0
"""Seconds of discharge (to 1/e) from which on a capacitor keeps its charge rather than following the mains."""

_PART_AT_ONCE = 0.1
"""The part of its volts that a capacitor may lose before what flows out of it is looked at again."""


def time_to_discharge(outputs: OutputNetwork, port: int, volts: float, by: float | None = None) -> float:
    """Return the seconds in which the capacitors of a port at `volts` fall by so many volts, or to 1/e."""
    farads = sum(part.capacitance for part in outputs.ports[port].capacitors)
    drawn = outputs.drawn(port, volts)
    return farads * (volts if by is None else by) / drawn if drawn > 0.0 else math.inf


def leak(circuit: RectifierCircuit, before: Floats, periods: int, *, powered: bool) -> int:
    """Go on with a discharge that is slow, whose last period began with slow states `before`, for some periods.

    While it is `powered`, only capacitors that keep their charge go on. Return the periods that have passed: those
    asked for, or as many as take a tenth of the volts.
    """
    now = circuit.slow_states
    change, falls = now - before, np.zeros(len(now), bool)
    for at, port in circuit.outputs.capacitors:
        falls[at] = change[at] < 0.0 < now[at]
        if powered and time_to_discharge(circuit.outputs, port, max(float(now[at]), 1e-9)) < SLOW:
            falls[at] = False
    if not falls.any():
        return periods
    relevant = falls & (now > 0.01 * now[falls].max())
    passed = min(periods, max(1, int(_PART_AT_ONCE * float(np.min(now[relevant] / -change[relevant])))))
    shift = np.zeros(len(now))
    shift[falls] = now[falls] * np.expm1(passed * change[falls] / now[falls])
    circuit.shift_states(shift)
    return passed


class KeptCharge:
    """The capacitors of one port that keep their charge, moved to where the rectifier gives what flows out of them.

    Near there the charge of a period falls exponentially with the volts, as a diode's current does, so its logarithm is
    followed to that of what leaks (the secant method). In the solution of a settled period (`freely`), capacitors that
    are charged too high are discharged until the rectifier charges them again.
    """

    def __init__(self, circuit: RectifierCircuit, port: int, seconds: float, slope: float, *, freely: bool) -> None:
        self._circuit, self._port, self._seconds, self._freely = circuit, port, seconds, freely
        self._places = [at for at, of_port in circuit.outputs.capacitors if of_port == port]
        self._steepest = 2.4 * slope
        self._start = self._volts
        self._last: tuple[float, float] | None = None
        self._drop = 0.02

    @property
    def _volts(self) -> float:
        return float(self._circuit.slow_states[self._places[0]])

    def extrapolate(self) -> bool:
        """Move the volts at the end of a period to where they may settle; return whether they were moved."""
        outputs, volts = self._circuit.outputs, self._volts
        change = volts - self._start
        leaks = (
            self._seconds * volts / max(time_to_discharge(outputs, self._port, volts), 1e-12) if volts > 0.0 else 0.0
        )
        gained = change + leaks
        moved = 0.0
        if leaks > 0.0 and gained <= 0.5 * leaks:
            self._last = None
            if self._freely:
                moved = -self._drop * volts
                self._drop = min(0.5, 2.0 * self._drop)
        elif leaks > 0.0 and gained > 0.0:
            now = math.log(gained / leaks)
            if self._last is not None and now < self._last[1]:
                slope = (volts - self._last[0]) / (self._last[1] - now)
                # Farther below, resistance limits the current, and a few periods suffice.
                if 0.0 < slope <= self._steepest:
                    moved = max(0.0, 0.9 * slope * now)
            self._last = volts, now
            self._drop = max(1e-4, self._drop / 16.0)
        if moved:
            shift = np.zeros(len(self._circuit.slow_states))
            shift[self._places] = moved
            self._circuit.shift_states(shift)
        self._start = self._volts
        return abs(moved) > 1e-5 * abs(volts)


class SlowStates:
    """The slow states of `circuit` over periods, extrapolated to where they settle (Anderson's acceleration).

    D. G. Anderson, Iterative procedures for nonlinear integral equations, J. ACM 12 (1965): the next state is the
    combination of the last ones whose change within a period is least. Capacitors that keep their charge settle by
    themselves (`KeptCharge`), those of the `pinned` ports not at all. `seconds` is the length of a period, `slope` the
    volts by which the drop of a diode grows as its current grows by e. Unless they may settle `freely`, nothing is
    discharged faster than it is.
    """

    _DEPTH = 4
    _FIRST = 3

    def __init__(
        self,
        circuit: RectifierCircuit,
        seconds: float,
        slope: float,
        *,
        pinned: tuple[int, ...] = (),
        freely: bool = False,
    ) -> None:
        outputs = circuit.outputs
        self._circuit = circuit
        self._start = circuit.slow_states
        self._moved = np.ones(len(self._start))
        volts = {port: max(float(self._start[at]), 1e-3) for at, port in reversed(outputs.capacitors)}
        kept = [
            port
            for port, start in volts.items()
            if outputs.is_open(port) or time_to_discharge(outputs, port, start) > SLOW
        ]
        for port in {*kept, *pinned}:
            if port in pinned or outputs.is_open(port) or not freely:
                self._moved[outputs.histories_of(port)] = 0.0
        self._kept = [
            KeptCharge(circuit, port, seconds, slope, freely=freely) for port in sorted(kept) if port not in pinned
        ]
        self._ends: list[Floats] = []
        self._changes: list[Floats] = []

    def extrapolate(self, count: int) -> bool:
        """Take note of the states at the end of period number `count`, and move them to where they may settle.

        Return whether capacitors that keep their charge were moved.
        """
        moved = sum(kept.extrapolate() for kept in self._kept) > 0
        end = self._circuit.slow_states
        change = (end - self._start) * self._moved
        if count >= self._FIRST and len(end) and not moved:
            size = float(np.abs(change).max())
            if self._changes and size > 10.0 * float(np.abs(self._changes[-1]).max()):
                self._ends, self._changes = [], []
            self._ends.append(end)
            self._changes.append(change)
            self._ends, self._changes = self._ends[-self._DEPTH :], self._changes[-self._DEPTH :]
            if len(self._ends) > 1:
                size_of_each = np.maximum(np.abs(end), 1e-9)
                steps = np.diff(np.array(self._changes), axis=0) / size_of_each
                weights = np.linalg.lstsq(steps.T, change / size_of_each, rcond=1e-9)[0]
                shift = -weights @ np.diff(np.array(self._ends), axis=0) * self._moved
                limit = 50.0 * np.abs(change)
                self._circuit.shift_states(np.clip(shift, -limit, limit))
        self._start = self._circuit.slow_states
        return moved
