"""The trend of a channel over any time: from the summaries where these are fine enough, otherwise from the readings.

So hours are drawn from a few thousand rows, however many readings there were. The expected values over a span of time
come in parts, as a trend shows them.
"""

from __future__ import annotations

import math
import sqlite3
from bisect import bisect_right
from dataclasses import dataclass
from itertools import chain
from typing import Any

from benchmon.bench import Bench
from benchmon.quantities import Expected
from benchmon.session.records import TrendBin
from benchmon.session.schema import SPANS, number_of, session_time, to_microseconds

_MOST_BAND_ROWS = 200_000


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
        (channel, middles[-1], _MOST_BAND_ROWS),
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


__all__ = ["Trends", "first_reading_at"]

_OVERTAKE = 5.0
"""Seconds by which instruments' threads may overtake each other in the order of the readings."""
_MOST_ROWS = 500_000


@dataclass(frozen=True, slots=True)
class _TrendPiece:
    """Readings that are counted together at `time`."""

    time: float
    count: int
    lowest: float
    highest: float
    mean: float


class Trends:
    """Gives trends of a session's channels."""

    def __init__(self, connection: sqlite3.Connection, bench: Bench, layout: int) -> None:
        known = {channel.name for channel in bench.channel}
        rows = connection.execute("SELECT id, name FROM channels LIMIT ?", (len(known) + 1,)).fetchall()
        self._numbers = {name: number for number, name in rows if name in known}
        self._units = {channel.name: channel.unit for channel in bench.channel}
        self._spans = sorted(SPANS, reverse=True) if layout >= 2 else []

    def trend(
        self, connection: sqlite3.Connection, channel: str, since: float, until: float, parts: int
    ) -> tuple[TrendBin, ...]:
        """Return what `channel` read from `since` to `until` (session seconds) in `parts` parts of the same length."""
        width = (until - since) / parts if parts > 0 else 0.0
        if channel not in self._numbers or not 0 < width < math.inf:
            return ()
        pieces: list[_TrendPiece] = []
        done = since
        for span in self._spans:
            if span <= width:
                found = _summaries(connection, self._numbers[channel], span, done, until)
                pieces += (piece for _, piece in found)
                done = max(done, *(end for end, _ in found)) if found else done
        readings = _readings(connection, self._numbers[channel], done, until) if done < until else ()
        collected = [_Sum() for _ in range(parts)]
        for piece in chain(pieces, readings):
            collected[min(parts - 1, max(0, int((piece.time - since) / width)))].add(piece)
        return tuple(one.part(since + at * width, since + (at + 1) * width) for at, one in enumerate(collected))

    def band(
        self, connection: sqlite3.Connection, channel: str, since: float, until: float, parts: int
    ) -> tuple[Expected | None, ...]:
        """Return what `channel` was expected to read in the middle of each of such parts, None where nothing was."""
        if channel not in self._numbers:
            return ()
        return band(connection, self._numbers[channel], self._units[channel], (since, until), parts)


class _Sum:
    """Pieces put together."""

    def __init__(self) -> None:
        self._count, self._total, self._lowest, self._highest = 0, 0.0, math.inf, -math.inf

    def add(self, piece: _TrendPiece) -> None:
        self._count += piece.count
        self._total += piece.count * piece.mean
        self._lowest, self._highest = min(self._lowest, piece.lowest), max(self._highest, piece.highest)

    def part(self, start: float, end: float) -> TrendBin:
        if not self._count:
            return TrendBin(start, end)
        return TrendBin(start, end, self._count, self._lowest, self._highest, self._total / self._count)


def _summaries(
    connection: sqlite3.Connection, channel: Any, span: int, since: float, until: float
) -> list[tuple[float, _TrendPiece]]:
    """Return the summaries of `channel` that end after `since` and begin before `until`, each with its end."""
    rows = connection.execute(
        "SELECT number, count, lowest, highest, mean FROM summaries"
        " WHERE channel = ? AND span = ? AND number >= ? AND number < ? ORDER BY number LIMIT ?",
        (channel, span, math.floor(since / span), math.ceil(until / span), _MOST_ROWS),
    )
    found = []
    for number, count, *numbers in rows:
        known = [each for each in map(number_of, numbers) if each is not None]
        if isinstance(count, int) and 0 < count < 1e9 and len(known) == 3:
            found.append(((number + 1) * float(span), _TrendPiece((number + 0.5) * span, count, *known)))
    return found


def _readings(connection: sqlite3.Connection, channel: Any, since: float, until: float) -> list[_TrendPiece]:
    rows = connection.execute(
        "SELECT time, value FROM readings WHERE id >= ? AND id < ? AND channel = ? AND time >= ? AND time < ? LIMIT ?",
        (
            first_reading_at(connection, since - _OVERTAKE),
            first_reading_at(connection, until + _OVERTAKE),
            channel,
            to_microseconds(since),
            to_microseconds(until),
            _MOST_ROWS,
        ),
    )
    found = []
    for stored_time, stored_value in rows:
        time, value = session_time(stored_time), number_of(stored_value)
        if time is not None and value is not None and math.isfinite(value):
            found.append(_TrendPiece(time, 1, value, value, value))
    return found
