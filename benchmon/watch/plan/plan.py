"""The plan of a staged power-on: the current step, what it still lacks, its cautions, and the events that move it.

The plan moves by events alone, so the recorder, every screen and a replay have it in the same state. An event carries
the number of its step and the operator's note in its details; its message says the same to people:

    step begun     2 of 4: half the mains
    step done      2 of 4: half the mains: hum gone
    step skipped   3 of 4: load on: no resistor at hand
    plan stopped   2 of 4: half the mains: smell of varnish
    recorded       1 of 4: insulation 5.2 MΩ, at least 2 MΩ: met; with M-7 (calibrated 2026-03-01), by AB

Until the operator begins the plan, the bench file's own mains and load apply.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from benchmon.bench import (
    Bench,
    Capacitor,
    Channel,
    RecordEntry,
    SetLoad,
    Step,
    Sweep,
    TwoLoads,
    first_of,
    read_recorded,
    second_of,
    two_loads,
)
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.findings import findings_of_readings, wording_of
from benchmon.quantities import Expected, format_value
from benchmon.standards import METAL_HARMLESS, SAFETY_TESTS, TOUCHABLE_DC
from benchmon.text import duration
from benchmon.watch.plan.sweep import Sweeps
from benchmon.watch.records import Event, EventDetails, Flag, Judgement, Verdict
from benchmon.watch.wording import shown_unit, value_in_words

POWERED_PART = 0.1
"""Part of the nominal mains voltage above which a supply counts as powered, where no step has less."""

MAINS_WITHIN = 0.05
"""Part of a step's mains voltage by which the measured one may differ for the step to be done."""

_FARTHEST_ZERO = 10.0
"""Times the fixed part of its accuracy beyond which a reading with shorted leads is no zero (from memory)."""

LONGEST_WORDS = 200


class PlanState(StrEnum):
    """The state of the plan as a whole."""

    WAITING = "not begun"
    RUNNING = "running"
    FINISHED = "finished"
    STOPPED = "stopped"


class Outcome(StrEnum):
    """What has become of a step."""

    AHEAD = "ahead"
    RUNNING = "running"
    DONE = "done"
    SKIPPED = "skipped"
    STOPPED = "stopped"


_OUTCOMES: Mapping[str, Outcome] = {
    EventKind.STEP_BEGUN: Outcome.RUNNING,
    EventKind.STEP_DONE: Outcome.DONE,
    EventKind.STEP_SKIPPED: Outcome.SKIPPED,
    EventKind.PLAN_STOPPED: Outcome.STOPPED,
}


_RECORDS = (EventKind.RECORDED, EventKind.NOT_MET)


@dataclass(frozen=True, slots=True)
class PlanStep:
    """A step of the plan and its outcome; it began and ended at session seconds, `words` is the operator's note.

    `recorded` holds the latest event of each entry that a person recorded, by the entry's name.
    """

    step: Step
    outcome: Outcome = Outcome.AHEAD
    began: float | None = None
    ended: float | None = None
    words: str = ""
    recorded: Mapping[str, Event] = field(default_factory=dict)

    @property
    def still_to_record(self) -> list[RecordEntry]:
        """Return the entries that have neither a value that keeps its limits nor a reason why not."""
        return [entry for entry in self.step.record if not self._is_settled(entry)]

    def _is_settled(self, entry: RecordEntry) -> bool:
        event = self.recorded.get(entry.name)
        return event is not None and event.kind == EventKind.RECORDED

    def lacking_record(self, entry: RecordEntry) -> str:
        """Return in a few words what an entry lacks, "" where nothing."""
        event = self.recorded.get(entry.name)
        if self._is_settled(entry):
            return ""
        if event is None or event.details is None:
            return f"{entry.name} is to be recorded"
        return f"{entry.name} is {event.details.shows}, which is not {entry.limits_in_words}"

    def held(self, now: float) -> float:
        """Return for how long the step has been current, s."""
        return 0.0 if self.began is None else max(0.0, (now if self.ended is None else self.ended) - self.began)

    def left(self, now: float) -> float:
        """Return the rest of its hold time, s."""
        return max(0.0, self.step.hold - self.held(now))


