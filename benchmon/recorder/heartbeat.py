"""How a recorder shows that it lives: its beacon, and its trouble in words on standard error.

Both may have to wait, for a busy disk or for a terminal that was halted. So they have a thread of their own. It tells
when the watch was last alive and never speaks for a watch that stands still.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from benchmon.bench import Bench
from benchmon.event_kinds import EventKind
from benchmon.session.recorder_lock import Beacon
from benchmon.text import one_line
from benchmon.watch.records import Event

_BEAT_EVERY = 0.5
_END_WITHIN = 1.0


@dataclass(frozen=True, slots=True)
class _Alive:
    """The watch was alive at session time `now` and at `monotonic`, with that `trouble`, "" for none."""

    now: float
    monotonic: float
    trouble: str


class HeartbeatWriter:
    """The life sign of a recorder of `bench` into `session`.

    Making one claims the bench and raises `RecorderError` where another recorder has it. Where there can be no beacon
    the recording goes on without: `missing` then says why.
    """

    def __init__(self, bench: Bench, session: Path) -> None:
        self.missing = ""
        self._beacon: Beacon | None = None
        self._trip = ""
        self._alive = _Alive(0.0, time.monotonic(), "")
        self._news = threading.Condition()
        self._ended = self._told = False
        try:
            self._beacon = Beacon(bench, session)
        except OSError as problem:
            self._lose(problem)
        self._thread = threading.Thread(target=self._run, name="life sign", daemon=True)
        self._thread.start()

    @property
    def facts(self) -> dict[str, str]:
        """Return what the session file is to tell of it."""
        return {} if self._beacon is None else {"beacon": str(self._beacon.path.absolute())}

    def observe(self, events: Sequence[Event]) -> None:
        """Take what happened: a trip belongs into the words where it cannot be written."""
        for event in events:
            if event.kind == EventKind.TRIPPED and self._alive.trouble:
                self._trip = event.message

    def differs(self, trouble: str) -> bool:
        """Return whether trouble has come or gone since the last beat, so that it is to be told at once."""
        return bool(trouble) != bool(self._alive.trouble)

    def beat(self, now: float, trouble: str) -> None:
        """Say that the watch lives at session time `now`, and what troubles its session; returns at once."""
        with self._news:
            is_news = self.differs(trouble)
            if not trouble:
                self._trip = ""
            self._alive = _Alive(now, time.monotonic(), f"{trouble}; meanwhile {self._trip}" if self._trip else trouble)
            if is_news:
                self._news.notify()

    def end(self) -> None:
        """Give up the bench."""
        with self._news:
            self._ended = True
            self._news.notify()
        self._thread.join(_END_WITHIN)
        if self._beacon is not None:
            self._beacon.release()

    def _run(self) -> None:
        while not self._ended:
            alive = self._alive
            self._show(alive)
            if bool(alive.trouble) != self._told:
                words = f"{alive.trouble}. Watch, alarms and switching off go on."
                _say(words if alive.trouble else "the session is written again")
                self._told = bool(alive.trouble)
            with self._news:
                self._news.wait_for(lambda: self._ended or self.differs("told" if self._told else ""), _BEAT_EVERY)

    def _show(self, alive: _Alive) -> None:
        if self._beacon is not None and not self.missing:
            try:
                self._beacon.beat(alive.now, alive.monotonic, alive.trouble)
            except OSError as problem:
                self._lose(problem)

    def _lose(self, problem: OSError) -> None:
        reason = one_line(problem.strerror or problem)
        self.missing = f"this recorder has no beacon ({reason}): a second recorder of this bench would not be refused"


def _say(words: str) -> None:
    # Whoever started the recorder may be gone, and its terminal with it; the file and the beacon say the same.
    with suppress(OSError, ValueError):
        print(f"benchmon: {one_line(words, 1000)}", file=sys.stderr, flush=True)  # noqa: T201
