"""The watch itself: it takes readings in the order of their times and returns judgements and events.

It knows no clock: every time is in session seconds and comes from the caller, so a recording, a replay and a test
get the same answers.

A reading is judged by the expected value in force. That follows the prediction once it has moved by a twentieth of its
uncertainty, so that a record of it stays small; En and verdict belong to the value that is stored beside the reading.
Drift is watched by the prediction itself, which moves without steps.

The kinds of its events: `agrees`, `questionable`, `disagrees` (a verdict changed), `hot` and `tripped` (limits),
`stale`, `overrange`, `no reading`, and `cleared` where one of these is over. A trip is never cleared. With a
`ChannelHistory` its kinds are added: drift, heat, and readings that contradict each other.
"""

from __future__ import annotations

import math
from collections.abc import Container, Sequence
from dataclasses import replace

from benchmon.bench import Channel
from benchmon.event_kinds import EventKind
from benchmon.quantities import OVERRANGE_FROM, Expected
from benchmon.watch import wording
from benchmon.watch.channel_history import ChannelHistory
from benchmon.watch.limits import Crossing, TripLatch, has_limits, is_clear_of_warning, warning_crossed
from benchmon.watch.records import NO_FLAGS, Event, Flag, Judgement
from benchmon.watch.verdict import Latched, SteadyVerdict, judgement_of, spread_of

STALE_AFTER_PERIODS = 3
_HOLD = 0.05
"""Part of its uncertainty by which an expected value must move before the new one comes into force."""


class Watch:
    """Judges every reading of `channels`: agreement, limits, silence; with `channel_history` also drift and heat.

    Limits are judged on every usable reading, whatever its verdict. A trip's flag stays for the whole session; a limit
    that is passed again after a reading clearly inside it is a new event, so that the power is switched off again. A
    channel is stale after three of its periods without a usable reading, counted from `began` at the start. An
    overrange display is a usable reading, beyond every limit of its side. A channel that falls silent keeps its last
    flags: what was hot stays so until a reading shows otherwise.
    """

    def __init__(
        self, channels: Sequence[Channel], channel_history: ChannelHistory | None = None, began: float = 0.0
    ) -> None:
        self._channels = {channel.name: _WatchedChannel(channel, began) for channel in channels}
        self._history = channel_history

    def change(self, channels: Sequence[Channel]) -> None:
        """Judge by other limits and accuracies of the same channels from now on. What has tripped stays tripped."""
        for channel in channels:
            self._channels[channel.name].change(channel)

    def judge(
        self, channel: str, time: float, value: float | None, expected: Expected | None = None, problem: str = ""
    ) -> tuple[Judgement, list[Event]]:
        """Return the judgement of one reading of `channel`, and the events it causes.

        `value` is in the quantity's unit, None where there is none; `problem` then says why. Raises `KeyError` for a
        channel that is not watched.
        """
        judgement, events = self._channels[channel].judge(time, value, expected, problem)
        if self._history is not None and value is not None and abs(value) < OVERRANGE_FROM:
            events += self._history.update(channel, time, value, expected, judgement.en)
        return self._with_history(judgement), events

    def tick(self, now: float, among: Container[str] | None = None) -> list[tuple[Judgement, list[Event]]]:
        """Return a judgement, with its events, for each channel, of those `among` some, that is stale by `now`."""
        found = (each.tick(now) for name, each in self._channels.items() if among is None or name in among)
        return [(self._with_history(silence[0]), silence[1]) for silence in found if silence is not None]

    def _with_history(self, judgement: Judgement) -> Judgement:
        flags = self._history.flags(judgement.channel) if self._history is not None else NO_FLAGS
        return replace(judgement, flags=judgement.flags | flags) if flags else judgement


