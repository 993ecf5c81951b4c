"""Judging the readings of a session anew, by another bench: other tolerances, limits or parts.

What another bench makes of a session, judged once and kept: a replay goes back and on without judging again.

A session told again without a screen: how often each channel agreed, and what the watch said, then and now.

The watch over readings that were logged by hand or by another program.
"""

from __future__ import annotations

import math
import time
from array import array
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.cli.output import table
from benchmon.errors import BadInput, PredictionError, one_line
from benchmon.event_kinds import EventKind, traits_of
from benchmon.prediction.operating_point import Load, OperatingPointPredictor
from benchmon.prediction.predict import with_load
from benchmon.prediction.result import Prediction
from benchmon.quantities import UNITS, Expected, is_temperature
from benchmon.recorder.conditions import MeasuredConditions
from benchmon.report.formatting import clock
from benchmon.report.logged_readings import LoggedReading
from benchmon.report.what_if import WhatIf
from benchmon.session.records import RecorderState, SessionView, Update
from benchmon.session.replay import ReplayView
from benchmon.session.schema import decode_state, encode_state
from benchmon.watch.channel_history import ChannelHistory
from benchmon.watch.diagnosis.diagnosis import Explainer, steady_reading, withhold_all_clear
from benchmon.watch.heating.heating import Outlook
from benchmon.watch.plan import Plan
from benchmon.watch.power_state import LoggedPower, Series, first_of
from benchmon.watch.records import Event, Explanation, Flag, Forecast, Judgement, Verdict
from benchmon.watch.watch import Watch
from benchmon.watch.wording import flag_words


class Judging:
    """Judges recorded readings by another bench, in the order of their times."""

    def __init__(self, bench: Bench, recorded: Bench) -> None:
        self._channels = {channel.name: channel for channel in bench.channel}
        self.names = frozenset(self._channels) & frozenset(channel.name for channel in recorded.channel)
        _check_common(bench, recorded, self.names)
        self._measured = MeasuredConditions(bench)
        self._insight = ChannelHistory(bench)
        self._watch = Watch(bench.channel, self._insight)
        self._plan = Plan(bench.step)
        self._following = _Following(bench)
        self._insight.expect(self._following.nominal(None))

    def judge(self, told: Sequence[Judgement | Event]) -> tuple[list[Judgement], list[Event]]:
        """Return readings judged anew, and events: those that were told, and what the watch says now."""
        judgements: list[Judgement] = []
        events: list[Event] = []
        for record in told:
            if isinstance(record, Event):
                self._plan.take(record)
                self._measured.load = self._load()
                events.append(record)
            elif record.channel in self.names:
                for judgement, found in self._silent(record) if _is_silence(record) else [self._judged(record)]:
                    judgements.append(judgement)
                    events += found
        return judgements, events

    def _silent(self, record: Judgement) -> list[tuple[Judgement, list[Event]]]:
        """Return the channels that are stale by now, which is told where one was: by this bench it may be none yet."""
        return [told for told in self._watch.tick(record.time) if told[0].channel in self.names]

    def _judged(self, record: Judgement) -> tuple[Judgement, list[Event]]:
        self._measured.observe(record.channel, record.time, record.value)
        self._insight.power_on = self._measured.power.on_since
        expected = self._expected(self._channels[record.channel], record.time)
        return self._watch.judge(record.channel, record.time, record.value, expected)

    def _load(self) -> Load:
        begun = [stage for stage in self._plan.stages if stage.began is not None]
        return next((stage.step.load for stage in reversed(begun) if stage.step.load is not None), None)

    def _expected(self, channel: Channel, time: float) -> Expected | None:
        conditions = self._measured.now(time)
        if conditions is None or channel.quantity == "ambient.temperature":
            return None
        following = self._following
        if channel.quantity == "mains.voltage.rms":
            return following.mains()
        nominal = following.nominal(conditions.load)
        warm_for = self._measured.warm_for(channel, time, nominal)
        if conditions.mains_voltage is None:
            return nominal.at(channel.quantity, warm_for)
        try:
            follower = following.at(conditions.load)
            return follower.expected(channel.quantity, conditions.mains_voltage, conditions.ambient, since=warm_for)
        except PredictionError:
            return None


def _is_silence(record: Judgement) -> bool:
    """Return whether a record is none of a reading: it was made because none came."""
    return record.value is None and Flag.STALE in record.flags


