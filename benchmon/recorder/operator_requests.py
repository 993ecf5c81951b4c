"""What the recorder does with an operator's requests: reading them back, moving the plan, taking readings by hand.

A request is stored with its fields as JSON. Versions before that stored plain text (`skip 3: no resistor at hand`,
`at 12.5 s: vout = 22.14 V`); it is still read.
"""

from __future__ import annotations

import json
import math
import re
from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import takewhile
from statistics import mean
from typing import Any

from benchmon.bench import Bench, Channel
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.instruments.acquisition import Acquisition
from benchmon.quantities import format_value
from benchmon.session.records import Request
from benchmon.session.requests import (
    LONGEST_TEXT,
    Acknowledge,
    LoadBench,
    Note,
    OperatorRequest,
    StopRecording,
    SwitchPowerOff,
    TypedReading,
)
from benchmon.text import one_line
from benchmon.watch.guess import GuessRequest, event_of_guess
from benchmon.watch.plan import (
    LONGEST_WORDS,
    Action,
    Plan,
    RecordRequest,
    StepRequest,
    SweepAction,
    SweepRequest,
    blocking_reasons,
    can_be_zero,
)
from benchmon.watch.records import Event, EventDetails, Judgement

_LONGEST_JSON = 20_000
_STEP_TEXT = re.compile(r"(begin|go on|skip|stop) (\d{1,4})(?:: (.*))?", re.DOTALL)
_READING_TEXT = re.compile(r"(?:at (\d{1,8}(?:\.\d{1,6})?) s|now): (.{1,40}) = (.{1,60})")
_TIME_TEXT = re.compile(r"\d{1,8}(\.\d{1,6})?")

_READINGS_OF_A_ZERO = 5
"""Readings of which the mean is a zero, the last ones (from memory)."""

_OLDEST = 600.0
"""Seconds after which a reading seen on a display is too old to be entered."""


def decode_request(request: Request) -> OperatorRequest:
    """Return a stored request as what it asks for. Raises `BadInput` if it asks for nothing a recorder can do.

    >>> decode_request(Request("step", "skip 3: no resistor at hand"))
    StepRequest(action=<Action.SKIP: 'skip'>, step=3, words='no resistor at hand')
    """
    read = _READERS.get(request.kind)
    if read is None:
        raise BadInput(f"the recorder was asked for {one_line(request.kind, 40)!r}, which it cannot do")
    return read(request.text)


def answering(request: Request, event: Event) -> Event:
    """Return `event` with the number of the request that it answers in its details."""
    return replace(event, details=replace(event.details or EventDetails(), request=request.number))


def _fields(text: str) -> dict[str, Any]:
    """Return the fields of a request in JSON, none where its text is not JSON."""
    if not text.startswith("{") or len(text) > _LONGEST_JSON:
        return {}
    try:
        return dict(json.loads(text))
    except (ValueError, RecursionError):
        return {}


def _text_field(text: str, name: str) -> str:
    """Return the one field of a request, or its whole text where it is not JSON with that field."""
    found = _fields(text).get(name)
    return one_line(found if isinstance(found, str) else text, LONGEST_TEXT)


def _read_step(text: str) -> StepRequest:
    match _fields(text):
        # An older screen writes the step's number as its place.
        case {"action": str(action), "step": int(step), "words": str(words)} | {
            "action": str(action),
            "place": int(step),
            "words": str(words),
        } if action in tuple(Action):
            return StepRequest(Action(action), step, one_line(words.strip(), LONGEST_WORDS))
    found = _STEP_TEXT.fullmatch(text)
    if found is None:
        raise BadInput(f"{one_line(text, 60)!r} asks nothing of a plan; ask begin, go on, skip or stop, with a step")
    return StepRequest(Action(found[1]), int(found[2]), one_line((found[3] or "").strip(), LONGEST_WORDS))


def _read_record(text: str) -> RecordRequest:
    found = _fields(text)
    step = found.pop("step", None)
    names = ("entry", "shows", "reason", "meter", "calibrated", "who")
    given = {name: found[name] for name in names if isinstance(found.get(name), str)}
    texts = {name: one_line(text.strip(), LONGEST_WORDS) for name, text in given.items()}
    if not isinstance(step, int) or "entry" not in texts:
        raise BadInput(f"{one_line(text, 60)!r} records nothing; it needs a step, an entry and what it shows")
    return RecordRequest(step, **texts)


