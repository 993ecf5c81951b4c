"""The plan while it is recorded: it answers what operators ask, and says which load stands.

What a person reads off a display and types in: handed to the meter it is of, and told as an event.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchmon.bench import Bench
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.instruments.acquisition import Acquisition
from benchmon.prediction.operating_point import Load
from benchmon.session.client import read_request
from benchmon.text import one_line
from benchmon.watch.plan import Plan, StepRequest, blocking_reasons
from benchmon.watch.records import Event, Judgement


class PlanControl:
    """Follows the judgements of a bench and moves its plan."""

    def __init__(self, bench: Bench) -> None:
        self._channels = bench.channel
        self._plan = Plan(bench.step)
        self._latest: dict[str, Judgement] = {}

    @property
    def plan(self) -> Plan:
        """The plan as it stands."""
        return self._plan

    @property
    def load(self) -> Load:
        """Return the load that stands, in ohms or "open"; None for the bench file's own."""
        return self._plan.load

    @property
    def begun(self) -> int:
        """Return up to which step, from 1, the plan has come; 0 where it has not begun."""
        return self._plan.begun

    def change(self, bench: Bench) -> None:
        """Go by another bench's steps from now on; how those at the same places stand is kept."""
        self._channels = bench.channel
        self._plan.change(bench.step)

    def observe(self, judgement: Judgement) -> None:
        """Take a judgement: what a step needs is read off the latest of each channel."""
        self._latest[judgement.channel] = judgement

    def answer(self, text: str, now: float) -> Sequence[Event]:
        """Return the events by which the plan does what `text` asks at `now` (s), or why it does not."""
        try:
            request = StepRequest.read(text)
            stage = self._plan.stage
            lacks = [] if stage is None else blocking_reasons(stage, now, self._channels, self._latest)
            events = self._plan.answer(request, now, lacks)
        except BadInput as problem:
            return [Event(now, "", EventKind.REFUSED, str(problem))]
        for event in events:
            self._plan.take(event)
        return events


_OLDEST = 600.0
"""Seconds after which what was seen on a display says nothing of now."""


def enter_manual(acquisition: Acquisition, text: str, started: float, now: float) -> Event:
    """Hand the reading in a request's `text` over, and return what became of it: a `typed` or a `refused` event.

    `started` is the monotonic time of session time 0, `now` the session time. The reading bears the time in the text.
    """
    try:
        typed = read_request(text)
        at = now if typed.time is None else min(typed.time, now)
        if now - at > _OLDEST:
            raise BadInput(f"was seen {now - at:.0f} s ago, which is too long; look again")
        acquisition.enter_manual(typed.channel, typed.shows, started + at)
    except BadInput as problem:
        return Event(now, "", EventKind.REFUSED, f"typed reading refused: {one_line(problem)}")
    return Event(at, typed.channel, EventKind.TYPED, f"{typed.channel}: {one_line(typed.shows, 60)}, typed in by hand")
