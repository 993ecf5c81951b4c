"""Messages over a LAN socket in three system calls a query, in place of pyvisa-py's, which looks first whether it may.

It has as much of a backend of PyVISA as the connection uses. With 64 channels at 20 Hz a query took 110 µs of
processor by pyvisa-py's ways, most of it in four calls that each give up Python's lock and wait for it again.
"""

from __future__ import annotations

import errno
import math
import socket
import struct
import time
from contextlib import suppress

from pyvisa import VisaIOError
from pyvisa.constants import BufferOperation, StatusCode

from benchmon.errors import BadReply

_PIECE = 65_536
_SENT_WITHIN = 2.0
"""Seconds within which an instrument must take what is sent: one that takes nothing must hold up no switching off."""
_MOST_DISCARDED = 16
"""Pieces that are discarded at once: one that sends without end is not waited for."""
_NEXT_BYTE = 0.05
"""Seconds for which the next bytes of a reply that has begun are waited for at least, so that one that drips without an
end is seen to do so."""


class LanSocket:
    """The connected socket `line` of an instrument, with a time-out and a deadline.

    The time-out is for a reply that does not come, the deadline for one whose bytes trickle without an end. `end` is
    the byte that ends a message, b"" where none does.
    """

    def __init__(self, line: socket.socket, end: bytes) -> None:
        self._line, self._end = line, end
        self._line.settimeout(None)
        self._let_wait(socket.SO_SNDTIMEO, _SENT_WITHIN)
        self._pending = bytearray()
        self._timeout = self._in_force = 0.0
        self._deadline = math.inf
        self._was_late = False

    def set_timeout(self, seconds: float) -> None:
        """Wait for as long, above 0, for what is read from now on."""
        self._timeout = seconds

    def accept_until(self, deadline: float) -> None:
        """Accept bytes until this monotonic time."""
        self._deadline, self._was_late = deadline, False

    def write(self, _: object, message: bytes) -> tuple[int, StatusCode]:
        """Send a whole message. Raises `OSError`, also where the other end takes nothing for two seconds."""
        self._line.sendall(message)
        return len(message), StatusCode.success

    def read(self, _: object, count: int) -> tuple[bytes, StatusCode]:
        """Return a message to its end, or the first `count` bytes of what has no end before them.

        Raises `VisaIOError` where none comes in time, `BadReply` where it has no end by the deadline, and
        `ConnectionResetError` where the other end has closed.
        """
        pending, waits_until = self._pending, time.monotonic() + self._timeout
        wait = self._timeout
        while True:
            ended = pending.find(self._end) + 1 if self._end else 0
            if 0 < ended <= count:
                return self._take(ended), StatusCode.success_termination_character_read
            if len(pending) >= count:
                return self._take(count), StatusCode.success_max_count_read
            try:
                pending += self._receive(wait)
            except BlockingIOError as problem:
                pending.clear()
                raise VisaIOError(StatusCode.error_timeout) from problem
            wait = max(_NEXT_BYTE, waits_until - time.monotonic())

    def flush(self, _: object, __: BufferOperation) -> None:
        """Discard what has arrived and was not read: it answers no question that is still to come."""
        self._pending.clear()
        with suppress(OSError):  # of a closed line the next read tells
            for _ in range(_MOST_DISCARDED):
                if not self._line.recv(_PIECE, socket.MSG_DONTWAIT):
                    return

    def _take(self, count: int) -> bytes:
        taken = bytes(self._pending[:count])
        del self._pending[:count]
        return taken

    def _receive(self, wait: float) -> bytes:
        """Return the next bytes. Raises `BlockingIOError` where none come within `wait` seconds.

        One piece may still be taken past the deadline: what came in time, where a busy machine got here late.
        """
        late = time.monotonic() > self._deadline
        if late and self._was_late:
            raise BadReply("answers without an end in time; check the termination, or raise the timeout")
        self._was_late = late
        if wait != self._in_force:
            # The system waits, so that reading is one call; Python's own time-out would make it two.
            self._let_wait(socket.SO_RCVTIMEO, wait)
            self._in_force = wait
        data = self._line.recv(_PIECE)
        if not data:
            raise ConnectionResetError(errno.ECONNRESET, "closed by the other end")
        return data

    def _let_wait(self, option: int, wait: float) -> None:
        seconds, part = divmod(wait, 1.0)
        self._line.setsockopt(socket.SOL_SOCKET, option, struct.pack("@ll", int(seconds), max(1, int(1e6 * part))))
