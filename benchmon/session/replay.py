"""Playing a session again: the recorded judgements and events, as time passes."""

from __future__ import annotations

import math
import sqlite3
import time
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Generic, TypeVar

from benchmon.bench import Bench
from benchmon.errors import RecorderError
from benchmon.quantities import Expected
from benchmon.session.database import reading, settle
from benchmon.session.follower import WAVEFORMS_AT_ONCE, in_order
from benchmon.session.records import Timed
from benchmon.session.rows import JudgementRows, read_ending, read_identities, read_info
from benchmon.session.statuses import read_status
from benchmon.session.told_rows import Told, ToldRows
from benchmon.session.trends import Trends, first_reading_at
from benchmon.session.view import RECENT_SECONDS, Part, RecorderState, SessionInfo, Update
from benchmon.watch.records import Judgement

_AHEAD = 5_000


class ReplayView:
    """A `SessionView` that plays a session file, `speed` times as fast as it was recorded.

    `clock` gives seconds that rise; the play starts at the first poll, at session time `start`: of what was before it
    are told the readings of the `recent` seconds, before them the last of every channel, and everything else. A poll
    tells at most `at_once` readings, where that is given; the next one tells more then. It ends
    in the state the session itself ended in: finished, or gone if its recorder was killed. Raises `SessionFileError`
    where the file is none.
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
            told = Told(connection, self._info)
            changes = told.benches.after_last(connection, _AHEAD) if told.benches else []
            readings.take(changes)
            self._trends = Trends(connection, self._info.bench, self._info.layout)
            self._identities = read_identities(connection, self._info.bench)
            self._ending = read_ending(connection)
            self._before: list[Judgement] = []
            if start > recent and self._info.layout >= 2:
                self._before = readings.start_at(connection, first_reading_at(connection, start - recent))
        self._readings = _Upcoming(readings.after_last)
        self._changes = deque(changes)
        self._events = _Upcoming(_as_parts(told.events))
        self._explanations = _Upcoming(_as_parts(told.explanations))
        self._forecasts = _Upcoming(_as_parts(told.forecasts))
        self._waveforms = _Upcoming(_as_parts(told.waveforms, WAVEFORMS_AT_ONCE))
        self._settled = _Upcoming(_as_parts(told.settled, WAVEFORMS_AT_ONCE))
        self._steps = _Upcoming(_as_parts(told.steps))
        self._position = start
        self._last_clock: float | None = None

    @property
    def info(self) -> SessionInfo:
        """Return what does not change."""
        return self._info

    @property
    def live(self) -> bool:
        """Return False: nobody can be asked for anything in a replay."""
        return False

    @property
    def position(self) -> float:
        """Return the session time the play has come to."""
        return min(self._position, self._ending.time)

    def advance_to(self, position: float) -> None:
        """Go on to a later session time at once."""
        self._position = max(self._position, position)

    def poll(self) -> Update:
        """Return what the play has come by since the last poll. Raises `SessionFileError` where the file is damaged."""
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

    def request(self, kind: str, text: str = "") -> None:  # noqa: ARG002 - the protocol's arguments
        """Raise `RecorderError`: a replay has no recorder."""
        raise RecorderError("this is a replay; there is no recorder to ask")

    def trend(self, channel: str, since: float, until: float, parts: int) -> tuple[Part, ...]:
        """Return what `channel` read from `since` to `until` (session seconds) in `parts` parts of the same length.

        What the play has not come to yet is not told. Raises `SessionFileError`.
        """
        with reading(self._path) as connection:
            found = self._trends.trend(connection, channel, since, until, parts)
        return tuple(part if part.end <= self._position else Part(part.start, part.end) for part in found)

    def band(self, channel: str, since: float, until: float, parts: int) -> tuple[Expected | None, ...]:
        """Return what `channel` was expected to read in the middle of each of such parts, None where nothing was.

        What the play has not come to yet is not told. Raises `SessionFileError`.
        """
        with reading(self._path) as connection:
            found = self._trends.band(connection, channel, since, until, parts)
        width = (until - since) / max(1, parts)
        return tuple(each if since + (at + 1) * width <= self._position else None for at, each in enumerate(found))

    def close(self) -> None:
        """Let go of the file."""
        if self._ending.state is not RecorderState.RECORDING:
            settle(self._path)


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


def _as_parts(rows: ToldRows[T] | None, at_once: int = _AHEAD) -> Parts[T]:
    """Return how `rows` are read in parts; None, of an old layout, has none."""

    def part(connection: sqlite3.Connection, limit: int) -> tuple[Sequence[T], bool]:
        found = [] if rows is None else rows.after_last(connection, min(limit, at_once))
        return found, bool(found)

    return part
