"""The diodes of a rectifier, one by one, within a linear network: solved together by Newton's method.

Each diode stands in the network as the tangent to its curve: a conductance and a source. Where its current grows, the
tangent is taken at the new current, else at the new voltage; so the exponential never overshoots, and a step begins
from where the last one ended.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchmon.bench.topology import Nodes
from benchmon_simulated.diodes import path_current

MOST_ROUNDS = 60
CLOSE = 1e-7
"""The part of the largest current by which a diode's current may still be off its curve."""

_NOTHING = 1e-15
"""Siemens."""

_KNEE_CURRENT = 0.7
"""Amperes per volt of slope."""

OPEN, SHORTED = "open", "shorted"

SHORT_OHMS = 5e-3
"""What a diode is that has alloyed through."""

LEAK = 1e-7
"""Siemens across every diode, open ones too: real ones leak, and a node without any way to common has no voltage."""


class Junction:
    """One diode between two nodes. `slope` (V), `saturation` (A) and `ohms` are its curve, `current` its last one."""

    __slots__ = (
        "_knee",
        "_offset",
        "anode",
        "cathode",
        "conductance",
        "current",
        "ohms",
        "saturation",
        "slope",
        "source",
    )

    def __init__(self, nodes: Nodes) -> None:
        self.anode, self.cathode = nodes
        self.slope = self.saturation = 1.0
        self.ohms = self.current = 0.0
        self.conductance = self.source = self._offset = self._knee = 0.0

    def set_curve(self, slope: float, saturation: float, ohms: float) -> None:
        """Follow this curve from now on, from the same current."""
        self.slope, self.saturation, self.ohms = slope, saturation, ohms
        # Where the exponential becomes steep, as circuit simulators take it.
        self._knee = slope * math.log1p(_KNEE_CURRENT * slope / saturation)
        self._tangent_at_current(max(0.0, self.current))

    def follow(self, volts: float) -> float:
        """Take the tangent anew after the network had `volts` across the diode; return the amperes it was off."""
        linear = self.source + self.conductance * volts
        if volts > self._offset and volts > self._knee:
            self._tangent_at_current(max(linear, _KNEE_CURRENT * self.slope))
            return max(abs(self.conductance * (self._offset - volts)), abs(self.current - linear))
        self._tangent_at_voltage(volts)
        return abs(self.current - linear)

    def _tangent_at_current(self, current: float) -> None:
        slope = self.ohms + self.slope / (current + self.saturation)
        self.current = current
        self._offset = self.slope * math.log1p(current / self.saturation) + self.ohms * current
        self.conductance = 1.0 / slope
        self.source = current - self._offset / slope

    def _tangent_at_voltage(self, volts: float) -> None:
        if volts < -40.0 * self.slope:
            self.conductance, self.current = 0.0, -self.saturation
        elif volts < 0.0:
            power = self.saturation * math.exp(volts / self.slope)
            self.conductance = power / self.slope
            self.current = power - self.saturation
        elif self.ohms > 0.0:
            self.current = path_current(volts, self.ohms, self.slope, self.saturation)
            self.conductance = 1.0 / (self.ohms + self.slope / (self.current + self.saturation))
        else:
            power = self.saturation * math.exp(min(700.0, volts / self.slope))
            self.conductance = power / self.slope
            self.current = power - self.saturation
        self._offset = volts
        self.source = self.current - self.conductance * volts


def solve(matrix: Sequence[Sequence[float]], currents: Sequence[float], junctions: Sequence[Junction]) -> list[float]:
    """Return the node voltages (volts, the first one that of common, 0) of a network with `junctions`.

    `matrix` (siemens, symmetric and positive) and `currents` (amperes into each node) are its linear part, with a row
    for common that is not looked at. Afterwards each junction's `current` is its share. Where Newton's method finds no
    end, the last round stands: a step later it starts from there.
    """
    volts: list[float] = []
    for _ in range(MOST_ROUNDS):
        rows = [[*row, current] for row, current in zip(matrix, currents, strict=True)]
        for junction in junctions:
            above, below = rows[junction.anode], rows[junction.cathode]
            above[-1] -= junction.source
            below[-1] += junction.source
            conductance = junction.conductance
            # Most of the time most diodes block, and then there is nothing to add.
            if conductance > _NOTHING:
                above[junction.anode] += conductance
                below[junction.cathode] += conductance
                above[junction.cathode] -= conductance
                below[junction.anode] -= conductance
        volts = _eliminate(rows)
        off = largest = 0.0
        for junction in junctions:
            wrong = junction.follow(volts[junction.anode] - volts[junction.cathode])
            off = max(off, wrong)
            largest = max(largest, junction.current)
        if off <= CLOSE * largest + 1e-12:
            break
    return volts


def _eliminate(rows: list[list[float]]) -> list[float]:
    """Return the solution of the rows after the first, each with its right-hand side at the end (Gauss)."""
    size = len(rows)
    for pivot in range(1, size - 1):
        above = rows[pivot]
        for row in rows[pivot + 1 :]:
            factor = row[pivot] / above[pivot]
            if factor:
                for column in range(pivot + 1, size + 1):
                    row[column] -= factor * above[column]
    volts = [0.0] * size
    for at in range(size - 1, 0, -1):
        row = rows[at]
        rest = row[size]
        for column in range(at + 1, size):
            rest -= row[column] * volts[column]
        volts[at] = rest / row[at]
    return volts
