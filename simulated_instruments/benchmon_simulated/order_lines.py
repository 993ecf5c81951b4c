"""Lines from standard input, without a thread that could hang on it."""

from __future__ import annotations

import os
import select
import time

from benchmon_simulated.orders import LONGEST_ORDER


class OrderLines:
    """Whole lines that come on a file descriptor, standard input by default."""

    def __init__(self, descriptor: int = 0) -> None:
        self._descriptor = descriptor
        self._open = _is_open(descriptor)
        self._part = b""

    def wait(self, seconds: float) -> list[str]:
        """Return the lines that are there, or that come within `seconds`; what is too long for an order is cut."""
        if not self._open:
            time.sleep(seconds)
            return []
        readable, _, _ = select.select([self._descriptor], [], [], seconds)
        if not readable:
            return []
        data = os.read(self._descriptor, 4096)
        self._open = bool(data)
        *lines, self._part = (self._part + data).split(b"\n")
        if not data:
            lines, self._part = [*lines, self._part], b""
        self._part = self._part[: LONGEST_ORDER + 1]
        return [line.decode("utf-8", "replace") for line in lines if line.strip()]


def _is_open(descriptor: int) -> bool:
    try:
        os.fstat(descriptor)
    except OSError:
        return False
    return True