class Action(StrEnum):
    """What an operator may ask of the plan."""

    BEGIN = "begin"
    CONFIRM = "go on"
    SKIP = "skip"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class StepRequest:
    """An operator's request: `step` is the number, from 1, that the screen showed; `words` a note or the reason."""

    action: Action
    step: int
    words: str = ""


@dataclass(frozen=True, slots=True)
class RecordRequest:
    """A value that a person recorded in `step` (from 1): what `entry` `shows`, or the `reason` why nothing is known.

    `meter`, `calibrated` and `who` are as they were typed, "" where nothing was.
    """

    step: int
    entry: str
    shows: str = ""
    reason: str = ""
    meter: str = ""
    calibrated: str = ""
    who: str = ""


def _with_unit(shows: str, unit: str) -> str:
    """Return what was typed with the unit that was asked for, where it was typed without one."""
    return f"{shows} {unit}" if unit and shows[-1:].isdigit() else shows


def recorded_in_words(details: EventDetails, limits: str = "") -> str:
    """Return what was recorded: `insulation 5.2 MΩ, at least 2 MΩ: met; with M-7 (calibrated 2026-03-01), by AB`."""
    if details.note:
        words = f"{details.entry} not recorded: {details.note}"
    else:
        verdict = f", {limits}: {'met' if details.met else 'not met'}" if limits else ""
        words = f"{details.entry} {details.shows}{verdict}"
    calibrated = f" (calibrated {details.calibrated})" if details.calibrated else ""
    meter = f"with {details.meter}{calibrated}" if details.meter else ""
    by = f"by {details.who}" if details.who else ""
    aside = ", ".join(part for part in (meter, by) if part)
    return f"{words}; {aside}" if aside else words


