"""What the history of all channels tells beyond single readings: drift, heat, and readings that contradict each other.

The kinds of its events: `mains gone`, `mains back`, `mains dip`, `drifting`, `implausible`, `forecast` (a temperature
is heading for its limit), `runaway`, `junction` (a case's temperature means a junction past its maximum), and `cleared`
where one of these is over.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import EventKind
from benchmon.prediction.result import Prediction
from benchmon.quantities import Expected, is_temperature
from benchmon.standards import LOAD_WARMS_IN, TRANSFORMER_WARMS_IN
from benchmon.watch import wording
from benchmon.watch.drift.drift import Drifts
from benchmon.watch.heating.heating import (
    HeatLimits,
    HeatWatch,
    Outlook,
    State,
    drift_forecast,
    heat_forecast,
    junction_from_case,
)
from benchmon.watch.plausibility.plausibility import PlausibilityWatch
from benchmon.watch.plausibility.steadiness import Frozen, FrozenValue, VerdictChanges
from benchmon.watch.power_state import MainsInterruptions
from benchmon.watch.records import Event, Flag, Forecast
from benchmon.watch.wording import BandPosition

CASE_TO_JUNCTION = 0.15
"""Of a diode's thermal resistance to the air, the part between junction and case, as the prediction takes it."""

CONDITIONS = ("mains.voltage.rms", "mains.frequency", "ambient.temperature")
"""What everything else is predicted from. It moves as it likes, and that is no drift."""

FASTEST_RISE = 2.0
"""Times the expected initial rate of rise: faster is taken as a runaway."""

_UNSEEN_WARM_UPS = (LOAD_WARMS_IN, TRANSFORMER_WARMS_IN)
"""Time constants, in seconds, of what warms up unmeasured: load and meters; the transformer."""

_NO_SLOWER = 0.9
"""Part of its fastest rate at which a runaway still is one."""

_LOOK_AT_HEAT = 2.0
_WARM_AT = 0.8
_LEAST_RISE = 5.0
"""Kelvin: less is no warm-up that moves anything else."""


@dataclass(frozen=True, slots=True)
class JunctionEstimate:
    """What is known of a diode's junction: its power (W), thermal resistance to the air (K/W), and maximum (°C)."""

    power: float
    resistance: float
    maximum: float


