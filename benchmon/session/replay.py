"""Playing a session again: the recorded judgements and events as time passes, stepped, faster, slower or by event."""

from __future__ import annotations

import math
import sqlite3
import time
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Generic, TypeVar

from benchmon.bench import Bench
from benchmon.errors import BadInput, RecorderError
from benchmon.quantities import Expected
from benchmon.session.database import checkpoint_wal, reading
from benchmon.session.encodings import read_status
from benchmon.session.follower import WAVEFORMS_AT_ONCE, in_order
from benchmon.session.reader import (
    EventRows,
    JudgementRows,
    TableReader,
    TableReaders,
    read_ending,
    read_identities,
    read_info,
)
from benchmon.session.records import RECENT_SECONDS, RecorderState, SessionInfo, SessionView, Timed, TrendBin, Update
from benchmon.session.requests import OperatorRequest
from benchmon.session.schema import session_time
from benchmon.session.trends import Trends, first_reading_at
from benchmon.watch.records import Judgement

_AHEAD = 5_000


class ReplayView:
    """A `SessionView` that plays a session file, `speed` times as fast as it was recorded.

    `clock` gives seconds that rise. The play starts at the first poll, at session time `start`. Of what was before
    `start`, the first polls return the readings of the last `recent` seconds, the last earlier reading of every
    channel, and all other records. A poll returns at most `at_once` readings if that is given, the next one more. The
    play ends in the state the session itself ended in: finished, or gone if its recorder was killed. The constructor
    raises `SessionFileError` if the file is no session.
    """

    def __init__(
        self,
        path: Path | str,
        speed: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
        *,
        start: float = 0.0,
        recent: float = RECENT_SECONDS,
        at_once: int | None = None,
    ) -> None:
        self._path, self._at_once = Path(path), at_once
        self.speed = speed
        self._clock = clock
        with reading(self._path) as connection:
            self._info = read_info(connection, self._path)
            readings = JudgementRows(connection, self._info.bench)
            tables = TableReaders(connection, self._info)
            changes = tables.benches.after_last(connection, _AHEAD) if tables.benches else []
            readings.take(changes)
            self._trends = Trends(connection, self._info.bench, self._info.layout)
            self._identities = read_identities(connection, self._info.bench)
            self._ending = read_ending(connection)
            self._before: list[Judgement] = []
            if start > recent and self._info.layout >= 2:
                self._before = readings.start_at(connection, first_reading_at(connection, start - recent))
        self._readings = _Upcoming(readings.after_last)
        self._changes = deque(changes)
        self._events = _Upcoming(_as_parts(tables.events))
        self._explanations = _Upcoming(_as_parts(tables.explanations))
        self._forecasts = _Upcoming(_as_parts(tables.forecasts))
        self._waveforms = _Upcoming(_as_parts(tables.waveforms, WAVEFORMS_AT_ONCE))
        self._settled = _Upcoming(_as_parts(tables.settled, WAVEFORMS_AT_ONCE))
        self._steps = _Upcoming(_as_parts(tables.steps))
        self._position = start
        self._last_clock: float | None = None

    @property
    def info(self) -> SessionInfo:
        """Return the facts that do not change."""
        return self._info

    @property
    def live(self) -> bool:
        """Return False: nobody can be asked for anything in a replay."""
        return False

    @property
    def position(self) -> float:
        """Return the session time that the play has reached."""
        return min(self._position, self._ending.time)

    def advance_to(self, position: float) -> None:
        """Skip to a later session time."""
        self._position = max(self._position, position)

    def poll(self) -> Update:
        """Return the records passed since the last poll. Raises `SessionFileError` where the file is damaged."""
        now = self._clock()
        self._position += self.speed * (0.0 if self._last_clock is None else max(0.0, now - self._last_clock))
        self._last_clock = now
        at_end = self._position >= self._ending.time
        until = math.inf if at_end else self._position
        with reading(self._path) as connection:
            judgements = self._readings.due(connection, until, self._at_once)
            events = self._events.due(connection, until)
            explanations = self._explanations.due(connection, until)
            forecasts = self._forecasts.due(connection, until)
            waveforms = self._waveforms.due(connection, until)
            settled = self._settled.due(connection, until)
            steps = self._steps.due(connection, until)
            status = read_status(connection, self._info.layout, until)
        identities, self._identities = self._identities, {}
        before, self._before = self._before, []
        gone = self._ending.state is RecorderState.GONE
        end_state = RecorderState.GONE if gone else RecorderState.FINISHED
        return Update(
            min(self._position, self._ending.time),
            end_state if at_end and len(judgements) != self._at_once else RecorderState.RECORDING,
            in_order([*before, *judgements]),
            tuple(events),
            identities,
            explanations[-1] if explanations else None,
            tuple(forecasts),
            tuple(waveforms),
            bench=self._bench_change(until),
            status=status,
            settled=settled[-1] if settled else None,
            steps=tuple(steps),
        )

    def _bench_change(self, until: float) -> Bench | None:
        """Return the bench file that has come into force by the play's position `until` since the last poll."""
        bench = None
        while self._changes and self._changes[0].time <= until:
            bench = self._changes.popleft().bench
        return bench

    def request(self, request: OperatorRequest) -> int | None:  # noqa: ARG002 - the protocol's argument
        """Raise `RecorderError`: a replay has no recorder."""
        raise RecorderError("this is a replay; there is no recorder to ask")

    def request_by_signal(self, request: OperatorRequest) -> bool:  # noqa: ARG002 - the protocol's argument
        """Return False: there is no recorder."""
        return False

    def trend(self, channel: str, since: float, until: float, parts: int) -> tuple[TrendBin, ...]:
        """Return what `channel` read from `since` to `until` (session seconds) in `parts` parts of the same length.

        A part that the play has not reached is empty. Raises `SessionFileError`.
        """
        with reading(self._path) as connection:
            found = self._trends.trend(connection, channel, since, until, parts)
        return tuple(part if part.end <= self._position else TrendBin(part.start, part.end) for part in found)

    def band(self, channel: str, since: float, until: float, parts: int) -> tuple[Expected | None, ...]:
        """Return what `channel` was expected to read in the middle of each of such parts, None where nothing was.

        It is None too where the play has not been. Raises `SessionFileError`.
        """
        with reading(self._path) as connection:
            found = self._trends.band(connection, channel, since, until, parts)
        width = (until - since) / max(1, parts)
        return tuple(each if since + (at + 1) * width <= self._position else None for at, each in enumerate(found))

    def close(self) -> None:
        """Close the view; a write-ahead log that a killed recorder left is merged into the file."""
        if self._ending.state is not RecorderState.RECORDING:
            checkpoint_wal(self._path)


