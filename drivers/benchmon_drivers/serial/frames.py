"""Meters with a binary output: frames over a serial line, streamed or in reply to a query.

`FrameSplitter` finds complete frames in the received bytes, resynchronises after noise, and rejects wrong checksums.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, ClassVar, Self

from pydantic import BaseModel, Field, StrictBool, model_validator

from benchmon.bench.fields import KeyedError
from benchmon.errors import BadInput, BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon_drivers.serial.driver import SerialDriver, SerialSettings
from benchmon_drivers.serial.frame_numbers import (
    CHECKSUMS,
    LONGEST_FRAME,
    Checksum,
    Position,
    SerialFramesChannel,
    frame_value,
)
from benchmon_drivers.serial.port import HexBytes, Order, arrived, discards_on_close, read_until_quiet

_MOST_HALVES = 15
_GAP = 0.5
"""Seconds after which an incomplete frame is discarded: the instrument was disconnected."""


@dataclass(frozen=True, slots=True)
class FrameLayout:
    """The layout of a frame; positions are bytes from its beginning, or from its end if negative.

    A frame begins with `sync`, ends with `tail`, and is `length` bytes long; where that is None, the byte at
    `length_at` gives it, plus `length_adds`. The checksum is at `checksum_at` (just before the tail if
    None) and covers the bytes from `checksum_from` up to it.
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
    halves: bool = False
    """Whether each byte has its number, from 1, in its upper half."""

    @property
    def shortest(self) -> int:
        """The length of the shortest frame."""
        return max(1, len(self.sync) + len(self.tail) + CHECKSUMS[self.checksum][0], self.length_at + 1)

    def size(self, data: bytes) -> int | None:
        """Return the size of the frame at the start of `data`; None if not known yet, 0 if there is none."""
        if not data.startswith(self.sync[: len(data)]) or (self.halves and not _are_numbered(data[:1])):
            return 0
        if self.length is not None:
            return self.length
        if len(data) <= max(self.length_at, len(self.sync) - 1):
            return None
        size = data[self.length_at] + self.length_adds
        return size if self.shortest <= size <= LONGEST_FRAME else 0

    def holds(self, frame: bytes) -> bool:
        """Return whether a complete frame has sync, tail and the right checksum."""
        size, work_out = CHECKSUMS[self.checksum]
        at = -size - len(self.tail) if self.checksum_at is None else self.checksum_at
        at = at + len(frame) if at < 0 else at
        if not (frame.startswith(self.sync) and frame.endswith(self.tail) and 0 <= at <= len(frame) - size):
            return False
        if self.halves and not _are_numbered(frame):
            return False
        written = int.from_bytes(frame[at : at + size], self.checksum_order)
        return written == work_out(frame[self.checksum_from : at])


def _are_numbered(data: bytes) -> bool:
    return all(byte >> 4 == number & 0xF for number, byte in enumerate(data, 1))


def joined_halves(frame: bytes) -> bytes:
    """Return the lower halves of a frame's bytes, each joined with the next: one byte fewer.

    >>> joined_halves(bytes([0x17, 0x2A, 0x30])).hex()
    '7aa0'
    """
    return bytes((one & 0xF) << 4 | other & 0xF for one, other in pairwise(frame))


class FrameSplitter:
    """Collects bytes and returns complete frames; other bytes are skipped one by one and counted in `dropped`.

    Frames without a checksum are recognised by their position: after noise, and at the beginning of a stream, the first
    one is discarded, and the next one is accepted if it follows immediately.
    """

    def __init__(self, layout: FrameLayout) -> None:
        self.layout = layout
        self.dropped = 0
        self._last = 0.0
        self.restart(in_step=False)

    def restart(self, *, in_step: bool) -> None:
        """Discard the collected bytes. `in_step` is whether the next byte begins a frame."""
        self._part = b""
        self._in_step = in_step or self.layout.checksum != "none"

    def feed(self, data: bytes, now: float) -> list[bytes]:
        """Return the frames completed by `data`, which arrived at `now` (monotonic seconds)."""
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
        """Return the size of the next frame, 0 if there is none, None if more bytes are needed."""
        size = self.layout.size(self._part)
        if not size:
            return size
        if len(self._part) < size:
            return None
        return size if self.layout.holds(self._part[:size]) else 0

    def _drop(self) -> None:
        """Discard bytes that cannot begin a frame, at least one."""
        sync = self.layout.sync[:1]
        at = self._part.find(sync, 1) if sync else 1
        count = at if at > 0 else len(self._part)
        self.dropped += count
        self._part = self._part[count:]
        self._in_step = self.layout.checksum != "none"


