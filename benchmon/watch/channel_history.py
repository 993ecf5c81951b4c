"""What follows from the history of all channels together: drift, heat, and readings that contradict each other.

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
from benchmon.text import duration
from benchmon.watch.course_wording import (
    BandPosition,
    drift_sentence,
    junction_sentence,
    mains_meter_drift_sentence,
    outlook_sentence,
    rises_again_sentence,
    runaway_sentence,
)
from benchmon.watch.drift.drift import FAR, Drifts, moving_air
from benchmon.watch.drift.warm_up import WarmParts
from benchmon.watch.heating.heating import (
    HeatLimits,
    HeatWatch,
    Outlook,
    State,
    drift_forecast,
    heat_forecast,
    junction_from_case,
)
from benchmon.watch.heating.rise_fit import Interval
from benchmon.watch.plan.hand_readings import HandReadings
from benchmon.watch.plausibility.kept_charge import KeptChargeWatch
from benchmon.watch.plausibility.log_delays import LogDelays
from benchmon.watch.plausibility.plausibility import PlausibilityWatch
from benchmon.watch.plausibility.steadiness import (
    AS_LIKELY,
    RECENTLY,
    Standstill,
    StandstillWatch,
    VerdictChanges,
    drifting_meter_cause,
    frozen_cause,
    intermittent_cause,
)
from benchmon.watch.power_state import MainsInterruptions
from benchmon.watch.records import Event, Explanation, Flag, Forecast

CASE_TO_JUNCTION = 0.15
"""Of a diode's thermal resistance to the air, the part between junction and case, as the prediction takes it."""

CONDITIONS = ("mains.voltage.rms", "mains.frequency", "ambient.temperature")
"""What everything else is predicted from. It moves as it likes, and that is no drift."""

FASTEST_RISE = 2.0
"""Times the expected initial rate of rise: faster is taken as a runaway."""

_REACH = 15.0
"""Times as long as a drift has lasted: as far ahead it is extrapolated."""

_NO_SLOWER = 0.9
"""Part of its fastest rate at which a runaway still is one."""

_WARM_AT = 0.8
_LEAST_RISE = 5.0
"""Kelvin: less is no warm-up that moves anything else."""


_FLAGS = {
    (drifts, is_implausible): frozenset(
        flag for flag, has in ((Flag.DRIFTING, drifts), (Flag.IMPLAUSIBLE, is_implausible)) if has
    )
    for drifts in (False, True)
    for is_implausible in (False, True)
}
"""What is known of a channel that drifts or not, and is implausible or not."""


@dataclass(frozen=True, slots=True)
class JunctionEstimate:
    """What is known of a diode's junction: its power (W), thermal resistance to the air (K/W), and maximum (°C)."""

    power: float
    resistance: float
    maximum: float


