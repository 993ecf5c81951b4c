"""The status of a bench, followed record by record, with the alarms that are active.

A verdict counts here as it is steady, see `SteadyVerdict.shown`: one last digit of a display is no other status.
Limits, and what is far too much, count with each reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import AlarmKind, EventGroup, EventKind, traits_of
from benchmon.watch import power_state
from benchmon.watch.limits import has_limits
from benchmon.watch.plan import Plan
from benchmon.watch.plan.hand_readings import HandReadings
from benchmon.watch.records import Event, Explanation, Explanations, Flag, Forecast, Judgement, Verdict
from benchmon.watch.status.bench_status import (
    Alarm,
    BenchStatus,
    Level,
    Outlooks,
    StatusFinding,
    bench_status,
    in_order,
)
from benchmon.watch.verdict import SteadyVerdicts


class StatusWatch:
    """Follows the judgements and records of a session and returns the status of its bench, alarms included."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._channels = {channel.name: channel for channel in bench.channel}
        self._latest: dict[str, Judgement] = {}
        self._verdicts = SteadyVerdicts()
        self._forecasts: dict[str, Forecast] = {}
        self._causes: tuple[Explanation, ...] = ()
        self._switching: Event | None = None
        self._alarms = _AlarmKeeper()
        self._plan = Plan.of(bench)
        self._hand = HandReadings(bench)

    def change(self, bench: Bench) -> None:
        """Go by another description of the same channels from now on."""
        self._bench = bench
        self._channels = {channel.name: channel for channel in bench.channel}
        self._plan.change(bench.step)
        self._hand.change(bench)

    def judgement(self, judgement: Judgement) -> Judgement:
        """Take a judgement; return it with the verdict that counts. One of a channel that the bench has not is left."""
        if judgement.channel not in self._channels:
            return judgement
        self._hand.observe(judgement.channel, judgement.time, judgement.value, judgement.en)
        shown = self._latest[judgement.channel] = self._verdicts.shown(judgement)
        return shown

    def events(self, events: Iterable[Event]) -> None:
        """Take events in the order of their times."""
        for event in events:
            group = traits_of(event.kind).group
            if group is EventGroup.SWITCHING_OFF:
                self._switching = event
            if group in (EventGroup.PLAN, EventGroup.SWEEP) and self._plan.take(event):
                self._hand.follow(self._plan)
            self._alarms.take(event)

    def forecast(self, forecast: Forecast) -> None:
        """Take where a channel is heading."""
        self._forecasts[forecast.channel] = forecast

    def explanations(self, explanations: Explanations) -> None:
        """Take the causes that are valid from now on."""
        self._causes = explanations.ranked

    def at(self, now: float, state: str = "recording") -> BenchStatus:
        """Return the status at `now` (session seconds); `state` is the recorder's."""
        ahead = Outlooks(now, self._forecasts, self._causes)
        status = bench_status(self._as_it_counts(), self._bench, state, ahead, self._switching)
        off = power_state.is_without_power(self._bench, self._latest, self._switching)
        alarms = self._alarms.active(self._bench.channel, self._latest, ahead, is_gone=state == "gone", is_off=off)
        due = self._hand.due(now) if state == "recording" else ()
        if any(alarm.kind is AlarmKind.LOAD_NOT_RELEASED for alarm in alarms) and status.level is not Level.DANGER:
            status = replace(status, level=Level.DANGER, finding=StatusFinding.LOAD_NOT_RELEASED, about=None, also=None)
        return replace(status, alarms=alarms, due=due, lapsed=self._hand.lapsed)

    def _as_it_counts(self) -> Mapping[str, Judgement]:
        """Return the latest judgements: a value that was typed before the supply changed counts as none.

        That a meter without limits waits for a person is no fault, however long it waits.
        """
        counts = dict(self._latest)
        for channel in self._bench.typed_channels:
            judgement = counts.get(channel.name)
            if judgement is not None and self._hand.is_lapsed(channel.name):
                judgement = replace(judgement, value=None, en=None, verdict=Verdict.UNPREDICTED)
            if judgement is not None:
                flags = judgement.flags if has_limits(channel) else judgement.flags - {Flag.STALE}
                counts[channel.name] = replace(judgement, flags=flags)
        return counts


_Key = tuple[AlarmKind, str]


class _AlarmKeeper:
    """What raised the active alarms, and when."""

    def __init__(self) -> None:
        self._raised: dict[_Key, float] = {}
        self._seen: dict[_Key, float] = {}
        self._failed_to_switch_off = False
        self._failed_to_release = False

    def take(self, event: Event) -> None:
        kind = traits_of(event.kind).alarm
        if kind is not None:
            self._raised[kind, event.channel] = event.time
        if event.kind in (EventKind.SWITCH_OFF_FAILED, EventKind.SWITCHED_OFF):
            self._failed_to_switch_off = event.kind == EventKind.SWITCH_OFF_FAILED
        if event.kind in (EventKind.LOAD_NOT_RELEASED, EventKind.LOAD_RELEASED):
            self._failed_to_release = event.kind == EventKind.LOAD_NOT_RELEASED

    def active(
        self,
        channels: Iterable[Channel],
        latest: Mapping[str, Judgement],
        ahead: Outlooks,
        *,
        is_gone: bool,
        is_off: bool,
    ) -> tuple[Alarm, ...]:
        """Return the alarms that are active at `ahead.now`; one whose cause is over is a new alarm when it comes back.

        `is_off` is whether the supply has no power: what is low then raises no alarm, since it can be nothing else.
        """
        keys: list[tuple[_Key, float | None]] = []
        if self._failed_to_switch_off:
            keys.append(((AlarmKind.SWITCH_OFF_FAILED, ""), None))
        if is_gone:
            keys.append(((AlarmKind.RECORDER_GONE, ""), None))
        if self._failed_to_release:
            keys.append(((AlarmKind.LOAD_NOT_RELEASED, ""), None))
        for channel in channels:
            judgement = latest.get(channel.name)
            if judgement is not None:
                kinds = _kinds(channel, judgement, ahead, is_off=is_off)
                keys += [((kind, channel.name), judgement.value) for kind in kinds]
        self._seen = {key: self._seen.get(key, ahead.now) for key, _ in keys}
        found = (
            Alarm(*key, self._raised.get(key, self._seen[key]), value if key[0] is AlarmKind.HOT else None)
            for key, value in keys
        )
        return in_order(found)


def _kinds(channel: Channel, judgement: Judgement, ahead: Outlooks, *, is_off: bool) -> list[AlarmKind]:
    if Flag.TRIPPED in judgement.flags:
        return [AlarmKind.TRIPPED]
    kinds = []
    if ahead.surely_passes(channel.name) and ahead.limit_words(channel):
        kinds.append(AlarmKind.HEADING_FOR_LIMIT)
    if Flag.HOT in judgement.flags and not power_state.is_low_without_power(channel, judgement, off=is_off):
        kinds.append(AlarmKind.HOT)
    if Flag.STALE in judgement.flags and has_limits(channel):
        kinds.append(AlarmKind.NOT_WATCHED)
    return kinds
