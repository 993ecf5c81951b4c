"""Faults of instruments as their lines show them."""

from __future__ import annotations

import random
import re

from benchmon_simulated.fault_effects import CABLE_OUT, POWER_OFF, LineFaultEffect
from benchmon_simulated.faults.base import LineFault
from benchmon_simulated.servers.server import InstrumentServer
from benchmon_simulated.servers.transports import misread

LATE = 2.5
"""Seconds."""


class _CableOut(LineFaultEffect):
    life = CABLE_OUT


class Unplugged(LineFault):
    """A serial adapter's device is gone until it is back; on a network, nothing passes, without a word of it."""

    name, description = "unplugged", "an instrument's cable is pulled out"

    def mishap(self) -> LineFaultEffect:
        """Return the pulled cable."""
        return _CableOut()


class _PowerOff(LineFaultEffect):
    life = POWER_OFF


class AutoPowerOff(LineFault):
    """A serial port stays there and is silent; a socket hangs up and refuses connections."""

    name, description = "auto-power-off", "an instrument switches itself off"

    def mishap(self) -> LineFaultEffect:
        """Return the switch."""
        return _PowerOff()


class _Late(LineFaultEffect):
    delay = LATE


class LateReplies(LineFault):
    """Every reply leaves 2.5 s after it should, in order: longer than most will wait, and then for another question."""

    name, description = "late-replies", f"every reply comes {LATE} s late"

    def mishap(self) -> LineFaultEffect:
        """Return the delay."""
        return _Late()


class _Halves(LineFaultEffect):
    def __init__(self) -> None:
        self._whole = True

    def sent(self, data: bytes) -> bytes:
        """Return every second message whole, the others without their second half."""
        self._whole = not self._whole
        return data if self._whole else data[: len(data) // 2]


class HalfLines(LineFault):
    """Of every second message the second half and the end are missing, so that the next one sticks to it."""

    name, description = "half-lines", "every second line breaks off in the middle"

    def mishap(self) -> LineFaultEffect:
        """Return the gap."""
        return _Halves()


class _Garbage(LineFaultEffect):
    def __init__(self) -> None:
        self._random = random.Random(0xBAD)  # noqa: S311 (no secret)

    def sent(self, data: bytes) -> bytes:
        """Return as many bytes of noise, with the same end."""
        return self._random.randbytes(max(0, len(data) - 2)) + data[-2:]


class Garbage(LineFault):
    """In place of what it says come as many random bytes, control codes among them; only the end is right."""

    name, description = "garbage", "an instrument sends meaningless bytes"

    def mishap(self) -> LineFaultEffect:
        """Return the noise."""
        return _Garbage()


class _WrongBaud(LineFaultEffect):
    def heard(self, data: bytes) -> bytes:
        """Return what it hears of a sender at half its speed."""
        return misread(data, 2.0)

    def sent(self, data: bytes) -> bytes:
        """Return what a listener at half its speed hears."""
        return misread(data, 0.5)


class WrongBaud(LineFault):
    """The instrument sends and listens at twice the speed of the line: the bits are sampled at the wrong moments."""

    name, description = "wrong-baud", "an instrument on a serial line is set to twice the baud"
    where = "an instrument on a serial line"

    def fits(self, twin: InstrumentServer) -> bool:
        """Return whether there are bits to misread."""
        return twin.medium == "serial"

    def mishap(self) -> LineFaultEffect:
        """Return the other speed."""
        return _WrongBaud()


class _ClockAhead(LineFaultEffect):
    clock_ahead = 3600.0


class ClockJump(LineFault):
    """The instrument's own clock is set an hour ahead; the times it sends jump, its values do not."""

    name, description = "clock-jump", "the clock of an instrument that sends the time jumps ahead by an hour"
    where = "an instrument that sends a time"

    def fits(self, twin: InstrumentServer) -> bool:
        """Return whether it sends a time."""
        return twin.has_clock

    def mishap(self) -> LineFaultEffect:
        """Return the jump."""
        return _ClockAhead()


class _Comma(LineFaultEffect):
    def sent(self, data: bytes) -> bytes:
        """Return the text with a comma where a number has a point."""
        return re.sub(rb"(?<=[0-9])\.(?=[0-9])", b",", data)


class DecimalComma(LineFault):
    """The instrument is set to a language that writes 22,14 for 22.14."""

    name, description = "decimal-comma", "an instrument writes its numbers with a comma"
    where = "an instrument that sends lines of text"

    def fits(self, twin: InstrumentServer) -> bool:
        """Return whether it sends text."""
        return twin.speaks == "text"

    def mishap(self) -> LineFaultEffect:
        """Return the comma."""
        return _Comma()


class _ControlCodes(LineFaultEffect):
    def identity(self, text: str) -> str:
        """Return the name with codes that would clear, colour and ring a terminal."""
        return f"\x1b[2J\x1b[31m[bold]{text}\x07\x9b5m"


class ControlCodes(LineFault):
    """The answer to *IDN? holds escape sequences and markup, as a hostile or broken instrument's may."""

    name, description = "control-codes", "an instrument's name holds codes that would steer a terminal"
    where = "an instrument that tells its name"

    def fits(self, twin: InstrumentServer) -> bool:
        """Return whether it answers *IDN?."""
        return twin.speaks == "scpi"

    def mishap(self) -> LineFaultEffect:
        """Return the name."""
        return _ControlCodes()


LINE_FAULTS: tuple[type[LineFault], ...] = (
    Unplugged,
    AutoPowerOff,
    LateReplies,
    HalfLines,
    Garbage,
    WrongBaud,
    ClockJump,
    DecimalComma,
    ControlCodes,
)
