"""The readings of a session as they are exported: one after the other, each beside what was expected then."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from benchmon.report.session_reader import RecordedSession
from benchmon.session.database import reading
from benchmon.session.reader import TableRows
from benchmon.session.schema import decode_state

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


@cache
def words_of_states() -> list[tuple[str, str]]:
    """Return verdict and flags, in words, of each stored state from 0 to 255; flags are separated by spaces."""
    return [
        (str(verdict), " ".join(sorted(str(flag) for flag in flags)))
        for verdict, flags in (decode_state(state) for state in range(256))
    ]
