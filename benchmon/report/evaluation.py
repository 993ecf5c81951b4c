"""What a session comes to: every channel at the end of the test beside what was expected, steps, and the conditions.

The end of the test is the last ten seconds in which the supply was powered: afterwards there is nothing to judge. Means
over that time are compared, which takes the noise of single readings out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from operator import itemgetter

import numpy as np

from benchmon.bench import Bench, Channel, SetLoad
from benchmon.errors import PredictionError
from benchmon.prediction.operating_point import OperatingPointPredictor
from benchmon.prediction.result import Prediction
from benchmon.quantities import Expected
from benchmon.report.session_reader import Readings, RecordedSession
from benchmon.session.schema import decode_state
from benchmon.signals.uncertainty import COVERAGE
from benchmon.watch.plan import Plan, PlanStep, powered_above
from benchmon.watch.plan.hand_readings import HandReadings
from benchmon.watch.records import Flag, Verdict, Waveform
from benchmon.watch.verdict import en_number, verdict_of
from benchmon.watch.wording import shown_unit

WINDOW = 10.0
"""Seconds at the end of the powered time over which readings are averaged."""
_SETTLES_WITHIN = 1.0
"""Seconds after the mains came on in which meters that average still show some of what was before."""

_FEWEST_PERIODS = 3.0
_LOOKED_AT = 2000


@dataclass(frozen=True, slots=True)
class EvaluationWindow:
    """The end of the test, in session seconds; `is_powered` is whether the supply is known to have had mains.

    `step_began` is when the last step of that time began: what a person typed counts from then on.
    """

    since: float
    until: float
    is_powered: bool
    step_began: float = 0.0


@dataclass(frozen=True)
class ChannelResult:
    """One channel at the end of the test, in its quantity's unit, and over the whole session.

    `value` is the mean of the last `count` readings and `uncertainty` the expanded one of that: the meter's accuracy
    and how the readings scatter. Of a meter that a person reads it is the last value that was typed in the step, at the
    session time `typed_at`, and `is_lapsed` is whether the supply has changed since then. `flags` are those of the
    whole session, `end_flags` of the end of the test. NaN and None stand for what is not known.
    """

    channel: Channel
    count: int
    value: float
    uncertainty: float
    expected: Expected | None
    en: float | None
    verdict: Verdict
    lowest: float
    highest: float
    flags: frozenset[Flag]
    end_flags: frozenset[Flag]
    counts: dict[Verdict, int]
    typed_at: float | None = None
    is_lapsed: bool = False

    @property
    def shown_unit(self) -> str:
        """The unit that a person reads its values in."""
        return shown_unit(self.channel.quantity, self.channel.unit)

    @property
    def is_measured(self) -> bool:
        """Whether there is a value at the end of the test."""
        return math.isfinite(self.value)


@dataclass(frozen=True)
class StepFinding:
    """A step of the plan that was begun: how it stands, its load, and every channel at the end of its powered time."""

    place: int
    stage: PlanStep
    load: SetLoad
    window: EvaluationWindow
    channels: tuple[ChannelResult, ...]


@dataclass(frozen=True)
class EndOfTest:
    """Every channel at the end of the test, or of one step, and the conditions then.

    `mains` and `ambient` are the measured ones, None if no channel measures it; `load` is that of the step. `stages`
    are all steps of the plan.
    """

    session: RecordedSession
    window: EvaluationWindow
    channels: tuple[ChannelResult, ...]
    stages: tuple[PlanStep, ...]
    mains: float | None
    ambient: float | None
    load: SetLoad

    def of(self, quantity: str) -> ChannelResult | None:
        """Return the first channel of `quantity` that has a value at the end of the test."""
        found = (one for one in self.channels if one.channel.quantity == quantity and one.is_measured)
        return next(found, None)

    @property
    def bench(self) -> Bench:
        """The bench as it was in force at the end of the test."""
        return self.session.bench_at(self.window.until)

    @property
    def tripped(self) -> tuple[str, ...]:
        """The channels that went past a limit."""
        return tuple(one.channel.name for one in self.channels if Flag.TRIPPED in one.flags)


@dataclass(frozen=True)
class Findings(EndOfTest):
    """What a session comes to.

    `steps` are those that were begun, by their place in the plan. `prediction` is the settled state under the measured
    conditions, None where `problem` says why not.
    """

    steps: tuple[StepFinding, ...]
    prediction: Prediction | None
    problem: str = ""

    @cached_property
    def waveforms(self) -> tuple[Waveform, ...]:
        """The latest captured wave of each channel while the supply had mains; of any time where there is none."""
        return self.session.waveforms_until(self.window.until) or self.session.waveforms


def find(session: RecordedSession) -> Findings:
    """Return what a session comes to. Raises `SessionFileError` where the file is damaged."""
    plan = plan_of(session)
    end = end_of_test(session, plan)
    prediction, problem = predict_under(end.bench, end.mains, end.ambient, end.load)
    return Findings(
        session,
        end.window,
        end.channels,
        end.stages,
        end.mains,
        end.ambient,
        end.load,
        tuple(steps_of(session, plan)),
        prediction,
        problem,
    )


def plan_of(session: RecordedSession, until: float = math.inf) -> Plan:
    """Return the plan of a session as far as its events `until` a session time have brought it."""
    plan = Plan.of(session.bench)
    for event in session.events:
        if event.time <= until:
            plan.take(event)
    return plan


def end_of_test(session: RecordedSession, plan: Plan) -> EndOfTest:
    """Return every channel at the end of the test. Raises `SessionFileError` where the file is damaged."""
    window = _window(session, plan)
    counts, flags = session.counts(), session.flags_seen()
    channels = _with_lapsed(
        session,
        window,
        [_finding(session, one, window, counts[one.name], flags[one.name], whole=True) for one in session.channels],
    )
    mains = _value_of(channels, "mains.voltage.rms") if window.is_powered else None
    ambient = _value_of(channels, "ambient.temperature")
    return EndOfTest(session, window, channels, tuple(plan.steps), mains, ambient, plan_of(session, window.until).load)


def steps_of(session: RecordedSession, plan: Plan) -> Iterator[StepFinding]:
    """Yield the steps that were begun, each as it stood at the end of its own powered time."""
    for place, stage in enumerate(plan.steps, 1):
        if stage.began is None:
            continue
        ended = session.duration if stage.ended is None else stage.ended
        powered = _powered_until(session, stage.began, ended)
        until = ended if powered is None else min(powered, ended)
        window = EvaluationWindow(max(stage.began, until - WINDOW), until, powered is not None, stage.began)
        found = [_finding(session, one, window, {}, frozenset()) for one in session.channels]
        channels = _with_lapsed(session, window, found)
        yield StepFinding(place, stage, plan.load_at(place), window, channels)


def predict_under(
    bench: Bench, mains: float | None, ambient: float | None, load: SetLoad
) -> tuple[Prediction | None, str]:
    """Return the settled prediction under measured conditions, or why there is none."""
    try:
        return OperatingPointPredictor(bench).at(mains, ambient, load), ""
    except PredictionError as problem:
        return None, str(problem)


def _value_of(channels: tuple[ChannelResult, ...], quantity: str) -> float | None:
    return next((one.value for one in channels if one.channel.quantity == quantity and one.is_measured), None)


def _window(session: RecordedSession, plan: Plan) -> EvaluationWindow:
    """Return the last seconds with mains, not reaching back over the begin of a step."""
    powered = _powered_until(session)
    until = session.duration if powered is None else powered
    begins = [stage.began for stage in plan.steps if stage.began is not None and stage.began <= until - 2.0]
    since = max(0.0, until - WINDOW, *begins)
    if powered is not None:
        since = _powered_since(session, since, until)
    return EvaluationWindow(since, until, powered is not None, max(begins, default=0.0))


def _powered_since(session: RecordedSession, since: float, until: float) -> float:
    """Return from when on the mains was on without a break up to `until`: `since`, or later, with time to settle."""
    mains = next(one for one in session.channels if one.quantity == "mains.voltage.rms")
    found = session.readings(mains.name, since, until)
    off = found.times[np.isfinite(found.values) & (found.values <= powered_above(session.bench))]
    on = found.times[found.times > off[-1]] if len(off) else off
    return min(float(on[0]) + _SETTLES_WITHIN, (float(on[0]) + until) / 2) if len(on) else since


def _powered_until(session: RecordedSession, since: float = 0.0, until: float | None = None) -> float | None:
    """Return until when within a time the mains was on, as measured; None if no channel shows it or it never was."""
    mains = next((one for one in session.channels if one.quantity == "mains.voltage.rms"), None)
    if mains is None:
        return None
    least = powered_above(session.bench)
    end = session.duration if until is None else until
    if mains.name in {one.name for one in session.bench.typed_channels}:
        # Few are typed, so all are looked at.
        typed = session.readings(mains.name, since, end + 1e-6)
        times = typed.times[np.isfinite(typed.values) & (typed.values > least)]
        return float(times[-1]) + 1e-6 if len(times) else None
    parts = session.trend(mains.name, min(_LOOKED_AT, max(int((end - since) / WINDOW), 1)), since, end)
    on = [part for part in parts if part.highest is not None and part.highest > least]
    if not on:
        return None
    last = on[-1]
    # What is kept of a long session is counted with the part that most of it is in: the mains may be in the one before.
    found = session.readings(mains.name, max(since, 2 * last.start - last.end), last.end + 1e-6)
    times = found.times[np.isfinite(found.values) & (found.values > least)]
    return float(times[-1]) + 1e-6 if len(times) else last.start


def _finding(
    session: RecordedSession,
    channel: Channel,
    window: EvaluationWindow,
    counts: dict[Verdict, int],
    flags: frozenset[Flag],
    *,
    whole: bool = False,
) -> ChannelResult:
    """Return a channel at the end of a time; the flags of that time are added, the span is its own or the `whole`'s."""
    least = 0.0 if whole else window.since
    since = max(least, min(window.since, window.until - _FEWEST_PERIODS * channel.period))
    typed_at = None
    if channel.name in {one.name for one in session.bench.typed_channels}:
        found = session.readings(channel.name, window.step_began, window.until + 1e-6).last_usable
        typed_at = float(found.times[-1]) if len(found.times) else None
    else:
        found = session.readings(channel.name, since, window.until + 1e-6)
    value, uncertainty = _mean(found)
    expected = _expected(found)
    en = None
    if expected is not None and math.isfinite(value):
        en = en_number(value, uncertainty, expected.value, expected.uncertainty)
    lowest, highest = _span(session, channel, found, whole=whole)
    end_flags = frozenset[Flag]().union(*(decode_state(state)[1] for state in np.unique(found.states).tolist()))
    return ChannelResult(
        found.channel,
        len(found.usable),
        value,
        uncertainty,
        expected,
        en,
        verdict_of(en),
        lowest,
        highest,
        flags | end_flags,
        end_flags,
        counts,
        typed_at,
    )


