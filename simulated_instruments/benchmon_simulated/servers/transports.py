"""Transports of simulated instruments: a TCP socket on this machine, datagrams, or a pseudo-terminal as a serial line.

Everything here runs in one asyncio event loop. No client can block it: bytes are read in small pieces, and a client
that does not fetch its replies stops only its own line. The effects of line faults damage, delay or cut what is
transmitted.

`Relay` connects a transport to a server of its own on this machine, so that faults can be applied to its line too.
`misread` gives the bytes that a serial receiver decodes at another speed than the sender's.
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import re
import socket
import ssl
import struct
import tempfile
import termios
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from benchmon_simulated.addresses import HOST
from benchmon_simulated.fault_effects import ALIVE, CABLE_OUT, POWER_OFF, LineFaultEffect, LinkState
from benchmon_simulated.servers.own_certificate import server_context

MOST_CLIENTS = 16
"""Connections that one socket serves at a time; further ones are closed at once."""

PIECE = 4096
"""The most bytes read from a client at once."""

UNREAD = 2048
"""Bytes that a serial line holds for a client that does not read; beyond, old ones are lost, as on a real line."""

RequestHandler = Callable[[bytes], bytes]
"""Takes the bytes from a client, returns the immediate reply."""

Write = Callable[[bytes], None]
"""Sends bytes to a client."""


class Transport:
    """Base of both transports: applies the effects of line faults. Use it from its event loop only."""

    def __init__(self) -> None:
        self._effects: tuple[LineFaultEffect, ...] = ()

    @property
    def link_state(self) -> LinkState:
        """Whether the instrument is connected, unplugged or switched off."""
        states = {effect.link_state for effect in self._effects}
        return POWER_OFF if POWER_OFF in states else CABLE_OUT if CABLE_OUT in states else ALIVE

    async def apply(self, effects: tuple[LineFaultEffect, ...]) -> None:
        """Replace the active effects."""
        before = self.link_state
        self._effects = effects
        if self.link_state != before:
            await self._on_link_state_change(before)

    async def open(self) -> None:
        """Accept clients. Raises `OSError` where the system refuses it."""
        raise NotImplementedError

    async def close(self) -> None:
        """Drop every client and release the line."""
        raise NotImplementedError

    async def _on_link_state_change(self, before: LinkState) -> None:
        raise NotImplementedError

    def received(self, data: bytes) -> bytes:
        """Return what the instrument receives of `data`."""
        for effect in self._effects:
            data = effect.received(data)
        return data

    def send_reply(self, data: bytes, write: Write) -> None:
        """Pass `data`, as the effects change it, to `write`, at once or delayed; nothing while there is no link."""
        for effect in self._effects:
            data = effect.sent(data)
        delay = max((effect.delay for effect in self._effects), default=0.0)
        if not data or self.link_state != ALIVE:
            return
        if delay > 0.0:
            asyncio.get_running_loop().call_later(delay, write, data)
        else:
            write(data)


class SendingTransport(Transport):
    """Base of transports that send without a client's request; `address` is where the driver finds them."""

    @property
    def address(self) -> str:
        """The address for the driver, once it is open."""
        raise NotImplementedError

    def send(self, data: bytes) -> None:
        """Send `data`."""
        raise NotImplementedError


