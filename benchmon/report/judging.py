"""Judging the readings of a session anew, by another bench: other tolerances, limits or parts."""

from __future__ import annotations

from collections.abc import Sequence

from benchmon.bench import Bench, Channel
from benchmon.errors import BadInput, PredictionError, one_line
from benchmon.prediction.follow import Follower, Load
from benchmon.prediction.predict import with_load
from benchmon.prediction.result import Expected, Prediction
from benchmon.quantities import UNITS
from benchmon.recorder.conditions import MeasuredConditions
from benchmon.watch.insight import Insight
from benchmon.watch.plan import Plan
from benchmon.watch.records import Event, Flag, Judgement
from benchmon.watch.watch import Watch


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
        self._followers: dict[Load, Follower] = {}

    def at(self, load: Load) -> Follower:
        if load not in self._followers:
            self._followers[load] = Follower(with_load(self._bench, load), self._accuracy)
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
