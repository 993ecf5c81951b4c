"""Instrument servers: the interface of a simulated instrument on its line, and what servers on a transport share."""

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

    `meters` are those of its channels; `medium` is the kind of its line and `speaks` the protocol on it; `has_clock` is
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
        """Open its line; return the address for its driver, "" if it has none. Raises `InstrumentError`."""
        ...

    async def run(self) -> None:
        """Do what the instrument does unasked, until cancelled."""
        ...

    async def apply(self, effects: tuple[LineFaultEffect, ...]) -> None:
        """Replace the active effects on its line."""
        ...

    async def close(self) -> None:
        """Close its line."""
        ...


class WiredServer:
    """Base of servers on a transport: opens and closes it, and applies effects to it."""

    meters: Sequence[Meter]

    def __init__(self, name: str, transport: Transport) -> None:
        self.name = name
        self.effects: tuple[LineFaultEffect, ...] = ()
        self._base_transport = transport

    async def open_transport(self) -> None:
        """Open the line. Raises `InstrumentError` where the system refuses it."""
        try:
            await self._base_transport.open()
        except OSError as problem:
            why = problem.strerror or problem
            raise InstrumentError(f"instrument {self.name!r}: its simulated line cannot be opened: {why}") from problem

    async def apply(self, effects: tuple[LineFaultEffect, ...]) -> None:
        """Replace the active effects on its line."""
        self.effects = effects
        await self._base_transport.apply(effects)

    async def close(self) -> None:
        """Close its line."""
        await self._base_transport.close()


class HandServer:
    """A meter without a line: it has a display, which a person may read."""

    speaks: Language = "nothing"
    medium: Medium = "none"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        self.name = instrument.name
        self.meters = [Meter(channel, seed, supply.effects) for channel in channels_of(bench, instrument)]

    async def open(self) -> str:
        """Return "": there is nothing to open, and no address."""
        return ""

    async def run(self) -> None:
        """Wait until cancelled."""
        await asyncio.Event().wait()

    async def apply(self, effects: tuple[LineFaultEffect, ...]) -> None:
        """Do nothing: there is no line."""

    async def close(self) -> None:
        """Do nothing: there is no line."""