class _Connection(asyncio.BufferedProtocol):
    def __init__(self, transport: TcpTransport) -> None:
        self._transport = transport
        self._piece = bytearray(PIECE)
        self._stream: asyncio.Transport | None = None

    def connection_made(self, stream: asyncio.BaseTransport) -> None:
        assert isinstance(stream, asyncio.Transport)  # noqa: S101 (always so for sockets)
        self._stream = stream
        self._handle = self._transport.admit(stream, lambda data: self._transport.send_reply(data, self._write))

    def get_buffer(self, sizehint: int) -> memoryview:  # noqa: ARG002 (asyncio's name)
        return memoryview(self._piece)

    def buffer_updated(self, nbytes: int) -> None:
        if self._handle is not None and self._transport.link_state == ALIVE:
            data = self._transport.received(bytes(self._piece[:nbytes]))
            self._transport.send_reply(self._handle(data), self._write)

    def _write(self, data: bytes) -> None:
        if self._stream is not None and not self._stream.is_closing():
            self._stream.write(data)

    def pause_writing(self) -> None:
        # The client does not fetch its replies: read from it again when it does.
        if self._stream is not None:
            self._stream.pause_reading()

    def resume_writing(self) -> None:
        if self._stream is not None:
            self._stream.resume_reading()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 (asyncio's name)
        if self._stream is not None:
            self._transport.dismiss(self._stream)


class TcpTransport(Transport):
    """A listening socket on 127.0.0.1; `new_session` makes each client's handler, `gone` is called with it at the end.

    With its cable out it accepts connections and stays silent, as a network does; switched off it refuses them.
    """

    def __init__(
        self,
        new_session: Callable[[Write], RequestHandler],
        port: int = 0,
        gone: Callable[[RequestHandler], None] | None = None,
        *,
        encrypted: bool = False,
    ) -> None:
        super().__init__()
        self._new_session, self._wanted, self._gone = new_session, port, gone
        self._encrypted = encrypted
        self._tls: ssl.SSLContext | None = None
        self._clients: dict[asyncio.Transport, RequestHandler] = {}
        self._server: asyncio.Server | None = None
        self._held: socket.socket | None = None
        self.port = 0

    async def open(self) -> None:
        """Listen on the wanted port, or on another one if it is taken or not allowed.

        Raises `OSError`, and `InstrumentError` where there is no certificate to encrypt with.
        """
        if self._encrypted:
            self._tls = server_context()
        try:
            await self._listen(self._wanted)
        except OSError:
            await self._listen(0)

    async def _listen(self, port: int) -> None:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Connection(self), HOST, port, ssl=self._tls)
        self.port = self._server.sockets[0].getsockname()[1]

    def admit(self, client: asyncio.Transport, write: Write) -> RequestHandler | None:
        """Return the handler of a new client; abort the client and return None where there are too many."""
        if len(self._clients) >= MOST_CLIENTS:
            client.abort()
            return None
        handler = self._clients[client] = self._new_session(write)
        return handler

    def dismiss(self, client: asyncio.Transport) -> None:
        """Remove a client that has gone."""
        handler = self._clients.pop(client, None)
        if handler is not None and self._gone is not None:
            self._gone(handler)

    async def _on_link_state_change(self, before: LinkState) -> None:
        if self.link_state == POWER_OFF:
            await self.close()
            # While bound but not listening, the port stays reserved and connections are refused.
            self._held = socket.socket()
            self._held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._held.bind((HOST, self.port))
        elif before == POWER_OFF:
            self._release_port()
            await self._listen(self.port)

    def _release_port(self) -> None:
        if self._held is not None:
            self._held.close()
            self._held = None

    async def close(self) -> None:
        """Stop listening and drop every client."""
        self._release_port()
        for client in tuple(self._clients):
            client.abort()
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()
            self._server = None


