"""How much may be sent to a terminal at once, so that nothing older than a second waits on a slow line.

What is queued between a program and a terminal cannot be seen. The speed of a line is learned from the time that the
terminal takes to answer; where it never answers, a slow line is assumed. No clock: the caller passes the time.
"""

from __future__ import annotations

import os
import termios
from contextlib import suppress

BAUD_VARIABLE = "BENCHMON_BAUD"
"""Bits per second of the line to a terminal that never answers, ten of them a byte."""
_BITS_A_BYTE = 10
_SLOWEST = 300.0
"""Bytes per second that are assumed until the speed is known: a line of 3000 bits per second."""
_MOST_RISE, _QUICK_RISE, _QUICK = 4.0, 20.0, 0.1
"""Times as fast, at most, that an answer makes a line, since one may be chance; and one that came within 0.1 s."""
_MOST_QUEUED = 1.0
"""Seconds for which a line may be busy with what was sent at once."""

_PSEUDO_TERMINALS = ("/dev/pts/", "/dev/ttys", "/dev/pty")
"""How the names of pseudo-terminals begin, on Linux and on macOS."""
_BAUD_NAMES = [name for name in dir(termios) if name[0] == "B" and name[1:].isdecimal()]


class LineSpeed:
    """The speed of the line to a terminal, in bytes per second, and what it is busy with. Times are in seconds."""

    def __init__(self, assumed: float = _SLOWEST) -> None:
        self._assumed = self._speed = assumed
        self._sent, self._sent_at = 0, 0.0

    @property
    def at_once(self) -> int:
        """Return how many bytes may be sent at once."""
        return int(self._speed * _MOST_QUEUED)

    def note_sent(self, count: int, now: float) -> None:
        """Note that `count` bytes were sent at `now`."""
        self._sent, self._sent_at = count, now

    def note_answer(self, now: float) -> None:
        """Note that the terminal has answered what was sent last, and so has drawn it.

        An answer to a few bytes shows nothing: it takes its time on any line, and buffers may take few bytes at once.
        """
        taken = max(now - self._sent_at, 1e-4)
        measured = self._sent / taken
        if measured > self._speed:
            if self._sent >= self.at_once / 2:
                rise = _QUICK_RISE if taken < _QUICK else _MOST_RISE
                self._speed = min(measured, rise * self._speed)
        elif taken > _MOST_QUEUED:
            self._speed = max(_SLOWEST, measured)
        self._sent = 0

    def note_silence(self) -> None:
        """Note that the terminal does not answer: its line has the speed that was assumed."""
        self._speed = self._assumed

    def seconds_busy(self, now: float) -> float:
        """Return for how many seconds the line is still busy with what was sent last, at its speed."""
        return max(0.0, self._sent_at + self._sent / self._speed - now)


def assumed_speed(fileno: int) -> float:
    """Return the speed to assume of the terminal at `fileno`, in bytes per second.

    It is that of the variable BENCHMON_BAUD, else that which a serial line is set to; a pseudo-terminal is set to none.
    """
    with suppress(ValueError):
        if (named := float(os.environ.get(BAUD_VARIABLE, ""))) > 0:
            return max(named, _BITS_A_BYTE) / _BITS_A_BYTE
    with suppress(OSError, termios.error):
        if not os.ttyname(fileno).startswith(_PSEUDO_TERMINALS):
            code = termios.tcgetattr(fileno)[5]
            baud = next((int(name[1:]) for name in _BAUD_NAMES if getattr(termios, name) == code), 0)
            return max(_SLOWEST, baud / _BITS_A_BYTE)
    return _SLOWEST
