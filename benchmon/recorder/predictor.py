"""What every channel should read now: predictions for the measured conditions, made in a thread of their own.

A thread that works on the newest thing asked of it: what it has not begun when something newer comes is dropped.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from queue import SimpleQueue
from typing import Generic, TypeVar

from benchmon.bench import Bench, Channel
from benchmon.errors import BenchmonError, one_line
from benchmon.prediction.operating_point import Load, OperatingGrid, OperatingPointPredictor
from benchmon.prediction.result import Prediction
from benchmon.quantities import Expected
from benchmon.recorder.conditions import Conditions, MeasuredConditions
from benchmon.watch.records import Judgement

T = TypeVar("T")


class LatestJobThread(Generic[T]):
    """Does slow work without making anybody wait; `work` is called in the thread, and must let nothing out."""

    def __init__(self, name: str, work: Callable[[T], object]) -> None:
        self._work = work
        self._news = threading.Condition()
        self._asked: list[T] = []
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def stop(self, timeout: float) -> None:
        """End the thread, or leave it after `timeout` seconds; it dies with the process."""
        with self._news:
            self._stopping = True
            self._news.notify()
        if self._thread.ident is not None:
            self._thread.join(timeout)

    def ask(self, what: T) -> None:
        """Have `what` worked on next, instead of anything that still waits."""
        with self._news:
            self._asked = [what]
            self._news.notify()

    def ask_if_idle(self, what: T) -> None:
        """Have `what` worked on where nothing else waits."""
        with self._news:
            if not self._asked:
                self._asked = [what]
                self._news.notify()

    def _run(self) -> None:
        while True:
            with self._news:
                self._news.wait_for(lambda: self._stopping or self._asked)
                if self._stopping:
                    return
                what = self._asked.pop()
            self._work(what)


_PREDICT_ANEW = (0.005, 0.5)
"""Change of mains (relative) and ambient (kelvins) after which it is looked whether predictions are still near."""
_HOLD = 0.05
"""Part of its uncertainty by which an expected value must move before the new one is used and stored."""


class Predictor:
    """Predicts a bench around the latest conditions wanted; slow, so it never makes its caller wait."""

    def __init__(self, bench: Bench, mains_channel: Channel | None) -> None:
        self._bench, self._mains_channel = bench, mains_channel
        self._follower: OperatingPointPredictor | None = None
        self._wanted: Conditions | None = None
        self._changed = True
        self._answer: tuple[Conditions, OperatingGrid | None] | None = None
        self.problems: SimpleQueue[str] = SimpleQueue()
        self._thread = LatestJobThread("prediction", self._predict)

    def start(self) -> None:
        """Start the thread; it predicts for the bench file's own conditions first."""
        self._thread.ask(Conditions())
        self._thread.start()

    def stop(self, timeout: float) -> None:
        """End the thread, or leave it after `timeout` seconds; it dies with the process."""
        self._thread.stop(timeout)

    def change(self, bench: Bench, mains_channel: Channel | None) -> None:
        """Predict another bench from now on; the last prediction of the former one stands until there is a new one."""
        self._bench, self._mains_channel, self._changed = bench, mains_channel, True
        self._thread.ask(self._wanted or Conditions())

    @property
    def nominal(self) -> Prediction | None:
        """The prediction for the bench file's own conditions, None while there is none."""
        return self._follower.nominal if self._follower else None

    def around(self, wanted: Conditions) -> OperatingGrid | None:
        """Return predictions that hold for `wanted`, None where there are none yet; asks for closer ones at need."""
        if self._wanted is None or not wanted.is_near(self._wanted, *_PREDICT_ANEW):
            self._wanted = wanted
            self._thread.ask(wanted)
        answer = self._answer
        if answer is None or answer[1] is None or answer[0].load != wanted.load:
            return None
        return answer[1] if answer[1].covers(wanted.mains_voltage, wanted.ambient) else None

    @property
    def latest(self) -> Prediction | None:
        """The last prediction that was made, None where there is none."""
        answer = self._answer
        return answer[1].middle if answer and answer[1] else None

    def _predict(self, conditions: Conditions) -> None:
        vicinity = None
        try:
            follower = self._follower_now()
            vicinity = follower.around(conditions.mains_voltage, conditions.ambient, conditions.load)
        except BenchmonError as problem:
            self.problems.put(one_line(problem))
        except Exception as problem:  # noqa: BLE001 - whatever goes wrong here, the recording goes on, and says so
            self.problems.put(one_line(f"{type(problem).__name__}: {problem}"))
        self._answer = (conditions, vicinity)

    def _follower_now(self) -> OperatingPointPredictor:
        """Return the follower of the bench as it is now; the former one stands until there is this one, or none."""
        if self._changed or self._follower is None:
            self._changed, made = False, None
            accuracy = None if self._mains_channel is None else self._mains_channel.accuracy
            try:
                made = OperatingPointPredictor(self._bench, accuracy)
            finally:
                self._follower = made
        return self._follower


