"""The watch over readings that were logged by hand or by another program."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from statistics import median
from typing import Any

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.errors import PredictionError
from benchmon.event_kinds import EventKind
from benchmon.logged_power import LoggedPower, Series, first_of
from benchmon.prediction.follow import Follower
from benchmon.prediction.result import Expected
from benchmon.quantities import is_temperature
from benchmon.readings_file import LoggedReading
from benchmon.watch.explanation import Explainer, Explanation
from benchmon.watch.heat import Outlook
from benchmon.watch.insight import Insight
from benchmon.watch.records import Event, Flag, Forecast, Judgement
from benchmon.watch.settled import said_with_care, settled
from benchmon.watch.watch import Watch

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
        self._following = Follower(bench, measured)
        self._power = LoggedPower(bench, readings, self._following.nominal)
        self._insight = Insight(bench, self._power.came_on)
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
            one = settled(channel, read, self.outlook(name), was_warm=self._power.came_on is None)
            if one is None:
                left_out[name] = self.outlook(name)
            else:
                found.append(one)
        last = [judgement for _, judgement in self.last()]
        return said_with_care(self._explainer.explain(found), last, left_out)

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