def _with_lapsed(
    session: RecordedSession, window: EvaluationWindow, channels: Sequence[ChannelResult]
) -> tuple[ChannelResult, ...]:
    """Return channels at the end of a time, those marked whose value was typed before the supply last changed in it."""
    times = [one.typed_at for one in channels if one.typed_at is not None]
    if not times:
        return tuple(channels)
    hand = HandReadings(session.bench_at(window.until))
    rows = []
    for one in channels:
        if one.typed_at is None:
            # The readings just before show how it stood when the value was typed.
            since = max(window.step_began, min(times) - max(WINDOW, _FEWEST_PERIODS * one.channel.period))
            found = session.readings(one.channel.name, since, window.until + 1e-6)
            rows += [(time, one.channel.name, value, en) for time, value, en in _of_changes(found)]
    for time, name, value, en in sorted(rows, key=itemgetter(0)):
        hand.observe(name, time, value, en)
    return tuple(replace(one, is_lapsed=(one.typed_at or math.inf) < hand.changed_at) for one in channels)


def _of_changes(found: Readings) -> Iterator[tuple[float, float | None, float | None]]:
    """Give time, value and En of the readings that may show a change; of any but the mains, where its verdict does."""
    verdicts, numbers = found.states & 3, found.en
    is_mains = found.channel.quantity == "mains.voltage.rms"
    kept = np.flatnonzero(np.concatenate(([True], np.diff(verdicts) != 0))) if len(verdicts) else verdicts
    for at in range(len(verdicts)) if is_mains else kept.tolist():
        value, en = float(found.values[at]), float(numbers[at])
        yield float(found.times[at]), None if math.isnan(value) else value, None if math.isnan(en) else en