class Plan:
    """The steps and sweeps of a bench, and how they stand after the events taken so far."""

    def __init__(self, steps: Sequence[Step], sweeps: Sequence[Sweep] = ()) -> None:
        self.steps = [PlanStep(step) for step in steps]
        self.sweeps = Sweeps(sweeps)
        self.state = PlanState.WAITING

    @classmethod
    def of(cls, bench: Bench) -> Plan:
        """Return the plan of a bench, not begun."""
        return cls(bench.step, bench.sweep)

    def change(self, steps: Sequence[Step], sweeps: Sequence[Sweep] = ()) -> None:
        """Go by other steps and sweeps from now on; each step keeps the outcome of the one with its number."""
        self.sweeps.change(sweeps)
        kept = [replace(before, step=step) for before, step in zip(self.steps, steps, strict=False)]
        self.steps = kept + [PlanStep(step) for step in steps[len(kept) :]]

    @property
    def begun(self) -> int:
        """Return up to which step, from 1, the plan has come; 0 where it has not begun."""
        return max((at for at, step in enumerate(self.steps, 1) if step.began is not None), default=0)

    @property
    def step_number(self) -> int | None:
        """Return the number of the current step, from 1; None where there is none."""
        if self.state is not PlanState.RUNNING:
            return None
        return next((at for at, step in enumerate(self.steps, 1) if step.outcome is Outcome.RUNNING), None)

    @property
    def current_step(self) -> PlanStep | None:
        """Return the current step, None where there is none."""
        number = self.step_number
        return None if number is None else self.steps[number - 1]

    @property
    def load(self) -> SetLoad:
        """Return the load of the running sweep or the current step; None for the bench file's own.

        A step that names no load keeps that of the step before; so does a plan that was stopped or has ended.
        """
        begun = [number for number, step in enumerate(self.steps, 1) if step.began is not None]
        latest = max((step.began for step in self.steps if step.began is not None), default=-math.inf)
        of_steps = self.load_at(begun[-1]) if begun else None
        return self.sweeps.load_since(latest, of_steps)

    @property
    def mains(self) -> float | None:
        """Return the mains volts (rms) that a running sweep or the current step wants; None where none names any.

        A plan that was stopped or has ended wants none: the mains may be turned down.
        """
        if self.sweeps.mains is not None:
            return self.sweeps.mains
        number = self.step_number
        return None if number is None else self.mains_at(number)

    def load_at(self, number: int) -> SetLoad:
        """Return the load at a step, numbered from 1: its own, or what the steps before it left."""
        so_far = [step.step for step in reversed(self.steps[:number])]
        first = next((step.load for step in so_far if step.load is not None), None)
        return two_loads(first, next((step.load_2 for step in so_far if step.load_2 is not None), None))

    def mains_at(self, number: int) -> float | None:
        """Return the mains volts (rms) at a step, numbered from 1: its own, or what the steps before it left."""
        volts = (step.step.mains for step in reversed(self.steps[:number]))
        return next((each for each in volts if each is not None), None)

    def take(self, event: Event) -> bool:
        """Take an event; return whether it moved the plan. One that fits no step and no sweep is left."""
        details = event.details or EventDetails()
        if details.sweep is not None:
            return self.sweeps.take(event)
        if event.kind in _RECORDS:
            self._take_record(event, details)
            return False
        outcome, number = _OUTCOMES.get(event.kind), details.step
        if outcome is None or number is None or not 1 <= number <= len(self.steps):
            return False
        step = self.steps[number - 1]
        began = event.time if outcome is Outcome.RUNNING else step.began
        ended = None if outcome is Outcome.RUNNING else event.time
        self.steps[number - 1] = replace(step, outcome=outcome, began=began, ended=ended, words=details.note or "")
        self.state = self._state_after(outcome)
        return True

    def _take_record(self, event: Event, details: EventDetails) -> None:
        number, entry = details.step, details.entry
        if number is not None and entry is not None and 1 <= number <= len(self.steps):
            step = self.steps[number - 1]
            self.steps[number - 1] = replace(step, recorded={**step.recorded, entry: event})

    def record(self, request: RecordRequest, now: float) -> Event:
        """Return the event by which a value is recorded at `now` (s), or the reason why there is none.

        Raises `BadInput` where it is no value of the entry, or the step does not stand.
        """
        number = self.step_number
        if number is None or request.step != number:
            raise BadInput(f"step {request.step} is not the current one, so nothing is recorded in it; look again")
        entries = {entry.name: entry for entry in self.steps[number - 1].step.record}
        entry = entries.get(request.entry)
        if entry is None:
            raise BadInput(f"step {number} has nothing called {request.entry} to record")
        if not request.shows and not request.reason:
            raise BadInput(f"{entry.name} needs a value, or the reason why there is none")
        is_met = bool(request.reason) or entry.is_in_words or entry.is_met_by(read_recorded(request.shows, entry.unit))
        details = EventDetails(
            step=number,
            entry=entry.name,
            shows="" if request.reason else _with_unit(request.shows, entry.unit),
            note=request.reason or None,
            met=None if request.reason else is_met,
            meter=request.meter or None,
            calibrated=request.calibrated or None,
            who=request.who or None,
        )
        words = f"{number} of {len(self.steps)}: {recorded_in_words(details, entry.limits_in_words)}"
        if is_met:
            return Event(now, "", EventKind.RECORDED, words, details)
        return Event(now, "", EventKind.NOT_MET, words, details)

    def _state_after(self, latest: Outcome) -> PlanState:
        if latest is Outcome.STOPPED:
            return PlanState.STOPPED
        runs = any(step.outcome is Outcome.RUNNING for step in self.steps)
        over = self.steps[-1].outcome in (Outcome.DONE, Outcome.SKIPPED)
        return PlanState.FINISHED if over and not runs else PlanState.RUNNING

    def answer(self, request: StepRequest, now: float, lacks: Sequence[str]) -> list[Event]:
        """Return the events by which the plan does what is asked at `now` (s); `lacks` is what keeps it from going on.

        Raises `BadInput` where it cannot be done, and says why.
        """
        if request.action is Action.BEGIN:
            return self._begin(request.step, now)
        number = self.step_number
        if number is None:
            raise BadInput(f"the plan is {self.state}; there is no step to {request.action}")
        if request.step != number:
            raise BadInput(f"step {request.step} is no longer the current one; that is step {number} now, look again")
        if request.action is Action.STOP:
            return [self._event(EventKind.PLAN_STOPPED, number, now, request.words)]
        if request.action is Action.SKIP:
            if not request.words:
                raise BadInput("a step is skipped only with a reason; say why")
            return self._next(EventKind.STEP_SKIPPED, number, now, request.words)
        if lacks:
            raise BadInput(f"step {number} is not done: {'; '.join(lacks)}")
        return self._next(EventKind.STEP_DONE, number, now, request.words)

    def _begin(self, number: int, now: float) -> list[Event]:
        if self.state is PlanState.RUNNING:
            raise BadInput("the plan has begun already")
        if not 1 <= number <= len(self.steps):
            raise BadInput(f"the plan has no step {number}; it has {len(self.steps)}")
        for at, step in enumerate(self.steps[: number - 1], 1):
            if step.still_to_record and step.outcome is not Outcome.SKIPPED:
                raise BadInput(f"step {at} asks for values to be recorded before step {number}; begin with step {at}")
        return [self._event(EventKind.STEP_BEGUN, number, now)]

    def _next(self, kind: EventKind, number: int, now: float, words: str) -> list[Event]:
        events = [self._event(kind, number, now, words)]
        if number < len(self.steps):
            events.append(self._event(EventKind.STEP_BEGUN, number + 1, now))
        return events

    def _event(self, kind: EventKind, number: int, now: float, words: str = "") -> Event:
        name = self.steps[number - 1].step.name
        message = f"{number} of {len(self.steps)}: {name}{f': {words}' if words else ''}"
        return Event(now, "", kind, message, EventDetails(step=number, note=words or None))


