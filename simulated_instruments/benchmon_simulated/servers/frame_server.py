"""The server of a meter with a binary output: it streams frames, or sends one in reply to a query."""

from __future__ import annotations

import asyncio
import math
import struct
from collections.abc import Callable, Sequence
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
_WIDTHS = {
    "none": 0, "sum": 1, "negated sum": 1, "inverted sum": 1, "xor": 1, "crc8": 1,
    "sum16": 2, "crc16": 2, "ccitt": 2, "xmodem": 2,
}  # fmt: skip


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


def remainder(data: bytes, polynomial: int, bits: int, first: int) -> int:
    """Return a CRC whose high bit comes first, from the value `first`, bit by bit.

    >>> f"{remainder(b'123456789', 0x1021, 16, 0):04x}"
    '31c3'
    """
    value = first
    for byte in data:
        for bit in range(7, -1, -1):
            falls_out = (value >> (bits - 1) ^ byte >> bit) & 1
            value = (value << 1 & (1 << bits) - 1) ^ (polynomial if falls_out else 0)
    return value


def checksum_of(kind: str, data: bytes) -> int:
    """Return the checksum of `data`."""
    total = sum(data)
    found = {
        "sum": total & 0xFF,
        "sum16": total & 0xFFFF,
        "negated sum": (256 - total % 256) % 256,
        "inverted sum": 255 - total % 256,
        "xor": reduce(xor, data, 0),
        "crc8": remainder(data, 0x07, 8, 0),
        "crc16": crc16(data),
        "ccitt": remainder(data, 0x1021, 16, 0xFFFF),
        "xmodem": remainder(data, 0x1021, 16, 0),
    }
    return found.get(kind, 0)


class FrameBits:
    """The bytes of a frame under way, or its numbered halves; bits are set at the places that a client reads."""

    def __init__(self, size: int, *, halves: bool) -> None:
        self._bytes, self._halves = bytearray(size), halves

    @property
    def size(self) -> int:
        """How many places there are."""
        return len(self._bytes) - self._halves

    def set(self, at: int, bits: int) -> None:
        """Set bits at a place, from the end where it is negative."""
        place = at % self.size
        if self._halves:
            self._bytes[place] |= bits >> 4
            self._bytes[place + 1] |= bits & 15
        else:
            self._bytes[place] |= bits

    def written(self) -> bytearray:
        """Return the bytes; halves with their numbers."""
        if self._halves:
            return bytearray((number & 15) << 4 | half & 15 for number, half in enumerate(self._bytes, 1))
        return bytearray(self._bytes)


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
    halves: bool

    def filled(self, fill: Callable[[FrameBits], None]) -> bytes:
        """Return a frame whose fields and marks `fill` sets."""
        bits = FrameBits(self.size, halves=self.halves)
        fill(bits)
        frame = bits.written()
        frame[: len(self.sync)] = self.sync
        frame[self.size - len(self.tail) :] = self.tail
        if self.length_at is not None:
            frame[self.length_at] = self.size - self.length_adds
        width = _WIDTHS[self.checksum]
        check = checksum_of(self.checksum, bytes(frame[self.checksum_from : self.checksum_at]))
        if width:
            frame[self.checksum_at : self.checksum_at + width] = check.to_bytes(width, self.checksum_order)
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
        kinds: dict[tuple[bytes, tuple[Bits, ...]], list[Channel]] = {}
        for channel in channels:
            own = keys_of(channel)
            query = own.octets("query") or keys.octets("query")
            kinds.setdefault((query, tuple(own.rows("when"))), []).append(channel)
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

    def __init__(self, keys: Keys, when: Sequence[Bits], channels: Sequence[Channel], meter: MakeMeter) -> None:
        self.meters = [meter(channel) for channel in channels]
        self._when = when
        self._fields = [FrameField(keys_of(channel)) for channel in channels]
        self._frame = frame_of(keys, max(field.end for field in self._fields))
        places = self._frame.size - self._frame.halves
        for channel, field in zip(channels, self._fields, strict=True):
            if not (-places <= field.at and field.end <= places):
                raise BadInput(f"channel {channel.name!r}: at is outside a frame of {places} bytes")

    def frame(self, supply: SupplyUnderTest) -> bytes:
        """Return the frame with the present values."""

        def fill(bits: FrameBits) -> None:
            for at, _, value in self._when:
                bits.set(at, value)
            for field, meter in zip(self._fields, self.meters, strict=True):
                field.fill(bits, meter.read(supply.snapshot))

        return self._frame.filled(fill)


Bits = tuple[int, int, int]
"""A place, a mask, and the value of the masked bits."""
_DIGITS = ("bcd", "ascii", "hex", "segments")
_THREE = ("u24", "s24")