class _WatchedChannel:
    """One channel's history, as far as the watch needs it."""

    def __init__(self, channel: Channel, began: float) -> None:
        self._channel = channel
        self._last_usable = began
        self._expected: Expected | None = None
        self._problem = ""
        self._is_stale = self._is_hot = self._is_tripped = False
        self._is_limited = has_limits(channel)
        self._trip = TripLatch(channel)
        self._past_since: float | None = None
        self._steady = SteadyVerdict()
        self._hot, self._stale, self._overrange, self._silent = Latched(), Latched(), Latched(), Latched()

    def change(self, channel: Channel) -> None:
        self._channel, self._is_limited = channel, has_limits(channel)
        self._trip.change(channel)

    def judge(
        self, time: float, value: float | None, expected: Expected | None, problem: str
    ) -> tuple[Judgement, list[Event]]:
        self._expected = expected = self._in_force(expected)
        if value is None or math.isnan(value):
            return self._without_value(time, problem)
        self._last_usable = max(self._last_usable, time)
        self._is_stale, self._problem = False, ""
        events = self._watch_limits(time, value)
        judgement = judgement_of(self._channel, time, value, expected, self._flags(value))
        events += self._watch_state(time, value)
        verdict = self._steady.update(value, judgement.en, spread_of(judgement))
        if verdict is not None:
            events.append(
                self._event(time, EventKind(verdict), wording.verdict_sentence(self._channel, judgement, verdict))
            )
        return judgement, events

    def _in_force(self, fresh: Expected | None) -> Expected | None:
        """Return what was expected before, or what is expected now where that has moved enough."""
        held = self._expected
        if fresh is None or held is None:
            return fresh
        moved = max(abs(held.value - fresh.value), abs(held.uncertainty - fresh.uncertainty))
        return held if moved <= _HOLD * held.uncertainty else fresh

    def tick(self, now: float) -> tuple[Judgement, list[Event]] | None:
        silence = now - self._last_usable
        if self._is_stale or silence <= STALE_AFTER_PERIODS * self._channel.period:
            return None
        self._is_stale = True
        events = []
        if self._stale.update(True):
            events.append(
                self._event(now, EventKind.STALE, wording.stale_sentence(self._channel, silence, self._problem))
            )
        return judgement_of(self._channel, now, None, self._expected, self._flags(None)), events

    def _without_value(self, time: float, problem: str) -> tuple[Judgement, list[Event]]:
        self._problem = problem
        events = []
        if self._silent.update(True):
            events.append(self._event(time, EventKind.NO_READING, wording.problem_sentence(self._channel, problem)))
        return judgement_of(self._channel, time, None, self._expected, self._flags(None)), events

    def _flags(self, value: float | None) -> frozenset[Flag]:
        if not (self._is_tripped or self._is_stale or self._is_hot) and (value is None or not math.isinf(value)):
            return NO_FLAGS
        flags = {Flag.TRIPPED} if self._is_tripped else set()
        if self._is_stale:
            flags.add(Flag.STALE)
        if self._is_hot:
            flags.add(Flag.HOT)
        if value is not None and math.isinf(value):
            flags.add(Flag.OVERRANGE)
        return frozenset(flags)

    def _watch_limits(self, time: float, value: float) -> list[Event]:
        if not self._is_limited and not self._hot.announced:
            self._is_hot = False
            return []
        events = []
        trip = self._trip.update(value)
        if trip:
            # The flag stays; a second crossing is a new event, since it must switch off again.
            self._is_tripped = True
            events.append(self._event(time, EventKind.TRIPPED, wording.trip_sentence(self._channel, value, trip)))
        warning = warning_crossed(self._channel, value)
        self._is_hot = warning is not None
        change = self._hot.update(self._is_to_be_announced(time, value, warning))
        if warning and change:
            events.append(self._event(time, EventKind.HOT, wording.past(self._channel, value, warning)))
        elif change is False:
            events.append(
                self._event(
                    time, EventKind.CLEARED, f"{wording.reading_words(self._channel, value)}, inside its warning again"
                )
            )
        return events

    def _is_to_be_announced(self, time: float, value: float, warning: Crossing | None) -> bool:
        """Return whether a warning has lasted for its delay, or was announced and is not clearly over."""
        is_clear = is_clear_of_warning(self._channel, value)
        if is_clear:
            self._past_since = None
        elif warning and self._past_since is None:
            self._past_since = time
        if warning and self._past_since is not None:
            return self._hot.announced or time - self._past_since >= self._channel.warn_delay
        return self._hot.announced and not is_clear

    def _watch_state(self, time: float, value: float) -> list[Event]:
        """Return the events of a channel that shows overrange, or reads again."""
        is_over = math.isinf(value)
        if not (is_over or self._overrange.announced or self._stale.announced or self._silent.announced):
            return []
        events = []
        over = self._overrange.update(is_over)
        reads = [self._stale.update(False), self._silent.update(False)]
        if over:
            events.append(self._event(time, EventKind.OVERRANGE, wording.overrange_sentence(self._channel, value)))
        if over is False or False in reads:
            events.append(self._event(time, EventKind.CLEARED, f"{self._channel.name} reads again"))
        return events

    def _event(self, time: float, kind: EventKind, message: str) -> Event:
        return Event(time, self._channel.name, kind, message)