class PtyTransport(SendingTransport):
    """A pseudo-terminal in raw mode; clients open `path`. It stays open when a client closes it.

    With its cable out the device is gone, as a serial adapter's is; switched off it stays and is silent.
    """

    def __init__(self, handler: RequestHandler | None = None, name: str = "line") -> None:
        super().__init__()
        self._handle = handler
        self._name = re.sub(r"[^A-Za-z0-9_-]", "-", name)[:40] or "line"
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._plugged = False
        self.path = ""

    @property
    def address(self) -> str:
        """The device's path."""
        return self.path

    async def open(self) -> None:
        """Create the pseudo-terminal, under a name that stays when it is plugged in again. Raises `OSError`."""
        self._folder = tempfile.TemporaryDirectory(prefix="benchmon-line-")
        self.path = str(Path(self._folder.name) / self._name)
        self._plug_in()

    def _plug_in(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        Path(self.path).symlink_to(os.ttyname(self._slave))
        asyncio.get_running_loop().add_reader(self._master, self._receive)
        self._plugged = True

    def _pull_out(self) -> None:
        if self._plugged:
            self._plugged = False
            Path(self.path).unlink()
            asyncio.get_running_loop().remove_reader(self._master)
            os.close(self._master)
            os.close(self._slave)

    async def _on_link_state_change(self, before: LinkState) -> None:  # noqa: ARG002 (part of Transport's interface)
        if self.link_state == CABLE_OUT:
            self._pull_out()
        elif not self._plugged:
            self._plug_in()

    def _receive(self) -> None:
        try:
            data = os.read(self._master, PIECE)
        except BlockingIOError:
            return
        if self._handle is not None and self.link_state == ALIVE:
            self.send(self._handle(self.received(data)))

    def send(self, data: bytes) -> None:
        """Send `data`; bytes that the line cannot hold are lost, the oldest first."""
        self.send_reply(data, self._write)

    def _write(self, data: bytes) -> None:
        if not self._plugged:
            return
        if _waiting(self._slave) > UNREAD:
            termios.tcflush(self._slave, termios.TCIFLUSH)
        try:
            os.write(self._master, data)
        except BlockingIOError:
            # A serial line without handshake loses bytes that are not read.
            return

    async def close(self) -> None:
        """Close both ends; a client sees its line hang up."""
        self._pull_out()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None


def _waiting(line: int) -> int:
    """Return the number of bytes that wait on a terminal to be read."""
    return int(struct.unpack("i", fcntl.ioctl(line, termios.FIONREAD, b"\0" * 4))[0])


class UdpTransport(SendingTransport):
    """Datagrams from this machine to a free port of it, which is chosen when it is opened."""

    def __init__(self) -> None:
        super().__init__()
        self._socket: socket.socket | None = None
        self._to = (HOST, 0)

    @property
    def address(self) -> str:
        """The address for the driver."""
        return f"udp://{HOST}:{self._to[1]}?from={HOST}"

    async def open(self) -> None:
        """Choose a free port to send to. Raises `OSError` where the system refuses it."""
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind((HOST, 0))
            self._to = free.getsockname()
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setblocking(False)

    def send(self, data: bytes) -> None:
        """Send a datagram with `data`; it is lost where nobody listens, as on a real network."""
        self.send_reply(data, self._write)

    def _write(self, data: bytes) -> None:
        if self._socket is None:
            return
        try:
            self._socket.sendto(data, self._to)
        except OSError:
            # Nobody listens yet, or the line is full.
            return

    async def _on_link_state_change(self, before: LinkState) -> None:
        """Do nothing: there is no connection to break."""

    async def close(self) -> None:
        """Stop sending."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None


class DatagramTransport(Transport):
    """Answers datagrams at a port of 127.0.0.1; `new_session` makes the handler of each client, `gone` ends it."""

    def __init__(self, new_session: Callable[[Write], RequestHandler], gone: Callable[[RequestHandler], None]) -> None:
        super().__init__()
        self._new_session, self._gone = new_session, gone
        self._clients: dict[tuple[str, int], RequestHandler] = {}
        self._socket: socket.socket | None = None
        self.port = 0

    async def open(self) -> None:
        """Take a free port, or again the one that it had. Raises `OSError` where the system refuses it."""
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._socket.bind((HOST, self.port))
        self.port = self._socket.getsockname()[1]
        asyncio.get_running_loop().add_reader(self._socket, self._receive)

    def _receive(self) -> None:
        if self._socket is None:
            return
        try:
            data, client = self._socket.recvfrom(PIECE)
        except OSError:
            # Nothing has come after all.
            return
        if self.link_state == ALIVE:
            handle = self._clients.get(client) or self._admit(client)
            self.send_reply(handle(self.received(data)), self._writer(client))

    def _admit(self, client: tuple[str, int]) -> RequestHandler:
        """Return the handler of a new client; where there are too many, the oldest one is forgotten."""
        if len(self._clients) >= MOST_CLIENTS:
            self._gone(self._clients.pop(next(iter(self._clients))))
        write = self._writer(client)
        handler = self._clients[client] = self._new_session(lambda data: self.send_reply(data, write))
        return handler

    def _writer(self, client: tuple[str, int]) -> Write:
        def write(data: bytes) -> None:
            with suppress(OSError):
                if self._socket is not None:
                    self._socket.sendto(data, client)

        return write

    async def _on_link_state_change(self, before: LinkState) -> None:
        if self.link_state == POWER_OFF:
            await self.close()
        elif before == POWER_OFF:
            await self.open()

    async def close(self) -> None:
        """Give the port up and forget every client."""
        for handler in self._clients.values():
            self._gone(handler)
        self._clients.clear()
        if self._socket is not None:
            asyncio.get_running_loop().remove_reader(self._socket)
            self._socket.close()
            self._socket = None


_MOST_WAITING = 64


class Relay:
    """One connection to the server at `port`: calling it sends a client's bytes, replies are passed to `write`."""

    def __init__(self, port: int, write: Write) -> None:
        self._port, self._write = port, write
        self._outgoing: asyncio.Queue[bytes] = asyncio.Queue(_MOST_WAITING)
        self._task = asyncio.get_running_loop().create_task(self._carry())

    def __call__(self, data: bytes) -> bytes:
        """Pass `data` on if the queue has room; return no immediate reply."""
        with suppress(asyncio.QueueFull):
            self._outgoing.put_nowait(data)
        return b""

    def close(self) -> None:
        """Close the connection."""
        self._task.cancel()

    async def _carry(self) -> None:
        try:
            reader, writer = await asyncio.open_connection(HOST, self._port)
        except OSError:
            # The server is being closed: its client receives nothing more.
            return
        replies = asyncio.get_running_loop().create_task(self._carry_replies(reader))
        try:
            while True:
                writer.write(await self._outgoing.get())
                await writer.drain()
        except OSError:
            return
        finally:
            replies.cancel()
            writer.close()

    async def _carry_replies(self, reader: asyncio.StreamReader) -> None:
        with suppress(OSError):
            while data := await reader.read(PIECE):
                self._write(data)


START, STOP = 0, 1


def misread(data: bytes, speed: float) -> bytes:
    r"""Return the bytes that a receiver at `speed` times the sender's decodes from `data`, eight bits without parity.

    Sender and receiver use a start bit, eight data bits from the lowest on, and a stop bit. The receiver waits for the
    line to fall and samples in the middle of each bit at its own speed, as real ones do; a wrong stop bit is ignored.

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
    """Return the line's level at `time`, in bits of the sender; the idle level is high."""
    return line[int(time)] if time < len(line) else STOP


def _next_fall(line: list[int], time: float) -> float | None:
    """Return the time of the next falling edge after `time`, None if there is none."""
    at = int(time)
    while at < len(line) and line[at] == START:
        at += 1
    while at < len(line) and line[at] != START:
        at += 1
    return float(at) if at < len(line) else None
