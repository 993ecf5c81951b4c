"""Filter, regulator and load behind the rectifier, as a chain of parts that is stepped through time.

For one time step each part is replaced by a conductance and a source that represents its past (its companion model).
The integration rule is the second-order backward difference (Gear 1971), which does not ring when a diode starts or
stops conducting. At the rectifier the whole chain is then equivalent to i = g·v + s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchmon.bench import (
    Capacitor,
    Choke,
    CurrentLoad,
    FilterPart,
    Load,
    OpenLoad,
    Regulator,
    ResistorLoad,
    SeriesResistor,
)

LEAST_CONDUCTANCE = 1e-9
"""Siemens: every real circuit leaks a little, and a node without a path to ground has no defined voltage."""

KNEE = 0.5
"""Volts below which an electronic load cannot draw its current and acts as a resistance."""


class StateHistory:
    """A state (a capacitor's voltage, a choke's current) at the `last` step and the one `before`.

    The integration rule is x = `expected` + (2/3)·step·(dx/dt at the new step). The hottest loops write it out.
    """

    __slots__ = ("before", "last")

    def __init__(self) -> None:
        self.last = self.before = 0.0

    @property
    def expected(self) -> float:
        """The new state for a rate of change of zero."""
        return (4.0 * self.last - self.before) / 3.0

    def accept(self, state: float) -> None:
        """End the step with this state."""
        self.last, self.before = state, self.last

    def shift(self, change: float) -> None:
        """Add `change` to the state; its rate stays."""
        self.last += change
        self.before += change


GEAR = 2.0 / 3.0


class ShuntCapacitor:
    """A capacitor with its series resistance across the line. `voltage` is across its terminals.

    Left alone it loses its charge in `self_discharge` seconds (to 1/e); without, it does not leak.
    """

    def __init__(self, part: Capacitor, self_discharge: float = math.inf) -> None:
        self._capacitance, self._esr = part.capacitance, part.esr or 0.0
        self._leak = self._capacitance / self_discharge
        self.state = StateHistory()
        self.current = self.voltage = 0.0
        self.left = 1.0
        """The remaining part of its capacitance; the series resistance is divided by it."""
        self.esr_factor = 1.0
        """A further factor on its series resistance."""

    @property
    def capacitance(self) -> float:
        """The farads that it has left."""
        return self._capacitance * self.left

    @property
    def leak(self) -> float:
        """The siemens of its leakage: a part that has dried out leaks less."""
        return self._leak * self.left

    def set_step(self, step: float) -> None:
        """Set the time step in seconds."""
        self._inertia = GEAR * step / (self._capacitance * self.left)
        self._conductance = 1.0 / (self._esr * self.esr_factor / self.left + self._inertia)
        self._across = self._conductance + self._leak * self.left

    def equivalent(self, conductance: float, source: float) -> tuple[float, float]:
        """Return g and s before this part from those behind it."""
        state, own = self.state, self._conductance
        return conductance + self._across, source - own * (4.0 * state.last - state.before) / 3.0

    def accept(self, voltage: float, current: float) -> tuple[float, float]:
        """End the step with `voltage` and `current` at this part; return those behind it."""
        state = self.state
        expected = (4.0 * state.last - state.before) / 3.0
        self.current = own = self._conductance * (voltage - expected)
        state.last, state.before = expected + self._inertia * own, state.last
        self.voltage = voltage
        return voltage, current - own - self._leak * self.left * voltage


class SeriesPart:
    """A resistor or a choke in the line."""

    def __init__(self, part: SeriesResistor | Choke) -> None:
        self._ohms = part.resistance
        self._inductance = part.inductance if isinstance(part, Choke) else 0.0
        self.stores = self._inductance > 0.0
        self.state = StateHistory()

    def set_step(self, step: float) -> None:
        """Set the time step in seconds."""
        self._inertia = self._inductance / (GEAR * step)

    def equivalent(self, conductance: float, source: float) -> tuple[float, float]:
        """Return g and s before this part from those behind it."""
        part = 1.0 + (self._ohms + self._inertia) * conductance
        return conductance / part, (source + conductance * self._inertia * self.state.expected) / part

    def accept(self, voltage: float, current: float) -> tuple[float, float]:
        """End the step with `voltage` and `current` at this part; return those behind it."""
        voltage -= (self._ohms + self._inertia) * current - self._inertia * self.state.expected
        self.state.accept(current)
        return voltage, current


class FilterChain:
    """The filter parts in order, a regulator if there is one, then the load, and `voltmeter` siemens across it.

    At the last step `output` was the load's voltage and `feed` that before the regulator. Capacitors lose their charge
    in `self_discharge` seconds.
    """

    def __init__(
        self,
        parts: Sequence[FilterPart],
        load: Load,
        regulator: Regulator | None = None,
        *,
        self_discharge: float = math.inf,
        voltmeter: float = 0.0,
    ) -> None:
        self._parts = [
            ShuntCapacitor(part, self_discharge) if isinstance(part, Capacitor) else SeriesPart(part) for part in parts
        ]
        self._voltmeter = 0.0 if regulator is not None else voltmeter
        self._backwards = self._parts[::-1]
        self.output = self.feed = 0.0
        self.load, self.regulator = load, regulator

    @property
    def reservoir(self) -> ShuntCapacitor | None:
        """The first capacitor, if there is one."""
        return next((part for part in self._parts if isinstance(part, ShuntCapacitor)), None)

    @property
    def capacitors(self) -> list[ShuntCapacitor]:
        """Its capacitors in order."""
        return [part for part in self._parts if isinstance(part, ShuntCapacitor)]

    def drawn(self, volts: float) -> float:
        """Return the amperes that leakage, meter, regulator and load take from capacitors at `volts`."""
        leaking = (self._voltmeter + sum(part.leak for part in self.capacitors)) * volts
        regulator = self.regulator
        if regulator is None:
            return leaking + load_current(self.load, volts)
        own = regulator.quiescent_current * min(1.0, max(0.0, volts / KNEE))
        return leaking + own + load_current(self.load, regulated(regulator, volts))

    @property
    def histories(self) -> list[StateHistory]:
        """The stored states of its parts."""
        return [part.state for part in self._parts if isinstance(part, ShuntCapacitor) or part.stores]

    def set_step(self, step: float) -> None:
        """Set the time step in seconds."""
        for part in self._parts:
            part.set_step(step)

    def equivalent(self) -> tuple[float, float]:
        """Return g (siemens) and s (amperes) of i = g·v + s, of the chain in this step, at the rectifier."""
        regulator = self.regulator
        if regulator is None:
            conductance, source = load_equivalent(self.load, self.output)
            conductance += self._voltmeter
        else:
            conductance, source = regulated_load_equivalent(regulator, self.load, self.feed)
        for part in self._backwards:
            conductance, source = part.equivalent(conductance, source)
        return max(LEAST_CONDUCTANCE, conductance), source

    def accept(self, voltage: float, current: float) -> None:
        """End the step with `voltage` across the chain and `current` into it."""
        for part in self._parts:
            voltage, current = part.accept(voltage, current)
        self.feed = self.output = voltage
        if self.regulator is not None:
            self.output = regulated(self.regulator, voltage)


def regulated(regulator: Regulator, feed: float) -> float:
    """Return the output voltage of a series regulator fed with `feed` volts."""
    return min(regulator.output_voltage, max(0.0, feed - regulator.dropout))


def load_equivalent(load: Load, last: float) -> tuple[float, float]:
    """Return g and s of `load`, whose voltage was `last` at the last step."""
    if isinstance(load, ResistorLoad):
        return 1.0 / load.resistance, 0.0
    if isinstance(load, OpenLoad):
        return 0.0, 0.0
    return (0.0, load.current) if last >= KNEE else (load.current / KNEE, 0.0)


def regulated_load_equivalent(regulator: Regulator, load: Load, last: float) -> tuple[float, float]:
    """Return g and s of a regulator and its load, fed with `last` volts at the last step.

    While it regulates, a constant current; below, the load behind the dropout; near zero, the quiescent current alone.
    """
    idle = (0.0, regulator.quiescent_current) if last >= KNEE else (regulator.quiescent_current / KNEE, 0.0)
    output = regulated(regulator, last)
    if output >= regulator.output_voltage:
        return idle[0], idle[1] + load_current(load, output)
    if output <= 0.0:
        return idle
    conductance, source = load_equivalent(load, output)
    return idle[0] + conductance, idle[1] + source - conductance * regulator.dropout


def load_current(load: Load, voltage: float) -> float:
    """Return the amperes that `load` draws at `voltage` volts."""
    if isinstance(load, ResistorLoad):
        return voltage / load.resistance
    if isinstance(load, CurrentLoad):
        return load.current * min(1.0, max(0.0, voltage / KNEE))
    return 0.0
