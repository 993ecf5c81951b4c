"""A way to a server that runs by itself on this machine, so that what goes over its line can be damaged on the way."""

from __future__ import annotations

import asyncio
from contextlib import suppress

from benchmon_simulated.wires import HOST, PIECE, Put

_MOST_WAITING = 64


class Relay:
    """One connection to the server at `port`: what a client says goes in by calling it, answers come out by `put`."""

    def __init__(self, port: int, put: Put) -> None:
        self._port, self._put = port, put
        self._outgoing: asyncio.Queue[bytes] = asyncio.Queue(_MOST_WAITING)
        self._task = asyncio.get_running_loop().create_task(self._carry())

    def __call__(self, data: bytes) -> bytes:
        """Pass `data` on, as far as there is room; nothing is answered at once."""
        with suppress(asyncio.QueueFull):
            self._outgoing.put_nowait(data)
        return b""

    def close(self) -> None:
        """Let the connection go."""
        self._task.cancel()

    async def _carry(self) -> None:
        try:
            reader, writer = await asyncio.open_connection(HOST, self._port)
        except OSError:
            # The server behind is just being closed: its client hears nothing more.
            return
        bringing = asyncio.get_running_loop().create_task(self._bring(reader))
        try:
            while True:
                writer.write(await self._outgoing.get())
                await writer.drain()
        except OSError:
            return
        finally:
            bringing.cancel()
            writer.close()

    async def _bring(self, reader: asyncio.StreamReader) -> None:
        with suppress(OSError):
            while data := await reader.read(PIECE):
                self._put(data)
