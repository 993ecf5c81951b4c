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
    """What may be named after the fault's name and a colon: "", "diode", "winding", "output", "channel" or so."""


class CircuitFault(Fault):
    """A fault of the supply under test. `number` is that of what is named, or `default_number`.

    Raises `BadInput` where `which` names nothing of this supply, or the supply cannot have the fault.
    """

    target: ClassVar[str] = ""
    default_number: ClassVar[int] = 1

    def __init__(self, which: str, supply: SupplyUnderTest) -> None:
        self.number, self.named = self._number(which, supply), bool(which)
        self.supply = supply
        self.check_supply()

    def check_supply(self) -> None:
        """Raise `BadInput` with the reason if this supply cannot have the fault."""

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:
        """Return `defects` with this fault added, `age` seconds after it began."""
        raise NotImplementedError

    @property
    def place(self) -> str:
        """What its name is followed by, so that it says where it is."""
        is_only_one = self.target == "output" and self.supply.reservoirs < 2
        return f":{self.number}" if self.target and not is_only_one else ""

    def _number(self, which: str, supply: SupplyUnderTest) -> int:
        counts = {"diode": len(supply.wiring.diodes), "winding": supply.wiring.windings, "output": supply.reservoirs}
        most = counts.get(self.target, 0)
        if not which:
            return min(self.default_number, max(1, most))
        if most == 0:
            raise BadInput(f"{self.name} takes nothing after its name; leave out {one_line(which, 40)!r}")
        if which.isascii() and which.isdigit() and 1 <= int(which[:4]) <= most:
            return int(which)
        raise BadInput(f"{self.name}: {one_line(which, 40)!r} is no {self.target} of this supply; it has 1 to {most}")


class ReservoirFault(CircuitFault):
    """A fault of the first capacitor, of the output that is named, else of the first one."""

    target: ClassVar[str] = "output"

    def with_reservoir(self, defects: SupplyDefects, left: float, esr: float = 1.0) -> SupplyDefects:
        """Return `defects` with a part `left` of the reservoir's capacitance, and `esr` times its series resistance."""
        if self.number == 2:
            left, esr = defects.second_reservoir_left * left, defects.second_reservoir_esr * esr
            return replace(defects, second_reservoir_left=left, second_reservoir_esr=esr)
        return replace(defects, reservoir_left=defects.reservoir_left * left, reservoir_esr=defects.reservoir_esr * esr)

    def check_supply(self) -> None:
        """Raise `BadInput` for a supply without a capacitor."""
        if not self.supply.has_reservoir:
            raise BadInput(f"{self.name}: this supply has no reservoir capacitor")


class LoadFault(CircuitFault):
    """A fault that changes what the load draws, by `factor`: of the output that is named.

    Where none is named it is the first one, or both if both are loaded alike.
    """

    target: ClassVar[str] = "output"
    factor: ClassVar[float] = 1.0

    def check_supply(self) -> None:
        """Raise `BadInput` for a supply without a load."""
        parts = self.supply.parts
        load = parts.second.load if self.number == 2 and parts.second is not None else parts.load
        if isinstance(load, OpenLoad):
            raise BadInput(f"{self.name}: this supply has no load")
        if self.number > self.supply.outputs:
            raise BadInput(f"{self.name}: this supply has one load")

    @property
    def place(self) -> str:
        """What its name is followed by, so that it says where it is."""
        return super().place if self.named or self.supply.outputs_apart else ""

    def with_load(self, defects: SupplyDefects, factor: float, *, is_open: bool = False) -> SupplyDefects:
        """Return `defects` with a load that draws `factor` times as much, or that `is_open`."""
        alike = not self.supply.outputs_apart
        if self.named or not alike:
            # What is left open is as the first one's, where both are alike.
            factor_2, is_open_2 = defects.second_load, defects.second_load_open
            defects = replace(
                defects,
                second_load=(defects.load if alike else 1.0) if factor_2 is None else factor_2,
                second_load_open=(alike and defects.load_open) if is_open_2 is None else is_open_2,
            )
        if self.number == 1:
            return replace(defects, load=defects.load * factor, load_open=defects.load_open or is_open)
        return replace(
            defects,
            second_load=(defects.second_load or 1.0) * factor,
            second_load_open=bool(defects.second_load_open) or is_open,
        )

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Change what the load draws."""
        return self.with_load(defects, self.factor)


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
