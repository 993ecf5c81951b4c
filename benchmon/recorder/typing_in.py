"""What a person reads off a display and types in: handed to the meter it is of, and told as an event."""

from __future__ import annotations

from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.instruments.acquisition import Acquisition
from benchmon.session.typed_reading import read_request
from benchmon.text import one_line
from benchmon.watch.records import Event

_OLDEST = 600.0
"""Seconds after which what was seen on a display says nothing of now."""


def take_typed(acquisition: Acquisition, text: str, started: float, now: float) -> Event:
    """Hand the reading in a request's `text` over, and return what became of it: a `typed` or a `refused` event.

    `started` is the monotonic time of session time 0, `now` the session time. The reading bears the time in the text.
    """
    try:
        typed = read_request(text)
        at = now if typed.time is None else min(typed.time, now)
        if now - at > _OLDEST:
            raise BadInput(f"was seen {now - at:.0f} s ago, which is too long; look again")
        acquisition.type_in(typed.channel, typed.shows, started + at)
    except BadInput as problem:
        return Event(now, "", EventKind.REFUSED, f"typed reading refused: {one_line(problem)}")
    return Event(at, typed.channel, EventKind.TYPED, f"{typed.channel}: {one_line(typed.shows, 60)}, typed in by hand")
