"""What a bench settles at, for a session that does not hold it: one of an old layout, or judged by another bench.

It needs the engine of the prediction, which takes long to load; a screen loads this only for such a session.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from benchmon.bench import Bench
from benchmon.recorder.predictor import SettledPredictions
from benchmon.session.records import SettledPrediction, StepPrediction, Update
from benchmon.watch.conditions import MeasuredConditions
from benchmon.watch.plan import Plan


class DerivedPredictions:
    """Adds to the updates of a session what its bench settles at. `clock` gives monotonic seconds.

    The work begins with the first update and is done in a thread; its results come with later updates.
    """

    def __init__(self, bench: Bench, clock: Callable[[], float] = time.monotonic) -> None:
        self._bench, self._clock = bench, clock
        self._predictions: SettledPredictions | None = None
        self._settled: SettledPrediction | None = None
        self._steps: dict[int, StepPrediction] = {}
        self.restart()

    def restart(self) -> None:
        """Begin again at another place of the session; the next update carries all that is known."""
        self._measured = MeasuredConditions(self._bench)
        self._is_new = True

    def add(self, update: Update, plan: Plan) -> Update:
        """Return `update` with the predictions that are new. `plan` is the session's, up to the update."""
        if update.bench is not None:
            self._change(update.bench)
        for judgement in update.judgements:
            self._measured.observe(judgement.channel, judgement.time, judgement.value)
        self._measured.follow(plan)
        settled, steps = self._news(update.now, plan)
        self._settled = settled or self._settled
        self._steps.update({each.step: each for each in steps})
        if self._is_new:
            self._is_new = False
            settled, steps = self._settled, list(self._steps.values())
        return replace(update, settled=settled, steps=tuple(steps))

    def close(self) -> None:
        """End the work."""
        if self._predictions is not None:
            self._predictions.stop(0.0)

    def _news(self, now: float, plan: Plan) -> tuple[SettledPrediction | None, list[StepPrediction]]:
        # Paced by the clock: the session's time may jump back.
        found = self._service.news(self._clock(), self._measured.situation(now), plan, is_ready=True)
        settled = [replace(each, time=now) for each in found if isinstance(each, SettledPrediction)]
        steps = [replace(each, time=now) for each in found if isinstance(each, StepPrediction)]
        return settled[-1] if settled else None, steps

    @property
    def _service(self) -> SettledPredictions:
        if self._predictions is None:
            self._predictions = SettledPredictions(self._bench)
            self._predictions.start()
        return self._predictions

    def _change(self, bench: Bench) -> None:
        self._bench, self._settled, self._steps = bench, None, {}
        self._measured.change(bench)
        self._service.change(bench)
