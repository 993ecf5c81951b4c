"""A sweep as it is done: which value is to be set, what was taken at each, and what may be asked of it.

A sweep moves by events alone, as the plan does, so the recorder, every screen and a replay have it in the same state.
Their details carry the sweep, the point (from 1) and what was read; the messages say the same to people:

    sweep asks      regulation, 3 of 8: set the load to 400 mA
    sweep set       regulation, 3 of 8: the load is at 402 mA
    sweep taken     regulation, 3 of 8: at 402 mA: output 21.3 V, ripple 410 mV
    sweep skipped   regulation, 3 of 8: no resistor at hand
    sweep stopped   regulation, 4 of 8: by the operator: smell of varnish
    sweep done      regulation: 7 of 8 points taken; set the load back
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from benchmon.bench import SetLoad, Sweep, with_swept
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.quantities import format_value
from benchmon.watch.plan.settled_points import (
    PredictedCurves,
    SettledValue,
    decode_predicted,
    decode_readings,
    encode_predicted,
    encode_readings,
)
from benchmon.watch.records import Event, EventDetails

_SHOWN = 4
"""Channels that the message of a point names."""


class SweepState(StrEnum):
    """How a sweep stands."""

    AHEAD = "not begun"
    ASKED = "to be set"
    SETTLING = "settling"
    STOPPED = "stopped"
    DONE = "done"


class SweepAction(StrEnum):
    """What an operator may ask of a sweep."""

    BEGIN = "begin"
    CONFIRM = "go on"
    SKIP = "skip"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class SweepRequest:
    """An operator's request: `sweep` is its name, `words` a reason. `BEGIN` also goes on with one that was stopped."""

    action: SweepAction
    sweep: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class SweptPoint:
    """A point that is over: what was swept stood `at` a value (SI; infinite ohms for no load) at session seconds.

    `readings` are those of the channels by their names. One that was `skipped` has none, and the reason.
    """

    number: int
    at: float
    time: float
    readings: Mapping[str, SettledValue] = field(default_factory=dict)
    skipped: str = ""


def swept_in_words(sweep: Sweep, value: float) -> str:
    """Return a value of what is swept: `no load`, `400 mA`, `8.2 Ω`, `230 V`."""
    if sweep.over != "mains.voltage" and (value == 0.0 or math.isinf(value)):
        return "no load"
    number, space, unit = format_value(value, sweep.kind.unit, 4).partition(" ")
    return f"{number.rstrip('0').rstrip('.') if '.' in number else number}{space}{unit}"


def _what(sweep: Sweep) -> str:
    if sweep.over == "mains.voltage":
        return "the mains"
    return "the load of output 2" if sweep.sets_load_2 else "the load"


def asks_in_words(sweep: Sweep, value: float) -> str:
    """Return what a person is asked to do for a value, or what the program does.

    >>> asks_in_words(Sweep(name="s", over="load.current", values=["open", "0.4 A"]), 0.4)
    'set the load to 400 mA'
    """
    if sweep.instrument is not None:
        return f"{sweep.instrument} sets {swept_in_words(sweep, value)}"
    is_open = swept_in_words(sweep, value) == "no load"
    return f"take {_what(sweep)} off" if is_open else f"set {_what(sweep)} to {swept_in_words(sweep, value)}"