def blocking_reasons(
    step: PlanStep,
    now: float,
    channels: Sequence[Channel],
    latest: Mapping[str, Judgement],
    lapsed: Collection[str] = (),
) -> list[str]:
    """Return what a step still lacks before the operator may go on, each in a few words; [] where nothing.

    `lapsed` are the channels whose last value was typed before the supply changed: see `HandReadings`.
    """
    found = [words for entry in step.step.record if (words := step.lacking_record(entry))]
    found += [
        f"{name} was typed before the supply changed, read it again"
        if name in lapsed and _reads(name, latest)
        else words
        for name in step.step.needs
        if (words := disagreement(name, latest.get(name))) or name in lapsed
    ]
    for channel in channels:
        judgement = latest.get(channel.name)
        if channel.name in step.step.zero:
            found += _no_zero(channel, judgement)
        if judgement is not None and Flag.TRIPPED in judgement.flags:
            found.append(f"{channel.name} went past its limit")
        if channel.quantity == "mains.voltage.rms" and step.step.mains is not None:
            found += _wrong_mains(step.step.mains, channel, judgement)
    left = step.left(now)
    return [*found, f"hold for another {duration(math.ceil(left))}"] if left > 0 else found


def _reads(name: str, latest: Mapping[str, Judgement]) -> bool:
    judgement = latest.get(name)
    return judgement is not None and judgement.value is not None


def disagreement(name: str, judgement: Judgement | None) -> str:
    """Return why a channel that must agree does not, in a few words; "" where it does."""
    if judgement is None or judgement.value is None:
        return f"{name} gives no reading"
    if Flag.HOT in judgement.flags:
        return f"{name} is past its warning"
    if judgement.verdict is Verdict.AGREES:
        return ""
    if judgement.verdict is Verdict.UNPREDICTED:
        return f"{name} has no expected value to agree with"
    return f"{name} {'disagrees' if judgement.verdict is Verdict.DISAGREES else 'is questionable'}"


def can_be_zero(channel: Channel, value: float) -> bool:
    """Return whether a channel with shorted leads may read `value`; any, where its accuracy has no fixed part."""
    most = _FARTHEST_ZERO * channel.accuracy.absolute
    return abs(value) <= most or most == 0.0


def _no_zero(channel: Channel, judgement: Judgement | None) -> list[str]:
    """Return why a channel with shorted leads has no zero to take, [] where it has."""
    if judgement is None or judgement.value is None:
        return [f"{channel.name} gives no reading"]
    if not can_be_zero(channel, judgement.value):
        shown = value_in_words(judgement.value, shown_unit(channel.quantity, channel.unit), 3)
        return [f"{channel.name} reads {shown}, too much for a zero: are its leads shorted?"]
    return []


def _wrong_mains(wanted: float, channel: Channel, judgement: Judgement | None) -> list[str]:
    value = None if judgement is None else judgement.value
    if value is None:
        return [f"{channel.name} gives no reading"]
    if is_mains_set(channel, value, wanted):
        return []
    return [f"the mains is at {format_value(value, 'V', 3)}, this step wants {format_value(wanted, 'V', 3)}"]


def is_mains_set(channel: Channel, value: float, wanted: float) -> bool:
    """Return whether `channel`, which reads the mains at `value` (V), shows it set to what a step wants."""
    return abs(value - wanted) <= MAINS_WITHIN * wanted + channel.accuracy.of(value)


