"""The readings of a session as they are exported: one after the other, each beside what was expected then."""

from __future__ import annotations

import math
import sqlite3
from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from benchmon.report.session_reader import RecordedSession
from benchmon.session.database import reading
from benchmon.session.reader import TableRows
from benchmon.session.schema import decode_state
from benchmon.text import one_line
from benchmon.watch.plan import Plan

AT_ONCE = 10_000
LONGEST = 400 * 86_400 * 1_000_000
"""Microseconds beyond which a time is nonsense."""

_COLUMNS = "channel, time, value, state"
_SOUND_COLUMNS = "channel, time, CASE typeof(value) WHEN 'real' THEN value END, state & 255"
_IS_SOUND = (
    "typeof(time) = 'integer' AND typeof(state) = 'integer' AND typeof(channel) = 'integer' AND time BETWEEN 0 AND ?"
)

Row = tuple[int, int, int, float | None, int]
"""A reading as it is stored: its number, its channel's number, microseconds, value, and verdict with flags."""

Progress = Callable[[float], None]
"""Is given, again and again, how much is done, from 0 to 1."""


@dataclass(frozen=True, slots=True)
class RowBatch:
    """Some readings in the order they were judged, and what channels were expected to read from some of them on."""

    rows: list[Row]
    expectations: dict[int, tuple[float | None, float | None]]


def parts_of(
    session: RecordedSession, progress: Progress | None = None, *, as_stored: bool = False
) -> Iterator[RowBatch]:
    """Yield all readings of a session, some thousand at a time. Raises `SessionFileError` where it is damaged.

    Rows that make no sense are left out, and a value of the wrong kind is None; not so where `as_stored`, which takes
    less time: what a row holds is anything then.
    """
    rows = (
        TableRows("readings", _COLUMNS, "typeof(time) = 'integer'")
        if as_stored
        else TableRows("readings", _SOUND_COLUMNS, _IS_SOUND)
    )
    path = Path(session.info.path)
    parameters = () if as_stored else (LONGEST,)
    while True:
        # A look for each part, so that a recorder which still writes is never held up.
        with reading(path) as connection:
            before = rows.last
            found: list[Row] = rows.after_last(connection, AT_ONCE, *parameters)
            if not found:
                return
            part = RowBatch(found, _expectations(connection, before, rows.last))
            if progress is not None:
                newest = connection.execute("SELECT max(id) FROM readings").fetchone()[0]
        yield part
        if progress is not None:
            progress(rows.last / newest)


def _expectations(connection: sqlite3.Connection, after: int, up_to: int) -> dict[int, Any]:
    found = connection.execute(
        "SELECT from_reading, CASE typeof(value) WHEN 'real' THEN value END,"
        " CASE typeof(uncertainty) WHEN 'real' THEN uncertainty END"
        " FROM expectations WHERE from_reading > ? AND from_reading <= ?",
        (after, up_to),
    )
    return {number: (value, uncertainty) for number, value, uncertainty in found}


@dataclass(frozen=True, slots=True)
class StepSpan:
    """A step of the plan that was begun: from `since` until before `until`, s of the session, and how it ended."""

    name: str
    since: float
    until: float
    outcome: str


class StepSpans:
    """The steps of a session's plan by the times at which they were current."""

    def __init__(self, session: RecordedSession) -> None:
        plan = Plan.of(session.bench)
        for event in session.events:
            plan.take(event)
        begun = ((step, step.began) for step in plan.steps)
        spans = [
            StepSpan(one_line(step.step.name, 60), began, math.inf if step.ended is None else step.ended, step.outcome)
            for step, began in begun
            if began is not None
        ]
        self.spans = tuple(sorted(spans, key=lambda span: span.since))
        self._changes = sorted({0, *(min(LONGEST, round(time * 1e6)) for span in spans for time in _ends(span))})

    def at(self, microseconds: int) -> tuple[str, int, int]:
        """Return the current step's name, "" for none, and from when until before when that holds, microseconds."""
        place = bisect_right(self._changes, microseconds)
        since = self._changes[place - 1] if place else 0
        until = self._changes[place] if place < len(self._changes) else LONGEST + 1
        name = next((one.name for one in reversed(self.spans) if one.since <= since / 1e6 < one.until), "")
        return name, since, until


def _ends(span: StepSpan) -> tuple[float, ...]:
    return (span.since, span.until) if math.isfinite(span.until) else (span.since,)


@cache
def words_of_states() -> list[tuple[str, str]]:
    """Return verdict and flags, in words, of each stored state from 0 to 255; flags are separated by spaces."""
    return [
        (str(verdict), " ".join(sorted(str(flag) for flag in flags)))
        for verdict, flags in (decode_state(state) for state in range(256))
    ]
