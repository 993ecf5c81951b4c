"""The readings of a session as they are exported: one after the other, each beside what was expected then."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from benchmon.report.session_reader import RecordedSession
from benchmon.session.database import reading
from benchmon.session.schema import decode_state

AT_ONCE = 20_000
LONGEST = 400 * 86_400 * 1_000_000
"""Microseconds beyond which a time is nonsense."""

_CHECKED = (
    "SELECT id, channel, time, CASE typeof(value) WHEN 'real' THEN value END, state & 255 FROM readings"
    " WHERE id > ? AND typeof(time) = 'integer' AND typeof(state) = 'integer' AND typeof(channel) = 'integer'"
    " AND time BETWEEN 0 AND ? ORDER BY id LIMIT ?"
)

Row = tuple[int, int, int, float | None, int]
"""A reading as it is stored: its number, its channel's number, microseconds, value, and verdict with flags."""


@dataclass(frozen=True, slots=True)
class RowBatch:
    """Some readings in the order they were judged, and what channels were expected to read from some of them on."""

    rows: list[Row]
    expectations: dict[int, tuple[float | None, float | None]]


def parts_of(session: RecordedSession) -> Iterator[RowBatch]:
    """Yield all readings of a session, some thousand at a time. Raises `SessionFileError` where it is damaged."""
    last = -1
    path = Path(session.info.path)
    while True:
        # A look for each part, so that a recorder which still writes is never held up.
        with reading(path) as connection:
            rows: list[Row] = connection.execute(_CHECKED, (last, LONGEST, AT_ONCE)).fetchall()
            if not rows:
                return
            if rows[-1][0] <= last:
                raise sqlite3.DatabaseError("it is damaged, its rows are out of order")
            yield_this = RowBatch(rows, _expectations(connection, last, rows[-1][0]))
        last = rows[-1][0]
        yield yield_this


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
