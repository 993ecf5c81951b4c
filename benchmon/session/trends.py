"""The trend of a channel over any time: from the summaries where these are fine enough, else from the readings.

So hours are drawn from a few thousand rows, however many readings there were.
"""

from __future__ import annotations

import math
import sqlite3
from dataclasses import dataclass
from itertools import chain
from typing import Any

from benchmon.bench import Bench
from benchmon.quantities import Expected
from benchmon.session.bands import band, first_reading_at
from benchmon.session.rows import number_of, session_time
from benchmon.session.schema import to_microseconds
from benchmon.session.summing import SPANS
from benchmon.session.view import Part

__all__ = ["Trends", "first_reading_at"]

_OVERTAKE = 5.0
"""Seconds by which instruments' threads may overtake each other in the order of the readings."""
_MOST_ROWS = 500_000


@dataclass(frozen=True, slots=True)
class _Piece:
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
    ) -> tuple[Part, ...]:
        """Return what `channel` read from `since` to `until` (session seconds) in `parts` parts of the same length."""
        width = (until - since) / parts if parts > 0 else 0.0
        if channel not in self._numbers or not 0 < width < math.inf:
            return ()
        pieces: list[_Piece] = []
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

    def add(self, piece: _Piece) -> None:
        self._count += piece.count
        self._total += piece.count * piece.mean
        self._lowest, self._highest = min(self._lowest, piece.lowest), max(self._highest, piece.highest)

    def part(self, start: float, end: float) -> Part:
        if not self._count:
            return Part(start, end)
        return Part(start, end, self._count, self._lowest, self._highest, self._total / self._count)


def _summaries(
    connection: sqlite3.Connection, channel: Any, span: int, since: float, until: float
) -> list[tuple[float, _Piece]]:
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
            found.append(((number + 1) * float(span), _Piece((number + 0.5) * span, count, *known)))
    return found


def _readings(connection: sqlite3.Connection, channel: Any, since: float, until: float) -> list[_Piece]:
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
            found.append(_Piece(time, 1, value, value, value))
    return found
