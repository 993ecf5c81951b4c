"""A simulated meter behind a broker of its own, which speaks as much of MQTT 3.1.1 as a subscriber needs.

MQTT 3.1.1 (OASIS, 2014), from memory: packet types in 2.2.1, lengths in 2.2.3, the answers to CONNECT in 3.2.2.3 and to
SUBSCRIBE in 3.9.3. A client that asks for MQTT 5 is refused, as brokers of that time do.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from benchmon.bench import Bench, Channel, Instrument
from benchmon_simulated.addresses import HOST
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import keys_of
from benchmon_simulated.servers.network.messages import messages_of, period_of
from benchmon_simulated.servers.own_certificate import is_encrypted
from benchmon_simulated.servers.server import Language, Medium, WiredServer
from benchmon_simulated.servers.transports import RequestHandler, TcpTransport, Write
from benchmon_simulated.supply.supply import SupplyUnderTest

_CONNECT, _SUBSCRIBE, _PING = 1, 8, 12
_ACCEPTED, _WRONG_VERSION = b"\x20\x02\x00\x00", b"\x20\x02\x00\x01"
_VERSION = 4
_LARGEST = 4096
_PUBLISHED, _KEPT = 0x30, 0x31


class MqttServer(WiredServer):
    """A meter that publishes each topic every period; its state, where the bench file names a topic for it, is kept."""

    speaks: Language = "text"
    medium: Medium = "socket"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        self._scheme = "mqtts" if is_encrypted(instrument.address) else "mqtt"
        self._transport = TcpTransport(self._admit, gone=self._dismiss, encrypted=is_encrypted(instrument.address))
        super().__init__(instrument.name, self._transport)
        self._supply, self._period = supply, period_of(bench, instrument)
        usual = keys_of(instrument).text("topic")

        def topic_of(channel: Channel) -> str:
            return keys_of(channel).text("topic", usual)

        self._messages = messages_of(bench, instrument, supply, seed, topic_of)
        self.meters: Sequence[Meter] = [meter for message in self._messages.values() for meter in message.meters]
        self._kept = {keys_of(instrument).text("status_topic"): "online"}
        self._clients: dict[RequestHandler, _Client] = {}

    async def open(self) -> str:
        """Open the broker's port; return the address. Raises `InstrumentError` where it cannot be opened."""
        await self.open_transport()
        return f"{self._scheme}://{HOST}:{self._transport.port}"

    async def run(self) -> None:
        """Publish every period, until cancelled."""
        while True:
            for topic, message in self._messages.items():
                text = message.text_now(self._supply.snapshot)
                for client in tuple(self._clients.values()):
                    if text and topic in client.topics:
                        client.write(_publication(_PUBLISHED, topic, text))
            await asyncio.sleep(self._period)

    def _admit(self, write: Write) -> RequestHandler:
        client = _Client(write, self._kept)
        self._clients[client.received] = client
        return client.received

    def _dismiss(self, handler: RequestHandler) -> None:
        self._clients.pop(handler, None)


class _Client:
    """One client: the topics that it subscribed to, and the bytes of its next packet."""

    def __init__(self, write: Write, kept: dict[str, str]) -> None:
        self.write, self._kept = write, kept
        self.topics: set[str] = set()
        self._part = b""

    def received(self, data: bytes) -> bytes:
        """Return the answers to the packets that `data` completes."""
        self._part += data
        answers = b""
        while (packet := self._next()) is not None:
            answers += self._answer(packet[0] >> 4, packet[1])
        return answers

    def _next(self) -> tuple[int, bytes] | None:
        """Return the first byte and the body of a packet that is complete, None where none is."""
        digits = next((self._part[1:end] for end in range(2, 6) if self._part[end - 1 : end] < b"\x80"), b"")
        if not digits:
            return None
        length = sum((digit & 0x7F) << 7 * place for place, digit in enumerate(digits))
        at = 1 + len(digits)
        if length > _LARGEST:
            self._part = b""
            return None
        if len(self._part) < at + length:
            return None
        packet = self._part[0], self._part[at : at + length]
        self._part = self._part[at + length :]
        return packet

    def _answer(self, kind: int, body: bytes) -> bytes:
        if kind == _CONNECT:
            # The version stands behind the protocol's name, which has its length before it.
            name = int.from_bytes(body[:2], "big")
            return _ACCEPTED if body[2 + name : 3 + name] == bytes([_VERSION]) else _WRONG_VERSION
        if kind == _PING:
            return b"\xd0\x00"
        if kind == _SUBSCRIBE:
            return self._subscribe(body)
        return b""

    def _subscribe(self, body: bytes) -> bytes:
        number, rest = body[:2], body[2:]
        asked = []
        while len(rest) > 2:
            length = int.from_bytes(rest[:2], "big")
            asked.append(rest[2 : 2 + length].decode("utf-8", "replace"))
            rest = rest[3 + length :]
        self.topics |= set(asked)
        granted = b"\x90" + _length(2 + len(asked)) + number + bytes(len(asked))
        return granted + b"".join(
            _publication(_KEPT, topic, self._kept[topic]) for topic in asked if topic in self._kept
        )


def _publication(kind: int, topic: str, text: str) -> bytes:
    name = topic.encode()
    body = len(name).to_bytes(2, "big") + name + text.encode()
    return bytes([kind]) + _length(len(body)) + body


def _length(count: int) -> bytes:
    digits = bytearray()
    while count >= 0x80:
        digits.append(count & 0x7F | 0x80)
        count >>= 7
    return bytes([*digits, count])
