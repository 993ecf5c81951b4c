"""The plan of a staged power-on: which step stands, what it still lacks, and how requests and events carry it.

The plan moves by events alone, so the recorder, every screen and a replay know the same of it:

    step begun     2 of 4: half the mains
    step done      2 of 4: half the mains: hum gone        (what the operator noted comes last)
    step skipped   3 of 4: load on: no resistor at hand
    plan stopped   2 of 4: half the mains: smell of varnish

Nothing follows the plan before the operator has begun it: until then the bench file's own mains and load stand.

What to be careful of at one step of a staged power-on.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Literal

from benchmon.bench import Bench, Channel, Step
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.quantities import Expected, format_value
from benchmon.standards import METAL_HARMLESS, TOUCHABLE_DC
from benchmon.text import duration
from benchmon.watch.records import Event, Flag, Judgement, Verdict

POWERED_PART = 0.1
"""Part of the nominal mains voltage above which a supply counts as powered, where no step has less."""

MAINS_WITHIN = 0.05
"""Part of a step's mains voltage by which the measured one may differ for the step to be done."""

LONGEST_WORDS = 200

_PLACE = re.compile(r"(\d{1,4}) of \d{1,4}: ")


StepLoad = float | Literal["open"] | None
"""A load in ohms, or "open"; None for the bench file's own."""


class StepState(StrEnum):
    """How the plan as a whole stands."""

    WAITING = "not begun"
    RUNNING = "running"
    FINISHED = "finished"
    STOPPED = "stopped"


class Outcome(StrEnum):
    """How a step stands."""

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


@dataclass(frozen=True, slots=True)
class PlanStep:
    """A step of the plan as it stands: when it began and ended (session seconds), and what the operator said."""

    step: Step
    outcome: Outcome = Outcome.AHEAD
    began: float | None = None
    ended: float | None = None
    words: str = ""

    def held(self, now: float) -> float:
        """Return for how long the step has stood, s."""
        return 0.0 if self.began is None else max(0.0, (now if self.ended is None else self.ended) - self.began)

    def left(self, now: float) -> float:
        """Return how much of its hold is left, s."""
        return max(0.0, self.step.hold - self.held(now))


class Action(StrEnum):
    """What an operator may ask of the plan."""

    BEGIN = "begin"
    GO_ON = "go on"
    SKIP = "skip"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class StepRequest:
    """An operator's request: `place` is the step, from 1, that the screen showed; `words` a note or the reason."""

    action: Action
    place: int
    words: str = ""


