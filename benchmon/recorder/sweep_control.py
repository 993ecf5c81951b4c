"""Sweeps while they are done: asking for each value, seeing it set and the readings stand still, taking them.

A sweep begins when a person asks for it, never by itself. Where no meter shows what is swept, that person says that a
value is set. What was predicted for all its values is worked out in a thread of its own, at the mains that is measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from benchmon.bench import Bench, Sweep
from benchmon.errors import BadInput, BenchmonError
from benchmon.event_kinds import EventKind
from benchmon.recorder.load_control import LoadControl
from benchmon.recorder.predictor import LatestJobThread
from benchmon.session.follower import open_session_view
from benchmon.session.records import RecorderState
from benchmon.text import one_line
from benchmon.watch.conditions import Conditions
from benchmon.watch.plan import Plan, SweepAction, SweepRequest, SweepRun, SweepState, disagreement
from benchmon.watch.plan.settled_points import PredictedCurves, SettlingReadings
from benchmon.watch.plan.sweep import former_points
from benchmon.watch.records import Event, Flag, Judgement

if TYPE_CHECKING:
    from benchmon.prediction.curves.sweep import SweepPrediction

_SHOWN_WITHIN = 30.0
"""Seconds within which meters must show a load that the program has set (from memory: slow ones, a soft start)."""
_END_IT = {
    EventKind.TRIPPED: "a limit was passed",
    EventKind.SWITCHING_OFF: "the power is switched off",
    EventKind.MAINS_GONE: "the mains is gone",
}
_LOOK_EVERY = 0.2
"""Seconds between two looks whether readings stand still: many channels cost something, and a hold is a second."""
_MOST_CURVES = 60
"""Quantities of which the predicted curve is stored."""


@dataclass(frozen=True, slots=True)
class _Job:
    bench: Bench
    sweep: Sweep
    conditions: Conditions


class SweepControl:
    """Does the sweeps of a bench; `plan` is that of the recorder, which is moved by the events that this returns."""

    def __init__(self, bench: Bench, plan: Plan, load: LoadControl) -> None:
        self._bench, self._plan, self._load = bench, plan, load
        self._settling = SettlingReadings(bench)
        self._latest: dict[str, Judgement] = {}
        self._commanded: tuple[str, int, float] | None = None
        self._next_look = 0.0
        self._predicted: SimpleQueue[tuple[str, PredictedCurves | str]] = SimpleQueue()
        self._thread = LatestJobThread("sweep predictions", self._predict)

    def start(self) -> None:
        """Start the thread of its predictions."""
        self._thread.start()

    def stop(self, timeout: float = 1.0) -> None:
        """End that thread, waiting at most `timeout` seconds."""
        self._thread.stop(timeout)

    def change(self, bench: Bench) -> None:
        """Go by another description of the same channels."""
        self._bench = bench
        self._settling.change(bench)

    def observe(self, judgement: Judgement) -> None:
        """Take a judgement with the verdict that counts, see `SteadyVerdict.shown`."""
        self._latest[judgement.channel] = judgement
        if self._bench.sweep:
            self._settling.observe(judgement)

    def answer(self, request: SweepRequest, now: float, conditions: Conditions) -> list[Event]:
        """Return the events by which a sweep does what is asked, or a `refused` event with the reason."""
        sweeps = self._plan.sweeps
        try:
            if request.action is SweepAction.CONFIRM:
                return self._confirm(request, now)
            if request.action is SweepAction.BEGIN:
                self._check_limits()
            events = sweeps.answer(request, now)
        except BadInput as problem:
            return [Event(now, "", EventKind.REFUSED, str(problem))]
        if request.action is SweepAction.BEGIN:
            sweep = sweeps.runs[request.sweep].sweep
            self._thread.ask(_Job(self._bench, sweep, conditions))
        return self._moved(events)

    def _check_limits(self) -> None:
        past = [name for name, latest in self._latest.items() if Flag.TRIPPED in latest.flags]
        if past:
            raise BadInput(f"no sweep begins after a trip: {past[0]} went past its limit; start another recording")

    def _confirm(self, request: SweepRequest, now: float) -> list[Event]:
        run = self._plan.sweeps.current
        if run is None or run.sweep.name != request.sweep:
            raise BadInput(f"the sweep {request.sweep} does not run; begin it first")
        if run.state is SweepState.SETTLING:
            lacks = "; ".join(self.lacks(run, now)) or "the next look takes it"
            raise BadInput(f"not yet: {lacks}. Skip the value with a reason to go on without it")
        if run.sweep.instrument is not None:
            raise BadInput(f"{run.sweep.instrument} sets this load; wait for it, or stop the sweep")
        return self._moved([self._plan.sweeps.stands(run, self._at(run, now), now)])

    def lacks(self, run: SweepRun, now: float) -> list[str]:
        """Return what keeps the point of a running sweep from being taken, each in a few words."""
        found = self._settling.lacks(run.sweep, now)
        return found + [words for name in run.sweep.needs if (words := disagreement(name, self._latest.get(name)))]

    def events(self, now: float) -> list[Event]:
        """Return the events by which the running sweep moves by itself at `now` (s)."""
        found: list[Event] = []
        sweeps = self._plan.sweeps
        for name, curves in self._new_predictions():
            if isinstance(curves, str):
                found.append(Event(now, "", EventKind.PREDICTION, f"no curves of the sweep {name}: {curves}"))
            elif name in sweeps.runs:
                found += self._moved([sweeps.predicted(sweeps.runs[name], curves, now)])
        run = sweeps.current
        if run is None or now < self._next_look:
            return found
        self._next_look = now + _LOOK_EVERY
        if run.state is SweepState.ASKED:
            found += self._moved(self._set(run, now))
        elif not self.lacks(run, now):
            at = self._at(run, now)
            readings = self._settling.values(run.sweep, now)
            units = {channel.name: channel.unit for channel in self._bench.channel}
            found += self._moved(sweeps.taken(run, at, readings, units, now))
        return found

    def _set(self, run: SweepRun, now: float) -> list[Event]:
        """Return the event that the value asked for is set, [] while it is not; a load that fails stops the sweep."""
        sweep, sweeps = run.sweep, self._plan.sweeps
        is_shown = self._settling.is_shown(sweep)
        if sweep.instrument is not None:
            if self._commanded is None or self._commanded[:2] != (sweep.name, run.number):
                self._commanded = (sweep.name, run.number, now)
                self._load.set(sweep, run.wanted)
            answer = self._load.answer()
            if answer is None:
                return []
            is_set, words = answer
            if not is_set:
                return [sweeps.stopped(run, f"{sweep.instrument} did not set the load: {words}", now)]
            if is_shown and not self._settling.is_set(sweep, run.wanted, now):
                if now - self._commanded[2] < _SHOWN_WITHIN:
                    return []
                return [sweeps.stopped(run, f"the meters do not show the load that {sweep.instrument} was set to", now)]
        elif not (is_shown and self._settling.is_set(sweep, run.wanted, now)):
            return []
        return [sweeps.stands(run, self._at(run, now), now)]

    def _at(self, run: SweepRun, now: float) -> float:
        """Return where what is swept stands: as measured; as asked for where no meter shows it, or without load."""
        measured = self._settling.measured(run.sweep, now)
        is_open = run.wanted == 0.0 or math.isinf(run.wanted)
        return run.wanted if measured is None or is_open else measured

    def end(self, why: str, now: float) -> list[Event]:
        """Return the event by which a running sweep stops, [] where none runs; a load that the program set is released.

        It may go on later where it was.
        """
        run = self._plan.sweeps.current
        return [] if run is None else self._moved([self._plan.sweeps.stopped(run, why, now)])

    def follow(self, events: Iterable[Event]) -> list[Event]:
        """Return the event by which a running sweep stops where `events` call for that."""
        run = self._plan.sweeps.current
        for event in events if run is not None else ():
            why = _END_IT.get(event.kind) if isinstance(event.kind, EventKind) else None
            if why is None and event.kind == EventKind.LOST and run is not None and run.sweep.instrument is not None:
                why = f"a line was lost: {event.message}"
            if why is not None:
                return self.end(why, event.time)
        return []

    def _moved(self, events: Sequence[Event]) -> list[Event]:
        """Move the plan by events, and do what they call for; return them."""
        for event in events:
            self._plan.take(event)
            if event.kind in (EventKind.SWEEP_ASKS, EventKind.SWEEP_SET):
                self._settling.begin(event.time)
            if event.kind == EventKind.SWEEP_ASKS:
                self._commanded = None
            if event.kind in (EventKind.SWEEP_DONE, EventKind.SWEEP_STOPPED):
                self._load.release(event.message)
        return list(events)

    # Predictions

    def _new_predictions(self) -> list[tuple[str, PredictedCurves | str]]:
        found: list[tuple[str, PredictedCurves | str]] = []
        while True:
            try:
                found.append(self._predicted.get_nowait())
            except Empty:
                return found

    def _predict(self, job: _Job) -> None:
        from benchmon.prediction.curves.sweep import predict_sweep  # noqa: PLC0415 - seldom needed, long to load

        quantities = {channel.quantity for channel in job.bench.channel}
        try:
            mains = None if job.sweep.over == "mains.voltage" else job.conditions.mains_voltage
            prediction = predict_sweep(
                job.bench,
                job.sweep.over,
                job.sweep.values,
                mains_voltage=mains,
                ambient=job.conditions.ambient,
                load=job.conditions.load,
            )
        except BenchmonError as problem:
            self._predicted.put((job.sweep.name, one_line(problem)))
            return
        self._predicted.put((job.sweep.name, curves_of(prediction, quantities)))


_ALWAYS = (
    "output.voltage.mean",
    "output.current.mean",
    "output.power.mean",
    "output_2.power.mean",
    "mains.power.active",
    "mains.power_factor",
)
"""Quantities whose curves are stored even where no channel measures them: regulation and efficiency go by them."""


def curves_of(prediction: SweepPrediction, quantities: Iterable[str]) -> PredictedCurves:
    """Return a prediction as it is stored: the curves of `quantities`, and those that figures of a sweep need."""
    wanted = list(dict.fromkeys((*_ALWAYS, *sorted(quantities))))[:_MOST_CURVES]
    rows: Mapping[str, list[tuple[float, float] | None]] = {
        name: [
            (found.value, found.uncertainty)
            if not point.problem and (found := point.quantities.get(name)) is not None
            else None
            for point in prediction.points
        ]
        for name in wanted
    }
    rows = {name: row for name, row in rows.items() if any(one is not None for one in row)}
    figures = [(one.name, one.value, one.uncertainty, one.unit) for one in prediction.figures]
    return PredictedCurves(rows, figures)


def unfinished_in(session: Path, bench: Bench) -> list[Event]:
    """Return the events by which a new session has the points of sweeps that `session` left unfinished.

    Raises `BadInput` where there are none, or that session is still recorded, and `SessionFileError`.
    """
    view = open_session_view(session, read_only=True)
    try:
        events: list[Event] = []
        state = RecorderState.RECORDING
        while True:
            update = view.poll()
            events += update.events
            state = update.state
            if not (update.events or update.judgements) or state is not RecorderState.RECORDING:
                break
    finally:
        view.close()
    if view.live:
        raise BadInput(f"{session}: is still being recorded; end it before another session goes on with its sweep")
    found = former_points(events, bench.sweep)
    if not found:
        raise BadInput(f"{session}: holds no unfinished sweep of this bench file")
    return found
