"""The session of a demo, for its simulated bench: whether it is over, and whether anybody looks."""

from __future__ import annotations

import os
import time
from contextlib import closing, suppress
from pathlib import Path

from benchmon.errors import BenchmonError
from benchmon.session.database import recorded_by
from benchmon.session.follower import open_session_view
from benchmon.session.recorder_lock import is_recorded
from benchmon.session.records import RecorderState
from benchmon.session.requests import Note, StopRecording

_SESSION_LIMIT = 60.0
_CHECK_SECONDS = 1.0


class DemoSession:
    """The session of a demo: the simulated bench ends with it, and ends it when nobody looks any more.

    `alone_limit` is for how many seconds nobody may look: not the process `demo` that started this one, and no screen.
    """

    def __init__(self, path: Path, alone_limit: float, demo: int) -> None:
        self._path, self._alone_limit, self._demo = path, alone_limit, demo
        now = time.monotonic()
        self._give_up, self._look_again, self._last_seen = now + _SESSION_LIMIT, now, now
        self._began = False

    def is_over(self) -> bool:
        """Return whether the session is over; looks once a second."""
        now = time.monotonic()
        if now < self._look_again:
            return False
        self._look_again = now + _CHECK_SECONDS
        # The file is there a moment before its recorder counts as alive: what has not begun has not ended.
        state = _state_of(self._path)
        self._began = self._began or state is RecorderState.RECORDING
        if state is RecorderState.RECORDING:
            self._end_if_alone(now)
            return False
        if state is RecorderState.FINISHED:
            return True
        # A recorder that stands still for a while reads on when it goes on.
        return (self._began or now >= self._give_up) and not is_recorded(self._path)

    def _end_if_alone(self, now: float) -> None:
        if os.getppid() == self._demo or _is_followed(self._path):
            self._last_seen = now
        elif now - self._last_seen >= self._alone_limit:
            self._last_seen = now
            with suppress(BenchmonError), closing(open_session_view(self._path)) as view:
                view.request(Note(f"nobody has looked at this demo for {self._alone_limit:.0f} s, so it ends"))
                view.request(StopRecording())


def _state_of(session: Path) -> RecorderState:
    try:
        with closing(open_session_view(session, recent=0.0)) as view:
            return view.poll().state
    except BenchmonError:
        return RecorderState.GONE


def _is_followed(session: Path) -> bool:
    """Return whether a process has the session file open besides its recorder and this one.

    Without /proc that is not known, and the session counts as not followed.
    """
    others = {recorded_by(session), os.getpid()}
    try:
        wanted = session.stat()
    except OSError:
        return False
    for folder in Path("/proc").glob("[0-9]*/fd"):
        with suppress(OSError):
            if int(folder.parent.name) not in others and any(_is_same(link, wanted) for link in folder.iterdir()):
                return True
    return False


def _is_same(link: Path, wanted: os.stat_result) -> bool:
    with suppress(OSError):
        return os.path.samestat(link.stat(), wanted)
    return False