class Plan:
    """The steps of a bench and how they stand after the events taken so far."""

    def __init__(self, steps: Sequence[Step]) -> None:
        self.stages = [PlanStep(step) for step in steps]
        self.standing = StepState.WAITING

    def change(self, steps: Sequence[Step]) -> None:
        """Go by other steps from now on; how those at the same places stand is kept."""
        kept = [replace(stage, step=step) for stage, step in zip(self.stages, steps, strict=False)]
        self.stages = kept + [PlanStep(step) for step in steps[len(kept) :]]

    @property
    def begun(self) -> int:
        """Return up to which step, from 1, the plan has come; 0 where it has not begun."""
        return max((at for at, stage in enumerate(self.stages, 1) if stage.began is not None), default=0)

    @property
    def place(self) -> int | None:
        """Return the number of the step that stands, from 1; None where none does."""
        if self.standing is not StepState.RUNNING:
            return None
        return next((at for at, stage in enumerate(self.stages, 1) if stage.outcome is Outcome.RUNNING), None)

    @property
    def stage(self) -> PlanStep | None:
        """Return the step that stands."""
        place = self.place
        return None if place is None else self.stages[place - 1]

    @property
    def load(self) -> StepLoad:
        """Return the load that stands, in ohms or "open"; None for the bench file's own.

        A step that names no load keeps that of the step before; so does a plan that was stopped or has ended.
        """
        begun = [place for place, stage in enumerate(self.stages, 1) if stage.began is not None]
        return self.load_at(begun[-1]) if begun else None

    def load_at(self, place: int) -> StepLoad:
        """Return the load at a step, numbered from 1: its own, or what the steps before it left."""
        loads = (stage.step.load for stage in reversed(self.stages[:place]))
        return next((load for load in loads if load is not None), None)

    def mains_at(self, place: int) -> float | None:
        """Return the mains volts (rms) at a step, numbered from 1: its own, or what the steps before it left."""
        volts = (stage.step.mains for stage in reversed(self.stages[:place]))
        return next((each for each in volts if each is not None), None)

    def take(self, event: Event) -> bool:
        """Take an event; return whether it was one of the plan's. One that fits no step is left."""
        outcome = _OUTCOMES.get(event.kind)
        if outcome is None:
            return False
        found = _PLACE.match(event.message)
        place = int(found[1]) if found else 0
        if found is None or not 1 <= place <= len(self.stages):
            return False
        stage = self.stages[place - 1]
        words = event.message[found.end() :].removeprefix(stage.step.name).removeprefix(": ")
        began = event.time if outcome is Outcome.RUNNING else stage.began
        ended = None if outcome is Outcome.RUNNING else event.time
        self.stages[place - 1] = replace(stage, outcome=outcome, began=began, ended=ended, words=words)
        self.standing = self._standing(outcome)
        return True

    def _standing(self, latest: Outcome) -> StepState:
        if latest is Outcome.STOPPED:
            return StepState.STOPPED
        runs = any(stage.outcome is Outcome.RUNNING for stage in self.stages)
        over = self.stages[-1].outcome in (Outcome.DONE, Outcome.SKIPPED)
        return StepState.FINISHED if over and not runs else StepState.RUNNING

    def answer(self, request: StepRequest, now: float, lacks: Sequence[str]) -> list[Event]:
        """Return the events by which the plan does what is asked at `now` (s); `lacks` is what keeps it from going on.

        Raises `BadInput` where it cannot be done, and says why.
        """
        if request.action is Action.BEGIN:
            return self._begin(request.place, now)
        place = self.place
        if place is None:
            raise BadInput(f"the plan is {self.standing}; there is no step to {request.action}")
        if request.place != place:
            raise BadInput(f"step {request.place} no longer stands; it is step {place} now, look again")
        if request.action is Action.STOP:
            return [self._event(EventKind.PLAN_STOPPED, place, now, request.words)]
        if request.action is Action.SKIP:
            if not request.words:
                raise BadInput("a step is skipped with a reason only; say why")
            return self._next(EventKind.STEP_SKIPPED, place, now, request.words)
        if lacks:
            raise BadInput(f"step {place} is not done: {'; '.join(lacks)}")
        return self._next(EventKind.STEP_DONE, place, now, request.words)

    def _begin(self, place: int, now: float) -> list[Event]:
        if self.standing is StepState.RUNNING:
            raise BadInput("the plan has begun already")
        if not 1 <= place <= len(self.stages):
            raise BadInput(f"the plan has no step {place}; it has {len(self.stages)}")
        return [self._event(EventKind.STEP_BEGUN, place, now)]

    def _next(self, kind: EventKind, place: int, now: float, words: str) -> list[Event]:
        events = [self._event(kind, place, now, words)]
        if place < len(self.stages):
            events.append(self._event(EventKind.STEP_BEGUN, place + 1, now))
        return events

    def _event(self, kind: EventKind, place: int, now: float, words: str = "") -> Event:
        name = self.stages[place - 1].step.name
        said = f": {words}" if words else ""
        return Event(now, "", kind, f"{place} of {len(self.stages)}: {name}{said}")