def _read_sweep(text: str) -> SweepRequest:
    match _fields(text):
        case {"action": str(action), "sweep": str(sweep), "words": str(words)} if action in tuple(SweepAction):
            return SweepRequest(SweepAction(action), one_line(sweep, 100), one_line(words.strip(), LONGEST_WORDS))
    raise BadInput(f"{one_line(text, 60)!r} asks nothing of a sweep; ask begin, go on, skip or stop, with its name")


def _read_typed_reading(text: str) -> TypedReading:
    match _fields(text):
        case {"channel": str(channel), "shows": str(shows), "time": None}:
            return _typed_reading(channel, shows, None)
        case {"channel": str(channel), "shows": str(shows), "time": int() | float() as time} if math.isfinite(time):
            return _typed_reading(channel, shows, max(float(time), 0.0))
    found = _READING_TEXT.fullmatch(text)
    if found is None:
        raise BadInput(f'"{one_line(text, 120)}" is not a typed reading, such as "at 12.5 s: vout = 22.14 V"')
    return _typed_reading(found[2], found[3], None if found[1] is None else float(found[1]))


def _read_guess(text: str) -> GuessRequest:
    match _fields(text):
        case {"channel": str(channel), "shows": str(shows)}:
            return GuessRequest(one_line(channel, LONGEST_TEXT), one_line(shows.strip(), LONGEST_TEXT))
    raise BadInput(f"{one_line(text, 60)!r} guesses nothing; it needs a channel and what it will read")


def _typed_reading(channel: str, shows: str, time: float | None) -> TypedReading:
    return TypedReading(one_line(channel, LONGEST_TEXT), one_line(shows.strip(), LONGEST_TEXT), time)


def _read_load_bench(text: str) -> LoadBench:
    match _fields(text):
        case {"offered_at": int() | float() as offered_at} if math.isfinite(offered_at):
            return LoadBench(float(offered_at))
    if _TIME_TEXT.fullmatch(text) is None:
        raise BadInput(f"{one_line(text, 60)!r} is not the time of an event that offered a bench file")
    return LoadBench(float(text))


_READERS: Mapping[str, Callable[[str], OperatorRequest]] = {
    "note": lambda text: Note(_text_field(text, "text")),
    "reading": _read_typed_reading,
    "guess": _read_guess,
    "acknowledge": lambda text: Acknowledge(_text_field(text, "channel")),
    "step": _read_step,
    "record": _read_record,
    "sweep": _read_sweep,
    "load bench": _read_load_bench,
    "switch off": lambda text: SwitchPowerOff(_text_field(text, "reason")),
    "stop": lambda _text: StopRecording(),
}
"""By kind, what reads the text of a request: first as JSON, then as the plain text of older versions."""


