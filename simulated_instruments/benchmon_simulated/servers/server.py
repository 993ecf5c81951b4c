"""What stands in for an instrument of the bench file, on a line of its own.

The twin of a meter without an interface: it has a display, which a person may look at.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Literal, Protocol

from benchmon.bench import Bench, Instrument
from benchmon.errors import InstrumentError
from benchmon_simulated.fault_effects import LineFaultEffect
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import channels_of
from benchmon_simulated.servers.transports import Transport
from benchmon_simulated.supply.supply import SupplyUnderTest

Medium = Literal["socket", "serial", "file", "none"]
Language = Literal["scpi", "text", "frames", "modbus", "file", "nothing"]


class InstrumentServer(Protocol):
    """A simulated instrument on its line.

    `meters` are those of its channels; `medium` and `speaks` tell what its line is and what goes over it; `has_clock`
    whether it sends times of its own.
    """

    name: str
    medium: Medium
    speaks: Language
    has_clock: bool

    @property
    def meters(self) -> Sequence[Meter]:
        """The meters of its channels."""
        ...

    async def open(self) -> str:
        """Open its line; return the address under which its driver reaches it, "" if none. Raises `InstrumentError`."""
        ...

    async def run(self) -> None:
        """Do what it does by itself, for ever."""
        ...

    async def suffer(self, mishaps: tuple[LineFaultEffect, ...]) -> None:
        """Let `mishaps`, and no others, befall its line from now on."""
        ...

    async def close(self) -> None:
        """Close its line."""
        ...


class WiredServer:
    """What twins on a wire share: opening and closing it, and what befalls it."""

    meters: Sequence[Meter]

    def __init__(self, name: str, wire: Transport) -> None:
        self.name = name
        self.mishaps: tuple[LineFaultEffect, ...] = ()
        self._base_wire = wire

    async def open_wire(self) -> None:
        """Open the line. Raises `InstrumentError` in one line."""
        try:
            await self._base_wire.open()
        except OSError as problem:
            why = problem.strerror or problem
            raise InstrumentError(f"instrument {self.name!r}: its simulated line cannot be opened: {why}") from problem

    async def suffer(self, mishaps: tuple[LineFaultEffect, ...]) -> None:
        """Let `mishaps`, and no others, befall its line from now on."""
        self.mishaps = mishaps
        await self._base_wire.suffer(mishaps)

    async def close(self) -> None:
        """Close its line."""
        await self._base_wire.close()


class HandServer:
    """A meter that is on no line."""

    speaks: Language = "nothing"
    medium: Medium = "none"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:  # noqa: ARG002
        self.name = instrument.name
        self.meters = [Meter(channel, seed) for channel in channels_of(bench, instrument)]

    async def open(self) -> str:
        """There is nothing to open, and no address."""
        return ""

    async def run(self) -> None:
        """Wait for ever: it never speaks."""
        await asyncio.Event().wait()

    async def suffer(self, mishaps: tuple[LineFaultEffect, ...]) -> None:
        """Leave it as it is: it has no line that anything could befall."""

    async def close(self) -> None:
        """There is nothing to close."""
