"""Line faults: cable, power, delay, damaged bytes, clock and identity of an instrument."""

from __future__ import annotations

import random
import re

from benchmon_simulated.fault_effects import CABLE_OUT, POWER_OFF, LineFaultEffect
from benchmon_simulated.faults.base import LineFault
from benchmon_simulated.servers.server import InstrumentServer
from benchmon_simulated.servers.transports import misread

REPLY_DELAY = 2.5
"""Seconds."""


class _CableOut(LineFaultEffect):
    link_state = CABLE_OUT


class Unplugged(LineFault):
    """A serial adapter's device disappears until it is plugged in again; on a network, bytes are lost silently."""

    name, description = "unplugged", "an instrument's cable is pulled out"

    def effect(self) -> LineFaultEffect:
        """Return the effect of a pulled cable."""
        return _CableOut()


class _PowerOff(LineFaultEffect):
    link_state = POWER_OFF


class AutoPowerOff(LineFault):
    """A serial port stays and is silent; a socket closes and refuses connections."""

    name, description = "auto-power-off", "an instrument switches itself off"

    def effect(self) -> LineFaultEffect:
        """Return the effect of an instrument without power."""
        return _PowerOff()


class _Delayed(LineFaultEffect):
    delay = REPLY_DELAY


class LateReplies(LineFault):
    """Every reply is sent 2.5 s late, in order: after most time-outs, so that it then answers another query."""

    name, description = "late-replies", f"every reply comes {REPLY_DELAY} s late"

    def effect(self) -> LineFaultEffect:
        """Return the effect of the delay."""
        return _Delayed()


class _Halves(LineFaultEffect):
    def __init__(self) -> None:
        self._whole = True

    def sent(self, data: bytes) -> bytes:
        """Return every second message whole, and the first half of the others."""
        self._whole = not self._whole
        return data if self._whole else data[: len(data) // 2]


class HalfLines(LineFault):
    """Every second message lacks its second half and its end, so that the next one is appended to it."""

    name, description = "half-lines", "every second line breaks off in the middle"

    def effect(self) -> LineFaultEffect:
        """Return the effect of cut messages."""
        return _Halves()


class _Garbage(LineFaultEffect):
    def __init__(self) -> None:
        self._random = random.Random(0xBAD)  # noqa: S311 (no secret)

    def sent(self, data: bytes) -> bytes:
        """Return as many random bytes, with the same end."""
        return self._random.randbytes(max(0, len(data) - 2)) + data[-2:]


class Garbage(LineFault):
    """Every message is replaced by as many random bytes, control codes among them; only the end is right."""

    name, description = "garbage", "an instrument sends meaningless bytes"

    def effect(self) -> LineFaultEffect:
        """Return the effect of random bytes."""
        return _Garbage()


class _WrongBaud(LineFaultEffect):
    def received(self, data: bytes) -> bytes:
        """Return what it receives from a sender at half its speed."""
        return misread(data, 2.0)

    def sent(self, data: bytes) -> bytes:
        """Return what a receiver at half its speed gets."""
        return misread(data, 0.5)


class WrongBaud(LineFault):
    """The instrument sends and receives at twice the speed of the line: bits are sampled at the wrong times."""

    name, description = "wrong-baud", "an instrument on a serial line is set to twice the baud"
    where = "an instrument on a serial line"

    def fits(self, server: InstrumentServer) -> bool:
        """Return whether its line is serial."""
        return server.medium == "serial"

    def effect(self) -> LineFaultEffect:
        """Return the effect of the other speed."""
        return _WrongBaud()


class _ClockAhead(LineFaultEffect):
    clock_ahead = 3600.0


class ClockJump(LineFault):
    """The instrument's own clock is set an hour ahead; the times it sends jump, its values do not."""

    name, description = "clock-jump", "the clock of an instrument that sends the time jumps ahead by an hour"
    where = "an instrument that sends a time"

    def fits(self, server: InstrumentServer) -> bool:
        """Return whether it sends a time."""
        return server.has_clock

    def effect(self) -> LineFaultEffect:
        """Return the effect of the clock set ahead."""
        return _ClockAhead()


class _Comma(LineFaultEffect):
    def sent(self, data: bytes) -> bytes:
        """Return the text with a comma where a number has a point."""
        return re.sub(rb"(?<=[0-9])\.(?=[0-9])", b",", data)


class DecimalComma(LineFault):
    """The instrument is set to a language that writes 22,14 for 22.14."""

    name, description = "decimal-comma", "an instrument writes its numbers with a comma"
    where = "an instrument that sends lines of text"

    def fits(self, server: InstrumentServer) -> bool:
        """Return whether it sends text."""
        return server.speaks == "text"

    def effect(self) -> LineFaultEffect:
        """Return the effect of decimal commas."""
        return _Comma()


class _ControlCodes(LineFaultEffect):
    def identity(self, text: str) -> str:
        """Return the name with codes that would clear the terminal, colour it and ring its bell."""
        return f"\x1b[2J\x1b[31m[bold]{text}\x07\x9b5m"


class ControlCodes(LineFault):
    """The reply to *IDN? holds escape sequences and markup, as that of a hostile or broken instrument may."""

    name, description = "control-codes", "an instrument's name holds codes that would control a terminal"
    where = "an instrument that reports its name"

    def fits(self, server: InstrumentServer) -> bool:
        """Return whether it answers *IDN?."""
        return server.speaks == "scpi"

    def effect(self) -> LineFaultEffect:
        """Return the effect on the name."""
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
