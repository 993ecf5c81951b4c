"""What stands in for an instrument of the bench file, on a line of its own."""

from __future__ import annotations

from typing import Protocol

from benchmon.errors import InstrumentError
from benchmon_simulated.wires import PtyWire, TcpWire


class Twin(Protocol):
    """A simulated instrument on its line."""

    name: str

    async def open(self) -> str:
        """Open its line; return the address under which its driver reaches it. Raises `InstrumentError`."""
        ...

    async def run(self) -> None:
        """Do what it does by itself, for ever."""
        ...

    async def close(self) -> None:
        """Close its line."""
        ...


async def open_wire(name: str, wire: PtyWire | TcpWire) -> None:
    """Open the line of the instrument `name`. Raises `InstrumentError` in one line."""
    try:
        await wire.open()
    except OSError as problem:
        why = problem.strerror or problem
        raise InstrumentError(f"instrument {name!r}: its simulated line cannot be opened: {why}") from problem
