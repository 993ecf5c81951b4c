"""The trend of a channel: its recent past in a few characters, one for every few seconds."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterable

from benchmon.screen.symbols import SymbolSet
from benchmon.session.records import TrendBin

MARK_SECONDS = 5.0
_KEPT = 64


class TrendBuffer:
    """Means of a channel over spans of time, the latest `_KEPT` of them.

    A span lasts five seconds, or two periods of a channel that is read more slowly, so that every span has a reading.
    """

    def __init__(self, period: float = 1.0) -> None:
        self.span = max(MARK_SECONDS, 2.0 * period)
        self._sums: OrderedDict[int, tuple[float, int]] = OrderedDict()
        self._floor = 0.0

    def add(self, time: float, value: float | None, uncertainty: float | None = None) -> None:
        """Take a reading; one without a finite value leaves a gap.

        Movement within the meter's `uncertainty` is drawn small, so that noise looks like the nothing it is.
        """
        if value is None or not math.isfinite(value) or not math.isfinite(time):
            return
        if uncertainty is not None and math.isfinite(uncertainty):
            self._floor = abs(uncertainty)
        index = math.floor(time / self.span)
        total, count = self._sums.get(index, (0.0, 0))
        self._sums[index] = (total + value, count + 1)
        while len(self._sums) > _KEPT:
            self._sums.popitem(last=False)

    @property
    def reach(self) -> float:
        """Return how far back it goes at most, in seconds."""
        return _KEPT * self.span

    def prime(self, parts: Iterable[TrendBin]) -> None:
        """Take what was before the first reading that was added, from a trend of the session."""
        first = min(self._sums, default=math.inf)
        before = {math.floor(part.start / self.span): (part.mean, 1) for part in parts if part.mean is not None}
        older = {index: pair for index, pair in before.items() if index < first}
        self._sums = OrderedDict(sorted((older | self._sums).items())[-_KEPT:])

    def latest(self, now: float) -> int | None:
        """Return the number of the span that `now` is in; what is drawn moves on with it."""
        return math.floor(now / self.span) if math.isfinite(now) else None

    def means(self, now: float, count: int) -> list[float | None]:
        """Return the means of the `count` spans up to `now`, oldest first; None where there was no reading."""
        if not math.isfinite(now):
            return [None] * count
        last = math.floor(now / self.span)
        means: list[float | None] = []
        for index in range(last - count + 1, last + 1):
            total, readings = self._sums.get(index, (math.nan, 1))
            mean = total / readings
            means.append(mean if math.isfinite(mean) else None)
        return means

    def draw(self, now: float, width: int, symbols: SymbolSet) -> str:
        """Return the trend up to `now`, exactly `width` columns, a blank for every gap."""
        means = self.means(now, max(0, width))
        known = [mean for mean in means if mean is not None]
        if not known:
            return " " * max(0, width)
        low, high = min(known), max(known)
        middle, room = high / 2 + low / 2, max(high / 2 - low / 2, 2 * self._floor, 1e-12)
        levels = symbols.trend
        return "".join(" " if mean is None else levels[_level(mean, middle, room, len(levels))] for mean in means)


def _level(mean: float, middle: float, room: float, levels: int) -> int:
    """Return the level of `mean`, `room` being what the half of all levels stand for.

    `middle` is the middle of a level, not a line between two, so that a steady value does not flicker.
    """
    part = (mean / 2 - middle / 2) / room * levels
    return min(levels - 1, max(0, levels // 2 + round(part))) if math.isfinite(part) else 0