class ChannelHistory:
    """Follows every channel of a bench. Give it each usable reading, in the order of their times.

    `power_on` is the session time (s) at which a cold supply was switched on, None for one that has long been warm.
    """

    def __init__(self, bench: Bench, power_on: float | None = None) -> None:
        self.power_on = power_on
        self._bench = bench
        self._junction: JunctionEstimate | None = None
        self._channels = {channel.name: channel for channel in bench.channel}
        self._heats = {
            name: _HeatHistory(channel) for name, channel in self._channels.items() if is_temperature(channel.quantity)
        }
        self._drifts = Drifts(self._channels, slow=self._heats)
        self._plausibility = PlausibilityWatch(bench)
        self._drifting: set[str] = set()
        self._bands: dict[str, BandPosition] = {}
        self._contradicting: frozenset[str] = frozenset()
        self._mains = MainsInterruptions(bench)
        self._changes = {name: VerdictChanges() for name in self._channels}
        self._still = {name: FrozenValue(channel) for name, channel in self._channels.items()}
        parts = sum(not heat.is_air for heat in self._heats.values())
        self._progress = [0.0] * (len(_UNSEEN_WARM_UPS) + parts)
        self._warm, self._warm_until = 0.0, -math.inf

    def change(self, bench: Bench) -> None:
        """Go by another description of the same channels from now on; what their history tells is kept."""
        self._bench, self._junction = bench, None
        self._channels = {channel.name: channel for channel in bench.channel}
        for name, heat in self._heats.items():
            heat.change(self._channels[name])
        for name, still in self._still.items():
            still.change(self._channels[name])
        self._plausibility = PlausibilityWatch(bench)
        self._mains.change(bench)

    def expect(self, prediction: Prediction) -> None:
        """Take what a prediction knows of heat: time constants, the fastest rise, the diode's power."""
        for heat in self._heats.values():
            heat.expect(prediction)
        power, diode = prediction.quantities.get("diode.power.mean"), self._bench.diode
        if power is not None and diode.thermal_resistance is not None and diode.max_junction is not None:
            self._junction = JunctionEstimate(power.value, diode.thermal_resistance, diode.max_junction)

    def update(
        self, channel: str, time: float, value: float, expected: Expected | None, en: float | None
    ) -> list[Event]:
        """Take a finite reading of `channel` (its unit) at `time` (s); return the events it causes."""
        events = self._mains.update(channel, time, value)
        heat = self._heats.get(channel)
        if heat is not None:
            events += heat.update(time, value, self._junction)
        quantity = self._channels[channel].quantity
        if quantity == "mains.voltage.rms":
            self._drifts.mains(value)
        if expected is not None and quantity not in CONDITIONS and (heat is None or heat.is_steady):
            events += self._watch_drift(self._channels[channel], time, value, expected)
        self._changes[channel].update(time, en)
        still = self._still[channel]
        if still.update(time, value, None if quantity in CONDITIONS else expected):
            kind = EventKind.CLEARED if still.found is None else EventKind.IMPLAUSIBLE
            events.append(Event(time, channel, kind, still.sentence(time)))
        found = self._plausibility.update(channel, time, value, en)
        if found or self._plausibility.suspects != self._contradicting:
            events += self._contradictions(time, [(one.culprit, one.message) for one in found])
        return events

    def changes_recently(self, channel: str, now: float) -> int:
        """Return how often a channel went from agreeing to disagreeing or back in the last minutes before `now` (s).

        Many changes are evidence of an intermittent contact. Raises `KeyError` for a channel that is not followed.
        """
        return self._changes[channel].recently(now)

    def frozen(self, channel: str) -> Frozen | None:
        """Return that a channel reads exactly one value while what is expected moves, None where it does not.

        Raises `KeyError` for a channel that is not followed.
        """
        return self._still[channel].found

    def finish(self, time: float) -> list[Event]:
        """Judge what has been read so far as it stands: no more readings come. Return the events of that."""
        events: list[Event] = []
        for heat in self._heats.values():
            events += heat.finish(time)
        found = self._plausibility.finish()
        return events + self._contradictions(time, [(one.culprit, one.message) for one in found])

    def flags(self, channel: str) -> frozenset[Flag]:
        """Return what is known of a channel now."""
        flags = set()
        if channel in self._drifting:
            flags.add(Flag.DRIFTING)
        if channel in self._contradicting or self._still[channel].found is not None:
            flags.add(Flag.IMPLAUSIBLE)
        return frozenset(flags)

    def forecast(self, channel: str, now: float, value: float | None = None) -> Forecast | None:
        """Return where a channel is heading at `now` (s) from its last `value`; None where nothing is known of that."""
        heat, drift = self._heats.get(channel), self._drifts.drift(channel)
        if drift is not None and value is not None:
            return drift_forecast(self._channels[channel], drift, value, now)
        return None if heat is None else heat_forecast(self._channels[channel], heat.watch.outlook(now))

    def outlook(self, channel: str, now: float) -> Outlook | None:
        """Return where a temperature is going, None for other channels."""
        heat = self._heats.get(channel)
        return None if heat is None else heat.watch.outlook(now)

    def _watch_drift(self, channel: Channel, time: float, value: float, expected: Expected) -> list[Event]:
        spread = math.hypot(expected.uncertainty, channel.accuracy.of(value))
        self._bands[channel.name] = BandPosition(value, expected.value, spread)
        heat = self._heats.get(channel.name)
        now = expected.value if heat is None else heat.followed(time, expected.value)
        changed = self._drifts.update(channel.name, time, value, now, uncertainty=spread, warm=self._warmth(time))
        return [self._tell_drift(name, time) for name in sorted(changed)]

    def _tell_drift(self, name: str, time: float) -> Event:
        drift = self._drifts.drift(name)
        if drift is None:
            self._drifting.discard(name)
            return Event(time, name, EventKind.CLEARED, f"{name} no longer drifts")
        self._drifting.add(name)
        sentence = wording.drift_sentence(self._channels[name], drift, self._bands[name], time)
        return Event(time, name, EventKind.DRIFTING, sentence)

    def _warmth(self, time: float) -> float:
        """Return how much warming up has been seen so far: the progress of all that warms, added up."""
        if time >= self._warm_until:
            self._warm_until = time + _LOOK_AT_HEAT
            done = [self._done(time, constant) for constant in _UNSEEN_WARM_UPS]
            done += [heat.progress(time) for heat in self._heats.values() if not heat.is_air]
            # What begins to warm anew starts from nothing; only what grows has moved a reading.
            self._warm += sum(max(0.0, now - was) for now, was in zip(done, self._progress, strict=True))
            self._progress = done
        return self._warm

    def _done(self, time: float, constant: float) -> float:
        if self.power_on is None:
            return 1.0
        return -math.expm1(-max(0.0, time - self.power_on) / constant)

    def _contradictions(self, time: float, found: list[tuple[str, str]]) -> list[Event]:
        suspects = self._plausibility.suspects
        events = [Event(time, culprit, EventKind.IMPLAUSIBLE, message) for culprit, message in found]
        events += [
            Event(time, name, EventKind.CLEARED, f"{name} contradicts no other reading any more")
            for name in sorted(self._contradicting - suspects)
        ]
        self._contradicting = suspects
        return events


