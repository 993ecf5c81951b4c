"""What every fault has: a name, a line about it, and where it can strike."""

from __future__ import annotations

from typing import ClassVar

from benchmon.errors import BadInput
from benchmon.text import one_line
from benchmon_simulated.fault_effects import LineFaultEffect, MeterFaultEffect
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.server import InstrumentServer
from benchmon_simulated.supply.parts import SupplyDefects
from benchmon_simulated.supply.supply import SupplyUnderTest


class Fault:
    """Something that goes wrong on the simulated bench. A subclass's own words say what it does physically."""

    name: ClassVar[str]
    description: ClassVar[str]
    strikes: ClassVar[str]
    """What may be named after its name and a colon: "", "diode", "winding", "channel" or "instrument"."""


class CircuitFault(Fault):
    """A fault of the supply under test. `number` is the diode's or winding's, as it was named or by default."""

    strikes: ClassVar[str] = ""
    default_number: ClassVar[int] = 1

    def __init__(self, which: str, supply: SupplyUnderTest) -> None:
        self.number = self._number(which, supply)
        self.supply = supply
        self.refuse_misfit()

    def refuse_misfit(self) -> None:
        """Raise `BadInput` with the reason where this supply cannot have the fault."""

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:
        """Return `defects` with this one added, `age` seconds after it began."""
        raise NotImplementedError

    def _number(self, which: str, supply: SupplyUnderTest) -> int:
        most = {"diode": len(supply.wiring.diodes), "winding": supply.wiring.windings}.get(self.strikes, 0)
        if not which:
            return min(self.default_number, max(1, most))
        if most == 0:
            raise BadInput(f"{self.name} takes nothing after it; {one_line(which, 40)!r} is too much")
        if which.isascii() and which.isdigit() and 1 <= int(which[:4]) <= most:
            return int(which)
        raise BadInput(f"{self.name}: {one_line(which, 40)!r} is no {self.strikes} of this supply; it has 1 to {most}")


class MeterFault(Fault):
    """A fault of one channel of a meter."""

    strikes: ClassVar[str] = "channel"
    where: ClassVar[str]
    """What kind of channel it can befall, as errors say it."""

    def fits(self, meter: Meter) -> bool:
        """Return whether it can befall `meter`."""
        raise NotImplementedError

    def mishap(self, meter: Meter) -> MeterFaultEffect:
        """Return what befalls `meter`."""
        raise NotImplementedError


class LineFault(Fault):
    """A fault of an instrument's line, or of the instrument as the line shows it."""

    strikes: ClassVar[str] = "instrument"
    where: ClassVar[str] = "an instrument on a line"

    def fits(self, twin: InstrumentServer) -> bool:
        """Return whether it can befall `twin`."""
        return twin.medium != "none"

    def mishap(self) -> LineFaultEffect:
        """Return what befalls the line."""
        raise NotImplementedError
