"""Playing a session again: the recorded judgements and events, as time passes."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from benchmon.errors import RecorderError
from benchmon.session.database import reading, settle
from benchmon.session.follower import in_order
from benchmon.session.rows import EventRows, JudgementRows, read_ending, read_identities, read_info
from benchmon.session.view import RecorderState, SessionInfo, Update
from benchmon.watch.records import Event, Judgement

_AHEAD = 5_000


class ReplayView:
    """A `SessionView` that plays a session file, `speed` times as fast as it was recorded.

    `clock` gives seconds that rise; the play starts at the first poll. It ends in the state the session itself ended
    in: finished, or gone if its recorder was killed. Raises `SessionFileError` where the file is none.
    """

    def __init__(self, path: Path | str, speed: float = 1.0, clock: Callable[[], float] = time.monotonic) -> None:
        self._path = Path(path)
        self.speed = speed
        self._clock = clock
        with reading(self._path) as connection:
            self._info = read_info(connection, self._path)
            self._readings = JudgementRows(connection, self._info.bench)
            self._identities = read_identities(connection, self._info.bench)
            self._ending = read_ending(connection)
        self._events = EventRows()
        self._next_readings: deque[Judgement] = deque()
        self._next_events: deque[Event] = deque()
        self._position = 0.0
        self._last_clock: float | None = None

    @property
    def info(self) -> SessionInfo:
        """Return what does not change."""
        return self._info

    @property
    def live(self) -> bool:
        """Return False: nobody can be asked for anything in a replay."""
        return False

    def poll(self) -> Update:
        """Return what the play has come by since the last poll. Raises `SessionFileError` where the file is damaged."""
        now = self._clock()
        self._position += self.speed * (0.0 if self._last_clock is None else max(0.0, now - self._last_clock))
        self._last_clock = now
        at_end = self._position >= self._ending.time
        judgements, events = self._due(at_end)
        identities, self._identities = self._identities, {}
        gone = self._ending.state is RecorderState.GONE
        end_state = RecorderState.GONE if gone else RecorderState.FINISHED
        return Update(
            min(self._position, self._ending.time),
            end_state if at_end else RecorderState.RECORDING,
            in_order(judgements),
            tuple(events),
            identities,
        )

    def request(self, kind: str, text: str = "") -> None:  # noqa: ARG002 - the protocol's arguments
        """Raise `RecorderError`: a replay has no recorder."""
        raise RecorderError("this is a replay; there is no recorder to ask")

    def close(self) -> None:
        """Let go of the file."""
        if self._ending.state is not RecorderState.RECORDING:
            settle(self._path)

    def _due(self, at_end: bool) -> tuple[list[Judgement], list[Event]]:
        """Take what is due at the play's position; at its end, everything that is left."""
        judgements: list[Judgement] = []
        events: list[Event] = []
        while self._fill():
            before = len(judgements) + len(events)
            _take(self._next_readings, judgements, self._position, at_end)
            _take(self._next_events, events, self._position, at_end)
            if len(judgements) + len(events) == before:
                break
        return judgements, events

    def _fill(self) -> bool:
        """Read ahead where nothing is waiting. Return whether anything is waiting then."""
        if not self._next_readings or not self._next_events:
            with reading(self._path) as connection:
                more = not self._next_readings
                while more and not self._next_readings:
                    judgements, more = self._readings.after_last(connection, _AHEAD)
                    self._next_readings.extend(judgements)
                if not self._next_events:
                    self._next_events.extend(self._events.after_last(connection, _AHEAD))
        return bool(self._next_readings or self._next_events)


_Timed = TypeVar("_Timed", Judgement, Event)


def _take(waiting: deque[_Timed], taken: list[_Timed], position: float, everything: bool) -> None:
    while waiting and (everything or waiting[0].time <= position):
        taken.append(waiting.popleft())