T = TypeVar("T", bound=Timed)
Parts = Callable[[sqlite3.Connection, int], tuple[Sequence[T], bool]]
"""Gives the next records, at most about so many, and whether there may be more."""


class _Upcoming(Generic[T]):
    """Records that are read ahead of the play, a part at a time."""

    def __init__(self, parts: Parts[T]) -> None:
        self._parts = parts
        self._waiting: deque[T] = deque()
        self._more = True

    def due(self, connection: sqlite3.Connection, until: float, most: int | None = None) -> list[T]:
        """Take what is due at the play's position `until`, in seconds, `most` at most."""
        taken: list[T] = []
        while len(taken) != most and self._fill(connection) and self._waiting[0].time <= until:
            taken.append(self._waiting.popleft())
        return taken

    def _fill(self, connection: sqlite3.Connection) -> bool:
        """Read ahead where nothing is waiting. Return whether anything is waiting then."""
        while not self._waiting and self._more:
            part, self._more = self._parts(connection, _AHEAD)
            self._waiting.extend(part)
        return bool(self._waiting)


def _as_parts(rows: TableReader[T] | None, at_once: int = _AHEAD) -> Parts[T]:
    """Return how `rows` are read in parts; None, of an old layout, has none."""

    def part(connection: sqlite3.Connection, limit: int) -> tuple[Sequence[T], bool]:
        found = [] if rows is None else rows.after_last(connection, min(limit, at_once))
        return found, bool(found)

    return part


SLOWEST, FASTEST = 0.01, 1000.0
_PACE = 2.0
_AT_ONCE = 10_000
_A_MOMENT = 1e-6
_BACK = 1.0
"""Seconds of play within which an event just passed is not gone back to: the one before it is meant."""

_ABREAST = 200


EventTimes = Callable[[float, Callable[[float], object]], Sequence[float]]


