"""A session as CSV: a line a reading, or a line a span of time."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

from benchmon.bench import Channel
from benchmon.errors import BadInput
from benchmon.report.plain_text import csv_cell, csv_line, for_cell
from benchmon.report.recorded import RecordedSession
from benchmon.report.rows_out import LONGEST, parts_of, words_of_states
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
_KEPT = 1000
_MOST_LINES = 50_000_000


class _Seconds(dict[int, str]):
    """Whole seconds since 1970 as ISO 8601 in UTC; each is written once and kept."""

    def __missing__(self, second: int) -> str:
        if len(self) > _KEPT:
            self.clear()
        self[second] = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(second))
        return self[second]


_LINES = """
    SELECT count(*), group_concat(
        printf('%d.%06d,%s.%06dZ,%s,%!.15g,%s,%s,%s',
            time / 1000000, time % 1000000,
            strftime('%Y-%m-%dT%H:%M:%S', (:began + time) / 1000000, 'unixepoch'), (:began + time) % 1000000,
            name, value, unit,
            coalesce((SELECT text FROM temp.expected WHERE expected.channel = readings.channel AND begin <= readings.id
                ORDER BY begin DESC LIMIT 1), ','),
            words),
        char(10))
    FROM readings CROSS JOIN temp.named CROSS JOIN temp.states
    WHERE readings.id > :after AND readings.id <= :up_to AND named.channel = readings.channel
        AND states.state = (readings.state & 255) AND typeof(value) = 'real' AND typeof(readings.state) = 'integer'
        AND typeof(time) = 'integer' AND time BETWEEN 0 AND :longest
"""
"""SQLite writes the lines itself: for millions of them that is quicker than Python could."""

_EXPECTED = """
    INSERT OR REPLACE INTO temp.expected
    SELECT channel, from_reading,
        CASE WHEN typeof(value) = 'real' AND typeof(uncertainty) = 'real' AND abs(value) < 1e300
            THEN printf('%!.9g,%!.6g', value, uncertainty) ELSE ',' END
    FROM expectations
    WHERE from_reading > :after AND from_reading <= :up_to AND typeof(channel) = 'integer'
"""
_PAST = """
    DELETE FROM temp.expected
    WHERE begin < (SELECT max(begin) FROM temp.expected AS later WHERE later.channel = expected.channel)
"""


def write_long(session: RecordedSession, path: Path) -> int:
    """Write a line for each usable reading, values to 15 digits; return how many."""
    written, after = 0, -1
    with path.open("w", encoding="utf-8", newline="") as out, reading(session.path) as connection:
        out.write(csv_line(LONG_COLUMNS))
        _prepare(connection, session)
        while True:
            asked = {"began": round(session.info.started * 1e6), "after": after, "longest": LONGEST}
            up_to = connection.execute(
                "SELECT max(id) FROM (SELECT id FROM readings WHERE id > ? ORDER BY id LIMIT ?)", (after, _AT_ONCE)
            ).fetchone()[0]
            if up_to is None:
                return written
            connection.execute(_EXPECTED, {"after": after, "up_to": up_to})
            count, lines = connection.execute(_LINES, {**asked, "up_to": up_to}).fetchone()
            if count:
                out.write(lines + "\n")
                written += count
            connection.execute(_PAST)
            after = up_to


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


def write_wide(session: RecordedSession, path: Path, every: float = 1.0) -> int:
    """Write a line for each span of `every` seconds that has a reading; return how many."""
    if not 0.01 <= every <= 86_400:
        raise BadInput(f"--every {every:g}: must be between 0.01 and 86400 seconds")
    if session.duration / every > _MOST_LINES:
        raise BadInput(f"--every {every:g}: makes more than {_MOST_LINES} lines; take a longer span")
    began, seconds = round(session.info.started * 1e6), _Seconds()
    places = {number: place for place, number in enumerate(session.numbers)}
    written = 0
    with path.open("w", encoding="utf-8", newline="") as out:
        out.write(csv_line(["time_s", "time", *(_heading(channel) for channel in session.numbers.values())]))
        for span, values in _spans(session, places, round(every * 1e6)):
            at = round(span * every * 1e6)
            second, rest = divmod(began + at, 1_000_000)
            out.write(f"{at / 1e6!r},{seconds[second]}.{rest:06d}Z,{','.join(values)}\n")
            written += 1
    return written


def _heading(channel: Channel) -> str:
    return for_cell(f"{channel.name} [{channel.unit}]" if channel.unit else channel.name)


def _spans(session: RecordedSession, places: dict[int, int], width: int) -> Iterator[tuple[int, list[str]]]:
    """Yield each span's number with the last value of every channel in it; instruments may overtake each other."""
    waiting: dict[int, list[str]] = {}
    for part in parts_of(session):
        for _, channel, at, value, _ in part.rows:
            place = places.get(channel)
            if place is not None and value is not None:
                cells = waiting.get(at // width)
                if cells is None:
                    cells = waiting[at // width] = [""] * len(places)
                cells[place] = repr(value)
        newest = max(waiting, default=0)
        for span in sorted(waiting):
            if span < newest - max(5_000_000 // width, 1):
                yield span, waiting.pop(span)
    for span in sorted(waiting):
        yield span, waiting[span]
