"""Send a request to a recorder without a screen, and wait for its answer."""

from __future__ import annotations

import time
from pathlib import Path

from benchmon.errors import BadInput, RecorderError
from benchmon.event_kinds import EventKind
from benchmon.session.database import display_path
from benchmon.session.follower import open_session_view
from benchmon.session.records import SessionView, Update
from benchmon.session.requests import TypedReading
from benchmon.text import one_line

_ANSWERS_WITHIN = 5.0
_LOOK_EVERY = 0.05
_ANSWERS = (EventKind.TYPED, EventKind.REFUSED)


def enter_reading(path: Path, channel: str, shows: str) -> str:
    """Enter what the display of `channel` shows now into the running session at `path`; return the recorder's answer.

    Raises `BadInput` if the recorder refuses, `RecorderError` if none runs or it does not answer, `SessionFileError` if
    there is no such session.
    """
    view = open_session_view(path)
    try:
        now = _catch_up(view).now
        view.request(TypedReading(channel, shows))
        give_up = time.monotonic() + _ANSWERS_WITHIN
        while time.monotonic() < give_up:
            for event in view.poll().events:
                if event.kind in _ANSWERS and event.time >= now:
                    return _words(event.kind, event.message)
            time.sleep(_LOOK_EVERY)
    finally:
        view.close()
    raise RecorderError(f"{display_path(path)}: its recorder does not answer; look at the session")


def _catch_up(view: SessionView) -> Update:
    """Skip what was recorded so far; a long session comes in several updates."""
    while (update := view.poll()).judgements and view.live:
        pass
    return update


def _words(kind: str, message: str) -> str:
    if kind == EventKind.REFUSED:
        raise BadInput(one_line(message.removeprefix("typed reading refused: ")))
    return message
