"""A session as CSV, a line a reading; of a long one a second process writes the second half meanwhile."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import IO, Any

import numpy as np

from benchmon.prediction.result import Floats
from benchmon.report.counting import MOST_CHANNELS
from benchmon.report.csv_lines import MOST_NUMBERS, Lines, Part
from benchmon.report.plain_text import csv_line
from benchmon.report.recorded import RecordedSession
from benchmon.report.rows_out import LONGEST
from benchmon.report.second_half import SecondHalf
from benchmon.session.database import reading

LONG_COLUMNS = (
    "time_s",
    "time",
    "channel",
    "quantity",
    "value",
    "unit",
    "expected",
    "expected_uncertainty",
    "verdict",
    "flags",
)
_AT_ONCE = 20_000
_WORTH_A_PROCESS = 300_000
"""Readings from which on a second process gains more than its start takes."""
_LAST = 2**62
_STATES = 256
_A_NUMBER = _STATES * MOST_CHANNELS

# Three columns are fetched in less time than five.
_ROWS = """
    SELECT time, (id - :after) * :a_number + channel * :states + (state & :states - 1), value FROM readings
    WHERE id > :after AND id <= :up_to AND typeof(value) = 'real' AND typeof(state) = 'integer'
        AND typeof(channel) = 'integer' AND channel BETWEEN 0 AND :channels - 1
        AND typeof(time) = 'integer' AND time BETWEEN 0 AND :longest
    ORDER BY id LIMIT :count
"""
_SIZES = {"a_number": _A_NUMBER, "states": _STATES, "channels": MOST_CHANNELS, "longest": LONGEST}
_EXPECTED = """
    SELECT channel, from_reading - :after,
        CASE typeof(value) WHEN 'real' THEN value END, CASE typeof(uncertainty) WHEN 'real' THEN uncertainty END
    FROM expectations
    WHERE from_reading > :after AND from_reading <= :up_to AND typeof(channel) = 'integer'
    ORDER BY from_reading
"""


def write_long(session: RecordedSession, path: Path) -> int:
    """Write a line for each usable reading, its value to the last bit; return how many."""
    with reading(session.path) as connection:
        last = connection.execute("SELECT max(id) FROM readings").fetchone()[0] or 0
    with path.open("wb") as out:
        out.write(csv_line(LONG_COLUMNS).encode())
        if last < _WORTH_A_PROCESS:
            return write_lines(session, out)
        middle = last // 2
        with SecondHalf(session.path, middle, last, path.parent) as second:
            written = write_lines(session, out, up_to=middle)
            found = second.take(out)
        # What the other process could not do is done here, which also says why it cannot be done.
        written += write_lines(session, out, middle, last) if found is None else found
        return written + write_lines(session, out, last)


def write_lines(session: RecordedSession, out: IO[bytes], after: int = -1, up_to: float = math.inf) -> int:
    """Write the lines of the readings numbered above `after` and at most `up_to`; return how many."""
    lines, written = Lines(session, MOST_CHANNELS), 0
    for part in _parts(session, after, int(min(up_to, _LAST))):
        count, told = lines.of(part)
        out.write(told)
        written += count
    return written


def _parts(session: RecordedSession, after: int, up_to: int) -> Iterator[Part]:
    """Yield the readings numbered above `after` and at most `up_to`, some thousand at a time."""
    with reading(session.path) as connection:
        yield _part(np.empty((0, 3)), connection.execute(_EXPECTED, {"after": -1, "up_to": after}).fetchall())
    while True:
        # A look for each part, so that a recorder which still writes is never held up.
        with reading(session.path) as connection:
            found = connection.execute(_ROWS, _SIZES | {"after": after, "up_to": up_to, "count": _AT_ONCE})
            rows = np.fromiter(chain.from_iterable(found), np.float64).reshape(-1, 3)
            if not len(rows):
                return
            if not _A_NUMBER <= rows[0, 1] <= rows[-1, 1] < MOST_NUMBERS * _A_NUMBER:
                raise sqlite3.DatabaseError("it is damaged, its rows are out of order")
            last = after + int(rows[-1, 1]) // _A_NUMBER
            expected = connection.execute(_EXPECTED, {"after": after, "up_to": last}).fetchall()
        yield _part(rows, expected)
        after = last


def _part(rows: Floats, expected: list[Any]) -> Part:
    numbered = rows[:, 1].astype(np.int64)
    return Part(
        rows[:, 0].astype(np.int64),
        numbered // _A_NUMBER,
        numbered // _STATES % MOST_CHANNELS,
        numbered % _STATES,
        rows[:, 2],
        expected,
    )
