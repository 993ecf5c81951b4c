"""The plan while it is recorded: it answers what operators ask, and says which load stands."""

from __future__ import annotations

from collections.abc import Sequence

from benchmon.bench import Bench
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.prediction.follow import Load
from benchmon.watch.plan import Plan, StepRequest, lacking
from benchmon.watch.records import Event, Judgement


class Staging:
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
            lacks = [] if stage is None else lacking(stage, now, self._channels, self._latest)
            events = self._plan.answer(request, now, lacks)
        except BadInput as problem:
            return [Event(now, "", EventKind.REFUSED, str(problem))]
        for event in events:
            self._plan.take(event)
        return events
