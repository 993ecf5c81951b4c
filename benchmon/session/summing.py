"""Summaries as they grow: the least, the greatest and the mean reading of every 10 s and of every 5 min."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

SPANS = (10, 300)
"""Seconds of the spans that summaries are kept of, the finest first."""
_LATE = 2.0
"""Seconds that a span stays open after its end: a reading may come later than those of another instrument."""


@dataclass(slots=True)
class _Open:
    """One span of one channel that is not over yet."""

    number: int
    count: int = 0
    lowest: float = math.inf
    highest: float = -math.inf
    total: float = 0.0
    last_reading: int = 0
    from_reading: int | None = None

    def add(self, value: float | None, reading: int, from_reading: int | None) -> None:
        self.last_reading, self.from_reading = reading, from_reading
        if value is not None and math.isfinite(value):
            self.count += 1
            self.lowest, self.highest = min(self.lowest, value), max(self.highest, value)
            self.total += value

    def row(self, channel: int, span: int) -> tuple[Any, ...]:
        known = self.count > 0
        told = (self.lowest, self.highest, self.total / self.count) if known else (None, None, None)
        return (channel, span, self.number, self.count, *told, self.last_reading, self.from_reading)


class Summing:
    """Takes readings and gives the rows of `summaries` of the spans that are over."""

    def __init__(self) -> None:
        self._open: dict[tuple[int, int], _Open] = {}
        self._over: dict[tuple[int, int], int] = {}

    def add(
        self, channel: int, time: float, value: float | None, reading: int, from_reading: int | None
    ) -> list[tuple[Any, ...]]:
        """Take a reading of `channel` at `time` seconds; return the rows of spans that it ends.

        A reading that comes when its span is over is left out of the summaries; it is among the readings.
        """
        ended = []
        for span in SPANS:
            key, number = (channel, span), int(time // span)
            now = self._open.get(key)
            if now is not None and now.number < number:
                ended.append(self._end(key))
                now = None
            if now is None and number > self._over.get(key, -1):
                now = self._open[key] = _Open(number)
            if now is not None and now.number == number:
                now.add(value, reading, from_reading)
        return ended

    def close(self, time: float) -> list[tuple[Any, ...]]:
        """Return the rows of the spans that were over at `time` seconds, and forget them."""
        over = [key for key, each in self._open.items() if (each.number + 1) * key[1] + _LATE <= time]
        return [self._end(key) for key in over]

    def finish(self) -> list[tuple[Any, ...]]:
        """Return the rows of all spans that are open, as far as they have come."""
        return [self._end(key) for key in list(self._open)]

    def _end(self, key: tuple[int, int]) -> tuple[Any, ...]:
        ended = self._open.pop(key)
        self._over[key] = ended.number
        return ended.row(*key)
