"""What stands in for an instrument of the bench file, on a line of its own."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, Protocol

from benchmon.errors import InstrumentError
from benchmon_simulated.meters import Meter
from benchmon_simulated.mishaps import LineMishap
from benchmon_simulated.wires import Wire

Medium = Literal["socket", "serial", "file", "none"]
Language = Literal["scpi", "text", "frames", "modbus", "file", "nothing"]


class Twin(Protocol):
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

    async def suffer(self, mishaps: tuple[LineMishap, ...]) -> None:
        """Let `mishaps`, and no others, befall its line from now on."""
        ...

    async def close(self) -> None:
        """Close its line."""
        ...


class WiredTwin:
    """What twins on a wire share: opening and closing it, and what befalls it."""

    meters: Sequence[Meter]

    def __init__(self, name: str, wire: Wire) -> None:
        self.name = name
        self.mishaps: tuple[LineMishap, ...] = ()
        self._base_wire = wire

    async def open_wire(self) -> None:
        """Open the line. Raises `InstrumentError` in one line."""
        try:
            await self._base_wire.open()
        except OSError as problem:
            why = problem.strerror or problem
            raise InstrumentError(f"instrument {self.name!r}: its simulated line cannot be opened: {why}") from problem

    async def suffer(self, mishaps: tuple[LineMishap, ...]) -> None:
        """Let `mishaps`, and no others, befall its line from now on."""
        self.mishaps = mishaps
        await self._base_wire.suffer(mishaps)

    async def close(self) -> None:
        """Close its line."""
        await self._base_wire.close()
