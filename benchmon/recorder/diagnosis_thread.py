"""Live diagnosis of a recording: drift, heating and contradictions at once, likely causes in a thread of its own.

It gives the events of the channels' history, and those of the kind `cause` when another cause becomes the likeliest.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from itertools import takewhile
from queue import Empty, SimpleQueue
from statistics import median

from benchmon.bench import Bench, SetLoad
from benchmon.errors import BenchmonError
from benchmon.event_kinds import EventKind
from benchmon.prediction.predict import at_step, with_load
from benchmon.prediction.result import Prediction
from benchmon.recorder.predictor import LatestJobThread
from benchmon.recorder.storage_filter import says_the_same
from benchmon.text import one_line
from benchmon.watch.channel_history import ChannelHistory
from benchmon.watch.diagnosis.explainer import NONE_OF_THESE, NOTHING_WRONG, Explainer
from benchmon.watch.diagnosis.likelihood import Observation
from benchmon.watch.diagnosis.statement import statements, steady_reading
from benchmon.watch.plan import Plan, is_mains_set, powered_above
from benchmon.watch.plausibility.steadiness import with_causes_of_courses
from benchmon.watch.records import Event, Explanation, Explanations, Flag, Forecast, Judgement, Verdict
from benchmon.watch.wording import likelihood_in_words

_LOOK_EVERY = 1.0
_FIRST_PAUSE, _LONGEST_PAUSE = 4.0, 120.0
"""Seconds between two questions for causes, at first and in the end, while the same channels disagree unmoved."""
_QUIET = 60.0
"""Seconds without a cause after which the same one is an event again: a reading at the edge of disagreeing, such as the
last digit of a scope, made forty events of one cause in seven minutes."""
_PREPARE_AFTER = 10.0
"""Seconds after which the explanation gets ready, which takes a second, so that it answers a fault at once. Opening the
instruments and the first prediction come first."""
_MOVED = 0.02
"""The part of itself by which a reading must move, and by twice its meter's accuracy, to be asked about again."""
_RECENT = 2.0
"""Seconds of readings of which the median is explained, and for which a channel must have disagreed."""
_MOST_RECENT = 200
_MOST_CAUSES = 5
_LEAST_LIKELIHOOD = 0.01
_LIKELY = 0.5

Lately = Mapping[str, Sequence[Judgement]]
"""The judgements of the last seconds, by channel; each has one at least."""


