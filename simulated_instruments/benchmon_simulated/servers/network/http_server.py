"""A simulated meter with pages: JSON or text by HTTP/1.1, with TLS or without, one page a path."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from urllib.parse import urlsplit

from benchmon.bench import Bench, Channel, Instrument
from benchmon_simulated.addresses import HOST
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import keys_of
from benchmon_simulated.servers.network.messages import messages_of
from benchmon_simulated.servers.own_certificate import is_encrypted
from benchmon_simulated.servers.server import Language, Medium, WiredServer
from benchmon_simulated.servers.transports import RequestHandler, TcpTransport, Write
from benchmon_simulated.supply.supply import SupplyUnderTest

_END = b"\r\n\r\n"
_LONGEST_REQUEST = 8192


class HttpServer(WiredServer):
    """A meter that answers each request with the present values of the page's channels."""

    speaks: Language = "text"
    medium: Medium = "socket"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        self._scheme = "https" if is_encrypted(instrument.address) else "http"
        self._transport = TcpTransport(self._admit, encrypted=is_encrypted(instrument.address))
        super().__init__(instrument.name, self._transport)
        self._supply = supply
        parts = urlsplit(instrument.address)
        self._path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")

        def page_of(channel: Channel) -> str:
            return keys_of(channel).text("path") or self._path

        self._messages = messages_of(bench, instrument, supply, seed, page_of)
        self.meters: Sequence[Meter] = [meter for message in self._messages.values() for meter in message.meters]

    async def open(self) -> str:
        """Open the port; return the address. Raises `InstrumentError` where it cannot be opened."""
        await self.open_transport()
        return f"{self._scheme}://{HOST}:{self._transport.port}{self._path}"

    async def run(self) -> None:
        """Wait until cancelled: it speaks only when it is asked."""
        await asyncio.Event().wait()

    def _admit(self, write: Write) -> RequestHandler:  # noqa: ARG002 - it writes only replies
        part = b""

        def received(data: bytes) -> bytes:
            nonlocal part
            *requests, part = (part + data).split(_END)
            part = part[-_LONGEST_REQUEST:]
            return b"".join(self._reply(request) for request in requests)

        return received

    def _reply(self, request: bytes) -> bytes:
        words = request.split(b"\r\n", 1)[0].decode("latin-1").split(" ")
        message = self._messages.get(words[1]) if len(words) == 3 and words[0] == "GET" else None
        if message is None:
            return b"HTTP/1.1 404 Not Found\r\nContent-Length: 0" + _END
        text = message.text_now(self._supply.snapshot).encode()
        return b"HTTP/1.1 200 OK\r\nContent-Length: %d" % len(text) + _END + text
