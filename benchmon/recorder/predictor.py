"""Predictions while recording: what every channel should read now, and the settled values at each step of the plan.

Predictions are slow, so each kind is made in a thread of its own that works on the latest conditions asked for; older
ones that have not begun are dropped.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import replace
from queue import Empty, SimpleQueue
from typing import Generic, TypeVar

from benchmon.bench import Accuracy, Bench, Channel
from benchmon.errors import BenchmonError
from benchmon.prediction.operating_point import OperatingPointPredictor
from benchmon.prediction.result import Prediction
from benchmon.quantities import Expected
from benchmon.session.encodings import stored
from benchmon.session.records import SettledPrediction, StepPrediction, StoredPrediction
from benchmon.text import one_line
from benchmon.watch.conditions import Conditions, MeasuredConditions
from benchmon.watch.expectation import Expectation, Predictions
from benchmon.watch.plan import Plan

T = TypeVar("T")

_MAINS_STEP, _AMBIENT_STEP = 0.005, 2.0
"""Resolution of the mains (relative) and of the ambient (kelvins) in the conditions predicted for."""
_STAYS = 1.5
"""Hysteresis, in steps, before other conditions are predicted for, so that noise costs nothing."""
_PAUSE, _SHORT_PAUSE = 10.0, 1.0
"""Seconds between two predictions for conditions as measured, while the mains moves a little, and where it jumps."""
_JUMP = 0.03, 10.0
"""Change of the mains (relative) and of the ambient (kelvins) that is a jump; another load is one, too."""
_BEGIN_AFTER = 3.0
"""Seconds after which it begins even if no channel has an expected value yet; those come first."""
_MEASURED = 0
"""The number of the measured conditions among the steps, which are numbered from 1."""


class LatestJobThread(Generic[T]):
    """A thread that calls `work` with the latest job asked for; `work` must not raise."""

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
        """End the thread, waiting at most `timeout` seconds; a daemon thread ends with the process."""
        with self._news:
            self._stopping = True
            self._news.notify()
        if self._thread.ident is not None:
            self._thread.join(timeout)

    def ask(self, what: T) -> None:
        """Work on `what` next, in place of a job that still waits."""
        with self._news:
            self._asked = [what]
            self._news.notify()

    def ask_if_idle(self, what: T) -> None:
        """Work on `what` if no other job waits."""
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


class Predictor(Predictions):
    """Predicts a bench around the latest conditions asked for, in a thread of its own."""

    def __init__(self, bench: Bench, accuracy: Accuracy | None) -> None:
        super().__init__(bench, accuracy)
        self.problems: SimpleQueue[str] = SimpleQueue()
        self._thread = LatestJobThread("prediction", self._predict)

    def start(self) -> None:
        """Start the thread; it predicts for the bench file's own conditions first."""
        self._thread.ask(Conditions())
        self._thread.start()

    def stop(self, timeout: float) -> None:
        """End the thread, waiting at most `timeout` seconds; a daemon thread ends with the process."""
        self._thread.stop(timeout)

    @property
    def nominal(self) -> Prediction | None:
        """The prediction for the bench file's own conditions, None while there is none."""
        return self._predictor.nominal if self._predictor else None

    def _ask(self, wanted: Conditions) -> None:
        self._thread.ask(wanted)

    def _predict(self, conditions: Conditions) -> None:
        try:
            self.predict(conditions)
        except BenchmonError as problem:
            self.problems.put(one_line(problem))
        except Exception as problem:  # noqa: BLE001 - the recording goes on after any error, and reports it
            self.problems.put(one_line(f"{type(problem).__name__}: {problem}"))


class Expectations:
    """Gives what every channel of a bench should read while it is recorded."""

    def __init__(self, bench: Bench) -> None:
        self._measured = MeasuredConditions(bench)
        self._predictor = Predictor(bench, self._measured.mains_accuracy)
        self._expectation = Expectation(bench, self._predictor, self._measured)
        self._last_problem: str | None = None

    def start(self) -> None:
        """Start predicting."""
        self._predictor.start()

    def stop(self, timeout: float = 1.0) -> None:
        """Stop predicting."""
        self._predictor.stop(timeout)

    def change(self, bench: Bench) -> None:
        """Replace the bench by another description of the same channels, as soon as it is predicted."""
        self._measured.change(bench)
        self._predictor.change(bench, self._measured.mains_accuracy)
        self._expectation.change(bench)

    def observe(self, channel: Channel, time: float, value: float | None) -> None:
        """Take a reading: mains voltage and ambient temperature are the conditions predicted for."""
        self._measured.observe(channel.name, time, value)

    def follow(self, plan: Plan) -> None:
        """Expect readings at the load and the mains voltage of the plan's current step from now on."""
        self._measured.follow(plan)

    def expected(self, channel: Channel, time: float) -> Expected | None:
        """Return what `channel` should read at `time` (session seconds), None where nothing is predicted."""
        return self._expectation.expected(channel, time)

    @property
    def is_pending(self) -> bool:
        """Whether what was to be expected last is still being predicted."""
        return self._predictor.is_pending

    def situation(self, time: float) -> Conditions:
        """Return the conditions at `time` (session seconds), without a mains voltage if there is no power."""
        return self._measured.situation(time)

    @property
    def prediction(self) -> Prediction | None:
        """The latest prediction, None while there is none."""
        return self._predictor.latest

    @property
    def power_on(self) -> float | None:
        """When the supply was last switched on, in session seconds; None while it is off or that is not known."""
        return self._measured.power_on

    def problems(self) -> list[str]:
        """Return why there is no prediction; a reason is returned again only after another one."""
        found = []
        while not self._predictor.problems.empty():
            problem = self._predictor.problems.get()
            if problem != self._last_problem:
                found.append(problem)
            self._last_problem = problem
        return found


