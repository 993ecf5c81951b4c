"""A session as CSV, a line a reading.

SQLite writes the lines itself, which for millions of them is quicker than Python could. Of a long session a second
process writes the second half meanwhile (`second_half`): on threads SQLite would wait for its own locks.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from benchmon.report.counting import last_of_range
from benchmon.report.plain_text import csv_cell, csv_line
from benchmon.report.recorded import RecordedSession
from benchmon.report.rows_out import LONGEST, words_of_states
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
_AT_ONCE = 10_000
"""Readings whose lines SQLite makes in one piece: below the 4 MB that a value of a session may have."""
_WORTH_A_PROCESS = 300_000
"""Readings from which on a second process gains more than its start takes."""
_DAY = 86_400_000_000

_LINES = """
    SELECT count(*), CAST(group_concat(
        printf('%d.%06d,%sT%02d:%02d:%02d.%06dZ,%s,%!.15g,%s,%s,%s',
            time / 1000000, time % 1000000,
            CASE (:began + time) / 86400000000 WHEN :day THEN :date
                ELSE strftime('%Y-%m-%d', (:began + time) / 1000000, 'unixepoch') END,
            (:began + time) / 3600000000 % 24, (:began + time) / 60000000 % 60, (:began + time) / 1000000 % 60,
            (:began + time) % 1000000,
            name, value, unit,
            coalesce((SELECT text FROM temp.expected WHERE expected.channel = readings.channel AND begin <= readings.id
                ORDER BY begin DESC LIMIT 1), ','),
            CASE readings.state WHEN 0 THEN 'agrees,'
                ELSE (SELECT words FROM temp.states WHERE states.state = (readings.state & 255)) END),
        char(10)) AS BLOB)
    FROM readings CROSS JOIN temp.named
    WHERE readings.id > :after AND readings.id <= :up_to AND named.channel = readings.channel
        AND typeof(value) = 'real' AND typeof(readings.state) = 'integer'
        AND typeof(time) = 'integer' AND time BETWEEN 0 AND :longest
"""
_EXPECTED = """
    SELECT channel, from_reading,
        CASE WHEN typeof(value) = 'real' AND typeof(uncertainty) = 'real' AND abs(value) < 1e300
            THEN printf('%!.9g,%!.6g', value, uncertainty) ELSE ',' END
    FROM expectations
    WHERE from_reading > :after AND from_reading <= :up_to AND typeof(channel) = 'integer'
    ORDER BY from_reading
"""


@dataclass(frozen=True)
class _Range:
    """Readings of these numbers, `after` itself not among them, and what was expected: channel, from when on, text."""

    after: int
    up_to: int
    expected: list[tuple[int, int, str]]


def write_long(session: RecordedSession, path: Path) -> int:
    """Write a line for each usable reading, values to 15 digits; return how many."""
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
    written = 0
    for part in _ranges(session, after, up_to):
        count, lines = _lines(session, part)
        out.write(lines)
        written += count
    return written


def _ranges(session: RecordedSession, after: int, end: float) -> Iterator[_Range]:
    """Yield the readings of a session in ranges of some thousand, each with what was expected in it."""
    with reading(session.path) as connection:
        changes = connection.execute(_EXPECTED, {"after": -1, "up_to": after}).fetchall()
    latest = {channel: text for channel, _, text in changes}
    while after < end:
        # A look for each part, so that a recorder which still writes is never held up.
        with reading(session.path) as connection:
            up_to = last_of_range(connection, after, _AT_ONCE)
            if up_to is None:
                return
            up_to = int(min(up_to, end))
            changes = connection.execute(_EXPECTED, {"after": after, "up_to": up_to}).fetchall()
        before = [(channel, after, text) for channel, text in latest.items()]
        latest.update((channel, text) for channel, _, text in changes)
        yield _Range(after, up_to, before + changes)
        after = up_to


def _lines(session: RecordedSession, part: _Range) -> tuple[int, bytes]:
    """Return how many lines a range of readings makes, and the lines."""
    began = round(session.info.started * 1e6)
    with reading(session.path) as connection:
        _prepare(connection, session)
        connection.executemany("INSERT OR REPLACE INTO temp.expected VALUES (?, ?, ?)", part.expected)
        first = connection.execute(
            "SELECT time FROM readings WHERE id > ? AND typeof(time) = 'integer' AND time BETWEEN 0 AND ? LIMIT 1",
            (part.after, LONGEST),
        ).fetchone()
        day = (began + (first[0] if first else 0)) // _DAY
        asked = {
            "began": began,
            "after": part.after,
            "up_to": part.up_to,
            "longest": LONGEST,
            # Nearly all lines are of one day, whose date is written once.
            "day": day,
            "date": f"{datetime.fromtimestamp(day * 86_400, UTC):%Y-%m-%d}",
        }
        count, lines = connection.execute(_LINES, asked).fetchone()
    return count, lines + b"\n" if count else b""


def _prepare(connection: sqlite3.Connection, session: RecordedSession) -> None:
    """Lay out tables in memory of what is the same in many lines: names as they stand in CSV, and words of states."""
    connection.execute("PRAGMA temp_store = MEMORY")
    connection.execute("CREATE TEMP TABLE named (channel INTEGER PRIMARY KEY, name TEXT, unit TEXT)")
    connection.execute("CREATE TEMP TABLE states (state INTEGER PRIMARY KEY, words TEXT)")
    connection.execute(
        "CREATE TEMP TABLE expected (channel INTEGER, begin INTEGER, text TEXT, PRIMARY KEY (channel, begin))"
        " WITHOUT ROWID"
    )
    named = [(number, f"{csv_cell(one.name)},{one.quantity}", one.unit) for number, one in session.numbers.items()]
    connection.executemany("INSERT INTO temp.named VALUES (?, ?, ?)", named)
    states = [(state, f"{verdict},{flags}") for state, (verdict, flags) in enumerate(words_of_states())]
    connection.executemany("INSERT INTO temp.states VALUES (?, ?)", states)
