"""What every channel should read now: predictions for the measured conditions, made in a thread of their own."""

from __future__ import annotations

from queue import SimpleQueue

from benchmon.bench import Accuracy, Bench, Channel
from benchmon.errors import BenchmonError
from benchmon.prediction.follow import Load
from benchmon.prediction.result import Expected, Prediction
from benchmon.recorder.newest_only import NewestOnly
from benchmon.text import one_line
from benchmon.watch.conditions import Conditions, MeasuredConditions
from benchmon.watch.expectation import Expectation, Predictions


class Predictor(Predictions):
    """Predicts a bench around the latest conditions wanted; slow, so it never makes its caller wait."""

    def __init__(self, bench: Bench, accuracy: Accuracy | None) -> None:
        super().__init__(bench, accuracy)
        self.problems: SimpleQueue[str] = SimpleQueue()
        self._thread = NewestOnly("prediction", self._predict)

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

    def situation(self, time: float) -> Conditions:
        """Return the conditions as they are at `time` (session seconds), without a mains where there is no power."""
        ambient = self._measured.ambient
        unpowered = Conditions(None, None if ambient is None else ambient.at(time), self._measured.load)
        return self._measured.now(time) or unpowered

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
