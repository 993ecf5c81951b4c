"""Readings of one channel that come and go, as at an intermittent contact, or stand still though they must move."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchmon.bench import Channel
from benchmon.quantities import Expected, format_value, is_temperature
from benchmon.text import duration
from benchmon.watch.records import Explanation
from benchmon.watch.verdict import AGREES_UP_TO, QUESTIONABLE_UP_TO
from benchmon.watch.wording import shown_unit, value_in_words

RECENTLY = 240.0
"""Seconds for which a change between agreeing and disagreeing counts."""

_MOST_CHANGES = 200
_INTERMITTENT, _STILL_INTERMITTENT = 8, 4
"""Recent changes from which on a contact is intermittent, and below which it no longer is."""
_FROZEN_READINGS, _FROZEN_SECONDS = 10, 20.0
"""Readings, and seconds, of exactly one value before it can count as frozen."""

_FROM_ZERO = 2.0
_MUST_MOVE = 1.0
"""Times a meter's expanded uncertainty by which what is expected must have moved meanwhile."""


class VerdictChanges:
    """Counts how often a channel went from agreeing to disagreeing or back. A questionable reading is neither.

    `is_intermittent` is whether that happens so often that it can only be a contact that opens and closes.
    """

    def __init__(self) -> None:
        self.is_intermittent = False
        self._disagrees: bool | None = None
        self._times: deque[float] = deque(maxlen=_MOST_CHANGES)

    def update(self, time: float, en: float | None) -> bool:
        """Take the En of a reading at `time` (session seconds), None where nothing is expected.

        Return whether `is_intermittent` began or ended with it.
        """
        if en is not None and not AGREES_UP_TO < abs(en) <= QUESTIONABLE_UP_TO:
            disagrees = abs(en) > QUESTIONABLE_UP_TO
            if self._disagrees is not None and disagrees is not self._disagrees:
                self._times.append(time)
            self._disagrees = disagrees
        if not self._times:
            return False
        count, was = self.recently(time), self.is_intermittent
        self.is_intermittent = count >= (_STILL_INTERMITTENT if was else _INTERMITTENT)
        return self.is_intermittent is not was

    def recently(self, now: float) -> int:
        """Return how many changes there were within `RECENTLY` seconds before `now` (session seconds)."""
        while self._times and self._times[0] < now - RECENTLY:
            self._times.popleft()
        return len(self._times)


@dataclass(frozen=True, slots=True)
class Standstill:
    """A value that stands still since a session time (s), and by how much it should have moved; both in its unit."""

    value: float
    since: float
    should_have_moved: float


class StandstillWatch:
    """Finds a value that stays exactly the same while what is expected of it, at the measured mains, moves.

    Temperatures are left out: they follow late. So is a value that does not differ from zero: a dead circuit reads it.
    """

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._follows = not is_temperature(channel.quantity)
        self._value = math.nan
        self._since, self._count = 0.0, 0
        self._lowest, self._highest = math.inf, -math.inf
        self.found: Standstill | None = None

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
        # What reads less than expected also moves by less.
        part = abs(value) / max(abs(self._lowest), abs(self._highest), 1e-300)
        moved = (self._highest - self._lowest) * min(1.0, part)
        is_frozen = self._count >= _FROZEN_READINGS and time - self._since >= _FROZEN_SECONDS
        accuracy = self._channel.accuracy
        if self.found is not None or not is_frozen or abs(value) <= _FROM_ZERO * accuracy.of(0.0):
            return False
        if moved <= _MUST_MOVE * accuracy.of(value):
            return False
        self.found = Standstill(value, self._since, moved)
        return True

    def sentence(self, now: float) -> str:
        """Return in words that the value is frozen at `now` (session seconds), or that it moves again."""
        name, found = self._channel.name, self.found
        unit = shown_unit(self._channel.quantity, self._channel.unit)
        if found is None:
            return f"{name} moves again"
        return (
            f"{name} has read exactly {value_in_words(found.value, unit)} for {duration(now - found.since)}, while "
            f"what is expected of it moved by {value_in_words(found.should_have_moved, unit, 2)}: its display is held, "
            "or its data are old"
        )


AS_LIKELY = 0.95
"""Likelihood of a cause that the course of a channel shows: hardly anything else looks like it. On twelve of the drawn
supplies 60 to 72, all of 16 such causes were right."""


def intermittent_cause(channels: Sequence[str], changes: int) -> Explanation:
    """Return the cause of `channels` that agree and disagree in turn, `changes` times lately.

    One channel alone has a bad lead; where several change, the circuit has the bad joint.
    """
    name, others = channels[0], len(channels) - 1
    where = f"{name}: an intermittent contact at its leads" if not others else "an intermittent contact in the circuit"
    evidence = f"{name} agreed and disagreed in turn {changes} times in {duration(RECENTLY)}"
    advice = "move its leads and look at the reading" if not others else "look for a loose terminal or a cold joint"
    return _cause(where, evidence + (f", and {others} more channels did so" if others else ""), advice, channels)


def frozen_cause(channel: str, unit: str, frozen: Standstill, now: float) -> Explanation:
    """Return the cause of a value that stands still at `now` (session seconds)."""
    evidence = f"{channel} has read exactly {format_value(frozen.value, unit)} for {duration(now - frozen.since)}"
    advice = "release the display's hold, or look whether what logs it still gets new data"
    return _cause(f"{channel}: its value is frozen", evidence, advice, (channel,))


def drifting_meter_cause(channel: str, sentence: str) -> Explanation:
    """Return the cause that the mains meter drifts, with the `sentence` that says how far and who shows it."""
    return Explanation(f"{channel}: its meter drifts", AS_LIKELY, sentence, (channel,))


def _cause(cause: str, evidence: str, advice: str, channels: Sequence[str]) -> Explanation:
    return Explanation(
        cause, AS_LIKELY, f"{evidence}: {cause.removeprefix(f'{channels[0]}: ')}; {advice}", tuple(channels)
    )


def with_causes_of_courses(ranked: Sequence[Explanation], found: Sequence[Explanation]) -> list[Explanation]:
    """Return `ranked` behind the causes that courses show; all likelihoods together stay at most 1.

    A single channel's cause comes first only where `ranked` names none, one that is likelier not so, or one of the same
    channel.
    """
    first = ranked[0] if ranked else None
    names_none = first is None or first.cause in ("nothing wrong", "none of these") or first.likelihood < 0.5
    fits = [
        one
        for one in found
        if len(one.channels) != 1 or names_none or (first and set(one.channels) & set(first.channels))
    ]
    if not fits:
        return list(ranked)
    left = 1.0 - AS_LIKELY
    shared = [replace(one, likelihood=AS_LIKELY / len(fits)) for one in fits]
    return [*shared, *(replace(one, likelihood=left * one.likelihood) for one in ranked)]
