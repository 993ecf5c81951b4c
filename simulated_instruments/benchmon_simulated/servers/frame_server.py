"""The twin of a meter with a binary output: it sends frames by itself, or one when it is asked."""

from __future__ import annotations

import asyncio
import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Literal

from benchmon.bench import Bench, Channel, Instrument
from benchmon.errors import BadInput
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import Keys, channels_of, keys_of
from benchmon_simulated.servers.server import Language, Medium, WiredServer
from benchmon_simulated.servers.transports import PtyTransport
from benchmon_simulated.supply.supply import SupplyUnderTest

_SHORTEST_PERIOD = 0.05
_LONGEST_QUESTION = 500
_CHECKSUMS = {"none": 0, "sum": 1, "xor": 1, "crc16": 2}


def crc16(data: bytes) -> int:
    """Return the CRC-16 of Modbus: polynomial 0xA001 from the low end, beginning with 0xFFFF.

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
    """What every frame of an instrument has: its first and last bytes, its length, where the length and check stand."""

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
        """Return a frame with each of `fields`, a place and bytes, in it."""
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
    """A meter on a pseudo-terminal that sends frames: one for each `when` of its channels, or one with all of them."""

    speaks: Language = "frames"
    medium: Medium = "serial"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        self._supply = supply
        self._wire = PtyTransport(self._hear, instrument.name)
        super().__init__(instrument.name, self._wire)
        channels, keys = channels_of(bench, instrument), keys_of(instrument)
        self._period = max(_SHORTEST_PERIOD, min((channel.period for channel in channels), default=1.0))
        self._heard = b""
        kinds: dict[tuple[bytes, tuple[int, ...]], list[Channel]] = {}
        for channel in channels:
            own = keys_of(channel)
            query = own.octets("query") or keys.octets("query")
            kinds.setdefault((query, tuple(int(value) for value in own.reals("when"))), []).append(channel)
        self._kinds = [(query, _FrameKind(keys, when, own, seed)) for (query, when), own in kinds.items()]
        self.meters = [meter for _, kind in self._kinds for meter in kind.meters]

    async def open(self) -> str:
        """Open its line; return the device's path. Raises `InstrumentError`."""
        await self.open_wire()
        return self._wire.path

    async def run(self) -> None:
        """Send the frames that nobody need ask for, every period, for ever."""
        while True:
            for query, kind in self._kinds:
                if not query:
                    self._wire.send(kind.frame(self._supply))
            await asyncio.sleep(self._period)

    def _hear(self, data: bytes) -> bytes:
        self._heard = (self._heard + data)[-_LONGEST_QUESTION:]
        said = b""
        for query, kind in self._kinds:
            if query and query in self._heard:
                said += kind.frame(self._supply)
        if said:
            self._heard = b""
        return said


class _FrameKind:
    """One kind of frame, and the meters behind its fields."""

    def __init__(self, keys: Keys, when: tuple[int, ...], channels: Sequence[Channel], seed: int) -> None:
        self.meters = [Meter(channel, seed) for channel in channels]
        self._fields = [_Field(keys_of(channel)) for channel in channels]
        self._frame = frame_of(keys, max(field.end for field in self._fields))
        self._marks = [(when[0] % self._frame.size, bytes([when[1]]))] if len(when) == 2 else []
        for channel, field in zip(channels, self._fields, strict=True):
            if not 0 <= field.at(self._frame.size) <= self._frame.size - field.width:
                raise BadInput(f"channel {channel.name!r}: at is outside a frame of {self._frame.size} bytes")

    def frame(self, supply: SupplyUnderTest) -> bytes:
        """Return the frame as it is now."""
        size = self._frame.size
        values = [(field, meter.read(supply.snapshot)) for field, meter in zip(self._fields, self.meters, strict=True)]
        return self._frame.filled([*self._marks, *((field.at(size), field.packed(value)) for field, value in values)])


class _Field:
    """Where and how a value stands in a frame."""

    def __init__(self, keys: Keys) -> None:
        self._at = keys.integer("at", None, -1024, 1023)
        layout = keys.text("format")
        self._layout = layout if layout[:1] in ("<", ">") else f">{layout}"
        try:
            self.width = struct.calcsize(self._layout)
        except struct.error as problem:
            raise BadInput(f"format = {layout!r} is no number of Python's struct") from problem
        self._factor, self._offset = keys.real("factor", 1.0) or 1.0, keys.real("offset", 0.0)
        self._overload, self._no_value = keys.reals("overload"), keys.reals("no_value")

    @property
    def end(self) -> int:
        """The least length of a frame that holds it."""
        return self._at + self.width if self._at >= 0 else -self._at

    def at(self, size: int) -> int:
        """Return its place from the beginning of a frame of `size` bytes."""
        return self._at if self._at >= 0 else size + self._at

    def packed(self, value: float) -> bytes:
        """Return the bytes of `value`; where it is none or over range, those that the keys say, or zeros."""
        special = self._no_value if math.isnan(value) else self._overload if math.isinf(value) else None
        raw = (value - self._offset) / self._factor if special is None else next(iter(special), 0.0)
        if self._layout[-1] in "fd":
            return struct.pack(self._layout, raw)
        bits, signed = 8 * self.width, self._layout[-1].islower()
        low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if signed else (0, 2**bits - 1)
        return struct.pack(self._layout, min(high, max(low, round(raw))))


def frame_of(keys: Keys, needed: int) -> FrameFormat:
    """Return what the frames look like whose fields need `needed` bytes from the beginning. Raises `BadInput`."""
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
