"""A session watched again with another bench file: the same readings, other tolerances, limits or parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchmon.bench import Bench, Channel
from benchmon.errors import BadInput, PredictionError, one_line
from benchmon.prediction.follow import Load
from benchmon.prediction.predict import with_load
from benchmon.prediction.result import Expected, Prediction
from benchmon.prediction.smooth_follower import SmoothFollower
from benchmon.quantities import UNITS
from benchmon.recorder.conditions import MeasuredConditions
from benchmon.session.view import Part, SessionInfo, SessionView, Update
from benchmon.watch.insight import Insight
from benchmon.watch.plan import KINDS, Plan
from benchmon.watch.records import Event, Judgement
from benchmon.watch.watch import Watch

KEPT_KINDS = frozenset(
    ("note", "typed", "acknowledged", "refused", "started", "stopped", "connected", "lost", "complaint", "late")
) | frozenset((*KINDS, "clock", "gap", "beacon"))
"""Events that tell what was done, not what the watch made of it; they are shown as they were."""


class WhatIf:
    """A `SessionView` that plays what another view tells, judged by another bench.

    Channels are known by their names; those that `bench` does not have are left out. The watch's own events, causes and
    forecasts of then are left out too, and made anew. Raises `BadInput` where no channel is common to both.
    """

    def __init__(self, view: SessionView, bench: Bench) -> None:
        self._view = view
        self._judging = Judging(bench, view.info.bench)
        self._info = replace(view.info, bench=bench)

    @property
    def info(self) -> SessionInfo:
        """Return what does not change, with the other bench."""
        return self._info

    @property
    def live(self) -> bool:
        """Return False: nobody can be asked for anything."""
        return False

    def poll(self) -> Update:
        """Return what came since the last poll, judged anew."""
        update = self._view.poll()
        told: list[Judgement | Event] = list(update.judgements)
        told += [event for event in update.events if event.kind in KEPT_KINDS]
        judgements, events = self._judging.judge(sorted(told, key=lambda record: record.time))
        known = self._judging.names
        return replace(
            update,
            judgements=tuple(judgements),
            events=tuple(events),
            explanations=None,
            forecasts=(),
            waveforms=tuple(wave for wave in update.waveforms if wave.channel in known),
        )

    def request(self, kind: str, text: str = "") -> None:
        """Raise `RecorderError`: there is no recorder."""
        self._view.request(kind, text)

    def trend(self, channel: str, since: float, until: float, parts: int) -> tuple[Part, ...]:
        """Return what `channel` read: that is as it was."""
        return self._view.trend(channel, since, until, parts) if channel in self._judging.names else ()

    def band(self, channel: str, since: float, until: float, parts: int) -> tuple[Expected | None, ...]:  # noqa: ARG002
        """Return nothing: what would have been expected is only known as it is played."""
        return (None,) * parts

    def close(self) -> None:
        """Let go of the file."""
        self._view.close()


class Judging:
    """Judges recorded readings by another bench, in the order of their times."""

    def __init__(self, bench: Bench, recorded: Bench) -> None:
        self._channels = {channel.name: channel for channel in bench.channel}
        self.names = frozenset(self._channels) & frozenset(channel.name for channel in recorded.channel)
        _check_common(bench, recorded, self.names)
        self._measured = MeasuredConditions(bench)
        self._insight = Insight(bench)
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
                judgement, found = self._judged(record)
                judgements.append(judgement)
                events += found
        return judgements, events

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
        warm_for = self._measured.warm_for(time, nominal.warm_up.get(channel.quantity))
        if conditions.mains_voltage is None:
            return nominal.at(channel.quantity, warm_for)
        try:
            follower = following.at(conditions.load)
            return follower.at(channel.quantity, conditions.mains_voltage, conditions.ambient, since=warm_for)
        except PredictionError:
            return None


class _Following:
    """Predictions of a bench that follow the measured mains, for each load that a step may have."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        mains = next((channel for channel in bench.channel if channel.quantity == "mains.voltage.rms"), None)
        self._accuracy = None if mains is None else mains.accuracy
        self._followers: dict[Load, SmoothFollower] = {}

    def at(self, load: Load) -> SmoothFollower:
        if load not in self._followers:
            self._followers[load] = SmoothFollower(with_load(self._bench, load), self._accuracy)
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
