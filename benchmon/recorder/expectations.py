"""What every channel should read now: predictions for the measured conditions, made in a thread of their own."""

from __future__ import annotations

import threading
from queue import SimpleQueue

from benchmon.bench import Bench, Channel
from benchmon.errors import BenchmonError, one_line
from benchmon.prediction import predict
from benchmon.prediction.follow import Load
from benchmon.prediction.result import Expected, Prediction
from benchmon.recorder.conditions import Conditions, MeasuredConditions

_RECTANGULAR = 3.0**0.5 / 2
"""An expanded uncertainty U (k = 2) has the standard uncertainty of a rectangular tolerance of √3/2·U."""
_PREDICT_ANEW = (0.001, 0.5)
"""Change of mains (relative) and ambient (kelvins) after which a new prediction is made."""
_HOLDS_FOR = (0.01, 3.0)
"""Change up to which the last prediction still stands while the next is made."""
_HOLD = 0.05
"""Part of its uncertainty by which an expected value must move before the new one is used and stored."""


class Predictor:
    """Predicts a bench for the latest conditions wanted; slow, so it never makes its caller wait."""

    def __init__(self, bench: Bench, mains_channel: Channel | None) -> None:
        self._bench = bench
        self._mains_channel = mains_channel
        self._news = threading.Condition()
        self._wanted: Conditions | None = None
        self._stopping = False
        self._changed = True
        self._answer: tuple[Conditions, Prediction | None] | None = None
        self.nominal: Prediction | None = None
        self.problems: SimpleQueue[str] = SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="prediction", daemon=True)

    def start(self) -> None:
        """Start the thread; it predicts for the bench file's own conditions first."""
        self._thread.start()

    def stop(self, timeout: float) -> None:
        """End the thread, or leave it after `timeout` seconds; it dies with the process."""
        with self._news:
            self._stopping = True
            self._news.notify()
        if self._thread.ident is not None:
            self._thread.join(timeout)

    def change(self, bench: Bench, mains_channel: Channel | None) -> None:
        """Predict another bench from now on; the last prediction of the former one stands until there is a new one."""
        with self._news:
            self._bench, self._mains_channel, self._changed = bench, mains_channel, True
            self._news.notify()

    def prediction(self, wanted: Conditions) -> Prediction | None:
        """Return a prediction that holds for `wanted`, None where there is none yet; asks for a closer one at need."""
        with self._news:
            if self._wanted is None or not wanted.is_near(self._wanted, *_PREDICT_ANEW):
                self._wanted = wanted
                self._news.notify()
            answer = self._answer
        return answer[1] if answer and wanted.is_near(answer[0], *_HOLDS_FOR) else None

    @property
    def latest(self) -> Prediction | None:
        """The last prediction that was made, None where there is none."""
        answer = self._answer
        return answer[1] if answer else None

    def _run(self) -> None:
        done = Conditions()
        while (wanted := self._next_wanted(done)) is not None:
            if self._changed:
                self._changed = False
                self.nominal = self._predict(Conditions())
                if self._answer is None:
                    wanted = Conditions()
            prediction = self.nominal if wanted == Conditions() else self._predict(wanted)
            with self._news:
                self._answer = (wanted, prediction)
            done = wanted

    def _next_wanted(self, done: Conditions) -> Conditions | None:
        """Wait for another bench, or for other conditions than `done`; return None where it is time to stop."""
        with self._news:
            self._news.wait_for(lambda: self._stopping or self._changed or self._wanted not in (None, done))
            return None if self._stopping else self._wanted or Conditions()

    def _predict(self, conditions: Conditions) -> Prediction | None:
        try:
            return predict(self._at(conditions), ambient=conditions.ambient, load=conditions.load)
        except BenchmonError as problem:
            self.problems.put(one_line(problem))
        except Exception as problem:  # noqa: BLE001 - whatever goes wrong here, the recording goes on, and says so
            self.problems.put(one_line(f"{type(problem).__name__}: {problem}"))
        return None

    def _at(self, conditions: Conditions) -> Bench:
        """Return the bench at a measured mains voltage, with its meter's uncertainty for the mains' tolerance.

        The meter stands at the supply's terminals; the mains behind its source resistance is higher in proportion.
        """
        measured = conditions.mains_voltage
        if measured is None or self._mains_channel is None:
            return self._bench
        doubt = _RECTANGULAR * self._mains_channel.accuracy.of(measured) / measured
        terminals = self.nominal.quantities.get("mains.voltage.rms") if self.nominal else None
        rise = self.nominal.mains_voltage / terminals.value if self.nominal and terminals else 1.0
        mains = self._bench.mains.model_copy(update={"voltage": measured * rise, "tolerance": doubt})
        return self._bench.model_copy(update={"mains": mains})


class Expectations:
    """What every channel of a bench should read, moment by moment."""

    def __init__(self, bench: Bench) -> None:
        self._mains_is_judged = bench.mains.tolerance > 0
        self._measured = MeasuredConditions(bench)
        self._predictor = Predictor(bench, self._measured.mains.channel if self._measured.mains else None)
        self._held: dict[str, Expected | None] = {}
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
        """Return what `channel` should read at `time` (session seconds), None where nothing is predicted.

        A value that has moved by less than a twentieth of its uncertainty is not told anew.
        """
        held, fresh = self._held.get(channel.name), self._fresh(channel, time)
        if held and fresh and _same(held, fresh):
            return held
        self._held[channel.name] = fresh
        return fresh

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

    def _fresh(self, channel: Channel, time: float) -> Expected | None:
        conditions = self._measured.now(time)
        if conditions is None:
            return None
        prediction = self._predictor.prediction(conditions)
        # What a prediction is made from cannot be judged by it: the mains has the bench file's tolerance to keep.
        if channel.quantity == "mains.voltage.rms":
            prediction = self._predictor.nominal if self._mains_is_judged else None
        elif channel.quantity == "ambient.temperature":
            return None
        if prediction is None:
            return None
        warm_for = self._measured.warm_for(channel, time, prediction)
        return prediction.at(channel.quantity, warm_for)


def _same(held: Expected, fresh: Expected) -> bool:
    allowed = _HOLD * held.uncertainty
    return abs(held.value - fresh.value) <= allowed and abs(held.uncertainty - fresh.uncertainty) <= allowed