class SweepRun:
    """One sweep of a bench: how it stands, the point that is being done, and those that are over."""

    def __init__(self, sweep: Sweep) -> None:
        self.sweep = sweep
        self.state = SweepState.AHEAD
        self.number = 0
        self.since = 0.0
        """When its state began, in session seconds."""
        self.at: float | None = None
        """Where what is swept stands while it settles, SI."""
        self.points: dict[int, SweptPoint] = {}
        self.predicted = PredictedCurves()
        self.why = ""
        """Why it was stopped."""

    @property
    def is_running(self) -> bool:
        """Whether a value of it is to be set or settles."""
        return self.state in (SweepState.ASKED, SweepState.SETTLING)

    @property
    def wanted(self) -> float:
        """The value of the point that is being done, SI; that of the first before it began."""
        return self.sweep.values[max(0, self.number - 1)]

    @property
    def next_number(self) -> int | None:
        """The first point, from 1, that is not over; None where all are."""
        return next((at for at in range(1, len(self.sweep.values) + 1) if at not in self.points), None)

    @property
    def taken(self) -> list[SweptPoint]:
        """The points that were taken, in the order of the sweep."""
        return [point for _, point in sorted(self.points.items()) if not point.skipped]

    def in_words(self) -> str:
        """Return how it stands: `regulation, 3 of 8: set the load to 400 mA`."""
        count = len(self.sweep.values)
        if self.is_running:
            where = asks_in_words(self.sweep, self.wanted)
            if self.state is SweepState.SETTLING:
                at = self.wanted if self.at is None else self.at
                where = f"at {swept_in_words(self.sweep, at)}, settling"
            return f"{self.sweep.name}, {self.number} of {count}: {where}"
        taken = f", {len(self.taken)} of {count} points taken" if self.points else ""
        return f"{self.sweep.name} {self.state}{f' ({self.why})' if self.why else ''}{taken}"

    def take(self, event: Event, details: EventDetails) -> None:
        """Take an event of this sweep."""
        number = details.point or 0
        if event.kind == EventKind.SWEEP_PREDICTED:
            self.predicted = decode_predicted(details.readings)
            return
        if event.kind in (EventKind.SWEEP_DONE, EventKind.SWEEP_STOPPED):
            self.state = SweepState.DONE if event.kind == EventKind.SWEEP_DONE else SweepState.STOPPED
            self.since, self.at, self.why = event.time, None, details.note or ""
            return
        if not 1 <= number <= len(self.sweep.values):
            return
        if event.kind == EventKind.SWEEP_ASKS:
            if self.state is SweepState.DONE:
                self.points, self.predicted = {}, PredictedCurves()
            self.state, self.number, self.since, self.at, self.why = SweepState.ASKED, number, event.time, None, ""
        elif event.kind == EventKind.SWEEP_SET:
            self.state, self.since, self.at = SweepState.SETTLING, event.time, self._stored(details.swept)
        elif event.kind == EventKind.SWEEP_TAKEN:
            readings = decode_readings(details.readings)
            self.points[number] = SweptPoint(number, self._stored(details.swept), event.time, readings)
        elif event.kind == EventKind.SWEEP_SKIPPED:
            self.points[number] = SweptPoint(number, self.sweep.values[number - 1], event.time, {}, details.note or "?")

    def _stored(self, swept: float | None) -> float:
        """Return a stored value; infinite ohms are not stored, since JSON has none."""
        return math.inf if swept is None else swept


