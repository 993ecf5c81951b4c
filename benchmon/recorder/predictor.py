"""What every channel should read now: predictions for the measured conditions, made in a thread of their own.

A thread that works on the newest thing asked of it: what it has not begun when something newer comes is dropped.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from queue import SimpleQueue
from typing import Generic, TypeVar

from benchmon.bench import Accuracy, Bench, Channel
from benchmon.errors import BenchmonError
from benchmon.prediction.operating_point import Load
from benchmon.prediction.result import Prediction
from benchmon.quantities import Expected
from benchmon.text import one_line
from benchmon.watch.conditions import Conditions, MeasuredConditions
from benchmon.watch.expectation import Expectation, Predictions

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


class Predictor(Predictions):
    """Predicts a bench around the latest conditions wanted; slow, so it never makes its caller wait."""

    def __init__(self, bench: Bench, accuracy: Accuracy | None) -> None:
        super().__init__(bench, accuracy)
        self.problems: SimpleQueue[str] = SimpleQueue()
        self._thread = LatestJobThread("prediction", self._predict)

    def start(self) -> None:
        """Start the thread; it predicts for the bench file's own conditions first."""
        self._thread.ask(Conditions())
        self._thread.start()

    def stop(self, timeout: float) -> None:
        """End the thread, or leave it after `timeout` seconds; it dies with the process."""
        self._thread.stop(timeout)

    @property
    def nominal(self) -> Prediction | None:
        """The prediction for the bench file's own conditions, None while there is none."""
        return self._follower.nominal if self._follower else None

    def _ask(self, wanted: Conditions) -> None:
        self._thread.ask(wanted)

    def _predict(self, conditions: Conditions) -> None:
        try:
            self.predict(conditions)
        except BenchmonError as problem:
            self.problems.put(one_line(problem))
        except Exception as problem:  # noqa: BLE001 - whatever goes wrong here, the recording goes on, and says so
            self.problems.put(one_line(f"{type(problem).__name__}: {problem}"))


class Expectations:
    """What every channel of a bench should read while it is recorded."""

    def __init__(self, bench: Bench) -> None:
        self._measured = MeasuredConditions(bench)
        self._predictor = Predictor(bench, self._measured.mains_accuracy)
        self._expectation = Expectation(bench, self._predictor, self._measured)
        self._told: str | None = None

    def start(self) -> None:
        """Start predicting."""
        self._predictor.start()

    def stop(self, timeout: float = 1.0) -> None:
        """Stop predicting."""
        self._predictor.stop(timeout)

    def change(self, bench: Bench) -> None:
        """Expect what another description of the same channels says, as soon as that is worked out."""
        self._measured.change(bench)
        self._predictor.change(bench, self._measured.mains_accuracy)
        self._expectation.change(bench)

    def observe(self, channel: Channel, time: float, value: float | None) -> None:
        """Take a reading: the mains voltage and the ambient temperature decide what the others should be."""
        self._measured.observe(channel.name, time, value)

    def set_load(self, load: Load) -> None:
        """Expect readings at another load from now on: ohms, or "open"; None is the bench file's own."""
        self._measured.load = load

    def expected(self, channel: Channel, time: float) -> Expected | None:
        """Return what `channel` should read at `time` (session seconds), None where nothing is predicted."""
        return self._expectation.expected(channel, time)

    @property
    def prediction(self) -> Prediction | None:
        """The latest prediction, None while there is none."""
        return self._predictor.latest

    @property
    def power_on(self) -> float | None:
        """When the supply was last switched on, in session seconds; None while it is off or that is not known."""
        return self._measured.power_on

    def problems(self) -> list[str]:
        """Return why there is no prediction, each reason once until another one comes."""
        told = []
        while not self._predictor.problems.empty():
            problem = self._predictor.problems.get()
            if problem != self._told:
                told.append(problem)
            self._told = problem
        return told
