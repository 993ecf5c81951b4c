"""Faults outside the catalogue: those that a diagnosis should not be tuned on, or meets more rarely.

They are begun and ended as all others, but `FAULTS` does not hold them: `FURTHER_FAULTS` does.
"""

from __future__ import annotations

import random
from collections import deque
from dataclasses import replace
from typing import ClassVar

from benchmon.errors import BadInput
from benchmon_simulated.fault_effects import MeterFaultEffect
from benchmon_simulated.faults.base import CircuitFault, LoadFault, MeterFault, ReservoirFault
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.supply.diode import DiodeLaw
from benchmon_simulated.supply.parts import SupplyDefects
from benchmon_simulated.supply.supply import Snapshot

LATE = 50.0
"""Seconds by which a log is late."""


class HighEsr(ReservoirFault):
    """The first capacitor's series resistance is ten times as large; its capacitance is as it was."""

    name, description = "high-esr", "the reservoir's series resistance has grown tenfold"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Raise the series resistance."""
        return self.with_reservoir(defects, 1.0, 10.0)


class TenthReservoir(ReservoirFault):
    """A capacitor of a tenth of the capacitance was fitted, with the same series resistance."""

    name, description = "tenth-reservoir", "the reservoir has a tenth of its capacitance"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Lower the capacitance alone."""
        return self.with_reservoir(defects, 0.1, 0.1)


class SecondaryJoint(CircuitFault):
    """A bad joint at the secondary: 6 % of the rated impedance in series with each winding."""

    name, description = "secondary-joint", "a bad joint between a secondary winding and the rectifier"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Add the joint."""
        return replace(defects, secondary_ohms=0.06 * self.supply.rated_impedance + defects.secondary_ohms)


class _CoreFault(CircuitFault):
    def check_supply(self) -> None:
        """Refuse a supply whose core is not simulated."""
        if self.supply.parts.curve is None:
            raise BadInput(f"{self.name}: the core of this transformer is not simulated")


class ShortedTurns(_CoreFault):
    """Some turns are shorted: they take a quarter of the transformer's rating, which heats it."""

    name, description = "shorted-turns", "some turns of the transformer are shorted: they draw power and heat it"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Load the core with the shorted turns."""
        return replace(defects, shorted=0.25 * self.supply.rated_conductance + defects.shorted)


class DirectMains(_CoreFault):
    """The mains carries 1 V of direct voltage, as behind a load that rectifies half waves: it magnetises the core."""

    name, description = "direct-mains", "the mains carries 1 V of direct voltage, which magnetises the core"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Add the direct voltage."""
        return replace(defects, mains_direct=1.0 + defects.mains_direct)


class SchottkyDiodes(CircuitFault):
    """Schottky diodes were fitted: half the forward drop, much more reverse current (from experience, 3 A types)."""

    name, description = "schottky-diodes", "Schottky diodes were fitted instead of silicon ones"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Replace every diode's law."""
        law = DiodeLaw(2e-6, 1.05, self.supply.parts.diode.series_resistance, band_gap=0.69)
        return replace(defects, diode_law=law)


class SmallerTransformer(CircuitFault):
    """A transformer of half the size has the same volts and 2.2 times the winding resistances (from experience)."""

    name, description = "smaller-transformer", "a smaller transformer with the same volts was fitted"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Raise the resistances of the windings."""
        return replace(defects, windings=2.2 * defects.windings)


class WrongTap(CircuitFault):
    """The secondary is on a tap with 9 % fewer turns."""

    name, description = "wrong-tap", "the transformer is connected at a tap with 9 % fewer secondary turns"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Lower the turns ratio."""
        return replace(defects, turns=0.91 * defects.turns)


class IntermittentContact(LoadFault):
    """A joint in the output lead opens for 3 s now and then, about four times a minute."""

    name, description = "intermittent-contact", "a joint to the load opens for seconds, now and then"
    _LENGTH: ClassVar[float] = 3.0

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:
        """Open the load where the joint happens to be open."""
        chance = random.Random(int(age // self._LENGTH)).random()  # noqa: S311 (no secret)
        return self.with_load(defects, 1.0, is_open=True) if chance < 0.2 else defects


class _Late(MeterFaultEffect):
    def __init__(self) -> None:
        self._past: deque[tuple[float, float]] = deque()

    def sensed(self, value: float, quantity: str, snapshot: Snapshot) -> float:  # noqa: ARG002 (part of the interface)
        self._past.append((snapshot.time, value))
        while len(self._past) > 1 and self._past[1][0] <= snapshot.time - LATE:
            self._past.popleft()
        return self._past[0][1]


class LateLog(MeterFault):
    """The clock of the channel's log is 50 s behind the others: it gives values of 50 s ago as those of now."""

    name, description = "late-log", f"the clock of one channel's log is off: its values are {LATE:.0f} s old"
    where = "a channel"

    def fits(self, meter: Meter) -> bool:  # noqa: ARG002 (part of MeterFault's interface)
        """Return True: it can affect every meter."""
        return True

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of the late clock."""
        return _Late()


class _SlowlyRising(MeterFaultEffect):
    def __init__(self) -> None:
        self._began: float | None = None

    def shown(self, value: float, time: float) -> float:
        if self._began is None:
            self._began = time
        return value * (1.0 + 0.005 * min(20.0, (time - self._began) / 60.0))


class DriftingMainsMeter(MeterFault):
    """The meter of the mains voltage drifts upwards by 0.5 % a minute, by 10 % at most; the mains does not."""

    name, description = "drifting-mains-meter", "the meter of the mains voltage drifts upwards by 0.5 % a minute"
    where = "a channel of the mains voltage"

    def fits(self, meter: Meter) -> bool:
        """Return whether the channel measures the mains voltage."""
        return meter.channel.quantity == "mains.voltage.rms"

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of the drift."""
        return _SlowlyRising()


FURTHER_FAULTS: tuple[type[CircuitFault | MeterFault], ...] = (
    HighEsr,
    TenthReservoir,
    SecondaryJoint,
    ShortedTurns,
    DirectMains,
    SchottkyDiodes,
    SmallerTransformer,
    WrongTap,
    IntermittentContact,
    LateLog,
    DriftingMainsMeter,
)
"""Every fault outside the catalogue. A frozen value is in it (`frozen-value`)."""