class _HeatHistory:
    """One temperature: its outlook, and which of its news have been told."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self.watch = HeatWatch(HeatLimits(channel.warn_above, channel.trip_above))
        self.last = Outlook(0.0, State.UNKNOWN)
        self._told: dict[str, bool] = {}
        self._expected_rise: float | None = None
        self._air = 0.0
        self._followed: tuple[float, float] | None = None
        self._fastest = 0.0

    @property
    def is_air(self) -> bool:
        return self._channel.quantity == "ambient.temperature"

    @property
    def is_steady(self) -> bool:
        return self.last.state is State.STEADY

    def change(self, channel: Channel) -> None:
        self._channel = channel
        self.watch.limits = replace(self.watch.limits, warning=channel.warn_above, limit=channel.trip_above)

    def expect(self, prediction: Prediction) -> None:
        quantity = self._channel.quantity
        settled, constant = prediction.quantities.get(quantity), prediction.warm_up.get(quantity)
        if settled is not None and settled.value - prediction.ambient > _LEAST_RISE:
            self._expected_rise, self._air = settled.value - prediction.ambient, prediction.ambient
        fastest = None
        if settled is not None and constant:
            fastest = FASTEST_RISE * (settled.value + settled.uncertainty - prediction.ambient) / constant
        warning, limit = self._channel.warn_above, self._channel.trip_above
        self.watch.limits = HeatLimits(warning, limit, constant, fastest, prediction.ambient)
        if settled is not None and not self.is_air:
            self.watch.limits = replace(self.watch.limits, final=settled.value, doubt=settled.uncertainty / 2.0)

    def update(self, time: float, value: float, junction: JunctionEstimate | None) -> list[Event]:
        events = []
        if self._channel.quantity == "diode.temperature.case" and junction is not None:
            hot = junction_from_case(value, junction.power, junction.resistance, CASE_TO_JUNCTION)
            message = wording.junction_sentence(self._channel, value, hot, junction.maximum)
            events += self._tell(time, EventKind.JUNCTION, hot > junction.maximum, message)
        return events + self._news(time) if self.watch.update(time, value) else events

    def finish(self, time: float) -> list[Event]:
        self.watch.finish()
        return self._news(time)

    def followed(self, time: float, expected: float) -> float:
        """Return what is expected now of a part that follows its final temperature with its time constant."""
        constant = self.watch.limits.time_constant
        if self._followed is not None and constant:
            level, then = self._followed
            expected = level - math.expm1(-max(0.0, time - then) / constant) * (expected - level)
        self._followed = (expected, time)
        return expected

    def _news(self, time: float) -> list[Event]:
        self.last = now = self.watch.outlook(time)
        if now.state is State.UNKNOWN:
            return []  # while the fit begins anew, nothing is over
        events = self._tell(time, EventKind.RUNAWAY, self._runs_away(now), wording.runaway_sentence(self._channel, now))
        if now.state is State.RUNAWAY:
            return events  # which says when the limit is passed
        goal, ahead = self._channel.trip_above, now.to_limit
        if goal is None:
            goal, ahead = self._channel.warn_above, now.to_warning
        if goal is not None and now.value >= goal:
            return events  # it is there, which is told elsewhere, and not over
        # It is told once nearly all courses pass, and over once hardly any does.
        told = self._told.get(EventKind.FORECAST, False)
        passes = ahead is not None and math.isfinite(ahead.low if told else ahead.high)
        return events + self._tell(time, EventKind.FORECAST, passes, wording.outlook_sentence(self._channel, now))

    def _runs_away(self, now: Outlook) -> bool:
        """Return whether a temperature runs away, or did and rises no slower: a new fit knows little yet."""
        if now.state is State.RUNAWAY:
            self._fastest = max(self._fastest, now.rate)
            return True
        goes_on = self._told.get(EventKind.RUNAWAY, False) and now.rate > _NO_SLOWER * self._fastest
        if not goes_on:
            self._fastest = 0.0
        return goes_on

    def _tell(self, time: float, kind: EventKind, present: bool, message: str) -> list[Event]:
        told = self._told.get(kind, False)
        self._told[kind] = present
        if present == told:
            return []
        if present:
            return [Event(time, self._channel.name, kind, message)]
        return [Event(time, self._channel.name, EventKind.CLEARED, f"{self._channel.name}: {_OVER[kind]}")]

    def progress(self, time: float) -> float:
        """Return how much of the warm-up is done, 0 to 1: by what is expected, else by the rise itself.

        The last fifth does not count: mains and draughts move a warm part by as much.
        """
        last = self.last
        if self._expected_rise is not None:
            return min(1.0, max(0.0, last.value - self._air) / (_WARM_AT * self._expected_rise))
        if last.state not in (State.RISING, State.RUNAWAY) or last.risen < _LEAST_RISE:
            return 1.0
        constant = last.time_constant or max(time - last.since, 60.0)
        return -math.expm1(-max(0.0, time - last.since) / constant)


_OVER: Mapping[EventKind, str] = {
    EventKind.RUNAWAY: "the rise slows down again",
    EventKind.FORECAST: "no longer heading for its limit",
    EventKind.JUNCTION: "the junction is below its maximum again",
}
