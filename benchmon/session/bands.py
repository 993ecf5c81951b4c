"""What a channel was expected to read over a span of time, in parts, as a trend shows it."""

from __future__ import annotations

import math
import sqlite3
from bisect import bisect_right
from typing import Any

from benchmon.quantities import Expected
from benchmon.session.rows import number_of
from benchmon.session.schema import to_microseconds

_MOST_ROWS = 200_000


def band(
    connection: sqlite3.Connection, channel: Any, unit: str, span: tuple[float, float], parts: int
) -> tuple[Expected | None, ...]:
    """Return what was expected of a channel (its number) in the middle of each of `parts` parts of `span`, in seconds.

    None where nothing was expected.
    """
    since, until = span
    width = (until - since) / parts if parts > 0 else 0.0
    if not 0 < width < math.inf:
        return ()
    middles = [first_reading_at(connection, since + (at + 0.5) * width) for at in range(parts)]
    rows = connection.execute(
        "SELECT from_reading, value, uncertainty FROM expectations"
        " WHERE channel = ? AND from_reading <= ? ORDER BY from_reading DESC LIMIT ?",
        (channel, middles[-1], _MOST_ROWS),
    ).fetchall()[::-1]
    begins = [row[0] for row in rows]
    places = [bisect_right(begins, middle) - 1 for middle in middles]
    return tuple(_expected(rows[place][1:], unit) if place >= 0 else None for place in places)


def _expected(row: tuple[Any, ...], unit: str) -> Expected | None:
    value, uncertainty = number_of(row[0]), number_of(row[1])
    if value is None or uncertainty is None or not math.isfinite(value) or not 0 <= uncertainty < math.inf:
        return None
    return Expected(value, uncertainty, unit)


def first_reading_at(connection: sqlite3.Connection, time: float) -> int:
    """Return the number of about the first reading at or after `time`, in session seconds, by halving."""
    wanted = to_microseconds(max(0.0, time))
    # Two questions: asked for both at once, SQLite would look at every row.
    low, high = connection.execute(
        "SELECT coalesce((SELECT min(id) FROM readings), 1), coalesce((SELECT max(id) FROM readings), 0) + 1"
    ).fetchone()
    if not (isinstance(low, int) and isinstance(high, int)):
        return 1
    while low < high:
        middle = (low + high) // 2
        row = connection.execute("SELECT time FROM readings WHERE id >= ? LIMIT 1", (middle,)).fetchone()
        if row is None or (isinstance(row[0], int) and row[0] >= wanted):
            high = middle
        else:
            low = middle + 1
    return int(low)