class PlanControl:
    """Follows the judgements of a bench and moves its plan."""

    def __init__(self, bench: Bench) -> None:
        self._channels = bench.channel
        self._plan = Plan.of(bench)
        self._latest: dict[str, Judgement] = {}
        self._recent: dict[str, deque[float]] = {}

    @property
    def plan(self) -> Plan:
        """The plan with the state of its steps."""
        return self._plan

    @property
    def begun(self) -> int:
        """The number, from 1, of the last step that has begun; 0 if none has."""
        return self._plan.begun

    def change(self, bench: Bench) -> None:
        """Replace the steps by those of another bench; a step keeps the state of the one with its number."""
        self._channels = bench.channel
        self._plan.change(bench.step, bench.sweep)

    def observe(self, judgement: Judgement) -> None:
        """Take a judgement with the verdict that counts; the latest ones decide whether a step may be confirmed."""
        self._latest[judgement.channel] = judgement
        if judgement.value is not None and math.isfinite(judgement.value):
            recent = self._recent.get(judgement.channel)
            if recent is None:
                recent = self._recent[judgement.channel] = deque(maxlen=_READINGS_OF_A_ZERO)
            recent.append(judgement.value)

    def is_shorted(self, channel: str) -> bool:
        """Return whether the leads of a channel are shorted in the current step, so that nothing is expected of it."""
        step = self._plan.current_step
        return step is not None and channel in step.step.zero

    def zeros(self, events: Iterable[Event]) -> Mapping[str, float]:
        """Return what the channels read whose leads are shorted in a step that `events` confirm, in their units.

        These readings are forgotten: the next ones are made with the new zero.
        """
        steps = self._plan.steps
        done = (event.details.step for event in events if event.kind == EventKind.STEP_DONE and event.details)
        names = [name for number in done if number is not None for name in steps[number - 1].step.zero]
        channels = {channel.name: channel for channel in self._channels}
        shorted = {name: self._since_shorted(channels[name]) for name in dict.fromkeys(names)}
        return {name: mean(values) for name, values in shorted.items() if values}

    def _since_shorted(self, channel: Channel) -> list[float]:
        """Return the last readings of a channel, back to the first that can be no zero, and forget them."""
        return list(takewhile(partial(can_be_zero, channel), reversed(self._recent.pop(channel.name, ()))))

    def answer(self, request: StepRequest, now: float, lapsed: Collection[str] = ()) -> Sequence[Event]:
        """Return the events by which the plan moves at `now` (s), or a `refused` event with the reason.

        `lapsed` are the channels whose last value was typed before the supply changed.
        """
        try:
            stage = self._plan.current_step
            lacks = [] if stage is None else blocking_reasons(stage, now, self._channels, self._latest, lapsed)
            events = self._plan.answer(request, now, lacks)
        except BadInput as problem:
            return [Event(now, "", EventKind.REFUSED, str(problem))]
        for event in events:
            self._plan.take(event)
        return events

    def record(self, request: RecordRequest | GuessRequest, now: float) -> Event:
        """Return the event by which a value or a guess is recorded at `now` (s), or a `refused` one with the reason."""
        if isinstance(request, GuessRequest):
            return self._guess(request, now)
        try:
            event = self._plan.record(request, now)
        except BadInput as problem:
            return Event(
                now, "", EventKind.REFUSED, f"not recorded: {one_line(request.entry, 40)}: {one_line(problem)}"
            )
        self._plan.take(event)
        return event

    def _guess(self, request: GuessRequest, now: float) -> Event:
        channel = next((each for each in self._channels if each.name == request.channel), None)
        try:
            if channel is None:
                raise BadInput("is no channel of this bench")
            known = self._latest.get(channel.name)
            return event_of_guess(request, channel, now, self._plan.step_number, None if known is None else known.value)
        except BadInput as problem:
            words = f"not taken as a guess: {one_line(request.channel, 40)}: {one_line(request.shows, 40)} {problem}"
            return Event(now, "", EventKind.REFUSED, one_line(words))


def enter_manual(acquisition: Acquisition, typed: TypedReading, started: float, now: float) -> Event:
    """Pass a reading entered by hand to its driver; return a `typed` event, or a `refused` one with the reason.

    `started` is the monotonic time of session time 0, `now` the session time. The reading bears its own time, now at
    the latest. A reading that cannot be taken raises nothing: its reason is the message of the event.
    """
    at = now if typed.time is None else min(typed.time, now)
    try:
        if now - at > _OLDEST:
            raise BadInput(f"was seen {now - at:.0f} s ago, which is too long; look again")
        acquisition.enter_manual(typed.channel, typed.shows, started + at)
    except BadInput as problem:
        return Event(now, "", EventKind.REFUSED, f"typed reading refused: {one_line(problem)}")
    return Event(at, typed.channel, EventKind.TYPED, f"{typed.channel}: {one_line(typed.shows, 60)}, typed in by hand")


def take_zero(acquisition: Acquisition, channel: Channel, value: float, now: float) -> Event:
    """Take what a channel reads with its leads shorted, `value` in its unit, as its zero; return the event of that."""
    zero = acquisition.take_zero(channel.name, value)
    unit = "K" if channel.unit == "°C" else channel.unit
    words = f"{channel.name}: zero {format_value(zero, unit, 4)} taken with its leads shorted"
    return Event(now, channel.name, EventKind.ZERO_TAKEN, words, EventDetails(zero=zero))
