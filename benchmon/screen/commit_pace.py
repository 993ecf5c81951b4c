"""When a screen looks at a session that is recorded: just after a commit, so that what it shows is as new as can be.

The recorder commits nine times a second. A screen looks at every second commit: as often as it would by a clock of its
own, which would find each commit half a period late. The time of the log beside the session file is that of the last
commit, and to ask for it takes microseconds; no connection to the file is kept open for it.
"""

from __future__ import annotations

import os
from pathlib import Path

_AFTER_A_COMMIT = 0.222
"""Seconds after a commit at which the second one after it has come: each takes some milliseconds beyond its period."""
_FRESH, _ASK_AGAIN = 0.07, 0.02
"""The age (s) up to which a commit is looked at, and the seconds after which it is asked for a younger one."""
_NO_SOONER, _NO_LATER = 0.15, 0.3
_BY_THE_CLOCK = 0.22
"""Seconds between two looks where no commit can be waited for."""
_OTHER_CLOCK = 1.0
"""Seconds by which the log's time is off where another machine's clock makes it, or nothing is committed any more."""
_SHORTEST_WAIT = 0.001


class CommitPace:
    """Says when to look at the session at `path`."""

    def __init__(self, path: Path | str) -> None:
        self._wal = f"{path}-wal"
        self._looked = self._next = 0.0

    def wait(self, now: float, wall: float) -> float:
        """Return for how many seconds to wait before asking again, 0 where it is time to look at the session.

        `now` is in monotonic seconds, `wall` the same moment in seconds since 1970.
        """
        if (left := self._next - now) > _SHORTEST_WAIT:
            return left
        since, age = now - self._looked, self._age_of_commit(wall)
        if age is None and (left := _BY_THE_CLOCK - since) > _SHORTEST_WAIT:
            return left
        if age is not None and age > _FRESH and since < _NO_LATER:
            return _ASK_AGAIN
        self._looked = now
        due = _BY_THE_CLOCK if age is None else min(_AFTER_A_COMMIT, max(_NO_SOONER, _AFTER_A_COMMIT - age))
        self._next = now + due
        return 0.0

    def _age_of_commit(self, wall: float) -> float | None:
        """Return how long ago the last commit was (s), None where that is not known: nobody records, or elsewhere."""
        try:
            age = wall - os.stat(self._wal).st_mtime  # noqa: PTH116 - a screen asks some ten times a second
        except (OSError, ValueError):
            return None
        return age if abs(age) < _OTHER_CLOCK else None