class SettledPredictions:
    """Predicts the settled values under the measured conditions and at each step of the plan, one after the other."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._known: dict[int, Conditions] = {}
        self._asked: tuple[Bench, int, Conditions] | None = None
        self._next_measured = 0.0
        self._answers: SimpleQueue[tuple[Bench, int, StoredPrediction | str]] = SimpleQueue()
        self._predictor: OperatingPointPredictor | None = None
        self._thread = LatestJobThread("settled predictions", self._work)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def stop(self, timeout: float = 1.0) -> None:
        """End the thread, waiting at most `timeout` seconds; a daemon thread ends with the process."""
        self._thread.stop(timeout)

    def change(self, bench: Bench) -> None:
        """Predict another bench from now on; predictions in progress for the former one are dropped."""
        self._bench, self._known, self._asked, self._next_measured = bench, {}, None, 0.0

    def news(
        self, now: float, measured: Conditions, plan: Plan, *, is_ready: bool
    ) -> list[SettledPrediction | StepPrediction]:
        """Return the predictions finished by `now` (session seconds), and start the next one.

        `measured` are the present conditions, without a mains voltage if there is no power. Work starts when
        `is_ready`, or after a few seconds.
        """
        found = [self._record(number, answer, now) for number, answer in self._new_answers()]
        if self._asked is None and (is_ready or now >= _BEGIN_AFTER):
            self._ask_next(now, measured, plan)
        return found

    def _new_answers(self) -> list[tuple[int, StoredPrediction | str]]:
        found: list[tuple[int, StoredPrediction | str]] = []
        while True:
            try:
                bench, number, answer = self._answers.get_nowait()
            except Empty:
                return found
            if bench is self._bench:
                self._asked = None
                found.append((number, answer))

    def _record(self, number: int, answer: StoredPrediction | str, now: float) -> SettledPrediction | StepPrediction:
        prediction, problem = (None, answer) if isinstance(answer, str) else (answer, "")
        if number == _MEASURED:
            return SettledPrediction(now, prediction, problem)
        return StepPrediction(now, number, prediction, problem)

    def _ask_next(self, now: float, measured: Conditions, plan: Plan) -> None:
        here = self._known.get(_MEASURED)
        if here is None or self._have_conditions_changed(now, measured, here):
            self._next_measured = now + _PAUSE
            self._ask(_MEASURED, _coarse(measured))
            return
        for number in range(1, len(plan.steps) + 1):
            mains = plan.mains_at(number)
            mains = here.mains_voltage if mains is None else mains
            wanted = Conditions(mains, here.ambient, plan.load_at(number))
            if self._known.get(number) != wanted:
                self._ask(number, wanted)
                return

    def _have_conditions_changed(self, now: float, measured: Conditions, here: Conditions) -> bool:
        earlier = 0.0 if measured.is_near(here, *_JUMP) else _PAUSE - _SHORT_PAUSE
        is_near = measured.is_near(here, _STAYS * _MAINS_STEP, _STAYS * _AMBIENT_STEP)
        return not is_near and now >= self._next_measured - earlier

    def _ask(self, number: int, wanted: Conditions) -> None:
        self._known[number] = wanted
        self._asked = (self._bench, number, wanted)
        self._thread.ask(self._asked)

    def _work(self, asked: tuple[Bench, int, Conditions]) -> None:
        bench, number, wanted = asked
        answer: StoredPrediction | str
        try:
            if self._predictor is None or self._predictor.bench is not bench:
                self._predictor = OperatingPointPredictor(bench)
            prediction = self._predictor.at(wanted.mains_voltage, wanted.ambient, wanted.load)
            answer = stored(prediction, with_waves=number == _MEASURED)
        except BenchmonError as problem:
            answer = one_line(problem, 400)
        except Exception as problem:  # noqa: BLE001 - the recording goes on after any error, and reports it
            answer = one_line(f"{type(problem).__name__}: {problem}; report this", 400)
        self._answers.put((bench, number, answer))


def _coarse(conditions: Conditions) -> Conditions:
    """Return the conditions rounded to 0.5 % of the mains and 2 K of the ambient."""
    mains, ambient = conditions.mains_voltage, conditions.ambient
    if mains is not None and mains > 0:
        mains = math.exp(_MAINS_STEP * round(math.log(mains) / _MAINS_STEP))
    if ambient is not None:
        ambient = _AMBIENT_STEP * round(ambient / _AMBIENT_STEP)
    return replace(conditions, mains_voltage=mains, ambient=ambient)
