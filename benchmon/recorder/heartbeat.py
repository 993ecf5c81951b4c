"""The heartbeat of a recorder: its lock file, and its trouble in words on standard error.

Both may block, on a busy disk or a stopped terminal, so they are written in a thread of their own. It passes on when
the recording loop was last alive, so a loop that hangs is seen to hang.
"""

from __future__ import annotations

import sys
import threading
import time
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from benchmon.bench import Bench
from benchmon.event_kinds import EventKind
from benchmon.session.encodings import MOST_IN_A_BEAT, encode_beat_events, encode_beat_status, is_for_heartbeat
from benchmon.session.recorder_lock import SILENT_AFTER, Beacon
from benchmon.session.records import Anchor
from benchmon.text import duration, one_line
from benchmon.watch.records import Event
from benchmon.watch.status import BenchStatus

ANCHOR_EVERY = 60.0
_JUMP = 0.5
"""Smallest jump of the wall clock, or sleep, that is reported (s); slewing by NTP is far slower."""


@dataclass(frozen=True, slots=True)
class Clocks:
    """All clocks at one moment, in seconds: monotonic, wall (since 1970, UTC), and one that goes on in sleep."""

    monotonic: float
    wall: float
    with_sleep: float

    @classmethod
    def now(cls) -> Clocks:
        """Read the clocks. Without a clock that runs during sleep, a sleep looks like a jump of the wall clock."""
        monotonic = time.monotonic()
        sleepless = getattr(time, "CLOCK_BOOTTIME", None)
        return cls(monotonic, time.time(), monotonic if sleepless is None else time.clock_gettime(sleepless))


class ClockWatch:
    """Watches the clocks. `started` is the monotonic time of session time 0."""

    def __init__(self, started: float, clocks: Clocks) -> None:
        self._started = started
        self._last = self._anchored = clocks

    def first_anchor(self) -> Anchor:
        """Return the anchor of the start."""
        return self._anchor(self._last, 0.0)

    def look(self, clocks: Clocks) -> list[Anchor | Event]:
        """Return the events and anchors that follow from the clocks since the last look."""
        last, self._last = self._last, clocks
        passed = clocks.monotonic - last.monotonic
        slept = clocks.with_sleep - last.with_sleep - passed
        jumped = clocks.wall - last.wall - passed - (slept if slept > _JUMP else 0.0)
        now = max(0.0, clocks.monotonic - self._started)
        found: list[Anchor | Event] = []
        if slept > _JUMP:
            found.append(
                Event(
                    now, "", EventKind.GAP, f"the machine slept for {duration(slept, 1)}: nothing was watched meanwhile"
                )
            )
        if abs(jumped) > _JUMP:
            way = "ahead" if jumped > 0 else "back"
            words = f"the wall clock was set {way} by {duration(abs(jumped), 1)}; times in this session go on evenly"
            found.append(Event(now, "", EventKind.CLOCK, words))
        if passed > SILENT_AFTER:
            why = "it was halted, or the machine overloaded"
            words = f"the recorder stood still for {duration(passed, 1)}, nothing was watched meanwhile: {why}"
            found.append(Event(now, "", EventKind.GAP, words))
        if found or clocks.monotonic - self._anchored.monotonic >= ANCHOR_EVERY:
            found.append(self._anchor(clocks, jumped + max(0.0, slept) if found else 0.0))
        return found

    def _anchor(self, clocks: Clocks, jump: float) -> Anchor:
        self._anchored = clocks
        return Anchor(max(0.0, clocks.monotonic - self._started), clocks.monotonic, clocks.wall, jump)


_BEAT_EVERY = 0.5
_END_WITHIN = 1.0


@dataclass(frozen=True, slots=True)
class _Alive:
    """The recording loop was alive at session time `now` and at `monotonic`, with that `trouble`, "" for none."""

    now: float
    monotonic: float
    trouble: str


class HeartbeatWriter:
    """The heartbeat of a recorder of `bench` into `session`.

    The constructor claims the bench and raises `RecorderError` if another recorder has it. If no lock file can be
    written, the recording goes on without one: `missing` holds the reason.
    """

    def __init__(self, bench: Bench, session: Path) -> None:
        self.missing = ""
        self._beacon: Beacon | None = None
        self._trip = ""
        self._alive = _Alive(0.0, time.monotonic(), "")
        self._status: BenchStatus | None = None
        self._grave: deque[Event] = deque(maxlen=MOST_IN_A_BEAT)
        self._has_news = False
        self._news = threading.Condition()
        self._ended = self._announced = False
        try:
            self._beacon = Beacon(bench, session)
        except OSError as problem:
            self._lose(problem)
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)
        self._thread.start()

    @property
    def facts(self) -> dict[str, str]:
        """The facts of it to be stored in the session file."""
        return {} if self._beacon is None else {"beacon": str(self._beacon.path.absolute())}

    def observe(self, events: Sequence[Event]) -> None:
        """Take events: the latest grave ones are in the heartbeat, and a trip that cannot be written in the trouble."""
        for event in events:
            if event.kind == EventKind.TRIPPED and self._alive.trouble:
                self._trip = event.message
            if is_for_heartbeat(event):
                self._grave.append(event)
                self._beat_now()

    def show(self, status: BenchStatus) -> None:
        """Take the status of the bench, which is in the heartbeat."""
        former, self._status = self._status, status
        if former is None or former.level is not status.level:
            self._beat_now()

    def _beat_now(self) -> None:
        with self._news:
            self._has_news = True
            self._news.notify()

    def differs(self, trouble: str) -> bool:
        """Return whether trouble has come or gone since the last beat, so that it is reported at once."""
        return bool(trouble) != bool(self._alive.trouble)

    def beat(self, now: float, trouble: str) -> None:
        """Report that the loop is alive at session time `now`, and its trouble; returns at once."""
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
            if bool(alive.trouble) != self._announced:
                words = f"{alive.trouble}. Watch, alarms and switching off go on."
                say(words if alive.trouble else "the session is written again")
                self._announced = bool(alive.trouble)
            with self._news:
                self._news.wait_for(self._is_due, _BEAT_EVERY)

    def _is_due(self) -> bool:
        return self._ended or self._has_news or self.differs("trouble" if self._announced else "")

    def _show(self, alive: _Alive) -> None:
        self._has_news = False
        status = "" if self._status is None else encode_beat_status(self._status)
        if self._beacon is not None:
            try:
                events = encode_beat_events(list(self._grave))
                self._beacon.beat(alive.now, alive.monotonic, alive.trouble, status, events)
            except OSError as problem:
                self._lose(problem)
            else:
                self.missing = ""

    def _lose(self, problem: OSError) -> None:
        reason = one_line(problem.strerror or problem)
        self.missing = f"this recorder has no beacon ({reason}): a second recorder of this bench would not be refused"


def say(words: str) -> None:
    """Report on standard error."""
    # The terminal that started the recorder may be gone; session and lock file hold the same words.
    with suppress(OSError, ValueError):
        print(f"benchmon: {one_line(words, 1000)}", file=sys.stderr, flush=True)  # noqa: T201
