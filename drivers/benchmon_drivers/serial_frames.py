"""Meters with a binary output: frames over a serial line, sent by themselves or on request."""

from __future__ import annotations

import math
import re
import struct
import time
from collections.abc import Iterator, Sequence
from typing import Annotated, Any, ClassVar

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer, model_validator

from benchmon.bench.values import KeyedError, Number
from benchmon.errors import BadInput, BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.driver import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon_drivers.frame_splitter import LONGEST_FRAME, Checksum, FrameLayout, FrameSplitter
from benchmon_drivers.serial_driver import SerialDriver, SerialSettings
from benchmon_drivers.serial_keys import Order, not_zero
from benchmon_drivers.serial_port import arrived, read_until_quiet, severs

_FORMAT = re.compile(r"[<>]?[bBhHiIqQfd]")
_ABSURD = 1e15

_Position = Annotated[int, Field(ge=-LONGEST_FRAME, le=LONGEST_FRAME - 1)]


def _from_hex(value: Any) -> Any:
    if not isinstance(value, str):
        raise BadInput('must be bytes in hexadecimal, such as "AA 55"')
    try:
        data = bytes.fromhex(value)
    except ValueError as problem:
        raise BadInput('is no text of bytes in hexadecimal, such as "AA 55"') from problem
    return data


def _one_number(value: str) -> str:
    if not _FORMAT.fullmatch(value):
        raise BadInput('must be one number of Python\'s struct, such as ">h" or "<f"; > has the high byte first')
    return value


HexBytes = Annotated[
    bytes,
    BeforeValidator(_from_hex),
    Field(max_length=64),
    PlainSerializer(lambda data: data.hex(" ").upper(), return_type=str, when_used="json"),
]


class SerialFramesSettings(SerialSettings):
    """A meter that sends binary frames over a serial port.

    Positions are bytes from the beginning of the frame, from 0, or from its end if negative.
    """

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
    checksum: Checksum = Field("none", description="Kind of checksum; crc16 is that of Modbus.")
    checksum_at: _Position | None = Field(
        None, description="Position of the checksum; just before the tail where it is left out."
    )
    checksum_from: Annotated[int, Field(ge=0, le=LONGEST_FRAME)] = Field(
        0, description="Position of the first byte that the checksum covers."
    )
    checksum_order: Order = Field(
        "little", description="Which byte of the checksum comes first: the low one (little) or the high one (big)."
    )
    setup: tuple[HexBytes, ...] = Field((), description="Bytes that are sent when the port is opened, in hexadecimal.")
    query: HexBytes = Field(
        b"", description="Bytes that make the meter answer, in hexadecimal; left out where it sends by itself."
    )

    @model_validator(mode="after")
    def _a_frame_can_be_told(self) -> SerialFramesSettings:
        if (self.length is None) == (self.length_at is None):
            raise KeyedError(
                "length", self.length, "give either length, or length_at where a byte of the frame tells it"
            )
        if not self.sync and self.checksum == "none":
            raise KeyedError("sync", "", "needs sync bytes or a checksum; else nothing tells where a frame begins")
        if self.length is not None and self.length < self.layout.shortest:
            why = f"leaves no room for sync, checksum and tail, which take {self.layout.shortest}"
            raise KeyedError("length", self.length, why)
        return self

    @property
    def layout(self) -> FrameLayout:
        """What the frames look like."""
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
        )


class SerialFramesChannel(ChannelSettings):
    """Where in a frame a value is: a number of `format` at the byte `at`, times `factor`, plus `offset`."""

    at: _Position = Field(
        description="Position of the number: bytes from the beginning of the frame, from 0, or from its end if "
        "negative."
    )
    format: Annotated[str, AfterValidator(_one_number)] = Field(
        description='One number as Python\'s struct writes it: ">h" is signed, two bytes, the high byte first.'
    )
    factor: Annotated[Number, AfterValidator(not_zero)] = Field(1.0, description="Factor on the number in the frame.")
    offset: Number = Field(0.0, description="Added after the factor.")
    when: tuple[_Position, Annotated[int, Field(ge=0, le=255)]] | None = Field(
        None, description="Only frames of one type: [2, 16] takes those whose byte 2 is 16."
    )
    overload: tuple[float, ...] = Field((), description="Numbers in the frame that mean over range.")
    no_value: tuple[float, ...] = Field((), description="Numbers in the frame that mean no reading.")
    query: HexBytes = Field(b"", description="Bytes that make the meter answer with this channel, in hexadecimal.")


FramesChannel = DrivenChannel[SerialFramesChannel]


