"""A replay that is held by hand: frozen, stepped, played faster or slower, taken to an event."""

from __future__ import annotations

import time
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from pathlib import Path

from benchmon.errors import BadInput
from benchmon.quantities import Expected
from benchmon.session.bands import first_reading_at
from benchmon.session.database import reading
from benchmon.session.replay import ReplayView
from benchmon.session.rows import session_time
from benchmon.session.told_rows import EventRows
from benchmon.session.view import Part, SessionInfo, SessionView, Update

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

    `wrap` makes the view that is polled from the one that plays the file; `event_times` tells, in order, when its
    events are, at least until the first one after a session time, where they are not those of the file, and tells a
    function how far it has come meanwhile. A poll tells at most `at_once` readings, where that is given. After a jump
    the next poll tells a fresh view all it needs, and `take_restart` says so once. Raises `SessionFileError` where the
    file is no session.
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
        self._event_times = event_times or (lambda _after, _tell: of_the_file)

    @property
    def info(self) -> SessionInfo:
        """Return what does not change."""
        return self._view.info

    @property
    def live(self) -> bool:
        """Return False: nobody can be asked for anything in a replay."""
        return False

    @property
    def position(self) -> float:
        """Return the session time the play has come to."""
        return self._play.position

    def poll(self) -> Update:
        """Return what the play has come by since the last poll, or since the jump. Raises `SessionFileError`."""
        return self._view.poll()

    def take_restart(self) -> bool:
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

    def to_event(self, direction: int, tell: Callable[[float], object] = lambda _: None) -> bool:
        """Freeze, and go to the next event (1) or the one before (-1); return False where there is none.

        Where events have to be found first, `tell` is told up to which session time that has been done; what it raises
        leaves the play where it is.
        """
        was_playing = not self.frozen
        self._hold()
        times = self._event_times(self.position + _A_MOMENT, tell)
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

    def request(self, kind: str, text: str = "") -> None:
        """Raise `RecorderError`: a replay has no recorder."""
        self._view.request(kind, text)

    def trend(self, channel: str, since: float, until: float, parts: int) -> tuple[Part, ...]:
        """Return what `channel` read, as far as the play has come."""
        return self._view.trend(channel, since, until, parts)

    def band(self, channel: str, since: float, until: float, parts: int) -> tuple[Expected | None, ...]:
        """Return what `channel` was expected to read, as far as the play has come."""
        return self._view.band(channel, since, until, parts)

    def close(self) -> None:
        """Let go of the file."""
        self._view.close()

    def _hold(self) -> None:
        if not self.frozen:
            self.freeze()

    def _played(self, start: float) -> ReplayView:
        view = ReplayView(self._path, self.speed, self._clock, start=start, at_once=self._at_once)
        view.speed = 0.0 if self.frozen else self.speed
        return view

    def _read_event_times(self) -> list[float]:
        events, found = EventRows(), list[float]()
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
