"""Transformer and rectifier with what they feed, stepped through one mains period after another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import OpenLoad
from benchmon_simulated.supply.filter import FilterChain
from benchmon_simulated.supply.parts import ActualParts
from benchmon_simulated.supply.topology import NodeWiring

Floats = NDArray[np.float64]

STEPS = 400
"""Time steps a mains period: ten for the 40th harmonic."""

RESIDUE = 0.5
"""Volts that junctions alone may leave on a capacitor: below them a diode in its way out hardly conducts."""

CREEP = 1e-4
"""Volts by which a residue may fall in a period and be taken as standing: 5 mV a second at 50 Hz."""


@dataclass(frozen=True)
class DiodeNow:
    """A diode as it is in this period: n·k·T/q in volts, saturation in amperes, ohms; sound, open or shorted."""

    slope: float
    saturation: float
    ohms: float
    condition: str = "sound"


@dataclass(frozen=True)
class PeriodConditions:
    """What one period runs under: ohms of the primary circuit and of one winding, diodes, each winding's polarity."""

    frequency: float
    primary_resistance: float
    secondary_resistance: float
    diodes: tuple[DiodeNow, ...]
    polarities: tuple[int, ...] = (1, 1)

    @property
    def sound(self) -> bool:
        """Whether nothing in the rectifier is broken or misconnected."""
        return all(diode.condition == "sound" for diode in self.diodes) and min(self.polarities) > 0


@dataclass(frozen=True)
class Cycle:
    """One period, evenly stepped, every trace of shape (STEPS,). Volts and amperes.

    `reflected_current` is what the windings draw, seen at the primary, its direct part included; `winding_voltage` and
    `winding_current` are the first winding's; `diode_current` and `diode_voltage` those of diode 1, forward;
    `diode_powers` each diode's mean watts; `winding_squares` the sum of all windings' mean squared amperes;
    `port_voltages`, of shape (ports, STEPS), is what the rectifier charges; `feed_voltage` is before the regulator.
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

    def repeats(self, before: Cycle, tolerance: float) -> bool:
        """Return whether what is charged and the output are as in the period `before`, but for `tolerance` × peak.

        The peak is the largest of all these voltages: what has next to none may go on falling for ever.
        """
        return bool(self._moved(before) <= tolerance * np.abs(self._stored()).max())

    def is_spent(self, before: Cycle) -> bool:
        """Return whether a discharge is over: only a residue is left, and hardly less than in the period `before`."""
        return bool(np.abs(self._stored()).max() < RESIDUE) and self._moved(before) < CREEP

    def _moved(self, before: Cycle) -> float:
        return float(np.abs(self._stored() - before._stored()).max())

    def _stored(self) -> Floats:
        return np.vstack((self.port_voltages, self.output_voltage))


class Charged:
    """What the rectifier feeds: a filter and a load at each port. It keeps its state from one period to the next."""

    def __init__(self, parts: ActualParts, wiring: NodeWiring) -> None:
        # A multiplier's first capacitor is there several times.
        inner = wiring.topology.capacitors
        before = tuple(FilterChain(parts.filter[:1], OpenLoad(kind="open")) for _ in inner)
        behind = parts.filter[1:] if inner else parts.filter
        self.rails = tuple(FilterChain(behind, parts.load, parts.regulator) for _ in wiring.topology.rails)
        self.ports = before + self.rails
        self.reservoir = self.ports[0].reservoir

    @property
    def first(self) -> FilterChain:
        """The rail whose output is measured."""
        return self.rails[0]
