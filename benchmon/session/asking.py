"""Asking a recorder for something without a screen, and waiting for its answer."""

from __future__ import annotations

import time
from pathlib import Path

from benchmon.errors import BadInput, RecorderError
from benchmon.event_kinds import EventKind
from benchmon.session.database import shown
from benchmon.session.follower import open_session_view
from benchmon.session.typed_reading import KIND, TypedReading
from benchmon.session.view import SessionView, Update
from benchmon.text import one_line

_ANSWERS_WITHIN = 5.0
_LOOK_EVERY = 0.05
_ANSWERS = (EventKind.TYPED, EventKind.REFUSED)


def enter_reading(path: Path, channel: str, shows: str) -> str:
    """Hand what the display of `channel` shows now to the recorder of the session at `path`; return its words.

    Raises `BadInput` where it refuses, `RecorderError` where none runs or it does not answer.
    """
    view = open_session_view(path)
    try:
        now = _catch_up(view).now
        view.request(KIND, TypedReading(channel, shows).text)
        give_up = time.monotonic() + _ANSWERS_WITHIN
        while time.monotonic() < give_up:
            for event in view.poll().events:
                if event.kind in _ANSWERS and event.time >= now:
                    return _words(event.kind, event.message)
            time.sleep(_LOOK_EVERY)
    finally:
        view.close()
    raise RecorderError(f"{shown(path)}: its recorder does not answer; look at the session")


def _catch_up(view: SessionView) -> Update:
    """Pass over what was recorded so far; a long session comes in parts."""
    while (update := view.poll()).judgements and view.live:
        pass
    return update


def _words(kind: str, message: str) -> str:
    if kind == EventKind.REFUSED:
        raise BadInput(one_line(message.removeprefix("typed reading refused: ")))
    return message
