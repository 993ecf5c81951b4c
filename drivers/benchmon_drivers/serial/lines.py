"""Meters with a text output: lines over a serial line, streamed or in reply to a query, read by a pattern.

A line is a reading if the whole of it, stripped of spaces, matches the channel's pattern. `LineSplitter` finds complete
lines in the received bytes and never returns an incomplete one.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator
from serial.tools.list_ports import comports

from benchmon.bench.fields import Factor, KeyedError, Number
from benchmon.errors import BadInput, BadReply, InstrumentTimeout
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings, Port
from benchmon.text import one_line
from benchmon_drivers.bounded_pattern import BoundedPattern
from benchmon_drivers.number_parsing import (
    NUMBER_AND_UNIT,
    OVERLOAD,
    OverloadWords,
    Pattern,
    ReplyUnit,
    hexadecimal_number,
    over_range,
    shown,
    written_number,
)
from benchmon_drivers.serial.driver import SerialDriver, SerialSettings
from benchmon_drivers.serial.port import (
    any_command,
    arrived,
    discards_on_close,
    read_until_quiet,
    termination,
    termination_or_none,
)

LONGEST_LINE = 1000
_GAP = 1.0
"""Seconds after which an incomplete line is discarded: the instrument was disconnected."""
_QUIET = 0.2
"""Seconds without a byte, far longer than between two characters of a line, after which a new line begins."""
_END = re.compile(rb"[\r\n]")
_CONTROL = "".join(map(chr, range(33)))


class LineSplitter:
    """Collects bytes and returns complete lines without their ends; empty ones are left out.

    Lines end with `end`, or with CR, LF or both where it is "".

    Where the beginning of a line may be missing (at the start, after an endless line, after a gap) everything up to the
    next line end is discarded and counted in `dropped`. Times are monotonic seconds.
    """

    def __init__(self, end: str = "") -> None:
        self._end = re.compile(re.escape(end.encode())) if end else _END
        self.dropped = 0
        self._part = b""
        self._last = 0.0
        self._in_step: bool | None = True

    def restart(self, now: float, *, in_step: bool) -> None:
        """Discard the collected bytes. Unless `in_step`, a line that has begun before `now` is discarded too."""
        self._part = b""
        self._last = now
        self._in_step = True if in_step else None

    def feed(self, data: bytes, now: float) -> list[bytes]:
        """Return the lines completed by `data`, which arrived at `now`."""
        if not data:
            return []
        if self._in_step is None:
            self._in_step = now - self._last > _QUIET
        elif self._part and now - self._last > _GAP:
            self._lose_step()
        self._last = now
        *whole, self._part = self._end.split(self._part + data)
        if whole and not self._in_step:
            self.dropped += 1
            self._in_step = True
            del whole[0]
        if len(self._part) > LONGEST_LINE:
            self._lose_step()
        lines = [line for line in whole if line.strip()]
        fitting = [line for line in lines if len(line) <= LONGEST_LINE]
        self.dropped += len(lines) - len(fitting)
        return fitting

    def _lose_step(self) -> None:
        self._part = b""
        self._in_step = False


_MOST_LINES = 20
"""The most lines that are skipped while waiting for a reply, such as an echo or an acknowledgement."""


Command = Annotated[str, BeforeValidator(any_command)]


class SerialLinesSettings(SerialSettings):
    """A meter that sends lines of text over a serial port."""

    pattern: Pattern = Field(
        NUMBER_AND_UNIT,
        description="Regular expression with named groups that a whole line must match; by default a number, perhaps "
        "with a unit.",
    )
    overload: OverloadWords = Field(
        OVERLOAD, description="Words that the meter sends when it is over range, by default OL, O.L, OVLD and OVERLOAD."
    )
    setup: tuple[Command, ...] = Field((), description="Lines that are sent when the port is opened.")
    write_termination: Annotated[str, AfterValidator(termination_or_none)] = Field(
        "\n", description='Characters that end a line to the meter; "" where a query such as ENQ needs none.'
    )
    read_termination: Annotated[str, AfterValidator(termination)] | None = Field(
        None, description='Characters that end a line of the meter, such as ETX "\\u0003"; left out, CR, LF or both.'
    )


class SerialLinesChannel(ChannelSettings):
    """How one value is found in a line of text."""

    query: Command = Field(
        "",
        description='Line that makes the meter answer, or a control code such as ENQ "\\u0005"; left out where it '
        "sends by itself.",
    )
    pattern: Pattern | None = Field(
        None, description="Regular expression of this channel, where it is not that of the instrument."
    )
    group: str = Field(
        "value",
        description="Named group of the pattern that is the value; a group unit, or NAME_unit for a group NAME, is "
        "its unit, and a group sign, or NAME_sign, its sign.",
    )
    digits: Literal["decimal", "hexadecimal"] = Field("decimal", description="Digits of the value.")
    bits: Annotated[int, Field(ge=2, le=48)] | None = Field(
        None, description="Bits of a hexadecimal value whose highest bit is its sign."
    )
    factor: Factor = Field(1.0, description="Factor on the value in the line; negative where the leads are reversed.")
    offset: Number = Field(0.0, description="Added after the factor.")
    unit: ReplyUnit | None = Field(
        None,
        description='Unit of a value that is shown without one, such as "mV", "°F" or "K", and of what scale converts, '
        "where it is not that of the quantity.",
    )

    @model_validator(mode="after")
    def _bits_of_hexadecimal(self) -> SerialLinesChannel:
        if self.bits is not None and self.digits != "hexadecimal":
            raise KeyedError("bits", self.bits, 'belongs to digits = "hexadecimal"')
        return self


LinesChannel = DrivenChannel[SerialLinesChannel]


class SerialLinesDriver(SerialDriver[SerialLinesSettings, SerialLinesChannel]):
    """A meter that sends text lines, streamed or in reply to a query.

    The constructor raises `BadInput` where only some of its channels have a query.
    """

    settings_model: ClassVar[type[InstrumentSettings]] = SerialLinesSettings
    channel_model: ClassVar[type[ChannelSettings]] = SerialLinesChannel

    def __init__(self, name: str, settings: SerialLinesSettings, channels: Sequence[LinesChannel]) -> None:
        super().__init__(name, settings, channels)
        asked = [channel.name for channel in channels if channel.settings.query]
        if asked and len(asked) < len(channels):
            raise BadInput(f"has channels with a query ({', '.join(asked)}) and without; give all of them one, or none")
        self.streams = not asked
        self._patterns = {channel.name: self._compiled(channel, settings) for channel in channels}
        self._overload = frozenset(word.casefold() for word in settings.overload)
        self._lines = LineSplitter(settings.read_termination or "")
        self._misfits = 0
        self._has_slow_line = False

    def cautions(self) -> list[str]:
        """Return what to know of the patterns before a test."""
        return sorted({caution for pattern in self._patterns.values() if (caution := pattern.caution())})

    @classmethod
    def discover(cls, report: Callable[[Port], None], timeout: float, ask_serial: bool) -> None:  # noqa: ARG003
        """Report the serial ports of this computer; there is no query that every meter would understand."""
        for port in comports():
            report(Port("serial_lines", port.device, description=one_line(port.description, 100)))

    # The hooks

    def _open(self) -> str:
        keys = self.settings
        self._port = self._switched.open()
        if self.late and not discards_on_close(keys.address):
            read_until_quiet(self._port, 2 * self.timeout)
        for command in keys.setup:
            self._send(command)
        self._misfits = 0
        self._lines.restart(self.clock(), in_step=False)
        return ""

    def _query(self, channel: LinesChannel) -> float:
        self._port.reset_input_buffer()
        self._lines.restart(self.clock(), in_step=True)
        self._send(channel.settings.query)
        strange: list[bytes] = []
        give_up = time.monotonic() + self.timeout
        while time.monotonic() < give_up and len(strange) < _MOST_LINES:
            for line in self._lines.feed(arrived(self._port), self.clock()):
                value = self._value(channel, _text(line))
                if isinstance(value, BadReply):
                    raise value
                if value is not None:
                    return value
                strange.append(line)
        if strange:
            raise BadReply(f'answered "{shown(strange[0])}", which does not fit the pattern')
        raise InstrumentTimeout(
            f"{self.settings.address}: no answer to {one_line(channel.settings.query)} within {self.timeout:.3g} s; "
            "is it switched on, and are baud and query right?"
        )

    def _listen(self, seconds: float) -> Iterator[tuple[str, float | BadReply]]:
        if seconds <= 0 and not self._port.in_waiting:
            return
        for line in self._lines.feed(arrived(self._port), self.clock()):
            text = _text(line)
            found = [(name, self._value(channel, text)) for name, channel in self.channels.items()]
            fitting = [(name, value) for name, value in found if value is not None]
            if not fitting:
                self._count_misfit(line)
            yield from fitting

    def _timeout_message(self) -> str:
        if not self._misfits:
            return super()._timeout_message()
        return f"{self.settings.address}: {self._misfits} lines, none of which fits the pattern; check pattern and baud"

    # The line

    def _send(self, command: str) -> None:
        self._port.write(f"{command}{self.settings.write_termination}".encode("ascii"))

    def _count_misfit(self, line: bytes) -> None:
        self._misfits += 1
        if self._misfits == 1:
            self.complain(f'a line does not fit the pattern: "{shown(line)}"; further ones are ignored')

    def _value(self, channel: LinesChannel, text: str) -> float | BadReply | None:
        """Return a channel's value in a line, why it has none, or None where the line is not about the channel."""
        match = self._patterns[channel.name].fullmatch(text)
        if match is None:
            words = text.split(maxsplit=1) if len(self.channels) == 1 else []
            beyond = over_range(words[0], self._overload) if words else None
            return None if beyond is None else math.copysign(beyond, beyond * channel.settings.factor)
        digits = match[channel.settings.group]
        if digits is None:
            return None
        keys = channel.settings
        overrange = over_range(digits.strip(), self._overload)
        if overrange is not None:
            return math.copysign(overrange, overrange * keys.factor)
        groups, wanted = match.groupdict(), keys.unit or channel.unit
        unit = groups.get(f"{keys.group}_unit") or groups.get("unit") or ""
        sign = groups.get(f"{keys.group}_sign") or groups.get("sign") or ""
        try:
            if keys.digits == "hexadecimal":
                side = -1.0 if sign.strip() in ("-", "−") else 1.0
                return side * hexadecimal_number(digits, keys.bits, wanted) * keys.factor + keys.offset
            return written_number(f"{digits}{sign.strip()}", unit, wanted) * keys.factor + keys.offset
        except BadReply as problem:
            return problem

    def _compiled(self, channel: LinesChannel, settings: SerialLinesSettings) -> BoundedPattern:
        pattern = BoundedPattern(channel.settings.pattern or settings.pattern, self._report_slow)
        if channel.settings.group not in pattern.names:
            groups = ", ".join(pattern.names) or "none"
            raise KeyedError(
                "pattern", pattern.pattern, f'has no group "{channel.settings.group}" for {channel.name}, only {groups}'
            )
        return pattern

    def _report_slow(self, text: str) -> None:
        if not self._has_slow_line:
            self._has_slow_line = True
            words = "takes too long to match, so it is no reading; simplify the pattern"
            self.complain(f'a line {words}: "{shown(text.encode())}"; further ones are ignored')


def _text(line: bytes) -> str:
    """Return a line as text, without the spaces and control codes, such as STX and ETX, at its ends."""
    with suppress(UnicodeDecodeError):
        return line.decode().strip().strip(_CONTROL)
    return line.decode("latin-1").strip().strip(_CONTROL)