class Player:
    """A `SessionView` of a session file that can be paused and taken anywhere.

    `wrap` makes the view that is polled from the one that plays the file. `event_times` returns the times of the
    events, in order, at least until the first one after a session time; it is given where these are not the events of
    the file, and reports its progress (session seconds) to a function. A poll returns at most `at_once` readings if
    that is given. After a jump the next poll returns all that a fresh view needs, and `consume_restart` returns True
    once. The constructor raises `BadInput` for a speed out of range and `SessionFileError` if the file is no session.
    """

    def __init__(
        self,
        path: Path | str,
        speed: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
        *,
        wrap: Callable[[ReplayView], SessionView] | None = None,
        event_times: EventTimes | None = None,
        at_once: int | None = None,
    ) -> None:
        if not SLOWEST <= speed <= FASTEST:
            raise BadInput(f"a speed of {speed:g}: must be between {SLOWEST:g} and {FASTEST:g}")
        self._path, self._clock, self._wrap = Path(path), clock, wrap or (lambda view: view)
        self._at_once = at_once
        self.speed = speed
        self.frozen = False
        self._restarted = False
        self._play = self._played(0.0)
        self._view = self._wrap(self._play)
        of_the_file = self._read_event_times() if event_times is None else []
        self._event_times = event_times or (lambda _after, _progress: of_the_file)

    @property
    def info(self) -> SessionInfo:
        """Return the facts that do not change."""
        return self._view.info

    @property
    def live(self) -> bool:
        """Return False: nobody can be asked for anything in a replay."""
        return False

    @property
    def position(self) -> float:
        """Return the session time that the play has reached."""
        return self._play.position

    def poll(self) -> Update:
        """Return the records passed since the last poll, or since the jump. Raises `SessionFileError`."""
        return self._view.poll()

    def consume_restart(self) -> bool:
        """Return whether the play was taken elsewhere since the last call, so that a view must begin afresh."""
        restarted, self._restarted = self._restarted, False
        return restarted

    def freeze(self) -> None:
        """Stop the play, or let it go on."""
        self.frozen = not self.frozen
        self._play.speed = 0.0 if self.frozen else self.speed

    def change_pace(self, times: float) -> None:
        """Play so many times as fast, within 0.01 and 1000 times real time."""
        self.speed = min(FASTEST, max(SLOWEST, self.speed * times))
        if not self.frozen:
            self._play.speed = self.speed

    def faster(self) -> None:
        """Play twice as fast."""
        self.change_pace(_PACE)

    def slower(self) -> None:
        """Play half as fast."""
        self.change_pace(1.0 / _PACE)

    def step(self) -> bool:
        """Freeze, and go on to the next reading; return False where there is none."""
        self._hold()
        upcoming = self._next_reading()
        if upcoming is None:
            return False
        self._play.advance_to(upcoming)
        return True

    def to_event(self, direction: int, progress: Callable[[float], object] = lambda _: None) -> bool:
        """Freeze, and go to the next event (1) or the one before (-1); return False where there is none.

        Where events have to be found first, `progress` is called with the session time up to which that is done; an
        exception that it raises leaves the play where it is.
        """
        was_playing = not self.frozen
        self._hold()
        times = self._event_times(self.position + _A_MOMENT, progress)
        if direction > 0:
            place = bisect_right(times, self.position + _A_MOMENT)
        else:
            place = bisect_left(times, self.position - (_BACK if was_playing else _A_MOMENT)) - 1
        if not 0 <= place < len(times):
            return False
        self.jump(times[place])
        return True

    def jump(self, to: float) -> None:
        """Go to a session time, forwards or back."""
        self._play = self._played(max(0.0, to))
        self._view = self._wrap(self._play)
        self._restarted = True

    def request(self, request: OperatorRequest) -> int | None:
        """Raise `RecorderError`: a replay has no recorder."""
        return self._view.request(request)

    def request_by_signal(self, request: OperatorRequest) -> bool:  # noqa: ARG002 - the protocol's argument
        """Return False: there is no recorder."""
        return False

    def trend(self, channel: str, since: float, until: float, parts: int) -> tuple[TrendBin, ...]:
        """Return what `channel` read, as far as the play has come."""
        return self._view.trend(channel, since, until, parts)

    def band(self, channel: str, since: float, until: float, parts: int) -> tuple[Expected | None, ...]:
        """Return what `channel` was expected to read, as far as the play has come."""
        return self._view.band(channel, since, until, parts)

    def close(self) -> None:
        """Close the view."""
        self._view.close()

    def _hold(self) -> None:
        if not self.frozen:
            self.freeze()

    def _played(self, start: float) -> ReplayView:
        view = ReplayView(self._path, self.speed, self._clock, start=start, at_once=self._at_once)
        view.speed = 0.0 if self.frozen else self.speed
        return view

    def _read_event_times(self) -> list[float]:
        events, found = EventRows(self.info), list[float]()
        with reading(self._path) as connection:
            while part := events.after_last(connection, _AT_ONCE):
                found += [event.time for event in part]
        return sorted(found)

    def _next_reading(self) -> float | None:
        """Return the time of the first reading after the position; instruments may stand a little out of order."""
        after = self.position + _A_MOMENT
        with reading(self._path) as connection:
            first = max(first_reading_at(connection, after) - _ABREAST, 0)
            rows = connection.execute(
                "SELECT time FROM readings WHERE id >= ? ORDER BY id LIMIT ?", (first, 2 * _ABREAST)
            ).fetchall()
        times = (session_time(stored) for (stored,) in rows)
        return min((at for at in times if at is not None and at > after), default=None)