def blocking_reasons(
    stage: PlanStep, now: float, channels: Sequence[Channel], latest: Mapping[str, Judgement]
) -> list[str]:
    """Return what a step still lacks before the operator may go on, each in a few words; [] where nothing."""
    found = [words for name in stage.step.needs if (words := _disagreement(name, latest.get(name)))]
    for channel in channels:
        judgement = latest.get(channel.name)
        if judgement is not None and Flag.TRIPPED in judgement.flags:
            found.append(f"{channel.name} went past its limit")
        if channel.quantity == "mains.voltage.rms" and stage.step.mains is not None:
            found += _wrong_mains(stage.step.mains, channel, judgement)
    left = stage.left(now)
    return [*found, f"hold for another {duration(math.ceil(left))}"] if left > 0 else found


def _disagreement(name: str, judgement: Judgement | None) -> str:
    if judgement is None or judgement.value is None:
        return f"{name} gives no reading"
    if Flag.HOT in judgement.flags:
        return f"{name} is past its warning"
    if judgement.verdict is Verdict.AGREES:
        return ""
    if judgement.verdict is Verdict.UNPREDICTED:
        return f"{name} has nothing to agree with"
    return f"{name} {'disagrees' if judgement.verdict is Verdict.DISAGREES else 'is questionable'}"


def _wrong_mains(wanted: float, channel: Channel, judgement: Judgement | None) -> list[str]:
    value = None if judgement is None else judgement.value
    if value is None:
        return [f"{channel.name} gives no reading"]
    if abs(value - wanted) <= MAINS_WITHIN * wanted + channel.accuracy.of(value):
        return []
    return [f"the mains is at {format_value(value, 'V', 3)}, this step wants {format_value(wanted, 'V', 3)}"]


def powered_above(bench: Bench) -> float:
    """Return the mains volts (rms) above which a supply counts as powered: below the least that a step of its has."""
    steps = [step.mains for step in bench.step if step.mains]
    return min([POWERED_PART * bench.mains.voltage, *(volts / 2 for volts in steps)])


_WARM_LOAD = 1.0


def step_cautions(plan: Plan, place: int, bench: Bench, expected: Mapping[str, Expected]) -> list[str]:
    """Return the cautions at a step, numbered from 1, with the numbers that are `expected` in it, by quantity."""
    return [*_before(plan, place), *_charge(plan, place, bench, expected), *_heat(plan, place, expected)]


def _before(plan: Plan, place: int) -> Iterator[str]:
    step = plan.stages[place - 1].step
    if place == 1:
        yield "Fuse in, earth clips as this rectifier needs them, the switch within reach, somebody within call."
    elif step.load is not None and step.load != plan.load_at(place - 1):
        yield "Before you change the load: switch off, let the reservoir discharge, and measure that it has."
    former = plan.mains_at(place - 1) if place > 1 else 0.0
    if step.mains is not None and former is not None and step.mains > former:
        yield "Turn the mains up slowly, one hand on the switch; down again at smoke, smell, hum or a wrong reading."


def _charge(plan: Plan, place: int, bench: Bench, expected: Mapping[str, Expected]) -> Iterator[str]:
    reservoir = bench.reservoir
    volts = expected.get("reservoir.voltage.peak")
    if reservoir is None or volts is None:
        return
    energy = format_value(0.5 * reservoir.capacitance * volts.value**2, "J", 2)
    held = f"The reservoir holds {format_value(volts.value, 'V', 3)} and {energy}"
    if plan.load_at(place) == "open":
        yield f"{held}; without load it keeps them after switching off: bleed it through a resistor, then measure."
    elif volts.value > TOUCHABLE_DC:
        yield f"{held}: more than is safe to touch."


def _heat(plan: Plan, place: int, expected: Mapping[str, Expected]) -> Iterator[str]:
    case = expected.get("diode.temperature.case")
    if case is not None and case.value > METAL_HARMLESS:
        yield f"Diodes settle near {case.value:.0f} °C: they burn skin, also for a while after switching off."
    power = expected.get("output.power.mean")
    if plan.load_at(place) != "open" and power is not None and power.value > _WARM_LOAD:
        yield f"The load turns {format_value(power.value, 'W', 2)} into heat: keep skin and what can burn away from it."
