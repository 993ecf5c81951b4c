"""How a recorder shows that it lives: its beacon, and its trouble in words on standard error."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from benchmon.bench import Bench
from benchmon.errors import one_line
from benchmon.session.beacon import Beacon
from benchmon.watch.records import Event, Flag


class LifeSign:
    """The life sign of a recorder of `bench` into `session`.

    Making one claims the bench and raises `RecorderError` where another recorder has it. Where there can be no beacon
    the recording goes on without: `missing` then says why.
    """

    def __init__(self, bench: Bench, session: Path) -> None:
        self.missing = ""
        self._beacon: Beacon | None = None
        self._trouble = self._trip = ""
        try:
            self._beacon = Beacon(bench, session)
        except OSError as problem:
            self._lose(problem)

    @property
    def facts(self) -> dict[str, str]:
        """Return what the session file is to tell of it."""
        return {} if self._beacon is None else {"beacon": str(self._beacon.path.absolute())}

    def observe(self, events: Sequence[Event]) -> None:
        """Take what happened: a trip belongs into the words where it cannot be written."""
        for event in events:
            if event.kind == Flag.TRIPPED and self._trouble:
                self._trip = event.message

    def differs(self, trouble: str) -> bool:
        """Return whether trouble has come or gone since the last beat, so that it is to be told at once."""
        return bool(trouble) != bool(self._trouble)

    def beat(self, now: float, trouble: str) -> None:
        """Say that the recorder lives at session time `now`, and what troubles it, "" for nothing."""
        if trouble and not self._trouble:
            _say(f"{trouble}. Watch, alarms and switching off go on.")
        elif self._trouble and not trouble:
            _say("the session is written again")
            self._trip = ""
        self._trouble = trouble
        if self._beacon is None:
            return
        try:
            self._beacon.beat(now, f"{trouble}; meanwhile {self._trip}" if self._trip else trouble)
        except OSError as problem:
            self._lose(problem)

    def end(self) -> None:
        """Give up the bench."""
        if self._beacon is not None:
            self._beacon.release()

    def _lose(self, problem: OSError) -> None:
        reason = one_line(problem.strerror or problem)
        self.missing = f"this recorder has no beacon ({reason}): a second recorder of this bench would not be refused"


def _say(words: str) -> None:
    # Whoever started the recorder may be gone, and its terminal with it; the file and the beacon say the same.
    with suppress(OSError, ValueError):
        print(f"benchmon: {one_line(words, 1000)}", file=sys.stderr, flush=True)  # noqa: T201
