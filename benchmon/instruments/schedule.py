"""When a channel is due: on a grid of its own period, without drift, and without catching up on what was missed."""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping

from benchmon.instruments.reading import Reading


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


class NewestWins:
    """Thins a stream to one reading a channel and period: the newest. Times are seconds."""

    def __init__(self, periods: Mapping[str, float]) -> None:
        self._periods = dict(periods)
        self._due: dict[str, float] = {}
        self._held: dict[str, Reading] = {}

    def offer(self, reading: Reading) -> None:
        """Hold `reading` until its channel is due; an older one that is still held is dropped."""
        self._held[reading.channel] = reading

    def take(self, now: float) -> list[Reading]:
        """Return the held readings whose channels are due at `now`."""
        due = [name for name in self._held if self._due.get(name, now) <= now]
        for name in due:
            self._due[name] = next_on_grid(self._due.get(name, now), self._periods[name], now)
        return [self._held.pop(name) for name in due]

    @property
    def next_due(self) -> float:
        """The time at which the next held reading is due, inf if none is held."""
        return min((self._due.get(name, -math.inf) for name in self._held), default=math.inf)
