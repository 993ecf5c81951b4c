"""What the bench should do under given conditions, worked out beside the screen so that no key waits for it."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from benchmon.bench import Bench
from benchmon.errors import BenchmonError

if TYPE_CHECKING:
    from benchmon.prediction.operating_point import OperatingPointPredictor
    from benchmon.prediction.result import Prediction

_KEPT = 64
_MAINS_STEP = 0.005
_AMBIENT_STEP = 2.0
_STAYS = 1.5
"""Steps from a situation within which it stays the one that is predicted for."""
_WEIGHT, _JUMP = 0.1, 0.02


@dataclass(frozen=True, slots=True)
class Situation:
    """What to predict for: mains volts (rms), ambient °C, load in ohms or "open"; None for the bench's own."""

    mains: float | None = None
    ambient: float | None = None
    load: float | Literal["open"] | None = None

    def coarse(self) -> Situation:
        """Return the nearest of the situations that are told apart: 0.5 % of the mains, 2 K of the air."""
        mains = self.mains
        if mains is not None and mains > 0:
            mains = math.exp(_MAINS_STEP * round(math.log(mains) / _MAINS_STEP))
        ambient = None if self.ambient is None else _AMBIENT_STEP * round(self.ambient / _AMBIENT_STEP)
        return Situation(mains, ambient, self.load)

    def is_near(self, other: Situation) -> bool:
        """Return whether it is so near to `other`, a coarse one, that what was predicted for that still does."""
        if self.load != other.load:
            return False
        mains, ambient = _both(self.mains, other.mains), _both(self.ambient, other.ambient)
        return (
            mains is not None
            and ambient is not None
            and abs(math.log(mains[0] / mains[1])) <= _STAYS * _MAINS_STEP
            and abs(ambient[0] - ambient[1]) <= _STAYS * _AMBIENT_STEP
        )


def smoothed(former: float | None, value: float | None) -> float | None:
    """Return a reading without most of its noise, which grows old within seconds; one that jumps is taken as it is."""
    if former is None or value is None or abs(value - former) > _JUMP * abs(former):
        return value
    return former + _WEIGHT * (value - former)


def _both(one: float | None, other: float | None) -> tuple[float, float] | None:
    """Return two numbers, or two equal ones where neither is known; None where only one of them is."""
    if one is None and other is None:
        return 1.0, 1.0
    return None if one is None or other is None else (one, other)


Predict = Callable[[Situation], "Prediction"]


class Foresight:
    """Predictions by situation: asked for at any time, there a little later. The latest question goes first."""

    def __init__(self, bench: Bench, predict: Predict | None = None) -> None:
        self._bench = bench
        self._predict = predict
        self._news = threading.Condition()
        self._wanted: list[Situation] = []
        self._known: OrderedDict[Situation, Prediction | str] = OrderedDict()
        self._thread: threading.Thread | None = None

    def of(self, bench: Bench) -> Foresight:
        """Return the foresight of another bench."""
        return Foresight(bench, self._predict)

    def at(self, situation: Situation) -> Prediction | None:
        """Return the prediction for `situation`; None while it is not there, and where there is none."""
        answer = self._ask(situation)
        return None if isinstance(answer, str) else answer

    def problem(self, situation: Situation) -> str:
        """Return why there is no prediction for `situation`, "" where there is one or it is still to come."""
        answer = self._ask(situation)
        return answer if isinstance(answer, str) else ""

    def _ask(self, situation: Situation) -> Prediction | str | None:
        with self._news:
            if situation in self._known:
                self._known.move_to_end(situation)
                return self._known[situation]
            if situation in self._wanted:
                self._wanted.remove(situation)
            self._wanted.append(situation)
            self._news.notify()
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="foresight", daemon=True)
            self._thread.start()
        return None

    def _run(self) -> None:
        predict = self._predict or _Engine(self._bench)
        while True:
            with self._news:
                self._news.wait_for(lambda: self._wanted)
                situation = self._wanted.pop()
                del self._wanted[:-_KEPT]
            answer = _answer(predict, situation)
            with self._news:
                self._known[situation] = answer
                while len(self._known) > _KEPT:
                    self._known.popitem(last=False)


def _answer(predict: Predict, situation: Situation) -> Prediction | str:
    try:
        return predict(situation)
    except BenchmonError as problem:
        return str(problem)
    except Exception as problem:  # noqa: BLE001 - whatever goes wrong here, the screen goes on, and says so
        return f"{type(problem).__name__}: {problem}"


class _Engine:
    """The prediction engine; loaded when first used, in the thread, and not before the first frame."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._follower: OperatingPointPredictor | None = None

    def __call__(self, situation: Situation) -> Prediction:
        from benchmon.prediction.operating_point import OperatingPointPredictor  # noqa: PLC0415

        if self._follower is None:
            self._follower = OperatingPointPredictor(self._bench)
        return self._follower.at(situation.mains, situation.ambient, situation.load)
