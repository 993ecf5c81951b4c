"""Whole lines out of what arrives on a line, however it is cut, and never a half one taken for a whole."""

from __future__ import annotations

import re

LONGEST_LINE = 1000
_GAP = 1.0
"""Seconds: an unfinished line older than this will never be finished; the instrument was cut off."""
_QUIET = 0.2
"""Seconds without a byte, far longer than between two characters of one line: what comes next begins a line."""
_END = re.compile(rb"[\r\n]")


class LineSplitter:
    """Collects bytes, gives whole lines without their ends (CR, LF or both); empty ones are left out.

    Where a line's beginning may be missing (at the start, after an endless line, after a gap) everything up to the
    next line end is thrown away and counted in `dropped`. Times are monotonic seconds.
    """

    def __init__(self) -> None:
        self.dropped = 0
        self._part = b""
        self._last = 0.0
        self._in_step: bool | None = True

    def restart(self, now: float, *, in_step: bool) -> None:
        """Forget what was collected. If not `in_step`, a line that is already on its way at `now` is thrown away."""
        self._part = b""
        self._last = now
        self._in_step = True if in_step else None

    def feed(self, data: bytes, now: float) -> list[bytes]:
        """Return the lines that `data`, which arrived at `now`, completes."""
        if not data:
            return []
        if self._in_step is None:
            self._in_step = now - self._last > _QUIET
        elif self._part and now - self._last > _GAP:
            self._lose_step()
        self._last = now
        *whole, self._part = _END.split(self._part + data)
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