class Sweeps:
    """The sweeps of a bench after the events taken so far. At most one of them runs."""

    def __init__(self, sweeps: Sequence[Sweep] = ()) -> None:
        self.runs = {sweep.name: SweepRun(sweep) for sweep in sweeps}
        self._latest = ""

    def change(self, sweeps: Sequence[Sweep]) -> None:
        """Go by other sweeps from now on; one that is as it was keeps its state."""
        former, self.runs = self.runs, {sweep.name: SweepRun(sweep) for sweep in sweeps}
        self.runs |= {
            name: run for name, run in former.items() if name in self.runs and self.runs[name].sweep == run.sweep
        }

    @property
    def current(self) -> SweepRun | None:
        """The sweep that runs, None where none does."""
        return next((run for run in self.runs.values() if run.is_running), None)

    @property
    def latest(self) -> SweepRun | None:
        """The sweep that moved last; else the first of the bench file, None where it has none."""
        return self.runs.get(self._latest) or next(iter(self.runs.values()), None)

    @property
    def is_being_set(self) -> bool:
        """Whether what is swept is being set, so that nothing can be expected of the meters."""
        return self.current is not None and self.current.state is SweepState.ASKED

    @property
    def ended_at(self) -> float:
        """When the last sweep ended, in session seconds; −∞ before one did, +∞ while one runs."""
        run = self.runs.get(self._latest)
        if self.current is not None:
            return math.inf
        return -math.inf if run is None or run.number == 0 else run.since

    @property
    def needs(self) -> tuple[str, ...]:
        """The channels that the running sweep needs."""
        return () if self.current is None else self.current.sweep.needs

    @property
    def mains(self) -> float | None:
        """The mains volts (rms) that a running sweep wants, None where none does."""
        run = self.current
        return run.wanted if run is not None and run.sweep.over == "mains.voltage" else None

    def load_since(self, began: float, of_steps: SetLoad) -> SetLoad:
        """Return the load now: `of_steps`, which steps set at `began` (session seconds), with what sweeps set since.

        A load that the program set is released when its sweep ends, so there is none then; one that a person set is
        taken to be set back.
        """
        run = self.current
        if run is not None:
            return with_swept(of_steps, run.sweep.over, run.wanted if run.at is None else run.at)
        ended = self.runs.get(self._latest)
        if ended is None or ended.sweep.instrument is None or ended.number == 0 or ended.since < began:
            return of_steps
        return with_swept(of_steps, ended.sweep.over, 0.0)

    def take(self, event: Event) -> bool:
        """Take an event; return whether it moved a sweep."""
        details = event.details
        run = None if details is None or details.sweep is None else self.runs.get(details.sweep)
        if run is None or details is None or event.kind not in SWEEP_KINDS:
            return False
        run.take(event, details)
        self._latest = run.sweep.name
        return event.kind != EventKind.SWEEP_PREDICTED

    # What the recorder asks for

    def answer(self, request: SweepRequest, now: float) -> list[Event]:
        """Return the events by which a sweep begins, skips a point or stops at `now` (s).

        Raises `BadInput` where that cannot be done, and says why. To go on at a value is decided by `stands` and
        `taken`.
        """
        run, current = self.runs.get(request.sweep), self.current
        if run is None:
            there = ", ".join(self.runs) or "none"
            raise BadInput(f"this bench has no sweep called {request.sweep}; there is {there}")
        if request.action is SweepAction.BEGIN:
            if current is not None:
                raise BadInput(f"the sweep {current.sweep.name} runs already; stop it first")
            number = 1 if run.state is SweepState.DONE else run.next_number
            return [self._asks(run, number or 1, now)]
        if current is not run:
            raise BadInput(f"the sweep {request.sweep} does not run; begin it first")
        if request.action is SweepAction.STOP:
            return [self.stopped(run, f"by the operator{f': {request.words}' if request.words else ''}", now)]
        if not request.words:
            raise BadInput("a value is skipped only with a reason; say why")
        skipped = self._event(EventKind.SWEEP_SKIPPED, run, now, request.words, EventDetails(note=request.words))
        return [skipped, self._after(run, now)]

    def stands(self, run: SweepRun, at: float, now: float) -> Event:
        """Return the event that what is swept stands `at` a value (SI)."""
        shown = swept_in_words(run.sweep, at)
        words = f"{_what(run.sweep)} is {'off' if shown == 'no load' else f'at {shown}'}"
        return self._event(EventKind.SWEEP_SET, run, now, words, EventDetails(swept=_storable(at)))

    def taken(
        self, run: SweepRun, at: float, readings: Mapping[str, SettledValue], units: Mapping[str, str], now: float
    ) -> list[Event]:
        """Return the events by which the `readings` of a point are taken, and what follows. `units` by channel."""
        shown = [f"{name} {format_value(one.value, units[name], 4)}" for name, one in readings.items() if name in units]
        more = f" and {len(shown) - _SHOWN} more" if len(shown) > _SHOWN else ""
        words = f"at {swept_in_words(run.sweep, at)}: {', '.join(shown[:_SHOWN])}{more}"
        details = EventDetails(swept=_storable(at), readings=encode_readings(readings))
        return [self._event(EventKind.SWEEP_TAKEN, run, now, words, details), self._after(run, now)]

    def stopped(self, run: SweepRun, why: str, now: float) -> Event:
        """Return the event by which a sweep stops; it may go on later where it was."""
        return self._event(EventKind.SWEEP_STOPPED, run, now, why, EventDetails(note=why))

    def predicted(self, run: SweepRun, curves: PredictedCurves, now: float) -> Event:
        """Return the event that holds what was predicted for a sweep."""
        words = f"{len(curves.quantities)} quantities predicted at {len(run.sweep.values)} values"
        details = EventDetails(sweep=run.sweep.name, readings=encode_predicted(curves))
        return Event(now, "", EventKind.SWEEP_PREDICTED, f"{run.sweep.name}: {words}", details)

    def _after(self, run: SweepRun, now: float) -> Event:
        """Return the event that follows a point that is over: the next one is asked for, or the sweep is done."""
        left = [at for at in range(1, len(run.sweep.values) + 1) if at not in run.points and at != run.number]
        if left:
            return self._asks(run, left[0], now)
        count = len(run.sweep.values)
        back = "" if run.sweep.instrument is not None else f"; set {_what(run.sweep)} back"
        words = f"{run.sweep.name}: all {count} points are over{back}"
        return Event(now, "", EventKind.SWEEP_DONE, words, EventDetails(sweep=run.sweep.name))

    def _asks(self, run: SweepRun, number: int, now: float) -> Event:
        value = run.sweep.values[number - 1]
        details = EventDetails(sweep=run.sweep.name, point=number, swept=_storable(value))
        words = f"{run.sweep.name}, {number} of {len(run.sweep.values)}: {asks_in_words(run.sweep, value)}"
        return Event(now, "", EventKind.SWEEP_ASKS, words, details)

    def _event(self, kind: EventKind, run: SweepRun, now: float, words: str, details: EventDetails) -> Event:
        whole = replace(details, sweep=run.sweep.name, point=run.number)
        return Event(now, "", kind, f"{run.sweep.name}, {run.number} of {len(run.sweep.values)}: {words}", whole)