class DiagnosisService:
    """Diagnoses a recording from its judgements. Only the search for causes runs in another thread."""

    def __init__(self, bench: Bench) -> None:
        self.history = ChannelHistory(bench)
        self._channels = {channel.name: channel for channel in bench.channel}
        self._recent: dict[str, deque[Judgement]] = {name: deque(maxlen=_MOST_RECENT) for name in self._channels}
        self._explaining = _Explaining(bench)
        self._expected: Prediction | None = None
        self._next_look = 0.0
        self._forecasts: dict[str, Forecast] = {}
        self._shown: tuple[Explanation, ...] = ()
        self._last_cause = ""
        self._quiet_since = math.inf
        self._odd: frozenset[str] = frozenset()
        self._asked_about: dict[str, float] = {}
        self._is_prepared = False
        self._asked_at = 0.0
        self._pause = _FIRST_PAUSE

    def start(self) -> None:
        """Start the thread that searches for causes."""
        self._explaining.start()

    def stop(self, timeout: float = 1.0) -> None:
        """End that thread, waiting at most `timeout` seconds; a daemon thread ends with the process."""
        self._explaining.stop(timeout)

    def follow(self, plan: Plan) -> None:
        """Explain readings at the load and the mains voltage of the plan's current step from now on."""
        setting = (plan.load, plan.mains)
        self.history.hand.follow(plan)
        if plan.load != self._explaining.setting[0]:
            self.history.change(with_load(self._explaining.bench, plan.load))
        self._explaining.setting = setting
        self._is_prepared = False

    def change(self, bench: Bench) -> None:
        """Replace the bench by another description of the same channels."""
        self._channels = {channel.name: channel for channel in bench.channel}
        self.history.change(with_load(bench, self._explaining.setting[0]))
        self._explaining.bench = bench
        self._is_prepared = False

    def expect(self, prediction: Prediction | None, power_on: float | None) -> None:
        """Take the prediction in force, and when the supply was switched on (session seconds)."""
        self.history.power_on = power_on
        if prediction is not None and prediction is not self._expected:
            self._expected = prediction
            self.history.expect(prediction)

    def observe(self, judgement: Judgement) -> None:
        """Take a judgement."""
        self._recent[judgement.channel].append(judgement)

    def news(self, now: float) -> list[Event | Explanations | Forecast]:
        """Return the new forecasts, causes and events at `now` (session seconds)."""
        records: list[Event | Explanations | Forecast] = []
        last = [recent[-1] for recent in self._recent.values() if recent]
        for explained in self._explaining.answers():
            records += self._explained(statements(explained, last, {}), now)
        if now >= self._next_look:
            self._next_look = now + _LOOK_EVERY
            records += self._look(now)
        return records

    def _look(self, now: float) -> list[Event | Explanations | Forecast]:
        records: list[Event | Explanations | Forecast] = []
        known = {name: _lately(recent, now) for name, recent in self._recent.items() if recent}
        lately = {name: readings for name, readings in known.items() if not self.history.hand.is_lapsed(name)}
        for name, readings in known.items():
            forecast = self.history.forecast(name, now, readings[-1].value)
            former = self._forecasts.get(name)
            if forecast is not None and (former is None or not says_the_same(forecast, former)):
                self._forecasts[name] = forecast
                records.append(forecast)
        odd = frozenset(name for name, readings in lately.items() if self._is_odd(name, readings))
        if not self._is_prepared and now >= _PREPARE_AFTER and self._expected is not None:
            self._is_prepared = True
            self._explaining.prepare(self._observations(lately, now))
        if odd:
            self._ask(odd, lately, now)
            return records
        # A channel that is silent for a moment, as on a busy machine, is not new when it reads as before again.
        self._odd &= {name for name, one in lately.items() if any(Flag.STALE in reading.flags for reading in one)}
        if self.history.causes(now):
            return records + self._explained((), now)
        if self._shown:
            self._shown, self._quiet_since = (), now
            records.append(Explanations(now, ()))
        if now >= self._quiet_since + _QUIET:
            self._last_cause = ""
        return records

    def _ask(self, odd: frozenset[str], lately: Lately, now: float) -> None:
        """Ask for causes: at once where a channel is `odd` that was not, soon where a reading has moved."""
        # While verdicts still change, some readings are from before the fault and some from after it.
        if not all(_keeps_its_verdict(readings) for readings in lately.values()):
            return
        seen = self._observations(lately, now)
        # A channel at the edge comes and goes: it is new once. Readings that keep moving are asked about now and then.
        is_new = not odd <= self._odd
        if not is_new and now >= self._asked_at + _FIRST_PAUSE:
            is_new = any(_has_moved(one, self._asked_about.get(one.channel.name)) for one in seen)
        if is_new or now >= self._asked_at + self._pause:
            self._pause = _FIRST_PAUSE if is_new else min(2.0 * self._pause, _LONGEST_PAUSE)
            self._odd, self._asked_at = self._odd | odd, now
            # A temperature at the edge of standing still comes and goes too: it has moved where its value has.
            self._asked_about |= {one.channel.name: one.value for one in seen}
            self._explaining.ask(seen)

    def _is_odd(self, name: str, readings: Sequence[Judgement]) -> bool:
        """Return whether a channel has disagreed throughout, or contradicts others."""
        if Flag.STALE in readings[-1].flags:
            return False
        disagrees = all(judgement.verdict is Verdict.DISAGREES for judgement in readings)
        return (disagrees and len(self._recent[name]) > 2) or Flag.IMPLAUSIBLE in readings[-1].flags

    def _observations(self, lately: Lately, now: float) -> list[Observation]:
        found = []
        for name, readings in lately.items():
            values = [one.value for one in readings if one.value is not None]
            if values and Flag.STALE not in readings[-1].flags:
                # Of a step within these seconds the median takes one side; the mean would be a value nobody read.
                one = steady_reading(self._channels[name], median(values), self.history.outlook(name, now))
                found += [] if one is None else [one]
        return found

    def _explained(self, found: Sequence[Explanation], now: float) -> list[Event | Explanations | Forecast]:
        all_causes = with_causes_of_courses(found, self.history.causes(now))
        ranked = tuple(one for one in all_causes[:_MOST_CAUSES] if one.likelihood >= _LEAST_LIKELIHOOD)
        if not ranked or _alike(ranked, self._shown):
            return []
        self._shown, self._quiet_since = ranked, math.inf
        records: list[Event | Explanations | Forecast] = [Explanations(now, ranked)]
        first = ranked[0]
        if first.likelihood >= _LIKELY and first.cause not in (self._last_cause, NOTHING_WRONG):
            self._last_cause = first.cause
            channel = first.channels[0] if first.channels else ""
            # That no known cause fits is itself what is likely, and needs no number.
            sure = "" if first.cause == NONE_OF_THESE else f" ({likelihood_in_words(first.likelihood)} likely)"
            records.append(Event(now, channel, EventKind.CAUSE, f"{first.message}{sure}"))
        return records


