"""What a simulated instrument is reached by: a TCP socket of this machine, or a pseudo-terminal as a serial line.

Everything here runs in one asyncio event loop. No client can hold it up: what comes is taken in small pieces, and what
a client does not fetch stops its own line only.
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import struct
import termios
import tty
from collections.abc import Callable

HOST = "127.0.0.1"

MOST_CLIENTS = 16
"""Connections that one socket serves at a time; further ones are closed at once."""

PIECE = 4096
"""Bytes taken from a client in one go."""

UNREAD = 2048
"""Bytes that a serial line holds for a client that is slow or away; then the old ones are lost, as on a real one."""

Answer = Callable[[bytes], bytes]


class _Connection(asyncio.BufferedProtocol):
    def __init__(self, wire: TcpWire) -> None:
        self._wire = wire
        self._piece = bytearray(PIECE)
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 (asyncio gives sockets such a one)
        self._transport = transport
        self._answer = self._wire.admit(transport)

    def get_buffer(self, sizehint: int) -> memoryview:  # noqa: ARG002 (asyncio's name)
        return memoryview(self._piece)

    def buffer_updated(self, nbytes: int) -> None:
        if self._transport is not None and self._answer is not None:
            self._transport.write(self._answer(bytes(self._piece[:nbytes])))

    def pause_writing(self) -> None:
        # The client fetches no replies: it is heard again when it does.
        if self._transport is not None:
            self._transport.pause_reading()

    def resume_writing(self) -> None:
        if self._transport is not None:
            self._transport.resume_reading()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 (asyncio's name)
        if self._transport is not None:
            self._wire.dismiss(self._transport)


class TcpWire:
    """A listening socket on 127.0.0.1; `new_session` gives each client what answers it."""

    def __init__(self, new_session: Callable[[], Answer], port: int = 0) -> None:
        self._new_session, self._wanted = new_session, port
        self._clients: set[asyncio.Transport] = set()
        self._server: asyncio.Server | None = None
        self.port = 0

    async def open(self) -> None:
        """Listen on the wanted port, or on another one where it is taken or not allowed."""
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(lambda: _Connection(self), HOST, self._wanted)
        except OSError:
            self._server = await loop.create_server(lambda: _Connection(self), HOST, 0)
        self.port = self._server.sockets[0].getsockname()[1]

    def admit(self, client: asyncio.Transport) -> Answer | None:
        """Return the session of a new client; None, and the line closed, where there are too many."""
        if len(self._clients) >= MOST_CLIENTS:
            client.abort()
            return None
        self._clients.add(client)
        return self._new_session()

    def dismiss(self, client: asyncio.Transport) -> None:
        """Forget a client that is gone."""
        self._clients.discard(client)

    async def close(self) -> None:
        """Stop listening and drop every client."""
        for client in tuple(self._clients):
            client.abort()
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()


class PtyWire:
    """A pseudo-terminal in raw mode; clients open `path`. The other end stays open when a client closes it."""

    def __init__(self, answer: Answer | None = None) -> None:
        self._answer = answer
        self.path = ""

    async def open(self) -> None:
        """Create the pseudo-terminal and hear what clients send."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        asyncio.get_running_loop().add_reader(self._master, self._hear)

    def _hear(self) -> None:
        try:
            data = os.read(self._master, PIECE)
        except BlockingIOError:
            return
        if self._answer is not None:
            self.send(self._answer(data))

    def send(self, data: bytes) -> None:
        """Send `data`; what the line cannot hold is lost, old bytes first."""
        if not data:
            return
        if _waiting(self._slave) > UNREAD:
            termios.tcflush(self._slave, termios.TCIFLUSH)
        try:
            os.write(self._master, data)
        except BlockingIOError:
            # A serial line without handshake loses what nobody takes.
            return

    async def close(self) -> None:
        """Close both ends; a client sees its line hang up."""
        asyncio.get_running_loop().remove_reader(self._master)
        os.close(self._master)
        os.close(self._slave)


def _waiting(line: int) -> int:
    """Return how many bytes wait on a terminal for a client to read them."""
    return int(struct.unpack("i", fcntl.ioctl(line, termios.FIONREAD, b"\0" * 4))[0])
