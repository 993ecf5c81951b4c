"""When a channel is due: on a grid of its own period, without drift, and without catching up on what was missed."""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping

from benchmon.instruments.reading import Reading
from benchmon.instruments.settings import Limits


def next_on_grid(due: float, period: float, now: float) -> float:
    """Return the first time after `now` on the grid `due`, `due + period`, … (seconds).

    >>> next_on_grid(10.0, 1.0, 10.2), next_on_grid(10.0, 1.0, 13.5)
    (11.0, 14.0)
    """
    return due + period * (math.floor((now - due) / period) + 1)


class Schedule:
    """Which polled channel is asked next. Overdue channels come in the order in which they fell due."""

    def __init__(self, periods: Mapping[str, float], start: float) -> None:
        self._periods = dict(periods)
        self._heap = [(start, order, name) for order, name in enumerate(periods)]
        heapq.heapify(self._heap)

    @property
    def next_due(self) -> float:
        """The time at which the next channel is due, inf if there is none."""
        return self._heap[0][0] if self._heap else math.inf

    def take(self, now: float) -> str:
        """Return the channel that is due first, and set it to its next time after `now`."""
        due, order, name = self._heap[0]
        heapq.heapreplace(self._heap, (next_on_grid(due, self._periods[name], now), order, name))
        return name

    def take_together(self, now: float) -> list[str]:
        """Return every channel that is due at `now`, and set each to its next time after it."""
        taken: list[str] = []
        while self.next_due <= now:
            taken.append(self.take(now))
        return taken


class Thinned:
    """Thins a stream to one reading a channel and period: the newest. Times are seconds.

    What is past a limit is never lost among the others: the first reading past a limit passes at once, and when the
    period ends, the farthest past one goes before the newest.
    """

    def __init__(self, periods: Mapping[str, float], limits: Mapping[str, Limits] | None = None) -> None:
        self._channels = {
            name: _Thinning(period, (limits or {}).get(name, Limits())) for name, period in periods.items()
        }

    def offer(self, reading: Reading) -> list[Reading]:
        """Take a reading; return what passes at once. An older one that is still held is dropped for it."""
        return self._channels[reading.channel].offer(reading)

    def take(self, now: float) -> list[Reading]:
        """Return the held readings whose channels are due at `now`."""
        return [reading for channel in self._channels.values() for reading in channel.take(now)]

    @property
    def next_due(self) -> float:
        """The time at which the next held reading is due, inf if none is held."""
        return min((channel.next_due for channel in self._channels.values()), default=math.inf)


class _Thinning:
    """One channel of a stream: its newest reading, and the farthest past a limit on either side."""

    def __init__(self, period: float, limits: Limits) -> None:
        self._period, self._limits = period, limits
        self._due = -math.inf
        self._newest: Reading | None = None
        self._lowest: Reading | None = None
        self._highest: Reading | None = None
        self._told: frozenset[float] = frozenset()
        """The limits past which a reading has passed at once, and that the stream has not come back from."""

    @property
    def next_due(self) -> float:
        return math.inf if self._newest is None else self._due

    def offer(self, reading: Reading) -> list[Reading]:
        past = self._limits.passed(reading.value)
        if past - self._told:
            self._told |= past
            self._newest = None
            return [*self._let_go(), reading]
        self._newest = reading
        if past and past.issubset(self._limits.above):
            self._highest = max(self._highest or reading, reading, key=_value)
        elif past:
            self._lowest = min(self._lowest or reading, reading, key=_value)
        return []

    def take(self, now: float) -> list[Reading]:
        newest = self._newest
        if newest is None or self._due > now:
            return []
        self._due = next_on_grid(now if self._due == -math.inf else self._due, self._period, now)
        self._told &= self._limits.passed(newest.value)
        self._newest = None
        return [*(reading for reading in self._let_go() if reading.value != newest.value), newest]

    def _let_go(self) -> list[Reading]:
        """Return the farthest readings that are held, in the order of time, and hold them no longer."""
        held = [reading for reading in (self._lowest, self._highest) if reading is not None]
        self._lowest = self._highest = None
        return sorted(held, key=lambda reading: reading.time)


def _value(reading: Reading) -> float:
    return 0.0 if reading.value is None else reading.value