def _lately(recent: Sequence[Judgement], now: float) -> Sequence[Judgement]:
    """Return the judgements of the last seconds, the latest last; at least that one."""
    found = list(takewhile(lambda judgement: judgement.time >= now - _RECENT, reversed(recent)))
    return found[::-1] or [recent[-1]]


def _keeps_its_verdict(readings: Sequence[Judgement]) -> bool:
    return len({judgement.verdict is Verdict.DISAGREES for judgement in readings}) < 2


def _has_moved(one: Observation, before: float | None) -> bool:
    if before is None or not math.isfinite(one.value - before):
        return before is None or one.value != before
    return abs(one.value - before) > max(_MOVED * abs(before), 2.0 * one.channel.accuracy.of(before))


def _alike(ranked: tuple[Explanation, ...], shown: tuple[Explanation, ...]) -> bool:
    """Return whether the causes and their likelihoods are nearly the same."""
    same = [one.cause for one in ranked] == [one.cause for one in shown]
    return same and all(abs(now.likelihood - then.likelihood) < 0.05 for now, then in zip(ranked, shown, strict=True))


_Setting = tuple[SetLoad, float | None]
"""The load and the mains voltage (V rms) of the plan's step; None where the bench file's counts."""

_MAINS_STEP = 0.01
"""Part of its mains voltage to which an explainer's is rounded where it is not set yet: there is one for each."""


class _Explaining:
    """Explains the latest readings it was asked about; the first time takes a second or more."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.setting: _Setting = (None, None)
        self._explains: tuple[Bench, _Setting] | None = None
        self._answers: SimpleQueue[list[Explanation]] = SimpleQueue()
        self._thread = LatestJobThread("explanation", self._answer)

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout: float) -> None:
        self._thread.stop(timeout)

    def ask(self, observations: list[Observation]) -> None:
        self._thread.ask((observations, self._setting_of(observations), True))

    def prepare(self, observations: list[Observation]) -> None:
        """Get ready for a question about such readings; answers nothing."""
        self._thread.ask_if_idle((observations, self._setting_of(observations), False))

    def _setting_of(self, observations: Sequence[Observation]) -> _Setting:
        """Return the load and the mains to explain readings by: of the plan's step, the mains as it is until it is set.

        Nobody has turned it yet, so it is no cause that it is not what the step wants.
        """
        load, wanted = self.setting
        mains = next((one for one in observations if one.channel.quantity == "mains.voltage.rms"), None)
        if wanted is None or mains is None or not powered_above(self.bench) < mains.value < math.inf:
            return self.setting
        if is_mains_set(mains.channel, mains.value, wanted):
            return self.setting
        step = _MAINS_STEP * self.bench.mains.voltage
        return load, step * max(1, round(mains.value / step))

    def answers(self) -> list[list[Explanation]]:
        found = []
        while True:
            try:
                found.append(self._answers.get_nowait())
            except Empty:
                return found

    def _answer(self, asked: tuple[list[Observation], _Setting, bool]) -> None:
        observations, setting, answer_is_wanted = asked
        try:
            explainer = self._explainer_at(setting)
            if answer_is_wanted:
                self._answers.put(explainer.explain(observations))
            else:
                explainer.prepare(observations)
        except BenchmonError as problem:
            why = one_line(problem)
        except Exception as problem:  # noqa: BLE001 - whatever goes wrong here, the recording goes on, and says so
            why = one_line(f"{type(problem).__name__}: {problem}; report this")
        else:
            return
        if answer_is_wanted:
            self._answers.put([Explanation(NONE_OF_THESE, 1.0, f"no cause is known: {why}")])

    def _explainer_at(self, setting: _Setting) -> Explainer:
        bench = self.bench
        if self._explains is None or self._explains[0] is not bench or self._explains[1] != setting:
            mains_is_set = setting[1] is not None
            self._explainer = Explainer(at_step(bench, *setting), mains_is_set_by_hand=mains_is_set)
            self._explains = (bench, setting)
        return self._explainer
