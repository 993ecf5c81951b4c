"""Whole binary frames out of what arrives on a line, in step again after noise, and never one with a wrong checksum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Literal

from benchmon_drivers.serial_keys import Order

Checksum = Literal["none", "sum", "xor", "crc16"]

LONGEST_FRAME = 1024
_GAP = 0.5
"""Seconds: an unfinished frame older than this will never be finished; the instrument was cut off."""


def crc16(data: bytes) -> int:
    """Return the CRC-16/MODBUS of `data`: polynomial 0x8005 reflected, from 0xFFFF.

    >>> hex(crc16(b"123456789"))
    '0x4b37'
    """
    value = 0xFFFF
    for byte in data:
        value = value >> 8 ^ _CRC_OF_BYTE[(value ^ byte) & 0xFF]
    return value


def _crc_of_byte(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
    return byte


_CRC_OF_BYTE = tuple(map(_crc_of_byte, range(256)))
CHECKSUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "none": (0, lambda _: 0),
    "sum": (1, lambda data: sum(data) & 0xFF),
    "xor": (1, lambda data: reduce(xor, data, 0)),
    "crc16": (2, crc16),
}
"""Of each checksum the bytes it takes, and how it is worked out."""


@dataclass(frozen=True, slots=True)
class FrameLayout:
    """What a frame looks like; positions are bytes from its beginning, or from its end if they are negative.

    A frame begins with `sync`, ends with `tail`, and is `length` bytes long; where that is None, the byte at
    `length_at` tells, and `length_adds` is added to it. The checksum stands at `checksum_at` (just before the tail if
    None) and is of the bytes from `checksum_from` up to it.
    """

    sync: bytes = b""
    tail: bytes = b""
    length: int | None = None
    length_at: int = 0
    length_adds: int = 0
    checksum: Checksum = "none"
    checksum_at: int | None = None
    checksum_from: int = 0
    checksum_order: Order = "little"

    @property
    def shortest(self) -> int:
        """The bytes that every frame has."""
        return max(1, len(self.sync) + len(self.tail) + CHECKSUMS[self.checksum][0], self.length_at + 1)

    def size(self, data: bytes) -> int | None:
        """Return the size of the frame that `data` begins with; None if not to be told yet, 0 if it is none."""
        if not data.startswith(self.sync[: len(data)]):
            return 0
        if self.length is not None:
            return self.length
        if len(data) <= max(self.length_at, len(self.sync) - 1):
            return None
        size = data[self.length_at] + self.length_adds
        return size if self.shortest <= size <= LONGEST_FRAME else 0

    def holds(self, frame: bytes) -> bool:
        """Return whether a whole frame has its sync, its tail and the right checksum."""
        size, work_out = CHECKSUMS[self.checksum]
        at = -size - len(self.tail) if self.checksum_at is None else self.checksum_at
        at = at + len(frame) if at < 0 else at
        if not (frame.startswith(self.sync) and frame.endswith(self.tail) and 0 <= at <= len(frame) - size):
            return False
        written = int.from_bytes(frame[at : at + size], self.checksum_order)
        return written == work_out(frame[self.checksum_from : at])


class FrameSplitter:
    """Collects bytes and gives whole frames; what is none is passed over, byte by byte, and counted in `dropped`.

    Frames without a checksum prove themselves by their place: after noise, and at the beginning of a stream, the first
    one is let go, and the next is taken where it follows at once.
    """

    def __init__(self, layout: FrameLayout) -> None:
        self.layout = layout
        self.dropped = 0
        self._last = 0.0
        self.restart(in_step=False)

    def restart(self, *, in_step: bool) -> None:
        """Forget what was collected. `in_step` says that the next byte begins a frame."""
        self._part = b""
        self._in_step = in_step or self.layout.checksum != "none"

    def feed(self, data: bytes, now: float) -> list[bytes]:
        """Return the frames that `data`, which arrived at `now` (monotonic seconds), completes."""
        if self._part and now - self._last > _GAP:
            self._drop()
        if data:
            self._last = now
            self._part += data
        frames = []
        while self._part and (size := self._next()) is not None:
            if size == 0:
                self._drop()
                continue
            if self._in_step:
                frames.append(self._part[:size])
            self._in_step = True
            self._part = self._part[size:]
        return frames

    def _next(self) -> int | None:
        """Return the size of the frame that stands next, 0 where there is none, None where more must come."""
        size = self.layout.size(self._part)
        if not size:
            return size
        if len(self._part) < size:
            return None
        return size if self.layout.holds(self._part[:size]) else 0

    def _drop(self) -> None:
        """Let go of what cannot begin a frame, at least one byte."""
        sync = self.layout.sync[:1]
        at = self._part.find(sync, 1) if sync else 1
        count = at if at > 0 else len(self._part)
        self.dropped += count
        self._part = self._part[count:]
        self._in_step = self.layout.checksum != "none"