class Expectations:
    """What every channel of a bench should read, moment by moment."""

    def __init__(self, bench: Bench) -> None:
        self._mains_is_judged = bench.mains.tolerance > 0
        self._measured = MeasuredConditions(bench)
        self._predictor = Predictor(bench, self._measured.mains.channel if self._measured.mains else None)
        self._held: dict[str, tuple[float, float]] = {}
        self._told: str | None = None

    def start(self) -> None:
        """Start predicting."""
        self._predictor.start()

    def stop(self, timeout: float = 1.0) -> None:
        """Stop predicting."""
        self._predictor.stop(timeout)

    def change(self, bench: Bench) -> None:
        """Expect what another description of the same channels says, as soon as that is worked out."""
        self._mains_is_judged = bench.mains.tolerance > 0
        self._measured.change(bench)
        self._predictor.change(bench, self._measured.mains.channel if self._measured.mains else None)

    def observe(self, channel: Channel, time: float, value: float | None) -> None:
        """Take a reading: the mains voltage and the ambient temperature decide what the others should be."""
        self._measured.observe(channel.name, time, value)

    def set_load(self, load: Load) -> None:
        """Expect readings at another load from now on: ohms, or "open"; None is the bench file's own."""
        self._measured.load = load

    def expected(self, channel: Channel, time: float) -> Expected | None:
        """Return what `channel` should read at `time` (session seconds), None where nothing is predicted."""
        conditions = self._measured.now(time)
        if conditions is None:
            return None
        around = self._predictor.around(conditions)
        # What a prediction is made from cannot be judged by it: the mains has the bench file's tolerance to keep.
        if channel.quantity == "mains.voltage.rms":
            nominal = self._predictor.nominal if self._mains_is_judged else None
            return nominal.at(channel.quantity) if nominal else None
        if channel.quantity == "ambient.temperature" or around is None:
            return None
        warm_for = self._measured.warm_for(channel, time, around.middle)
        return around.expected(channel.quantity, conditions.mains_voltage, conditions.ambient, warm_for)

    def thinned(self, judgement: Judgement) -> Judgement:
        """Return a judgement as it is stored: what was expected is the former value till it has moved enough.

        Enough is a twentieth of its uncertainty. The watch sees every small move; a record needs none of them.
        """
        if judgement.expected is None or judgement.expected_uncertainty is None:
            self._held.pop(judgement.channel, None)
            return judgement
        one, fresh = judgement, (judgement.expected, judgement.expected_uncertainty)
        held = self._held.get(one.channel)
        if held is None or max(abs(held[0] - fresh[0]), abs(held[1] - fresh[1])) > _HOLD * held[1]:
            self._held[one.channel] = fresh
            return one
        # Made anew field by field: `replace` would take ten times as long, at every reading.
        return Judgement(one.channel, one.time, one.value, one.uncertainty, *held, one.en, one.verdict, one.flags)

    @property
    def prediction(self) -> Prediction | None:
        """The latest prediction, None while there is none."""
        return self._predictor.latest

    @property
    def power_on(self) -> float | None:
        """When the supply was last switched on, in session seconds; None while it is off or that is not known."""
        return self._measured.power.on_since

    def problems(self) -> list[str]:
        """Return why there is no prediction, each reason once until another one comes."""
        told = []
        while not self._predictor.problems.empty():
            problem = self._predictor.problems.get()
            if problem != self._told:
                told.append(problem)
            self._told = problem
        return told
