"""Readings of one channel that come and go, as at an intermittent contact, or stand still though they must move."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from benchmon.bench import Channel
from benchmon.quantities import Expected, format_value, is_temperature
from benchmon.text import duration
from benchmon.watch.verdict import AGREES_UP_TO, QUESTIONABLE_UP_TO

RECENTLY = 240.0
"""Seconds for which a change between agreeing and disagreeing counts."""

_MOST_CHANGES = 200
_FROZEN_READINGS, _FROZEN_SECONDS = 10, 20.0
"""Readings, and seconds, of exactly one value before it can count as frozen."""

_FROM_ZERO = 2.0
_MUST_MOVE = 1.0
"""Times a meter's expanded uncertainty by which what is expected must have moved meanwhile."""


class VerdictChanges:
    """Counts how often a channel went from agreeing to disagreeing or back. A questionable reading is neither."""

    def __init__(self) -> None:
        self._disagrees: bool | None = None
        self._times: deque[float] = deque(maxlen=_MOST_CHANGES)

    def update(self, time: float, en: float | None) -> None:
        """Take the En of a reading at `time` (session seconds), None where nothing is expected."""
        if en is None or AGREES_UP_TO < abs(en) <= QUESTIONABLE_UP_TO:
            return
        disagrees = abs(en) > QUESTIONABLE_UP_TO
        if self._disagrees is not None and disagrees is not self._disagrees:
            self._times.append(time)
        self._disagrees = disagrees

    def recently(self, now: float) -> int:
        """Return how many changes there were within `RECENTLY` seconds before `now` (session seconds)."""
        while self._times and self._times[0] < now - RECENTLY:
            self._times.popleft()
        return len(self._times)


@dataclass(frozen=True, slots=True)
class Frozen:
    """A value that stands still since a session time (s), and by how much it should have moved; both in its unit."""

    value: float
    since: float
    should_have_moved: float


class FrozenValue:
    """Finds a value that stays exactly the same while what is expected of it, at the measured mains, moves.

    Temperatures are left out: they follow late. So is a value that cannot be told from zero: a dead circuit reads it.
    """

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._follows = not is_temperature(channel.quantity)
        self._value = math.nan
        self._since, self._count = 0.0, 0
        self._lowest, self._highest = math.inf, -math.inf
        self.found: Frozen | None = None

    def change(self, channel: Channel) -> None:
        """Go by another description of the same channel."""
        self._channel = channel

    def update(self, time: float, value: float, expected: Expected | None) -> bool:
        """Take a finite reading at `time` (session seconds); return whether `found` began or ended with it."""
        if not self._follows:
            return False
        if value != self._value or expected is None:
            self._value, self._since, self._count = value, time, 1
            self._lowest, self._highest = math.inf, -math.inf
            ended, self.found = self.found is not None, None
            if expected is not None:
                self._lowest = self._highest = expected.value
            return ended
        self._count += 1
        self._lowest, self._highest = min(self._lowest, expected.value), max(self._highest, expected.value)
        moved = self._highest - self._lowest
        is_frozen = self._count >= _FROZEN_READINGS and time - self._since >= _FROZEN_SECONDS
        accuracy = self._channel.accuracy
        if self.found is not None or not is_frozen or abs(value) <= _FROM_ZERO * accuracy.of(0.0):
            return False
        if moved <= _MUST_MOVE * accuracy.of(value):
            return False
        self.found = Frozen(value, self._since, moved)
        return True

    def sentence(self, now: float) -> str:
        """Return in words that the value is frozen at `now` (session seconds), or that it moves again."""
        name, unit, found = self._channel.name, self._channel.unit, self.found
        if found is None:
            return f"{name} moves again"
        return (
            f"{name} has read exactly {format_value(found.value, unit)} for {duration(now - found.since)}, while what "
            f"is expected of it moved by {format_value(found.should_have_moved, unit, 2)}: its display is held, or its "
            "data are old"
        )
