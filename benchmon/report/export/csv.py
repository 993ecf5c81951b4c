"""A session as CSV, a line a reading; of a long one a second process writes the second half meanwhile.

A session as CSV, a line a span of time: a column a channel, the last reading in each span.
"""

from __future__ import annotations

import math
import sqlite3
import time
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import IO, Any

import numpy as np

from benchmon.bench import Channel
from benchmon.errors import BadInput
from benchmon.report.counting import MOST_CHANNELS
from benchmon.report.csv_lines import MOST_NUMBERS, Integers, Lines, Part
from benchmon.report.escaping import csv_line, for_cell
from benchmon.report.export.rows import LONGEST, parts_of
from benchmon.report.second_half import SecondHalf
from benchmon.report.session_reader import RecordedSession
from benchmon.session.database import reading
from benchmon.signals.arrays import Floats

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

_WHOLE = "SELECT time, channel, state, value FROM readings WHERE id > :after AND id <= :after + :count ORDER BY id"
_CHECKED = """
    SELECT id - :after, time, channel, state & 255, value FROM readings
    WHERE id > :after AND id <= :up_to AND typeof(value) = 'real' AND typeof(state) = 'integer'
        AND typeof(channel) = 'integer' AND channel BETWEEN 0 AND :channels - 1
        AND typeof(time) = 'integer' AND time BETWEEN 0 AND :longest
    ORDER BY id LIMIT :count
"""
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
        # The second process starts later.
        middle = last * 53 // 100
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
        before = connection.execute(_EXPECTED, {"after": -1, "up_to": after}).fetchall()
    yield _part(np.empty(0, np.int64), np.empty((0, 4)), before)
    while True:
        # A look for each part, so that a recorder which still writes is never held up.
        with reading(session.path) as connection:
            numbers, rows = _rows(connection, after, up_to)
            if not len(rows):
                return
            if not 1 <= numbers[0] <= numbers[-1] < MOST_NUMBERS:
                raise sqlite3.DatabaseError("it is damaged, its rows are out of order")
            last = after + int(numbers[-1])
            expected = connection.execute(_EXPECTED, {"after": after, "up_to": last}).fetchall()
        yield _part(numbers, rows, expected)
        after = last


def _rows(connection: sqlite3.Connection, after: int, up_to: int) -> tuple[Integers, Floats]:
    """Return the next readings: their numbers, counted from `after`, and times, channels, states and values (n, 4).

    Numbers need not be fetched, and SQLite need not look at each value, where no number is missing and all makes sense.
    A value may be NaN then, where there was none.
    """
    asked = {"after": after, "up_to": up_to, "count": _AT_ONCE, "channels": MOST_CHANNELS, "longest": LONGEST}
    if up_to - after >= _AT_ONCE:
        try:
            rows = _fetched(connection.execute(_WHOLE, asked), 4)
        except ValueError:
            rows = np.empty((0, 4))
        if len(rows) == _AT_ONCE and _makes_sense(rows):
            return np.arange(1, _AT_ONCE + 1), rows
    rows = _fetched(connection.execute(_CHECKED, asked), 5)
    return rows[:, 0].astype(np.int64), rows[:, 1:]


def _fetched(cursor: sqlite3.Cursor, columns: int) -> Floats:
    return np.fromiter(chain.from_iterable(cursor), np.float64).reshape(-1, columns)


def _makes_sense(rows: Floats) -> bool:
    least, most = rows[:, :3].min(0), rows[:, :3].max(0)
    in_range = np.all(least >= 0) and np.all(most < [LONGEST + 1, MOST_CHANNELS, _STATES])
    return bool(in_range and np.all(rows[:, :3] == np.floor(rows[:, :3])))


def _part(numbers: Integers, rows: Floats, expected: list[Any]) -> Part:
    times, channels, states = (rows[:, place].astype(np.int64) for place in range(3))
    part = Part(times, numbers, channels, states, rows[:, 3], expected)
    return part.where(~np.isnan(part.values))


_KEPT = 1000
_MOST_LINES = 50_000_000


class _Seconds(dict[int, str]):
    """Whole seconds since 1970 as ISO 8601 in UTC; each is written once and kept."""

    def __missing__(self, second: int) -> str:
        if len(self) > _KEPT:
            self.clear()
        self[second] = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(second))
        return self[second]


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