class SerialFramesDriver(SerialDriver[SerialFramesSettings, SerialFramesChannel]):
    """A meter that sends binary frames, by itself or when asked."""

    settings_model: ClassVar[type[InstrumentSettings]] = SerialFramesSettings
    channel_model: ClassVar[type[ChannelSettings]] = SerialFramesChannel
    asks_together = True

    def __init__(self, name: str, settings: SerialFramesSettings, channels: Sequence[FramesChannel]) -> None:
        super().__init__(name, settings, channels)
        self._queries = {channel.name: channel.ask.query or settings.query for channel in channels}
        without = [name for name, query in self._queries.items() if not query]
        if without and len(without) < len(channels):
            raise BadInput(
                f"has channels with a query and without ({', '.join(without)}); give all of them one, or none"
            )
        self.streams = not any(self._queries.values())
        for channel in channels:
            _check_inside(channel, settings.length)
        self._frames = FrameSplitter(settings.layout)
        self._owed = False
        """Whether the answer to a question given up may still come."""
        self._strange = 0

    def _open(self) -> str:
        keys = self.settings
        self._port = self._switched.open()
        self._owed = self.late and not severs(keys.address)
        for command in keys.setup:
            self._port.write(command)
        self._strange = self._frames.dropped = 0
        self._frames.restart(in_step=False)
        return ""

    def _listen(self, seconds: float) -> Iterator[tuple[str, float | BadReply]]:
        if seconds <= 0 and not self._port.in_waiting:
            return
        for frame in self._frames.feed(arrived(self._port), self.clock()):
            found = [(name, _value(channel, frame)) for name, channel in self.channels.items()]
            fitting = [(name, value) for name, value in found if value is not None]
            self._strange += not fitting
            yield from fitting

    def _silence(self) -> str:
        dropped = self._frames.dropped
        if self._strange:
            return f"{self.settings.address}: {self._strange} frames, none of which is about a channel; check when"
        if dropped:
            what = f"{dropped} bytes that are no whole frame"
            return f"{self.settings.address}: {what}; check sync, length, checksum and baud"
        return super()._silence()

    # When asked

    def _ask_many(self, channels: Sequence[FramesChannel]) -> list[float | InstrumentError]:
        answers: dict[str, float | InstrumentError] = {}
        for query in dict.fromkeys(self._queries[channel.name] for channel in channels):
            asked = [channel for channel in channels if self._queries[channel.name] == query]
            try:
                answers |= self._exchange(query, asked)
            except (BadReply, InstrumentTimeout) as problem:
                self._owed = self._owed or isinstance(problem, InstrumentTimeout)
                answers |= dict.fromkeys((channel.name for channel in asked), problem)
        return [answers[channel.name] for channel in channels]

    def _exchange(self, query: bytes, asked: Sequence[FramesChannel]) -> dict[str, float | InstrumentError]:
        """Ask once; return the values of `asked` from the frames that follow."""
        if self._owed:
            self._owed = False
            read_until_quiet(self._port, 2 * self.timeout)
        self._port.reset_input_buffer()
        self._frames.restart(in_step=True)
        self._port.write(query)
        found: dict[str, float | InstrumentError] = {}
        heard = False
        give_up = time.monotonic() + self.timeout
        while time.monotonic() < give_up:
            data = arrived(self._port)
            heard = heard or bool(data)
            for frame in self._frames.feed(data, self.clock()):
                values = {channel.name: _value(channel, frame) for channel in asked}
                found |= {name: value for name, value in values.items() if value is not None}
            if len(found) == len(asked):
                return found
        if not heard:
            where = self.settings.address
            raise InstrumentTimeout(f"{where}: no answer within {self.timeout:.3g} s; is it switched on?")
        why = BadReply("answered, but with no whole frame about it; check sync, length, checksum, when and baud")
        return {channel.name: found.get(channel.name, why) for channel in asked}


def _check_inside(channel: FramesChannel, length: int | None) -> None:
    if length is None:
        return
    at, size = channel.ask.at, struct.calcsize(channel.ask.format)
    begin = at + length if at < 0 else at
    if not 0 <= begin <= length - size:
        raise BadInput(f"frames of {length} bytes have no {channel.ask.format} at {at}, which {channel.name} wants")


def _value(channel: FramesChannel, frame: bytes) -> float | BadReply | None:
    """Return what a frame says of a channel: its value, why it is none, or None where the frame is not about it."""
    ask = channel.ask
    if ask.when is not None:
        at, wanted = ask.when
        if not -len(frame) <= at < len(frame) or frame[at] != wanted:
            return None
    at = ask.at + len(frame) if ask.at < 0 else ask.at
    layout = ask.format if ask.format[0] in "<>" else f">{ask.format}"
    if not 0 <= at <= len(frame) - struct.calcsize(layout):
        return BadReply(f"sent a frame of {len(frame)} bytes, which has no {ask.format} at {ask.at}")
    raw = float(struct.unpack_from(layout, frame, at)[0])
    if raw in ask.no_value:
        return math.nan
    if raw in ask.overload:
        return math.copysign(math.inf, raw)
    value = raw * ask.factor + ask.offset
    if math.isfinite(value) and abs(value) > _ABSURD:
        return BadReply(f"shows {value:.3g}, which is absurd; check at and format")
    return value