class FrameField:
    """The place and format of a value in a frame, and what announces its sign and range."""

    def __init__(self, keys: Keys) -> None:
        self.at = keys.integer("at", None, -1024, 1023)
        layout = keys.text("format")
        self._order, self._kind = (layout[0], layout[1:]) if layout[:1] in ("<", ">") else (">", layout)
        self._count = keys.integer("count", None, 1, 16) if self._kind in _DIGITS else self._width(layout)
        self._step, self._mask = keys.integer("step", 1, 1, 8), keys.integer("mask", 255, 0, 255)
        table = keys.section("segments")
        self._codes = {table.text(code): int(code, 16) for code in table.names()} if table is not None else {}
        self._sign, self._beyond = keys.whole_numbers("sign"), keys.whole_numbers("overload_bits")
        self._factor, self._offset = keys.real("factor", 1.0) or 1.0, keys.real("offset", 0.0)
        self._overload, self._no_value = keys.reals("overload"), keys.reals("no_value")
        self._scales = _scales(keys)

    def _width(self, layout: str) -> int:
        if self._kind in _THREE:
            return 3
        try:
            return struct.calcsize(f"{self._order}{self._kind}")
        except struct.error as problem:
            raise BadInput(f"format = {layout!r} is no number format of Python's struct") from problem

    @property
    def end(self) -> int:
        """The shortest length of a frame that holds the field."""
        width = (self._count - 1) * self._step + 1
        return self.at + width if self.at >= 0 else -self.at

    def fill(self, bits: FrameBits, value: float) -> None:
        """Set the bits of `value`; NaN and ±inf become `no_value` and `overload`, or zero without these keys.

        A number that the digits cannot hold becomes the nearest that they can.
        """
        raw = (value - self._offset) / self._factor
        if self._sign and raw < 0:
            bits.set(self._sign[0], self._sign[1])
            raw = -raw
        scale, announced = self._scales[-1]
        if math.isfinite(raw):
            fitting = (one for one in self._scales if round(abs(raw) / one[0]) <= self._most)
            scale, announced = next(fitting, (scale, announced))
            shown = raw / scale
        else:
            if math.isinf(raw) and self._beyond:
                bits.set(self._beyond[0], self._beyond[1])
            shown = next(iter(self._no_value if math.isnan(raw) else self._overload), 0.0)
        for place, byte in announced:
            bits.set(place, byte)
        for number, byte in enumerate(self._packed(shown)):
            bits.set(self.at + number * self._step, byte)

    @property
    def _most(self) -> float:
        if self._kind == "hex":
            return 16.0**self._count - 1
        if self._kind in _DIGITS:
            return 10.0 ** (self._digits - self._writes_minus) - 1
        return 2.0 ** (8 * self._count - 1) - 1

    @property
    def _writes_minus(self) -> bool:
        """Whether a minus may stand in the place of a digit."""
        return not self._sign and (self._kind == "ascii" or "-" in self._codes)

    @property
    def _digits(self) -> int:
        return 2 * self._count if self._kind == "bcd" and self._mask > 15 else self._count

    def _packed(self, raw: float) -> bytes:
        if self._kind in ("f", "d"):
            return bytes(struct.pack(f"{self._order}{self._kind}", raw))
        if self._kind not in _DIGITS:
            signed = self._kind[0].islower() and self._kind != "u24"
            bits = 8 * self._count
            low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if signed else (0, 2**bits - 1)
            whole: int = min(high, max(low, round(raw)))
            return whole.to_bytes(self._count, "big" if self._order == ">" else "little", signed=signed)
        size = self._digits
        least, most = -int(self._most) if self._writes_minus else 0, 16**size if self._kind == "hex" else 10**size
        text = f"{min(most - 1, max(least, round(raw))):0{size}{'X' if self._kind == 'hex' else 'd'}}"
        if self._kind == "bcd" and self._mask > 15:
            data = bytes.fromhex(text)
        elif self._kind == "bcd":
            data = bytes(map(int, text))
        elif self._kind == "segments":
            data = bytes(self._codes.get(char, 0) for char in text)
        else:
            data = text.encode("ascii")
        return data if self._order == ">" else data[::-1]


def _scales(keys: Keys) -> list[tuple[float, list[tuple[int, int]]]]:
    """Return what one step of the number may be worth, the least first, and the bits that announce each."""
    found: list[tuple[float, list[tuple[int, int]]]] = [(1.0, [])]
    points, exponent = keys.rows("point"), keys.whole_numbers("exponent")
    if points:
        found = [(scale / 10.0**places, [*bits, (at, mask)]) for scale, bits in found for at, mask, places in points]
    if exponent:
        at, mask, plus = exponent
        lowest = mask & -mask
        powers = range(mask // lowest + 1)
        found = [
            (scale * 10.0 ** (power + plus), [*bits, (at, power * lowest)]) for scale, bits in found for power in powers
        ]
    ranges = keys.sections("ranges")
    if ranges:
        found = [
            (scale * one.real("factor", 1.0), [*bits, *((at, value) for at, _, value in one.rows("when"))])
            for scale, bits in found
            for one in ranges
        ]
    return sorted(found, key=lambda one: one[0])


def frame_of(keys: Keys, needed: int) -> FrameFormat:
    """Return the layout of frames whose fields need `needed` bytes. Raises `BadInput` for invalid keys."""
    sync, tail = keys.octets("sync"), keys.octets("tail")
    checksum = keys.choice("checksum", "none", tuple(_WIDTHS))
    after = _WIDTHS[checksum] + len(tail)
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
        keys.flag("halves", default=False),
    )
