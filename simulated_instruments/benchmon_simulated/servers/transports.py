"""What a simulated instrument is reached by: a TCP socket of this machine, or a pseudo-terminal as a serial line.

Everything here runs in one asyncio event loop. No client can hold it up: what comes is taken in small pieces, and what
a client does not fetch stops its own line only. Mishaps damage, delay or cut what goes over the wire.

A way to a server that runs by itself on this machine, so that what goes over its line can be damaged on the way.

What a serial receiver makes of bytes that were sent at another speed than it listens at.
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import re
import socket
import struct
import tempfile
import termios
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from benchmon_simulated.fault_effects import ALIVE, CABLE_OUT, POWER_OFF, LineFaultEffect, LinkState

HOST = "127.0.0.1"

MOST_CLIENTS = 16
"""Connections that one socket serves at a time; further ones are closed at once."""

PIECE = 4096
"""Bytes taken from a client in one go."""

UNREAD = 2048
"""Bytes that a serial line holds for a client that is slow or away; then the old ones are lost, as on a real one."""

Answer = Callable[[bytes], bytes]
"""Takes what a client says, returns what is answered at once."""

Put = Callable[[bytes], None]
"""Says something to a client later."""


class Transport:
    """What both kinds of wire share: the mishaps on their way. Work it from its event loop only."""

    def __init__(self) -> None:
        self._mishaps: tuple[LineFaultEffect, ...] = ()

    @property
    def life(self) -> LinkState:
        """Whether the instrument is there, unplugged or switched off."""
        lives = {mishap.life for mishap in self._mishaps}
        return POWER_OFF if POWER_OFF in lives else CABLE_OUT if CABLE_OUT in lives else ALIVE

    async def suffer(self, mishaps: tuple[LineFaultEffect, ...]) -> None:
        """Let `mishaps`, and no others, happen from now on."""
        before = self.life
        self._mishaps = mishaps
        if self.life != before:
            await self._live_on(before)

    async def open(self) -> None:
        """Be there for clients. Raises `OSError` where the system does not let it."""
        raise NotImplementedError

    async def close(self) -> None:
        """Be there no more."""
        raise NotImplementedError

    async def _live_on(self, before: LinkState) -> None:
        raise NotImplementedError

    def heard(self, data: bytes) -> bytes:
        """Return what the instrument hears of `data`."""
        for mishap in self._mishaps:
            data = mishap.heard(data)
        return data

    def say(self, data: bytes, put: Put) -> None:
        """Hand to `put` what comes of `data`, now or late; nothing while the instrument is cut off."""
        for mishap in self._mishaps:
            data = mishap.sent(data)
        delay = max((mishap.delay for mishap in self._mishaps), default=0.0)
        if not data or self.life != ALIVE:
            return
        if delay > 0.0:
            asyncio.get_running_loop().call_later(delay, put, data)
        else:
            put(data)


class _Connection(asyncio.BufferedProtocol):
    def __init__(self, wire: TcpTransport) -> None:
        self._wire = wire
        self._piece = bytearray(PIECE)
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)  # noqa: S101 (asyncio gives sockets such a one)
        self._transport = transport
        self._answer = self._wire.admit(transport, lambda data: self._wire.say(data, self._put))

    def get_buffer(self, sizehint: int) -> memoryview:  # noqa: ARG002 (asyncio's name)
        return memoryview(self._piece)

    def buffer_updated(self, nbytes: int) -> None:
        if self._answer is not None and self._wire.life == ALIVE:
            data = self._wire.heard(bytes(self._piece[:nbytes]))
            self._wire.say(self._answer(data), self._put)

    def _put(self, data: bytes) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(data)

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


class TcpTransport(Transport):
    """A listening socket on 127.0.0.1; `new_session` gives each client what answers it, `gone` hears of its end.

    With its cable out, it takes connections and says nothing, as a network does; switched off, it refuses them.
    """

    def __init__(
        self, new_session: Callable[[Put], Answer], port: int = 0, gone: Callable[[Answer], None] | None = None
    ) -> None:
        super().__init__()
        self._new_session, self._wanted, self._gone = new_session, port, gone
        self._clients: dict[asyncio.Transport, Answer] = {}
        self._server: asyncio.Server | None = None
        self._held: socket.socket | None = None
        self.port = 0

    async def open(self) -> None:
        """Listen on the wanted port, or on another one where it is taken or not allowed."""
        try:
            await self._listen(self._wanted)
        except OSError:
            await self._listen(0)

    async def _listen(self, port: int) -> None:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Connection(self), HOST, port)
        self.port = self._server.sockets[0].getsockname()[1]

    def admit(self, client: asyncio.Transport, put: Put) -> Answer | None:
        """Return the session of a new client; None, and the line closed, where there are too many."""
        if len(self._clients) >= MOST_CLIENTS:
            client.abort()
            return None
        answer = self._clients[client] = self._new_session(put)
        return answer

    def dismiss(self, client: asyncio.Transport) -> None:
        """Forget a client that is gone."""
        answer = self._clients.pop(client, None)
        if answer is not None and self._gone is not None:
            self._gone(answer)

    async def _live_on(self, before: LinkState) -> None:
        if self.life == POWER_OFF:
            await self.close()
            # Bound but not listening, the port is kept from others, and connections are refused.
            self._held = socket.socket()
            self._held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._held.bind((HOST, self.port))
        elif before == POWER_OFF:
            self._let_go()
            await self._listen(self.port)

    def _let_go(self) -> None:
        if self._held is not None:
            self._held.close()
            self._held = None

    async def close(self) -> None:
        """Stop listening and drop every client."""
        self._let_go()
        for client in tuple(self._clients):
            client.abort()
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()
            self._server = None


class PtyTransport(Transport):
    """A pseudo-terminal in raw mode; clients open `path`. The other end stays open when a client closes it.

    With its cable out, the device is gone, as a serial adapter's is; switched off, it is there and silent.
    """

    def __init__(self, answer: Answer | None = None, name: str = "line") -> None:
        super().__init__()
        self._answer = answer
        self._name = re.sub(r"[^A-Za-z0-9_-]", "-", name)[:40] or "line"
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._plugged = False
        self.path = ""

    async def open(self) -> None:
        """Create the pseudo-terminal, under a name that stays when it is plugged in again, and hear what comes."""
        self._folder = tempfile.TemporaryDirectory(prefix="benchmon-line-")
        self.path = str(Path(self._folder.name) / self._name)
        self._plug_in()

    def _plug_in(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        Path(self.path).symlink_to(os.ttyname(self._slave))
        asyncio.get_running_loop().add_reader(self._master, self._hear)
        self._plugged = True

    def _pull_out(self) -> None:
        if self._plugged:
            self._plugged = False
            Path(self.path).unlink()
            asyncio.get_running_loop().remove_reader(self._master)
            os.close(self._master)
            os.close(self._slave)

    async def _live_on(self, before: LinkState) -> None:  # noqa: ARG002 (a Wire)
        if self.life == CABLE_OUT:
            self._pull_out()
        elif not self._plugged:
            self._plug_in()

    def _hear(self) -> None:
        try:
            data = os.read(self._master, PIECE)
        except BlockingIOError:
            return
        if self._answer is not None and self.life == ALIVE:
            self.send(self._answer(self.heard(data)))

    def send(self, data: bytes) -> None:
        """Send `data`; what the line cannot hold is lost, old bytes first."""
        self.say(data, self._put)

    def _put(self, data: bytes) -> None:
        if not self._plugged:
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
        self._pull_out()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None


def _waiting(line: int) -> int:
    """Return how many bytes wait on a terminal for a client to read them."""
    return int(struct.unpack("i", fcntl.ioctl(line, termios.FIONREAD, b"\0" * 4))[0])


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


START, STOP = 0, 1


def misread(data: bytes, speed: float) -> bytes:
    r"""Return the bytes that a receiver at `speed` times the sender's finds in `data`, eight bits without parity.

    Sender and receiver have start bit, eight data bits from the lowest on, and stop bit. The receiver waits for the
    line to fall and samples in the middle of what it takes for bits, as real ones do; a wrong stop bit is let pass.

    >>> misread(b"21.5", 1.0), misread(b"21.5", 0.5), misread(b"A", 2.0)
    (b'21.5', b'Zy', b'\x06\xfe')
    """
    line = [STOP, *(bit for byte in data for bit in (START, *(byte >> at & 1 for at in range(8)), STOP))]
    found = bytearray()
    at = 0.0
    while (start := _next_fall(line, at)) is not None:
        samples = [_level(line, start + (bit + 1.5) / speed) for bit in range(8)]
        found.append(sum(level << bit for bit, level in enumerate(samples)))
        at = start + 9.5 / speed
    return bytes(found)


def _level(line: list[int], time: float) -> int:
    """Return the line's level at `time`, in the sender's bits from its first; it rests high."""
    return line[int(time)] if time < len(line) else STOP


def _next_fall(line: list[int], time: float) -> float | None:
    """Return when the line next falls after `time`."""
    at = int(time)
    while at < len(line) and line[at] == START:
        at += 1
    while at < len(line) and line[at] != START:
        at += 1
    return float(at) if at < len(line) else None
