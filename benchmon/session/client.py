"""Asking a recorder for something without a screen, and waiting for its answer.

A reading that a person types in, as a request to the recorder carries it: with its own time, the first key's.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass
from pathlib import Path

from benchmon.errors import BadInput, RecorderError
from benchmon.event_kinds import EventKind
from benchmon.session.database import display_path
from benchmon.session.follower import open_session_view
from benchmon.session.records import SessionView, Update
from benchmon.text import one_line

KIND = "reading"
_TEXT = re.compile(r"(?:at (\d{1,8}(?:\.\d{1,6})?) s|now): (.{1,40}) = (.{1,60})")


@dataclass(frozen=True, slots=True)
class TypedReading:
    """What the display of `channel` `shows`, with its unit; at `time` in session seconds, None for now."""

    channel: str
    shows: str
    time: float | None = None

    @property
    def text(self) -> str:
        """The text of the request.

        >>> TypedReading("vout", "22.14 V", 12.5).text
        'at 12.500000 s: vout = 22.14 V'
        """
        when = "now" if self.time is None else f"at {max(self.time, 0.0):.6f} s"
        return f"{when}: {self.channel} = {self.shows}"


def read_request(text: str) -> TypedReading:
    """Return the typed reading that the text of a request holds. Raises `BadInput` where it holds none.

    >>> read_request("now: U = out = 1 V")
    TypedReading(channel='U = out', shows='1 V', time=None)
    """
    match = _TEXT.fullmatch(text)
    if match is None:
        raise BadInput(f'"{one_line(text, 120)}" is no typed reading, such as "at 12.5 s: vout = 22.14 V"')
    return TypedReading(match[2], match[3].strip(), None if match[1] is None else float(match[1]))


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
    raise RecorderError(f"{display_path(path)}: its recorder does not answer; look at the session")


def _catch_up(view: SessionView) -> Update:
    """Pass over what was recorded so far; a long session comes in parts."""
    while (update := view.poll()).judgements and view.live:
        pass
    return update


def _words(kind: str, message: str) -> str:
    if kind == EventKind.REFUSED:
        raise BadInput(one_line(message.removeprefix("typed reading refused: ")))
    return message
