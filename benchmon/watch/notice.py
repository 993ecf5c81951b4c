"""When a change is worth an event, so that noise at a line does not fill the log.

A reading's own verdict and flags are always exact and immediate; these rules hold for events only:

- A state that matters (hot, stale, overrange, no reading) is announced at its first reading, and withdrawn after
  three readings in a row without it. A warning may be told to wait (`warn_delay`), and is withdrawn only where the
  readings lie inside its limit by the meter's accuracy.
- A worse verdict is announced after three readings in a row that are at least so bad. A better one after three in a
  row whose |En| is 0.1 inside the line, so a reading that sits on a line is announced once. Agreement is announced
  only where it follows something worse.
"""

from __future__ import annotations

import math

from benchmon.watch.agreement import verdict_of
from benchmon.watch.records import Verdict

READINGS_IN_A_ROW = 3
INSIDE_THE_LINE = 0.1

_BADNESS = (Verdict.AGREES, Verdict.QUESTIONABLE, Verdict.DISAGREES)


class Notice:
    """A state of a channel that is announced at once and withdrawn after three readings without it."""

    def __init__(self) -> None:
        self.announced = False
        self._without = 0

    def update(self, present: bool) -> bool | None:
        """Take whether the state is there now. Return True where it begins, False where it is over, else None."""
        if present:
            self._without = 0
            began = not self.announced
            self.announced = True
            return True if began else None
        if not self.announced:
            return None
        self._without += 1
        if self._without < READINGS_IN_A_ROW:
            return None
        self.announced = False
        self._without = 0
        return False


class SteadyVerdict:
    """The verdict that was announced last, and the run of readings that speaks for another."""

    def __init__(self) -> None:
        self._announced = 0
        self._worse: list[int] = []
        self._better: list[int] = []

    def update(self, en: float | None) -> Verdict | None:
        """Take a reading's En. Return the verdict to announce now, or None."""
        if en is None or math.isnan(en):
            self._worse.clear()
            self._better.clear()
            return None
        worse = _BADNESS.index(verdict_of(en))
        better = _BADNESS.index(verdict_of(abs(en) + INSIDE_THE_LINE))
        self._worse = [*self._worse, worse] if worse > self._announced else []
        self._better = [*self._better, better] if better < self._announced else []
        # The least change that all three readings of the run support.
        if len(self._worse) >= READINGS_IN_A_ROW:
            return self._announce(min(self._worse))
        if len(self._better) >= READINGS_IN_A_ROW:
            return self._announce(max(self._better))
        return None

    def _announce(self, badness: int) -> Verdict:
        self._announced = badness
        self._worse.clear()
        self._better.clear()
        return _BADNESS[badness]