class _Following:
    """Predictions of a bench that follow the measured mains, for each load that a step may have."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        mains = next((channel for channel in bench.channel if channel.quantity == "mains.voltage.rms"), None)
        self._accuracy = None if mains is None else mains.accuracy
        self._followers: dict[Load, OperatingPointPredictor] = {}

    def at(self, load: Load) -> OperatingPointPredictor:
        if load not in self._followers:
            self._followers[load] = OperatingPointPredictor(with_load(self._bench, load), self._accuracy)
        return self._followers[load]

    def nominal(self, load: Load) -> Prediction:
        return self.at(load).nominal

    def mains(self) -> Expected | None:
        if self._bench.mains.tolerance <= 0:
            return None
        return self.at(None).nominal.at("mains.voltage.rms")


def _check_common(bench: Bench, recorded: Bench, names: frozenset[str]) -> None:
    if not names:
        told = one_line(", ".join(channel.name for channel in recorded.channel) or "none", 200)
        raise BadInput(f"the other bench file has no channel of this session; it needs some of {told}")
    before = {channel.name: channel.quantity for channel in recorded.channel}
    for channel in bench.channel:
        if channel.name in names and UNITS[channel.quantity] != UNITS[before[channel.name]]:
            raise BadInput(
                f"channel {one_line(channel.name, 40)} is {channel.quantity} in the other bench file, and was "
                f"{before[channel.name]}: that is another unit; give it another name"
            )


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


_RETELL_SLICE = 30.0
_MOST_EVENTS = 200
_NOT_TOLD_ANEW = EventKind.CAUSE


@dataclass
class ReevaluatedChannel:
    """What was said of one channel: its readings by verdict, every flag it had, and its last judgement."""

    channel: Channel
    verdicts: Counter[Verdict] = field(default_factory=Counter)
    flags: set[Flag] = field(default_factory=set)
    last: Judgement | None = None

    def take(self, judgement: Judgement) -> None:
        """Take one more judgement."""
        self.verdicts[judgement.verdict] += 1
        self.flags |= judgement.flags
        self.last = judgement if judgement.value is not None else self.last

    @property
    def words(self) -> str:
        """How often it agreed, of how many readings that could be compared."""
        judged = sum(count for verdict, count in self.verdicts.items() if verdict is not Verdict.UNPREDICTED)
        return f"{self.verdicts[Verdict.AGREES]} of {judged}" if judged else "not compared"

    @property
    def flag_words(self) -> str:
        """The flags it had."""
        return ", ".join(flag_words(self.flags, self.channel)) or "–"


@dataclass(frozen=True)
class Retold:
    """A whole session as it was told: by channel, and the watch's events."""

    channels: dict[str, ReevaluatedChannel]
    events: tuple[Event, ...]