def powered_above(bench: Bench) -> float:
    """Return the mains volts (rms) above which a supply counts as powered: below the least that a step of its has."""
    steps = [step.mains for step in bench.step if step.mains]
    return min([POWERED_PART * bench.mains.voltage, *(volts / 2 for volts in steps)])


_WARM_LOAD = 1.0


def step_cautions(plan: Plan, number: int, bench: Bench, expected: Mapping[str, Expected]) -> list[str]:
    """Return the cautions at a step, numbered from 1, with the numbers that are `expected` in it, by quantity."""
    load = plan.load_at(number)
    loads = first_of(load), second_of(load, has_own=bench.load_2 is not None)
    findings = [wording_of(finding) for finding in findings_of_readings(bench, expected, loads)]
    return [
        *_before(plan, number, bench),
        *_charge(plan, number, bench, expected),
        *_heat(plan, number, expected),
        *findings,
    ]


def _before(plan: Plan, number: int, bench: Bench) -> Iterator[str]:
    step = plan.steps[number - 1].step
    if step.record:
        yield SAFETY_TESTS
    if number == 1:
        yield "Fuse in, earth clips as this rectifier needs them, the switch within reach, somebody within call."
    elif plan.load_at(number) != plan.load_at(number - 1):
        discharge = ", let the reservoir discharge, and measure that it has" if bench.reservoir is not None else ""
        yield f"Before you change the load: switch off{discharge}."
    former = plan.mains_at(number - 1) if number > 1 else 0.0
    is_lower = number == 1 or (step.mains is not None and former is not None and step.mains < former)
    if is_lower and bench.reservoir is not None and _is_without_load(plan, number, bench):
        yield _EMPTY_FIRST
    if step.mains is not None and former is not None and step.mains > former:
        yield "Turn the mains up slowly, one hand on the switch; down again at smoke, smell, hum or a wrong reading."


_EMPTY_FIRST = (
    "Discharge the reservoir through a resistor first, and measure that it is empty: without load it keeps the charge "
    "of a higher mains, and reads that."
)


def _is_without_load(plan: Plan, number: int, bench: Bench) -> bool:
    load = plan.load_at(number)
    return load == "open" or (load is None and bench.load.kind == "open")


def _charge(plan: Plan, number: int, bench: Bench, expected: Mapping[str, Expected]) -> Iterator[str]:
    yield from _charge_at(bench.reservoir, expected.get("reservoir.voltage.peak"), load=first_of(plan.load_at(number)))
    if bench.outputs_apart:
        second, volts = bench.seen_from_output_2(), expected.get("reservoir_2.voltage.peak")
        load = second_of(plan.load_at(number), has_own=bench.load_2 is not None)
        yield from _charge_at(second.reservoir, volts, " of output 2", load=second.load.kind if load is None else load)


def _charge_at(reservoir: Capacitor | None, volts: Expected | None, where: str = "", *, load: object) -> Iterator[str]:
    if reservoir is None or volts is None:
        return
    energy = format_value(0.5 * reservoir.capacitance * volts.value**2, "J", 2)
    held = f"The reservoir{where} holds {format_value(volts.value, 'V', 3)} and {energy}"
    if load == "open":
        yield f"{held}; without load it keeps them after switching off: bleed it through a resistor, then measure."
    elif volts.value > TOUCHABLE_DC:
        yield f"{held}: more than is safe to touch."


def _heat(plan: Plan, number: int, expected: Mapping[str, Expected]) -> Iterator[str]:
    case = expected.get("diode.temperature.case")
    if case is not None and case.value > METAL_HARMLESS:
        yield f"Diodes settle near {case.value:.0f} °C: they burn skin, also for a while after switching off."
    load = plan.load_at(number)
    for each, quantity, where in (
        (first_of(load), "output.power.mean", ""),
        (load.second if isinstance(load, TwoLoads) else None, "output_2.power.mean", " of output 2"),
    ):
        power = expected.get(quantity)
        is_told = not where or isinstance(load, TwoLoads)
        if is_told and each != "open" and power is not None and power.value > _WARM_LOAD:
            watts = format_value(power.value, "W", 2)
            yield f"The load{where} turns {watts} into heat: keep skin and what can burn away from it."
