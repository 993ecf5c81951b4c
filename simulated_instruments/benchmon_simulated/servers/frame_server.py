"""The server of a meter with a binary output: it streams frames, or sends one in reply to a query."""

from __future__ import annotations

import asyncio
import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial, reduce
from operator import xor
from typing import Literal

from benchmon.bench import Bench, Channel, Instrument
from benchmon.errors import BadInput
from benchmon_simulated.meters.meter import MakeMeter, Meter
from benchmon_simulated.servers.driver_settings import Keys, channels_of, keys_of
from benchmon_simulated.servers.server import Language, Medium, WiredServer
from benchmon_simulated.servers.transports import PtyTransport, SendingTransport, UdpTransport
from benchmon_simulated.supply.supply import SupplyUnderTest

_SHORTEST_PERIOD = 0.05
_LONGEST_QUERY = 500
_CHECKSUMS = {"none": 0, "sum": 1, "xor": 1, "crc16": 2}


def crc16(data: bytes) -> int:
    """Return the CRC-16 of Modbus: polynomial 0xA001 (reflected), initial value 0xFFFF.

    >>> f"{crc16(bytes([2, 7])):04x}"
    '1241'
    """
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value


@dataclass(frozen=True)
class FrameFormat:
    """The layout of an instrument's frames: first and last bytes, length, places of length byte and checksum."""

    sync: bytes
    tail: bytes
    size: int
    length_at: int | None
    length_adds: int
    checksum: str
    checksum_at: int
    checksum_from: int
    checksum_order: Literal["big", "little"]

    def filled(self, fields: Sequence[tuple[int, bytes]]) -> bytes:
        """Return a frame with each of `fields`, an offset and its bytes, filled in."""
        frame = bytearray(self.size)
        frame[: len(self.sync)] = self.sync
        frame[self.size - len(self.tail) :] = self.tail
        if self.length_at is not None:
            frame[self.length_at] = self.size - self.length_adds
        for at, data in fields:
            frame[at : at + len(data)] = data
        width = _CHECKSUMS[self.checksum]
        covered = bytes(frame[self.checksum_from : self.checksum_at])
        check = {"sum": sum(covered) & 0xFF, "xor": reduce(xor, covered, 0), "crc16": crc16(covered)}
        if width:
            frame[self.checksum_at : self.checksum_at + width] = check[self.checksum].to_bytes(
                width, self.checksum_order
            )
        return bytes(frame)


class FrameServer(WiredServer):
    """A meter on a pseudo-terminal that sends a frame for each `when` of its channels, or one with all of them."""

    speaks: Language = "frames"
    medium: Medium = "serial"
    has_clock = False

    def __init__(
        self,
        instrument: Instrument,
        bench: Bench,
        supply: SupplyUnderTest,
        seed: int,
        transport: SendingTransport | None = None,
    ) -> None:
        self._supply = supply
        self._transport = transport or PtyTransport(self._receive, instrument.name)
        super().__init__(instrument.name, self._transport)
        channels, keys = channels_of(bench, instrument), keys_of(instrument)
        self._period = max(_SHORTEST_PERIOD, min((channel.period for channel in channels), default=1.0))
        self._received = b""
        kinds: dict[tuple[bytes, tuple[int, ...]], list[Channel]] = {}
        for channel in channels:
            own = keys_of(channel)
            query = own.octets("query") or keys.octets("query")
            kinds.setdefault((query, tuple(int(value) for value in own.reals("when"))), []).append(channel)
        meter = partial(Meter, seed=seed, effects=supply.effects)
        self._kinds = [(query, _FrameKind(keys, when, own, meter)) for (query, when), own in kinds.items()]
        self.meters = [own for _, kind in self._kinds for own in kind.meters]

    async def open(self) -> str:
        """Open its line; return its address. Raises `InstrumentError` where it cannot be opened."""
        await self.open_transport()
        return self._transport.address

    async def run(self) -> None:
        """Send the frames without a query every period, until cancelled."""
        while True:
            for query, kind in self._kinds:
                if not query:
                    self._transport.send(kind.frame(self._supply))
            await asyncio.sleep(self._period)

    def _receive(self, data: bytes) -> bytes:
        self._received = (self._received + data)[-_LONGEST_QUERY:]
        reply = b""
        for query, kind in self._kinds:
            if query and query in self._received:
                reply += kind.frame(self._supply)
        if reply:
            self._received = b""
        return reply