class _Hand:
    """A clock that is moved by hand, so that a session passes at any pace."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def retell(path: Path, bench: Bench | None = None) -> Retold:
    """Return what is told of a session as it was recorded, or with another bench.

    Raises `SessionFileError` where it is none or is damaged, `BadInput` where the bench does not fit it.
    """
    hand = _Hand()
    play = ReplayView(path, 1.0, hand)
    view: SessionView = play if bench is None else WhatIf(play, bench)
    channels = {channel.name: ReevaluatedChannel(channel) for channel in view.info.bench.channel}
    events: list[Event] = []
    for update in _updates(view, hand):
        for judgement in update.judgements:
            channels[judgement.channel].take(judgement)
        events += [event for event in update.events if not traits_of(event.kind).kept]
    view.close()
    return Retold(channels, tuple(events))


def _updates(view: SessionView, hand: _Hand) -> Iterator[Update]:
    while True:
        update = view.poll()
        yield update
        if update.state is not RecorderState.RECORDING:
            return
        hand.now += _RETELL_SLICE


def retelling_as_text(then: Retold, now: Retold | None = None) -> str:
    """Return what was said of a session, and what would be said now where that is given."""
    if now is None:
        rows = [(one_line(name), told.words, told.flag_words) for name, told in then.channels.items()]
        lines = [table(("channel", "agreed", "flags"), rows, (1,)), "", "What was said:", *_listed(then.events)]
        return "\n".join(lines)
    rows_of_both = [
        (
            one_line(name),
            then.channels[name].words if name in then.channels else "not recorded",
            told.words if told.verdicts else "no readings",
            then.channels[name].flag_words if name in then.channels else "–",
            told.flag_words,
        )
        for name, told in now.channels.items()
    ]
    said, kept = _differences(then.events, now.events)
    lines = [table(("channel", "agreed then", "would agree", "flags then", "flags now"), rows_of_both, (1, 2))]
    lines += ["", "Would have been said, and was not:", *_listed(said)]
    lines += ["", "Was said, and would not have been:", *_listed(kept)]
    if any(event.kind == _NOT_TOLD_ANEW for event in then.events):
        lines += ["", "Likely causes are not worked out anew: what was said of them is left out."]
    return "\n".join(lines)


def _differences(then: tuple[Event, ...], now: tuple[Event, ...]) -> tuple[list[Event], list[Event]]:
    """Return the events of now beyond those of then, by channel and kind, and the other way round."""
    return _beyond(now, then), _beyond([event for event in then if event.kind != _NOT_TOLD_ANEW], now)


def _beyond(events: Iterable[Event], others: Iterable[Event]) -> list[Event]:
    left = Counter((event.channel, event.kind) for event in others)
    beyond = []
    for event in events:
        if left[event.channel, event.kind]:
            left[event.channel, event.kind] -= 1
        else:
            beyond.append(event)
    return beyond


def _words(event: Event) -> str:
    return f"{event.kind}: {event.message}" if event.kind == EventKind.BENCH_EDITED else event.message


def _listed(events: tuple[Event, ...] | list[Event]) -> list[str]:
    lines = [f"{clock(event.time):>9}  {one_line(_words(event), 300)}" for event in events[:_MOST_EVENTS]]
    if len(events) > _MOST_EVENTS:
        lines.append(f"{'':>9}  and {len(events) - _MOST_EVENTS} more")
    return lines or [f"{'':>9}  nothing"]


_LAST_SECONDS = 10.0
_LATE_INTERVALS, _LATE_PERIODS = 5.0, 3.0


def assess(bench: Bench, readings: Sequence[LoggedReading], explainer: Explainer | None = None) -> dict[str, Any]:
    """Return the watch's answer to `readings` (by rising time) in the form of the contract.

    `explainer` is one of the same bench, for several logs: what it has worked out takes a second or more.

    Expected values follow the mains voltage and the ambient temperature where these were logged. A supply counts as
    settled from the first line on, unless the log shows it switched on or warming up from cold. Raises
    `PredictionError` where the bench itself cannot be solved.
    """
    log = _Log(bench, readings, explainer or Explainer(bench))
    events = log.run()
    return {
        "channels": {name: _channel_as_dict(last, log.forecast(name)) for name, last in log.last()},
        "events": [_event_as_dict(event) for event in events],
        "explanations": [
            {"cause": one.cause, "likelihood": one.likelihood, "message": one.message} for one in log.explanations()
        ],
    }


class _Log:
    """A log of readings, run through the watch once."""

    def __init__(self, bench: Bench, readings: Sequence[LoggedReading], explainer: Explainer) -> None:
        self._bench = bench
        self._explainer = explainer
        self._readings = readings
        self._channels = {channel.name: channel for channel in bench.channel}
        self._ambient = Series.of(readings, first_of(bench, "ambient.temperature"))
        mains = first_of(bench, "mains.voltage.rms")
        measured = mains.accuracy if mains is not None and len(Series.of(readings, mains).times) else None
        self._following = OperatingPointPredictor(bench, measured)
        self._power = LoggedPower(bench, readings, self._following.nominal)
        self._insight = ChannelHistory(bench, self._power.came_on)
        self._insight.expect(self._following.nominal)
        self._watch = Watch(bench.channel, self._insight)
        self._last: dict[str, Judgement] = {}

    def run(self) -> list[Event]:
        """Judge every reading; return all events by time."""
        events: list[Event] = []
        for one in self._readings:
            expected = self._expected(self._channels[one.channel], one.time)
            self._last[one.channel], found = self._watch.judge(one.channel, one.time, one.value, expected)
            events += found
        end = self._readings[-1].time if self._readings else 0.0
        events += self._insight.finish(end)
        return sorted(events + self._silences(), key=lambda event: event.time)

    def last(self) -> list[tuple[str, Judgement]]:
        """Return the last judgement of each channel that was read, with all flags known at the end."""
        found = []
        for name in self._channels:
            if name in self._last:
                last = self._last[name]
                flags = last.flags | self._insight.flags(name) | ({Flag.STALE} if self._is_late(name) else set())
                found.append((name, replace(last, flags=frozenset(flags))))
        return found

    def outlook(self, name: str) -> Outlook | None:
        """Return where a temperature was going at its last reading."""
        return self._insight.outlook(name, self._last[name].time)

    def forecast(self, name: str) -> Forecast | None:
        """Return where a channel was heading at its last reading."""
        if self._channels[name].quantity == "ambient.temperature":
            return None  # the air goes where the room takes it
        last = self._last[name]
        return self._insight.forecast(name, last.time, last.value)

    def explanations(self) -> list[Explanation]:
        """Return the causes of how the channels read at the end, or when the supply was last powered.

        A log without any power is asked why there is none.
        """
        powered = [one for one in self._readings if self._power.is_on(one.time)] or self._readings
        if not powered:
            return []
        found, left_out = [], {}
        for name, channel in self._channels.items():
            own = [one for one in powered if one.channel == name and not math.isnan(one.value)]
            if not own:
                continue
            recent = [one.value for one in own if one.time >= own[-1].time - _LAST_SECONDS]
            # Of a step within these seconds the median takes one side; the mean would be a value nobody read.
            read = median(recent) if all(map(math.isfinite, recent)) else own[-1].value
            read *= self._since(channel, own[-1].time, powered[-1].time)
            one = steady_reading(channel, read, self.outlook(name), was_warm=self._power.came_on is None)
            if one is None:
                left_out[name] = self.outlook(name)
            else:
                found.append(one)
        last = [judgement for _, judgement in self.last()]
        return withhold_all_clear(self._explainer.explain(found), last, left_out)

    def _since(self, channel: Channel, last: float, end: float) -> float:
        """Return by what the mains have changed a channel's reading since it was `last` read, till the log's `end`.

        Meters read one after another by hand, or one that fell silent, are then compared at one and the same mains.
        """
        if end - last <= _LAST_SECONDS or self._power.channel is None or channel is self._power.channel:
            return 1.0
        then, now = self._expected(channel, last), self._expected(channel, end)
        if then is None or now is None or is_temperature(channel.quantity):
            return 1.0
        # Near zero a change is no ratio.
        return now.value / then.value if abs(then.value) > then.uncertainty else 1.0

    def _expected(self, channel: Channel, time: float) -> Expected | None:
        quantity = channel.quantity
        # What a prediction is made from cannot be judged by it: the mains has the bench file's tolerance to keep.
        if quantity == "ambient.temperature" or not self._power.is_on(time):
            return None
        if quantity == "mains.voltage.rms":
            return self._following.nominal.at(quantity) if self._bench.mains.tolerance > 0 else None
        since = None if self._power.came_on is None else max(0.0, time - self._power.came_on)
        mains = self._power.mains(time)
        if mains is None or channel is self._power.channel:
            return self._following.nominal.at(quantity, since)
        try:
            return self._following.expected(quantity, mains, self._ambient.at(time), since=since)
        except PredictionError:
            return None

    def _is_late(self, name: str) -> bool:
        """Return whether a channel fell silent before the log's end."""
        return self._readings[-1].time > self._late_from(name)

    def _late_from(self, name: str) -> float:
        """Return when a channel's silence counts, after its last reading: late by its own pace and by its period."""
        times = [one.time for one in self._readings if one.channel == name]
        pace = float(np.median(np.diff(times))) if len(times) > 2 else math.inf
        return times[-1] + max(_LATE_INTERVALS * pace, _LATE_PERIODS * self._channels[name].period)

    def _silences(self) -> list[Event]:
        return [
            Event(
                self._late_from(name),
                name,
                EventKind.STALE,
                f"{name} has given no reading since {last.time:.6g} s: stale",
            )
            for name, last in self._last.items()
            if self._is_late(name)
        ]


def _channel_as_dict(last: Judgement, forecast: Forecast | None) -> dict[str, Any]:
    final = ahead = None
    if forecast is not None:
        ahead = forecast.to_limit
        if forecast.final is not None and forecast.uncertainty is not None:
            final = {"value": forecast.final, "uncertainty": forecast.uncertainty}
    return {
        "value": last.value,
        "expected": last.expected,
        "en": last.en,
        "verdict": str(last.verdict),
        "flags": sorted(str(flag) for flag in last.flags),
        "final": final,
        "time_to_limit_s": 0.0 if Flag.TRIPPED in last.flags else ahead,
    }


def _event_as_dict(event: Event) -> dict[str, Any]:
    return {"time_s": event.time, "channel": event.channel, "kind": event.kind, "message": event.message}
