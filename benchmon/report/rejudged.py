"""What another bench makes of a session, judged once and kept: a replay goes back and on without judging again."""

from __future__ import annotations

import math
import time
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from pathlib import Path

from benchmon.bench import Bench
from benchmon.event_kinds import traits_of
from benchmon.prediction.result import Expected
from benchmon.report.judging import Judging
from benchmon.session.replay import ReplayView
from benchmon.session.schema import decode_state, encode_state
from benchmon.session.view import RecorderState
from benchmon.watch.records import Event, Judgement

_SLICE = 5.0
"""Seconds of session that are judged at a time."""


class Rejudged:
    """Judges a session from its begin, as far as it is asked to, and keeps what it found: 50 bytes a reading.

    Raises `BadInput` where no channel is common to both benches, `SessionFileError` where the file is damaged.
    """

    def __init__(self, path: Path | str, bench: Bench) -> None:
        self._play = ReplayView(path, 1.0, lambda: 0.0)
        self._judging = Judging(bench, self._play.info.bench)
        self.names = self._judging.names
        self._channels = [channel.name for channel in bench.channel if channel.name in self.names]
        self._units = {channel.name: channel.unit for channel in bench.channel}
        self._places: dict[str, array[int]] = {name: array("L") for name in self._channels}
        self._which, self._states = array("H"), array("B")
        self._times, self._numbers = array("d"), array("d")
        self.events: list[Event] = []
        self._event_times: list[float] = []
        self._reached, self._is_whole = -1.0, False

    def judge_until(self, until: float) -> None:
        """Judge what was told until a session time, as far as that has not been done."""
        while self._reached < until and not self._is_whole:
            self._judge_a_slice(min(until, self._reached + _SLICE))

    def judge_for(self, seconds: float) -> None:
        """Judge what comes next for so many seconds by the clock, so that it is known when it is asked for."""
        end = time.monotonic() + seconds
        while not self._is_whole and time.monotonic() < end:
            self._judge_a_slice(self._reached + _SLICE)

    def event_times(self, after: float, tell: Callable[[float], object] = lambda _: None) -> Sequence[float]:
        """Return the times of the events, in order: all until the first one after a session time, perhaps more.

        `tell` is told how far that has come, in session seconds; what it raises ends this, and nothing is lost.
        """
        while not self._is_whole and (not self._event_times or self._event_times[-1] <= after):
            tell(self._reached)
            self._judge_a_slice(self._reached + _SLICE)
        return self._event_times

    def count_until(self, until: float) -> int:
        """Return how many readings there are until a session time that has been judged."""
        return bisect_right(self._times, until)

    def begin_at(self, since: float) -> tuple[int, list[Judgement]]:
        """Return the place of the first reading from a session time on, and the last one of every channel before."""
        place = bisect_left(self._times, since)
        last = [places[at - 1] for places in self._places.values() if (at := bisect_left(places, place))]
        return place, [self._judgement(one) for one in sorted(last)]

    def judgements(self, first: int, last: int) -> list[Judgement]:
        """Return the readings of these places, judged."""
        return [self._judgement(place) for place in range(first, last)]

    def events_between(self, first: int, until: float) -> list[Event]:
        """Return the events from a place on until a session time."""
        return self.events[first : bisect_right(self._event_times, until)]

    def expected(self, channel: str, at: float) -> Expected | None:
        """Return what `channel` was expected to read at a session time, None where nothing was, or is known yet."""
        places = self._places.get(channel)
        if not places or at > self._reached:
            return None
        found = bisect_right(places, at, key=self._times.__getitem__)
        value, spread = (
            self._numbers[5 * places[found - 1] + 2 : 5 * places[found - 1] + 4] if found else (math.nan,) * 2
        )
        return Expected(value, spread, self._units[channel]) if math.isfinite(value) else None

    def _judge_a_slice(self, until: float) -> None:
        self._play.advance_to(until)
        update = self._play.poll()
        told: list[Judgement | Event] = list(update.judgements)
        told += [event for event in update.events if traits_of(event.kind).kept]
        judgements, events = self._judging.judge(sorted(told, key=lambda record: record.time))
        for one in judgements:
            self._keep(one)
        for event in sorted(events, key=lambda event: event.time):
            self.events.append(event)
            self._event_times.append(max(event.time, self._event_times[-1] if self._event_times else 0.0))
        self._reached = until
        if update.state is not RecorderState.RECORDING:
            self._reached, self._is_whole = math.inf, True

    def _keep(self, one: Judgement) -> None:
        self._places[one.channel].append(len(self._times))
        self._which.append(self._channels.index(one.channel))
        self._states.append(encode_state(one.verdict, one.flags))
        # Instruments overtake each other by a little; a reading is not told before the one that stands before it.
        self._times.append(max(one.time, self._times[-1] if self._times else 0.0))
        numbers = (one.value, one.uncertainty, one.expected, one.expected_uncertainty, one.en)
        self._numbers.extend(math.nan if number is None else number for number in numbers)

    def _judgement(self, place: int) -> Judgement:
        verdict, flags = decode_state(self._states[place])
        value, uncertainty, expected, spread, en = (
            None if math.isnan(one) else one for one in self._numbers[5 * place : 5 * place + 5]
        )
        channel, at = self._channels[self._which[place]], self._times[place]
        return Judgement(channel, at, value, uncertainty, expected, spread, en, verdict, flags)