class FrameKeys(BaseModel):
    """How the frames of a meter are recognised."""

    sync: HexBytes = Field(b"", description='Bytes that begin a frame, in hexadecimal: "AA 55".')
    tail: HexBytes = Field(b"", description="Bytes that end a frame, in hexadecimal.")
    length: Annotated[int, Field(ge=1, le=LONGEST_FRAME)] | None = Field(
        None, description="Bytes of a whole frame, where all have the same length."
    )
    length_at: Annotated[int, Field(ge=0, le=63)] | None = Field(
        None, description="Position of the byte that holds the length, instead of length."
    )
    length_adds: Annotated[int, Field(ge=-64, le=LONGEST_FRAME)] = Field(
        0, description="What to add to that byte to get the bytes of the whole frame."
    )
    checksum: Checksum = Field(
        "none",
        description="Kind of checksum: of one byte (sum, negated sum, inverted sum, xor, crc8) or two (sum16; crc16 is "
        "that of Modbus; ccitt begins with FFFF, xmodem with 0).",
    )
    checksum_at: Position | None = Field(
        None, description="Position of the checksum; just before the tail where it is left out."
    )
    checksum_from: Annotated[int, Field(ge=0, le=LONGEST_FRAME)] = Field(
        0, description="Position of the first byte that the checksum covers."
    )
    checksum_order: Order = Field(
        "little", description="Which byte of the checksum comes first: the low one (little) or the high one (big)."
    )
    halves: StrictBool = Field(
        False,
        description="Whether each byte has its number, from 1, in its upper half, and data in its lower one, as some "
        "liquid-crystal displays are transmitted; position k is then the lower halves of the bytes k and k + 1.",
    )

    @model_validator(mode="after")
    def _frames_can_be_found(self) -> Self:
        if (self.length is None) == (self.length_at is None):
            raise KeyedError(
                "length", self.length, "give either length, or length_at where a byte of the frame holds it"
            )
        if self.halves and (self.length is None or self.length > _MOST_HALVES):
            raise KeyedError("halves", True, f"needs frames of a fixed length of at most {_MOST_HALVES} bytes")
        if not (self.sync or self.checksum != "none" or self.halves or (self.tail and self.length is not None)):
            raise KeyedError("sync", "", "needs sync bytes, a checksum, or a tail and a fixed length to find a frame")
        if self.length is not None and self.length < self.layout.shortest:
            why = f"leaves no room for sync, checksum and tail, which take {self.layout.shortest}"
            raise KeyedError("length", self.length, why)
        return self

    @property
    def layout(self) -> FrameLayout:
        """The layout of the frames."""
        return FrameLayout(
            self.sync,
            self.tail,
            self.length,
            self.length_at or 0,
            self.length_adds,
            self.checksum,
            self.checksum_at,
            self.checksum_from,
            self.checksum_order,
            self.halves,
        )


class SerialFramesSettings(SerialSettings, FrameKeys):
    """A meter that sends binary frames over a serial port.

    Positions are bytes from the beginning of the frame, from 0, or from its end if negative.
    """

    setup: tuple[HexBytes, ...] = Field((), description="Bytes that are sent when the port is opened, in hexadecimal.")
    query: HexBytes = Field(
        b"", description="Bytes that make the meter answer, in hexadecimal; left out where it sends by itself."
    )


FramesChannel = DrivenChannel[SerialFramesChannel]


