"""Base classes of faults: a name, a one-line description, and what the fault can affect."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from benchmon.bench import OpenLoad
from benchmon.errors import BadInput
from benchmon.text import one_line
from benchmon_simulated.fault_effects import LineFaultEffect, MeterFaultEffect
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.server import InstrumentServer
from benchmon_simulated.supply.parts import SupplyDefects
from benchmon_simulated.supply.supply import SupplyUnderTest


class Fault:
    """A fault on the simulated bench. The docstring of each subclass describes its physical effect."""

    name: ClassVar[str]
    description: ClassVar[str]
    target: ClassVar[str]
    """What may be named after the fault's name and a colon: "", "diode", "winding", "channel" or "instrument"."""


class CircuitFault(Fault):
    """A fault of the supply under test. `number` is that of the diode or winding, `default_number` if none is named.

    Raises `BadInput` where `which` names nothing of this supply, or the supply cannot have the fault.
    """

    target: ClassVar[str] = ""
    default_number: ClassVar[int] = 1

    def __init__(self, which: str, supply: SupplyUnderTest) -> None:
        self.number = self._number(which, supply)
        self.supply = supply
        self.check_supply()

    def check_supply(self) -> None:
        """Raise `BadInput` with the reason if this supply cannot have the fault."""

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:
        """Return `defects` with this fault added, `age` seconds after it began."""
        raise NotImplementedError

    def _number(self, which: str, supply: SupplyUnderTest) -> int:
        most = {"diode": len(supply.wiring.diodes), "winding": supply.wiring.windings}.get(self.target, 0)
        if not which:
            return min(self.default_number, max(1, most))
        if most == 0:
            raise BadInput(f"{self.name} takes nothing after its name; leave out {one_line(which, 40)!r}")
        if which.isascii() and which.isdigit() and 1 <= int(which[:4]) <= most:
            return int(which)
        raise BadInput(f"{self.name}: {one_line(which, 40)!r} is no {self.target} of this supply; it has 1 to {most}")


class ReservoirFault(CircuitFault):
    """A fault of the first capacitor."""

    def check_supply(self) -> None:
        """Raise `BadInput` for a supply without a capacitor."""
        if not self.supply.has_reservoir:
            raise BadInput(f"{self.name}: this supply has no reservoir capacitor")


class LoadFault(CircuitFault):
    """A fault that changes what the load draws, by `factor`."""

    factor: ClassVar[float] = 1.0

    def check_supply(self) -> None:
        """Raise `BadInput` for a supply without a load."""
        if isinstance(self.supply.parts.load, OpenLoad):
            raise BadInput(f"{self.name}: this supply has no load")

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Change what the load draws."""
        return replace(defects, load=self.factor * defects.load)


class MeterFault(Fault):
    """A meter fault: it affects one channel."""

    target: ClassVar[str] = "channel"
    where: ClassVar[str]
    """What kind of channel it can affect, as in error messages."""

    def fits(self, meter: Meter) -> bool:
        """Return whether it can affect `meter`."""
        raise NotImplementedError

    def effect(self, meter: Meter) -> MeterFaultEffect:
        """Return its effect on `meter`."""
        raise NotImplementedError


class LineFault(Fault):
    """A line fault: it affects an instrument's line, or the instrument as seen from its line."""

    target: ClassVar[str] = "instrument"
    where: ClassVar[str] = "an instrument on a line"

    def fits(self, server: InstrumentServer) -> bool:
        """Return whether it can affect `server`."""
        return server.medium != "none"

    def effect(self) -> LineFaultEffect:
        """Return its effect on the line."""
        raise NotImplementedError