def _span(session: RecordedSession, channel: Channel, found: Readings, *, whole: bool) -> tuple[float, float]:
    """Return lowest and highest reading, NaN where there is none."""
    if not whole:
        usable = found.usable
        return (float(usable.min()), float(usable.max())) if len(usable) else (math.nan, math.nan)
    parts = session.trend(channel.name, 1)
    lowest = parts[0].lowest if parts and parts[0].lowest is not None else math.nan
    highest = parts[0].highest if parts and parts[0].highest is not None else math.nan
    return lowest, highest


def _mean(found: Readings) -> tuple[float, float]:
    usable = found.usable
    if not len(usable):
        return math.nan, math.nan
    mean = float(np.mean(usable))
    scatter = float(np.std(usable, ddof=1)) / math.sqrt(len(usable)) if len(usable) > 1 else 0.0
    return mean, math.hypot(found.channel.accuracy.of(mean), COVERAGE * scatter)


def _expected(found: Readings) -> Expected | None:
    """Return what was expected on average, beside those readings that have a value and an expectation."""
    known = np.isfinite(found.values) & np.isfinite(found.expected) & np.isfinite(found.expected_uncertainties)
    if not np.any(known):
        return None
    spread = float(np.mean(found.expected_uncertainties[known]))
    return Expected(float(np.mean(found.expected[known])), spread, found.channel.unit)