class UdpFramesServer(FrameServer):
    """A meter that sends frames, each in a datagram of its own."""

    medium: Medium = "socket"

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        super().__init__(instrument, bench, supply, seed, UdpTransport())


class _FrameKind:
    """One kind of frame, and the meter of each of its fields."""

    def __init__(self, keys: Keys, when: tuple[int, ...], channels: Sequence[Channel], meter: MakeMeter) -> None:
        self.meters = [meter(channel) for channel in channels]
        self._fields = [_Field(keys_of(channel)) for channel in channels]
        self._frame = frame_of(keys, max(field.end for field in self._fields))
        self._marks = [(when[0] % self._frame.size, bytes([when[1]]))] if len(when) == 2 else []
        for channel, field in zip(channels, self._fields, strict=True):
            if not 0 <= field.at(self._frame.size) <= self._frame.size - field.width:
                raise BadInput(f"channel {channel.name!r}: at is outside a frame of {self._frame.size} bytes")

    def frame(self, supply: SupplyUnderTest) -> bytes:
        """Return the frame with the present values."""
        size = self._frame.size
        values = [(field, meter.read(supply.snapshot)) for field, meter in zip(self._fields, self.meters, strict=True)]
        return self._frame.filled([*self._marks, *((field.at(size), field.packed(value)) for field, value in values)])


class _Field:
    """The place and format of a value in a frame."""

    def __init__(self, keys: Keys) -> None:
        self._at = keys.integer("at", None, -1024, 1023)
        layout = keys.text("format")
        self._layout = layout if layout[:1] in ("<", ">") else f">{layout}"
        try:
            self.width = struct.calcsize(self._layout)
        except struct.error as problem:
            raise BadInput(f"format = {layout!r} is no number format of Python's struct") from problem
        self._factor, self._offset = keys.real("factor", 1.0) or 1.0, keys.real("offset", 0.0)
        self._overload, self._no_value = keys.reals("overload"), keys.reals("no_value")

    @property
    def end(self) -> int:
        """The shortest length of a frame that holds the field."""
        return self._at + self.width if self._at >= 0 else -self._at

    def at(self, size: int) -> int:
        """Return its offset from the beginning of a frame of `size` bytes."""
        return self._at if self._at >= 0 else size + self._at

    def packed(self, value: float) -> bytes:
        """Return the bytes of `value`; NaN and ±inf become `no_value` and `overload`, or zero without these keys."""
        special = self._no_value if math.isnan(value) else self._overload if math.isinf(value) else None
        raw = (value - self._offset) / self._factor if special is None else next(iter(special), 0.0)
        if self._layout[-1] in "fd":
            return struct.pack(self._layout, raw)
        bits, signed = 8 * self.width, self._layout[-1].islower()
        low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if signed else (0, 2**bits - 1)
        return struct.pack(self._layout, min(high, max(low, round(raw))))


def frame_of(keys: Keys, needed: int) -> FrameFormat:
    """Return the layout of frames whose fields need `needed` bytes. Raises `BadInput` for invalid keys."""
    sync, tail = keys.octets("sync"), keys.octets("tail")
    checksum = keys.choice("checksum", "none", tuple(_CHECKSUMS))
    after = _CHECKSUMS[checksum] + len(tail)
    size = keys.integer("length", max(needed, len(sync)) + after, 1, 1024)
    at = keys.integer("checksum_at", size - after, -1024, 1023)
    return FrameFormat(
        sync,
        tail,
        size,
        keys.integer("length_at", 0, 0, 63) if keys.has("length_at") else None,
        keys.integer("length_adds", 0, -64, 1024),
        checksum,
        at if at >= 0 else size + at,
        keys.integer("checksum_from", 0, 0, 1024),
        "big" if keys.choice("checksum_order", "little", ("big", "little")) == "big" else "little",
    )