SWEEP_KINDS = frozenset(
    (
        EventKind.SWEEP_ASKS,
        EventKind.SWEEP_SET,
        EventKind.SWEEP_TAKEN,
        EventKind.SWEEP_SKIPPED,
        EventKind.SWEEP_STOPPED,
        EventKind.SWEEP_DONE,
        EventKind.SWEEP_PREDICTED,
    )
)


def _storable(at: float) -> float | None:
    return float(at) if math.isfinite(at) else None


def former_points(events: Iterable[Event], sweeps: Sequence[Sweep]) -> list[Event]:
    """Return the events by which sweeps that another session left unfinished have their points here, at time 0.

    Each such sweep is stopped; a person begins it again, and it goes on at the first value that is not over.
    """
    former = Sweeps(sweeps)
    kept: dict[str, list[Event]] = {}
    for event in events:
        is_point = event.kind in (EventKind.SWEEP_TAKEN, EventKind.SWEEP_SKIPPED)
        if former.take(event) and is_point and event.details is not None:
            kept.setdefault(event.details.sweep or "", []).append(event)
    found: list[Event] = []
    for name, run in former.runs.items():
        if run.state is SweepState.DONE or not run.points:
            continue
        current = [event for event in kept.get(name, ()) if event.details and event.details.point in run.points]
        latest = {event.details.point: event for event in current if event.details is not None}
        found += [Event(0.0, "", event.kind, event.message, event.details) for event in latest.values()]
        words = f"{len(run.points)} of {len(run.sweep.values)} points are from an earlier session"
        run.number = run.next_number or len(run.sweep.values)
        found.append(former.stopped(run, words, 0.0))
    return found
