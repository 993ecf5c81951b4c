"""Readings judged afterwards: a log from a file, or a session by another bench.

There is one way, which is the recorder's: readings in the order of their times go through the expectation and the watch
of a bench (`Reevaluation`). `assess` takes a log; `benchmon.report.reevaluated_session` takes a session.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median
from typing import Any, Protocol

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import EventKind
from benchmon.prediction.result import Prediction
from benchmon.quantities import is_temperature
from benchmon.report.logged_conditions import LoggedConditions, first_of
from benchmon.watch.channel_history import ChannelHistory
from benchmon.watch.conditions import Conditions
from benchmon.watch.diagnosis.explainer import Explainer
from benchmon.watch.diagnosis.statement import statements, steady_reading
from benchmon.watch.expectation import Expectation, MeasuredState, Predictions
from benchmon.watch.plausibility.steadiness import with_causes_of_courses
from benchmon.watch.records import Event, Explanation, Flag, Forecast, Judgement, LoggedReading
from benchmon.watch.watch import STALE_AFTER_PERIODS, Watch

_LAST_SECONDS = 10.0
"""Seconds of readings of a channel of which the median is explained."""
_WARM_AFTER = 3.0
"""Time constants after which a part counts as warm: a twentieth of its rise is missing."""


class ReadingConditions(MeasuredState, Protocol):
    """Conditions that follow the readings."""

    @property
    def power_on(self) -> float | None:
        """When a cold supply was switched on (session seconds), None while it is off or where it has long been on."""

    @property
    def was_on(self) -> bool:
        """Whether the supply was found on: nothing shows it being switched on, or cold."""

    def observe(self, channel: str, time: float, value: float | None) -> None:
        """Take a reading."""


@dataclass(slots=True)
class _Lately:
    """The last usable readings of a channel, and the conditions of the last one of them."""

    readings: deque[tuple[float, float]] = field(default_factory=deque)
    conditions: Conditions | None = None

    def take(self, time: float, value: float, conditions: Conditions | None) -> None:
        self.readings.append((time, value))
        while self.readings[0][0] < time - _LAST_SECONDS:
            self.readings.popleft()
        self.conditions = conditions

    @property
    def typical(self) -> float:
        """The median; of a step it takes one side, where the mean would be a value nobody read."""
        values = [value for _, value in self.readings]
        return median(values) if all(map(math.isfinite, values)) else values[-1]


class Reevaluation:
    """Judges the readings of a bench as a recorder does, by conditions that follow them. Give them by rising time.

    `began` is when the time begins, in session seconds. Raises `PredictionError` where the bench itself cannot be
    solved.
    """

    def __init__(
        self, bench: Bench, predictions: Predictions, conditions: ReadingConditions, began: float = 0.0
    ) -> None:
        self._channels = {channel.name: channel for channel in bench.channel}
        self._predictions, self._conditions = predictions, conditions
        self._reported_of: Prediction | None = None
        self.channel_history = ChannelHistory(bench, conditions.power_on)
        self._watch = Watch(bench.channel, self.channel_history, began)
        self._expectation = Expectation(bench, predictions, conditions)
        self._expect(predictions.nominal)
        self._lately: dict[str, _Lately] = {}
        self._end: tuple[float, Conditions | None] = (began, None)

    def judge(self, channel: str, time: float, value: float | None) -> tuple[Judgement, list[Event]]:
        """Return the judgement of a reading, and the events it causes. Raises `KeyError` for an unknown channel."""
        self._conditions.observe(channel, time, value)
        conditions = self._conditions.now(time)
        self.channel_history.power_on = self._conditions.power_on
        expected = None
        if conditions is not None:
            expected = self._expectation.expected_at(self._channels[channel], time, conditions)
            self._expect(self._predictions.latest)
        self._remember(channel, time, value, conditions)
        return self._watch.judge(channel, time, value, expected)

    def silences(self, now: float, among: Container[str]) -> list[tuple[Judgement, list[Event]]]:
        """Return the judgements and events of those channels `among` some that have turned stale by `now`."""
        return self._watch.tick(now, among)

    def explanations(self, explainer: Explainer, last: Mapping[str, Judgement]) -> list[Explanation]:
        """Return the causes of how the channels read at the end of the powered time, the likeliest first.

        `last` holds the last judgement of each channel that was read. Where nothing shows any power, what was read is
        explained all the same: why there is none. Raises `PredictionError` where the bench itself cannot be solved.
        """
        found, left_out = [], {}
        for name, channel in self._channels.items():
            if name not in self._lately:
                continue
            outlook = self.channel_history.outlook(name, last[name].time)
            read = self._lately[name].typical * self._change_of_mains(channel)
            one = steady_reading(channel, read, outlook, was_warm=self._is_warm(channel))
            if one is None:
                left_out[name] = outlook
            else:
                found.append(one)
        if not found and not left_out:
            return []
        ranked = statements(explainer.explain(found), last.values(), left_out)
        return with_causes_of_courses(ranked, self.channel_history.causes(self._end[0]))

    def _expect(self, prediction: Prediction | None) -> None:
        if prediction is not None and prediction is not self._reported_of:
            self._reported_of = prediction
            self.channel_history.expect(prediction)

    def _remember(self, channel: str, time: float, value: float | None, conditions: Conditions | None) -> None:
        """Keep what is read till the end of the powered time; all, while no reading was under power."""
        if conditions is None and self._end[1] is not None:
            return
        if conditions is not None and self._end[1] is None:
            self._lately.clear()
        self._end = (time, conditions)
        if value is not None and not math.isnan(value):
            self._lately.setdefault(channel, _Lately()).take(time, value, conditions)

    def _change_of_mains(self, channel: Channel) -> float:
        """Return by what the mains have changed a channel's reading since its last one, till the end of powered time.

        Meters read one after another by hand, or one that fell silent, are then compared at one and the same mains.
        """
        lately, (end, now) = self._lately[channel.name], self._end
        last, then = lately.readings[-1][0], lately.conditions
        if end - last <= _LAST_SECONDS or then is None or now is None or is_temperature(channel.quantity):
            return 1.0
        if channel.quantity == "mains.voltage.rms":
            return 1.0
        before = self._expectation.expected_at(channel, last, then)
        after = self._expectation.expected_at(channel, end, now)
        if before is None or after is None:
            return 1.0
        # Near zero a change is no ratio.
        return after.value / before.value if abs(before.value) > before.uncertainty else 1.0

    def _is_warm(self, channel: Channel) -> bool:
        """Return whether a temperature of which too little was seen counts as it is: the supply has long been on."""
        prediction = self._reported_of
        constant = None if prediction is None else prediction.warm_up.get(channel.quantity)
        if not self._conditions.was_on or prediction is None or constant is None:
            return self._conditions.was_on
        warm_for = self._conditions.warm_for(channel, self._end[0], prediction)
        return warm_for is None or warm_for > _WARM_AFTER * constant


_ROUND = 0.05
"""Seconds between two looks for silence, as a recorder has them."""
_LATE_INTERVALS, _LATE_PERIODS = 5.0, 3.0


def assess(bench: Bench, readings: Sequence[LoggedReading], explainer: Explainer | None = None) -> dict[str, Any]:
    """Return the watch's answer to `readings` (by rising time) in the form of the contract.

    `explainer` is one of the same bench, for several logs: what it has worked out takes a second or more.

    Expected values follow the mains voltage and the ambient temperature where these were logged, see
    `LoggedConditions`.
    Raises `PredictionError` where the bench itself cannot be solved.
    """
    log = _Log(bench, readings)
    events = log.run()
    last = log.last()
    causes = log.judged.explanations(explainer or Explainer(bench), last) if readings else []
    return {
        "channels": {name: _channel_as_dict(one, log.forecast(one)) for name, one in last.items()},
        "events": [_event_as_dict(event) for event in events],
        "explanations": [{"cause": one.cause, "likelihood": one.likelihood, "message": one.message} for one in causes],
    }


_MOST_OPERATING_POINTS = 200
"""As many as take some ten seconds. A mains turned up from nothing by hand passes some 130 of them."""

_TOO_MANY_OPERATING_POINTS = (
    f"mains and ambient were at {_MOST_OPERATING_POINTS} operating points by now: nothing is predicted for more; "
    "check the units of their readings"
)


class _Log:
    """A log of readings, run through the watch once."""

    def __init__(self, bench: Bench, readings: Sequence[LoggedReading]) -> None:
        self._readings = readings
        self._channels = {channel.name: channel for channel in bench.channel}
        mains = first_of(bench, "mains.voltage.rms")
        is_measured = mains is not None and any(
            one.channel == mains.name and math.isfinite(one.value) for one in readings
        )
        accuracy = mains.accuracy if mains is not None and is_measured else None
        self._predictions = Predictions(bench, accuracy, _MOST_OPERATING_POINTS)
        nominal = self._predictions.nominal
        assert nominal is not None  # noqa: S101 - what cannot be solved raises
        self._conditions = LoggedConditions(bench, readings, nominal)
        self.judged = Reevaluation(bench, self._predictions, self._conditions, self._conditions.began)
        self._last: dict[str, Judgement] = {}
        self._silent: set[str] = set()
        self._silent_after = self._conditions.began

    def run(self) -> list[Event]:
        """Judge every reading; return all events by time."""
        events: list[Event] = []
        for one in self._readings:
            events += self._silences_until(one.time)
            had_more = not self._predictions.is_exhausted
            self._last[one.channel], found = self.judged.judge(one.channel, one.time, one.value)
            events += found
            if had_more and self._predictions.is_exhausted:
                events.append(Event(one.time, one.channel, EventKind.PREDICTION, _TOO_MANY_OPERATING_POINTS))
            if one.channel in self._silent and not math.isnan(one.value):
                self._silent.remove(one.channel)
                self._silent_after = min(self._silent_after, self._due_until(one.channel))
        end = self._readings[-1].time if self._readings else 0.0
        events += self.judged.channel_history.finish(end)
        return sorted([*events, *self._silences_at(end)], key=lambda event: event.time)

    def last(self) -> dict[str, Judgement]:
        """Return the last judgement of each channel that was read, with all flags known at the end."""
        found = {}
        for name in self._channels:
            if name in self._last:
                flags = self._last[name].flags | self.judged.channel_history.flags(name)
                found[name] = replace(self._last[name], flags=flags | ({Flag.STALE} if name in self._silent else set()))
        return found

    def forecast(self, last: Judgement) -> Forecast | None:
        """Return where a channel was heading at its last reading."""
        if self._channels[last.channel].quantity == "ambient.temperature":
            return None  # the air goes where the room takes it
        return self.judged.channel_history.forecast(last.channel, last.time, last.value)

    def _silences_until(self, until: float) -> Iterator[Event]:
        """Yield the events of channels that keep a recorder's pace and fall silent, at the times a recorder looks."""
        began = self._conditions.began
        while self._silent_after < until:
            at = began + (math.floor((self._silent_after - began) / _ROUND) + 1) * _ROUND
            if at <= self._silent_after:
                at += _ROUND  # the last bit of the division took it back to where it was
            if at > until:
                return
            for judgement, events in self.judged.silences(at, self._conditions.keeping_pace):
                self._silent.add(judgement.channel)
                yield from events
            ahead = (self._due_until(name) for name in self._conditions.keeping_pace if name not in self._silent)
            self._silent_after = max(at, min(ahead, default=math.inf))

    def _due_until(self, name: str) -> float:
        """Return until when a channel is not silent."""
        last = self._last[name].time if name in self._last else self._conditions.began
        return last + STALE_AFTER_PERIODS * self._channels[name].period

    def _silences_at(self, end: float) -> Iterator[Event]:
        """Yield the events of the other channels that fell silent before the log's end, late by their own pace too."""
        for name, last in self._last.items():
            if name in self._conditions.keeping_pace:
                continue
            series = self._conditions.read[name]
            late = max(_LATE_INTERVALS * series.pace, _LATE_PERIODS * self._channels[name].period)
            if end > series.times[-1] + late:
                self._silent.add(name)
                message = f"{name} has given no reading since {last.time:.6g} s: stale"
                yield Event(series.times[-1] + late, name, EventKind.STALE, message)


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