class ChannelHistory:
    """Follows every channel of a bench. Give it each usable reading, in the order of their times.

    `power_on` is the session time (s) at which a cold supply was switched on, None for one that has long been warm.
    `hand` follows which values of meters that a person reads still count.
    """

    def __init__(self, bench: Bench, power_on: float | None = None) -> None:
        self.power_on = power_on
        self._bench = bench
        self._junction: JunctionEstimate | None = None
        self._channels = {channel.name: channel for channel in bench.channel}
        self._heats = {
            name: _HeatHistory(channel) for name, channel in self._channels.items() if is_temperature(channel.quantity)
        }
        quantities = {name: channel.quantity for name, channel in self._channels.items()}
        mains = next((name for name, quantity in quantities.items() if quantity == "mains.voltage.rms"), None)
        self._drifts = Drifts(quantities, slow=self._heats, mains=mains)
        self._plausibility = PlausibilityWatch(bench)
        self.hand = HandReadings(bench)
        self._changed_at = self.hand.changed_at
        self._drifting: set[str] = set()
        self._drifting_slowly: set[str] = set()
        self._bands: dict[str, BandPosition] = {}
        self._contradicting: frozenset[str] = frozenset()
        self._mains = MainsInterruptions(bench)
        self._changes = {name: VerdictChanges() for name in self._channels}
        self._still = {name: StandstillWatch(channel) for name, channel in self._channels.items()}
        self._late = LogDelays(bench.channel, mains)
        self._kept_charge = KeptChargeWatch(bench)
        self._warm_up = WarmParts(bench, [quantities[name] for name in self._heats])

    def change(self, bench: Bench) -> None:
        """Use another description of the same channels from now on; their history is kept."""
        self._bench, self._junction = bench, None
        self._channels = {channel.name: channel for channel in bench.channel}
        for name, heat in self._heats.items():
            heat.change(self._channels[name])
        for name, still in self._still.items():
            still.change(self._channels[name])
        self._late.change(bench.channel)
        self._kept_charge.change(bench)
        self._plausibility = PlausibilityWatch(bench)
        self._plausibility.supply_changed(self.hand.changed_at)
        self.hand.change(bench)
        self._mains.change(bench)
        self._warm_up.change(bench)

    def expect(self, prediction: Prediction) -> None:
        """Take what a prediction knows of heat: time constants, the fastest rise, the diode's power."""
        for heat in self._heats.values():
            heat.expect(prediction)
        self._warm_up.expect(prediction)
        power, diode = prediction.quantities.get("diode.power.mean"), self._bench.diode
        if power is not None and diode.thermal_resistance is not None and diode.max_junction is not None:
            self._junction = JunctionEstimate(power.value, diode.thermal_resistance, diode.max_junction)

    def update(
        self, channel: str, time: float, value: float, expected: Expected | None, en: float | None
    ) -> list[Event]:
        """Take a finite reading of `channel` (its unit) at `time` (s); return the events it causes."""
        self.hand.observe(channel, time, value, en)
        if self.hand.changed_at > self._changed_at:
            self._changed_at = self.hand.changed_at
            self._plausibility.supply_changed(self._changed_at)
        events = self._mains.update(channel, time, value)
        self._kept_charge.update(channel, value, expected, en)
        heat = self._heats.get(channel)
        if heat is not None:
            events += heat.update(time, value, self._junction)
        quantity = self._channels[channel].quantity
        if quantity == "mains.voltage.rms":
            self._drifts.mains(value, self._channels[channel].accuracy.of(value))
        if expected is not None and quantity not in CONDITIONS and (heat is None or heat.is_steady):
            events += self._watch_drift(self._channels[channel], time, value, expected)
        if self._changes[channel].update(time, en):
            events.append(self._intermittent_event(channel, time))
        still = self._still[channel]
        if still.update(time, value, None if quantity in CONDITIONS else expected):
            kind = EventKind.CLEARED if still.found is None else EventKind.IMPLAUSIBLE
            events.append(Event(time, channel, kind, still.sentence(time)))
        late = self._late.update(channel, time, value, None if expected is None else expected.value)
        for name in sorted(late) if late else ():
            kind = EventKind.IMPLAUSIBLE if name in self._late.found else EventKind.CLEARED
            events.append(Event(time, name, kind, self._late.sentence(name)))
        found = self._plausibility.update(channel, time, value, en)
        if found or self._plausibility.suspects != self._contradicting:
            events += self._contradictions(time, [(one.culprit, one.message) for one in found])
        return events

    def changes_recently(self, channel: str, now: float) -> int:
        """Return how often a channel went from agreeing to disagreeing or back in the last minutes before `now` (s).

        Many changes are evidence of an intermittent contact. Raises `KeyError` for a channel that is not followed.
        """
        return self._changes[channel].recently(now)

    def causes(self, now: float) -> list[Explanation]:
        """Return the causes that the courses of channels show at `now` (s).

        An intermittent contact, a frozen value, a log of another time, a mains meter that drifts, charge that is kept.
        """
        loose = [name for name, changes in self._changes.items() if changes.is_intermittent]
        found = [intermittent_cause(loose, self.changes_recently(loose[0], now))] if loose else []
        for name, still in self._still.items():
            if still.found is not None:
                found.append(frozen_cause(name, self._channels[name].unit, still.found, now))
        found += [*self._late.causes(AS_LIKELY), *self._kept_charge.causes()]
        mains = next((name for name in self._drifting if name not in self._bands), None)
        drift = None if mains is None else self._drifts.drift(mains)
        if mains is not None and drift is not None:
            sentence = mains_meter_drift_sentence(self._channels[mains], drift, self._drifts.witnesses, now)
            found.append(drifting_meter_cause(mains, sentence))
        return found

    def _intermittent_event(self, name: str, time: float) -> Event:
        if not self._changes[name].is_intermittent:
            return Event(time, name, EventKind.CLEARED, f"{name} keeps its verdict again")
        count, within = self.changes_recently(name, time), duration(RECENTLY)
        message = f"{name} agreed and disagreed in turn {count} times in {within}: an intermittent contact"
        return Event(time, name, EventKind.IMPLAUSIBLE, message)

    def frozen(self, channel: str) -> Standstill | None:
        """Return that a channel reads exactly one value while what is expected moves, None where it does not.

        Raises `KeyError` for a channel that is not followed.
        """
        return self._still[channel].found

    def finish(self, time: float) -> list[Event]:
        """Judge the readings so far: no more will come. Return the events that follow."""
        events: list[Event] = []
        for heat in self._heats.values():
            events += heat.finish(time)
        found = self._plausibility.finish()
        return events + self._contradictions(time, [(one.culprit, one.message) for one in found])

    def flags(self, channel: str) -> frozenset[Flag]:
        """Return what is known of a channel now."""
        heat = self._heats.get(channel)
        drifts = channel in self._drifting or (heat is not None and heat.rises_again)
        comes_and_goes = self._changes[channel].is_intermittent or self._still[channel].found is not None
        is_implausible = channel in self._contradicting or comes_and_goes or channel in self._late.found
        return _FLAGS[drifts, is_implausible]

    def forecast(self, channel: str, now: float, value: float | None = None) -> Forecast | None:
        """Return where a channel is heading at `now` (s) from its last `value`; None where nothing is known of that."""
        heat, drift = self._heats.get(channel), self._drifts.drift(channel)
        if drift is not None and value is not None and channel in self._drifting:
            return drift_forecast(self._channels[channel], drift, value, now)
        return None if heat is None else heat_forecast(self._channels[channel], heat.watch.outlook(now))

    def outlook(self, channel: str, now: float) -> Outlook | None:
        """Return where a temperature is going, None for other channels."""
        heat = self._heats.get(channel)
        return None if heat is None else heat.watch.outlook(now)

    def _watch_drift(self, channel: Channel, time: float, value: float, expected: Expected) -> list[Event]:
        accuracy = channel.accuracy.of(value)
        spread = math.hypot(expected.uncertainty, accuracy)
        self._bands[channel.name] = BandPosition(value, expected.value, spread, time)
        heat = self._heats.get(channel.name)
        now = expected.value if heat is None else heat.followed(time, expected.value)
        if self._warm_up.is_due(time):
            parts = {self._channels[part].quantity: one.progress(time) for part, one in self._heats.items()}
            parts.pop("ambient.temperature", None)
            self._warm_up.look(time, self.power_on, parts)
        warm = self._warm_up.moved(channel.name, channel.quantity, value, spread)
        changed = self._drifts.update(channel.name, time, value, now, accuracy=accuracy, warm=warm)
        events: list[Event] = []
        for name in sorted(changed) if changed else ():
            events += self._drift_events(name, time)
        if channel.name in self._drifting_slowly and self._leads_out_soon(channel.name):
            events += self._drift_events(channel.name, time)
        return events

    def _drift_events(self, name: str, time: float) -> list[Event]:
        """Return the events of a drift that began, ended or comes near: an alarm only where it leads out soon."""
        drift = self._drifts.drift(name)
        if drift is None:
            was_an_alarm = name in self._drifting
            self._drifting.discard(name)
            self._drifting_slowly.discard(name)
            return [Event(time, name, EventKind.CLEARED, f"{name} no longer drifts")] if was_an_alarm else []
        if name not in self._bands:
            self._drifting.add(name)
            sentence = mains_meter_drift_sentence(self._channels[name], drift, self._drifts.witnesses, time)
            return [Event(time, name, EventKind.DRIFTING, sentence)]
        is_alarm = self._leads_out_soon(name)
        flattens = name in self._heats and not is_alarm
        sentence = drift_sentence(self._channels[name], drift, self._bands[name], time, flattens=flattens)
        if is_alarm:
            self._drifting_slowly.discard(name)
            self._drifting.add(name)
            return [Event(time, name, EventKind.DRIFTING, sentence)]
        self._drifting_slowly.add(name)
        return [Event(time, name, EventKind.SLOW_DRIFT, sentence)]

    def _leads_out_soon(self, name: str) -> bool:
        """Return whether a drift leads out of what is expected, or past a limit, before long.

        A trend of some minutes shows little of the next hours, so it counts for a few times as long as it has lasted,
        and only as far as it is no swing of the meter, which comes back.
        A temperature that goes on warming flattens: it is out where the courses through its readings settle outside. An
        edge on the other side of zero is none that anything here falls to.
        """
        drift, band, channel = self._drifts.drift(name), self._bands[name], self._channels[name]
        if drift is None or drift.rate == 0.0:
            return False
        rises, rate = drift.rate > 0, drift.rate_beyond_noise(band.time)
        edge = band.expected + math.copysign(band.spread, drift.rate)
        if name in self._heats:
            return self._heats[name].settles_beyond(edge, above=rises)
        limits = (channel.warn_above, channel.trip_above) if rises else (channel.warn_below, channel.trip_below)
        reach = min(FAR, _REACH * (band.time - drift.since))
        goals = [goal for goal in limits if goal is not None]
        if edge * band.expected > 0.0:
            if (edge - band.value) * drift.rate <= 0.0:
                return True
            goals.append(edge)
        # What is behind it already is no goal, and a rate of nothing reaches none.
        return any(0.0 < (goal - band.value) * math.copysign(1.0, rate) < reach * abs(rate) for goal in goals)

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
    """One temperature: its outlook, and which of its states have been announced."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self.watch = HeatWatch(HeatLimits(channel.warn_above, channel.trip_above))
        self.last = Outlook(0.0, State.UNKNOWN)
        self._announced: dict[str, bool] = {}
        self._expected_rise: float | None = None
        self._air = 0.0
        self._followed: tuple[float, float] | None = None
        self._fastest = 0.0
        self._settled: tuple[Interval, float] | None = None

    @property
    def is_air(self) -> bool:
        return self._channel.quantity == "ambient.temperature"

    @property
    def is_steady(self) -> bool:
        return self.last.state is State.STEADY

    def settles_beyond(self, edge: float, *, above: bool) -> bool:
        """Return whether all that the courses allow settles above, or below, `edge` (°C), or it runs away."""
        final = self.last.final
        if final is None:
            return above and self.last.state is State.RUNAWAY
        return final.low > edge if above else final.high < edge

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
            message = junction_sentence(self._channel, value, hot, junction.maximum)
            # It is over once it is farther below than moving air takes it, so that it does not come and go.
            below = moving_air(value) if self._announced.get(EventKind.JUNCTION, False) else 0.0
            events += self._announce(time, EventKind.JUNCTION, hot > junction.maximum - below, message)
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
            return []  # while the fit starts again, nothing is over
        events = self._announce(time, EventKind.RUNAWAY, self._runs_away(now), runaway_sentence(self._channel, now))
        again = rises_again_sentence(self._channel, now, self._settled and self._settled[0])
        events += self._announce(time, EventKind.DRIFTING, self._rises_again(now), again)
        if now.state is State.RUNAWAY:
            return events  # the event gives the time to the limit
        goal, ahead = self._channel.trip_above, now.to_limit
        if goal is None:
            goal, ahead = self._channel.warn_above, now.to_warning
        if goal is not None and now.value >= goal:
            return events  # it has arrived, which is another event, and is not over
        # It is announced once nearly all courses pass, and is over once hardly any does.
        announced = self._announced.get(EventKind.FORECAST, False)
        passes = ahead is not None and math.isfinite(ahead.low if announced else ahead.high)
        return events + self._announce(time, EventKind.FORECAST, passes, outlook_sentence(self._channel, now))

    def _runs_away(self, now: Outlook) -> bool:
        """Return whether a temperature runs away, or did and rises no slower: a new fit knows little yet."""
        if now.state is State.RUNAWAY:
            self._fastest = max(self._fastest, now.rate)
            return True
        goes_on = self._announced.get(EventKind.RUNAWAY, False) and now.rate > _NO_SLOWER * self._fastest
        if not goes_on:
            self._fastest = 0.0
        return goes_on

    @property
    def rises_again(self) -> bool:
        """Whether it had settled, and now rises to where nothing that was read or is expected led."""
        return self._announced.get(EventKind.DRIFTING, False)

    def _rises_again(self, now: Outlook) -> bool:
        final = self.watch.limits.final
        if now.state is State.COOLING:
            self._settled = None
        elif now.state is State.STEADY and now.final is not None:
            self._settled = (now.final, now.final.best if final is None else final)
        if self._settled is None or now.state is State.STEADY:
            return False
        if final is not None and now.value < final:
            return False  # it is still on its way
        if self._announced.get(EventKind.RUNAWAY) and not self.rises_again:
            return False  # more has been said of it
        was, expected = self._settled
        # What is expected moves with mains, load and air, and a part that is warmer than expected moves by more.
        led_to = was.high + _FOLLOWS * max(0.0, (expected if final is None else final) - expected)
        return now.value > led_to + moving_air(was.best) + _AGAIN

    def _announce(self, time: float, kind: EventKind, present: bool, message: str) -> list[Event]:
        announced = self._announced.get(kind, False)
        self._announced[kind] = present
        if present == announced:
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


_AGAIN, _FOLLOWS = 1.0, 1.5
"""Kelvins beyond where moving air leads, from which on a temperature that had settled rises again; and how many times
as much as is expected it may follow the power. From memory."""

_OVER: Mapping[EventKind, str] = {
    EventKind.DRIFTING: "it has settled again",
    EventKind.RUNAWAY: "the rise slows down again",
    EventKind.FORECAST: "no longer heading for its limit",
    EventKind.JUNCTION: "the junction is below its maximum again",
}