class SerialFramesDriver(SerialDriver[SerialFramesSettings, SerialFramesChannel]):
    """A meter that sends binary frames, streamed or in reply to a query.

    The constructor raises `BadInput` where only some of its channels have a query.
    """

    settings_model: ClassVar[type[InstrumentSettings]] = SerialFramesSettings
    channel_model: ClassVar[type[ChannelSettings]] = SerialFramesChannel
    queries_together = True

    def __init__(self, name: str, settings: SerialFramesSettings, channels: Sequence[FramesChannel]) -> None:
        super().__init__(name, settings, channels)
        self._queries = {channel.name: channel.settings.query or settings.query for channel in channels}
        without = [name for name, query in self._queries.items() if not query]
        if without and len(without) < len(channels):
            raise BadInput(
                f"has channels with a query and without ({', '.join(without)}); give all of them one, or none"
            )
        self.streams = not any(self._queries.values())
        for channel in channels:
            check_inside(channel, settings)
        self._frames = FrameSplitter(settings.layout)
        self._late_reply_possible = False
        """Whether a reply to an earlier query may still arrive."""
        self._strange = 0

    def cautions(self) -> list[str]:
        """Return which channels would be read in the wrong decade if their meter ranged by itself."""
        return decade_cautions(self.channels.values())

    def _open(self) -> str:
        keys = self.settings
        self._port = self._switched.open()
        self._late_reply_possible = self.late and not discards_on_close(keys.address)
        for command in keys.setup:
            self._port.write(command)
        self._strange = self._frames.dropped = 0
        self._frames.restart(in_step=False)
        return ""

    def _listen(self, seconds: float) -> Iterator[tuple[str, float | BadReply]]:
        if seconds <= 0 and not self._port.in_waiting:
            return
        for frame in self._frames.feed(arrived(self._port), self.clock()):
            found = [(name, self._value(channel, frame)) for name, channel in self.channels.items()]
            fitting = [(name, value) for name, value in found if value is not None]
            self._strange += not fitting
            yield from fitting

    def _timeout_message(self) -> str:
        dropped = self._frames.dropped
        if self._strange:
            return f"{self.settings.address}: {self._strange} frames, none of which is about a channel; check when"
        if dropped:
            what = f"{dropped} bytes that are no whole frame"
            return f"{self.settings.address}: {what}; check sync, length, checksum and baud"
        return super()._timeout_message()

    def _value(self, channel: FramesChannel, frame: bytes) -> float | BadReply | None:
        return frame_value(channel.settings, joined_halves(frame) if self.settings.halves else frame)

    # Polled meters

    def _query_many(self, channels: Sequence[FramesChannel]) -> list[float | InstrumentError]:
        answers: dict[str, float | InstrumentError] = {}
        for query in dict.fromkeys(self._queries[channel.name] for channel in channels):
            asked = [channel for channel in channels if self._queries[channel.name] == query]
            try:
                answers |= self._exchange(query, asked)
            except (BadReply, InstrumentTimeout) as problem:
                self._late_reply_possible = self._late_reply_possible or isinstance(problem, InstrumentTimeout)
                answers |= dict.fromkeys((channel.name for channel in asked), problem)
        return [answers[channel.name] for channel in channels]

    def _exchange(self, query: bytes, asked: Sequence[FramesChannel]) -> dict[str, float | InstrumentError]:
        """Ask once; return the values of `asked` from the frames that follow."""
        if self._late_reply_possible:
            self._late_reply_possible = False
            read_until_quiet(self._port, 2 * self.timeout)
        self._port.reset_input_buffer()
        self._frames.restart(in_step=True)
        self._port.write(query)
        found: dict[str, float | InstrumentError] = {}
        received = False
        give_up = time.monotonic() + self.timeout
        while time.monotonic() < give_up:
            data = arrived(self._port)
            received = received or bool(data)
            for frame in self._frames.feed(data, self.clock()):
                values = {channel.name: self._value(channel, frame) for channel in asked}
                found |= {name: value for name, value in values.items() if value is not None}
            if len(found) == len(asked):
                return found
        if not received:
            where = self.settings.address
            raise InstrumentTimeout(f"{where}: no answer within {self.timeout:.3g} s; is it switched on?")
        why = BadReply("answered, but with no whole frame about it; check sync, length, checksum, when and baud")
        return {channel.name: found.get(channel.name, why) for channel in asked}


def check_inside(channel: FramesChannel, settings: FrameKeys) -> None:
    """Raise `BadInput` where `channel` looks at bytes that no frame has."""
    if settings.length is None:
        return
    length = settings.length - settings.halves
    keys = channel.settings
    places = [at + length if keys.at < 0 else at for at in keys.places]
    if places[0] < 0 or places[-1] >= length or not all(-length <= at < length for at in keys.positions()):
        raise BadInput(f"frames of {length} bytes have no {keys.format} at {keys.at}, which {channel.name} wants")


def decade_cautions(channels: Iterable[FramesChannel]) -> list[str]:
    """Return which of `channels` would be read in the wrong decade if their meter ranged by itself."""
    return [
        f"{channel.name}: its frame announces no range; lock the meter's range and set fixed_range = true, or give "
        "point, exponent or ranges"
        for channel in channels
        if channel.settings.may_lose_decades
    ]


def check_unasked(channels: Sequence[FramesChannel], settings: FrameKeys) -> None:
    """Raise `BadInput` where one of `channels` is queried, of a meter that sends, or looks outside of a frame."""
    for channel in channels:
        if channel.settings.query:
            raise KeyedError("query", channel.settings.query.hex(), "is for meters that are asked; this one sends")
        check_inside(channel, settings)
