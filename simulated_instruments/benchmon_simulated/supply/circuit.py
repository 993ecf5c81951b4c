"""Data of one mains period: its conditions, its waveforms, and the filters and loads behind the rectifier."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import OpenLoad
from benchmon_simulated.supply.filter import FilterChain, StateHistory
from benchmon_simulated.supply.parts import ActualParts, LoadedRail
from benchmon_simulated.supply.topology import NodeWiring

Floats = NDArray[np.float64]

STEPS = 400
"""Time steps in a mains period: ten in a period of the 40th harmonic."""

RESIDUE = 0.5
"""Volts that may stay on a capacitor behind a diode: below, the diode in its discharge path hardly conducts."""

CREEP = 1e-4
"""Volts by which a residue may fall in a period and still count as constant: 5 mV a second at 50 Hz."""


@dataclass(frozen=True)
class DiodeState:
    """A diode in this period: n·k·T/q in volts, saturation in amperes, ohms; healthy, open or shorted."""

    slope: float
    saturation: float
    ohms: float
    condition: str = "healthy"


@dataclass(frozen=True)
class PeriodConditions:
    """The conditions of one period: ohms of the primary circuit and of one winding, diodes, each winding's polarity.

    `turns` is a factor on the secondary's turns, `shorted` siemens of shorted turns, referred to the primary.
    """

    frequency: float
    primary_resistance: float
    secondary_resistance: float
    diodes: tuple[DiodeState, ...]
    polarities: tuple[int, ...] = (1, 1)
    turns: float = 1.0
    shorted: float = 0.0

    @property
    def healthy(self) -> bool:
        """Whether nothing in the rectifier is broken or misconnected."""
        whole = self.turns == 1.0 and self.shorted == 0.0 and min(self.polarities) > 0
        return whole and all(diode.condition == "healthy" for diode in self.diodes)


@dataclass(frozen=True)
class SecondOutput:
    """Traces of a second output, each (STEPS,), as those of the first one in `Cycle`."""

    feed_voltage: Floats
    output_voltage: Floats
    reservoir_voltage: Floats
    reservoir_current: Floats


@dataclass(frozen=True)
class Cycle:
    """One period, evenly stepped, every trace of shape (STEPS,). Volts and amperes.

    `reflected_current` is the windings' current referred to the primary, with its DC component; `winding_voltage` and
    `winding_current` are the first winding's; `diode_current` and `diode_voltage` those of diode 1, forward;
    `diode_powers` each diode's mean watts; `winding_squares` the sum of all windings' mean squared amperes;
    `port_voltages`, shape (ports, STEPS), are the rectifier's outputs; `feed_voltage` is before the regulator.
    `second` has voltages and currents of a second output, None where there is none. `core_current` is what the
    core and shorted turns draw at the primary, None on a supply without a simulated core.
    """

    frequency: float
    mains_emf: Floats
    reflected_current: Floats
    winding_voltage: Floats
    winding_current: Floats
    diode_current: Floats
    diode_voltage: Floats
    diode_powers: tuple[float, ...]
    winding_squares: float
    port_voltages: Floats
    feed_voltage: Floats
    output_voltage: Floats
    reservoir_voltage: Floats
    reservoir_current: Floats
    core_current: Floats | None = None
    second: SecondOutput | None = None

    def seen_from_second(self) -> Cycle:
        """Return the period with the second output's traces in place of the first one's, where there are two."""
        second = self.second
        if second is None:
            return self
        return replace(
            self,
            feed_voltage=second.feed_voltage,
            output_voltage=second.output_voltage,
            reservoir_voltage=second.reservoir_voltage,
            reservoir_current=second.reservoir_current,
        )

    def repeats(self, before: Cycle, tolerance: float) -> bool:
        """Return whether stored voltages and output equal those of the period `before` within `tolerance` × peak.

        The peak is the largest of all these voltages: one that is next to zero may go on falling indefinitely.
        """
        return bool(self._moved(before) <= tolerance * np.abs(self._stored()).max())

    def is_spent(self, before: Cycle) -> bool:
        """Return whether a discharge is over: only a residue is left, hardly less than in the period `before`."""
        return bool(np.abs(self._stored()).max() < RESIDUE) and self._moved(before) < CREEP

    def _moved(self, before: Cycle) -> float:
        return float(np.abs(self._stored() - before._stored()).max())

    def _stored(self) -> Floats:
        second = () if self.second is None else (self.second.output_voltage,)
        return np.vstack((self.port_voltages, self.output_voltage, *second))


class OutputNetwork:
    """The filter and load at each port of the rectifier. It keeps its state from one period to the next."""

    def __init__(self, parts: ActualParts, wiring: NodeWiring) -> None:
        # A multiplier has its first capacitor several times, and a second rail its whole filter.
        stacked = wiring.stacked
        twins = (parts.filter, parts.twin_filter or parts.filter, parts.filter)
        leaking, nothing = parts.self_discharge, OpenLoad(kind="open")
        before = tuple(FilterChain(twins[at][:1], nothing, self_discharge=leaking) for at in range(stacked))
        first = 1 if stacked else 0
        rails = wiring.ports[stacked:]
        own, second = LoadedRail(parts.regulator, parts.load), parts.second
        each = (own, own if second is None else second)
        self.rails = tuple(
            FilterChain(
                twins[at][first:],
                each[at].load,
                each[at].regulator,
                self_discharge=leaking,
                voltmeter=parts.voltmeter,
            )
            for at in range(len(rails))
        )
        self.ports = before + self.rails
        self._stacked = stacked
        places = [(part.state, port) for port, chain in enumerate(self.ports) for part in chain.capacitors]
        histories = self.histories
        self._capacitors = [(histories.index(state), port) for state, port in places]
        self.reservoir = self.ports[0].reservoir
        self.second_reservoir = self.ports[1].reservoir if wiring.has_two_outputs else None

    @property
    def histories(self) -> list[StateHistory]:
        """The stored states of every port: volts of capacitors and amperes of chokes."""
        return [history for chain in self.ports for history in chain.histories]

    @property
    def capacitors(self) -> list[tuple[int, int]]:
        """Each capacitor's place among `histories`, and its port."""
        return self._capacitors

    def histories_of(self, port: int) -> slice:
        """Return the places of a port's states among `histories`."""
        before = sum(len(chain.histories) for chain in self.ports[:port])
        return slice(before, before + len(self.ports[port].histories))

    def is_open(self, port: int) -> bool:
        """Return whether no load is connected to the capacitors of a port."""
        return isinstance(self._rail_of(port).load, OpenLoad)

    def drawn(self, port: int, volts: float) -> float:
        """Return the amperes that flow out of the capacitors of a port at `volts`, the rectifier's diodes apart."""
        rail, chain = self._rail_of(port), self.ports[port]
        return chain.drawn(volts) + (0.0 if rail is chain else rail.drawn(self._stacked * volts))

    def _rail_of(self, port: int) -> FilterChain:
        return self.rails[max(0, port - self._stacked)]

    @property
    def first(self) -> FilterChain:
        """The rail whose output is measured."""
        return self.rails[0]

    @property
    def second(self) -> FilterChain:
        """The other rail, where there are two; else the first one."""
        return self.rails[-1]
