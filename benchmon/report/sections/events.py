"""The events of a session: the steps of the plan who did what when, other events, and explanations."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby, pairwise

from benchmon.bench import load_in_words, two_loads
from benchmon.event_kinds import EventKind, ReportPart, Severity, traits_of
from benchmon.report import formatting
from benchmon.report.document import Block, Cell, DocumentSection, Emphasis, Heading, Paragraph, Table, Toned
from benchmon.report.evaluation import Findings, StepFinding
from benchmon.text import NOTHING, clock, duration
from benchmon.watch.diagnosis.explainer import NOTHING_WRONG
from benchmon.watch.plan import Outcome, PlanStep
from benchmon.watch.records import Event, Explanation, Explanations
from benchmon.watch.wording import likelihood_in_words

_MOST_EVENTS, _FEW = 500, 3
_ENDING = (EventKind.STEP_DONE, EventKind.STEP_SKIPPED, EventKind.PLAN_STOPPED)
_OUTCOMES = {Outcome.DONE: Emphasis.GOOD, Outcome.SKIPPED: Emphasis.DOUBT, Outcome.STOPPED: Emphasis.BAD}
_CAUSES, _MOST_CAUSES_BEFORE = 5, 50


def steps_section(found: Findings) -> DocumentSection:
    """Return the plan's steps, each with what it read, and everything an operator did."""
    session = found.session
    who = ", ".join(
        f"{name} {session.facts[name]}" for name in ("operator", "user", "host", "process") if name in session.facts
    )
    blocks: list[Block] = [
        Paragraph(
            f"Recorded from {formatting.wall(session)} to {formatting.wall(session, session.duration)}, "
            f"{duration(session.duration)}{f', by {who}' if who else ''}."
        )
    ]
    stages = tuple(_stage(stage) for stage in found.stages)
    if stages:
        head = ("step", "mains", "load", "began", "ended", "outcome", "reason")
        blocks.append(Table(head, stages))
    else:
        blocks.append(Paragraph("The bench file has no plan of steps."))
    done = [event for event in session.events if ReportPart.ACTIONS in traits_of(event.kind).report]
    if done:
        rows = tuple(
            (
                clock(event.time),
                formatting.wall_in_session(session, event.time),
                _step_at(found, event),
                event.kind,
                event.message,
            )
            for event in done
        )
        blocks.append(Table(("session time", "wall clock, UTC", "step", "what", "in words"), rows[:_MOST_EVENTS]))
    for step in found.steps:
        blocks += _step(step, len(found.stages))
    return DocumentSection("Steps, and who did what when", tuple(blocks))


def _step_at(found: Findings, event: Event) -> str:
    """Return the number of the step that stood at an event, a dash where none did."""
    for one in reversed(found.steps):
        began, ended = one.stage.began, one.stage.ended
        # A step ends at the very time at which the next one begins.
        if began is not None and (began < event.time if event.kind in _ENDING else began <= event.time):
            return str(one.place) if ended is None or event.time <= ended else NOTHING
    return NOTHING


def _step(step: StepFinding, count: int) -> list[Block]:
    """Return what every channel read at the end of a step, beside what was expected then."""
    window = step.window
    lit = "" if window.is_powered else "; no channel shows that the mains was on"
    text = f"Means from {clock(window.since)} to {clock(window.until)}{lit}:"
    rows = tuple(
        (
            f"{one.channel.name}{', needed' if one.channel.name in step.stage.step.needs else ''}",
            formatting.reading_of(one),
            formatting.expected(one.expected, one.channel.quantity),
            formatting.en(one.en),
            formatting.verdict(one.verdict) if one.is_measured else Toned("not measured", Emphasis.DOUBT),
            formatting.flags(one.flags, one.channel),
        )
        for one in step.channels
    )
    title = f"Step {step.place} of {count}: {step.stage.step.name} ({step.stage.outcome})"
    head = ("channel", "measured", "expected", "En", "verdict", "flags")
    return [Heading(title), Paragraph(text), Table(head, rows, (1, 2, 3))]


def _stage(stage: PlanStep) -> tuple[Cell, ...]:
    step = stage.step
    if step.load is None and step.load_2 is not None:
        load = f"{load_in_words(step.load_2, nothing='open')} at output 2"
    else:
        load = load_in_words(two_loads(step.load, step.load_2), own=NOTHING, nothing="open")
    return (
        step.name,
        formatting.number(step.mains, "V"),
        load,
        NOTHING if stage.began is None else clock(stage.began),
        NOTHING if stage.ended is None else clock(stage.ended),
        Toned(str(stage.outcome), _OUTCOMES.get(stage.outcome, Emphasis.PLAIN)),
        stage.words or NOTHING,
    )


def events_section(found: Findings) -> DocumentSection:
    """Return all events but those of operators, a kind that came often as one row."""
    events = [event for event in found.session.events if ReportPart.EVENTS in traits_of(event.kind).report]
    if not events:
        return DocumentSection("Events", (Paragraph("There were no events."),))
    rows = list(_folded(events))
    blocks: list[Block] = [Table(("time", "channel", "what", "in words"), tuple(rows[:_MOST_EVENTS]))]
    if len(rows) > _MOST_EVENTS:
        left = formatting.plural(len(rows) - _MOST_EVENTS, "more is", "more are")
        blocks.insert(0, Paragraph(f"Of {len(events)} events the first; {left} in the session file."))
    return DocumentSection("Events", tuple(blocks))


def _folded(events: list[Event]) -> Iterator[tuple[Cell, ...]]:
    """Yield a row an event, by time; a kind that came more than a few times on a channel is one row at its first."""
    kinds: dict[tuple[str, str], list[Event]] = {}
    for event in events:
        kinds.setdefault((event.kind, event.channel), []).append(event)
    for event in events:
        alike = kinds[event.kind, event.channel]
        if len(alike) <= _FEW:
            yield clock(event.time), event.channel or NOTHING, _kind(event), event.message
        elif event is alike[0]:
            times = f"{clock(event.time)} to {clock(alike[-1].time)}"
            words = f"{len(alike)} times; first: {event.message}; last: {alike[-1].message}"
            yield times, event.channel or NOTHING, _kind(event), words


def _kind(event: Event) -> Cell:
    shown = traits_of(event.kind).shown or event.kind
    return Toned(shown, Emphasis.BAD) if _is_grave(event) else shown


def _is_grave(event: Event) -> bool:
    return traits_of(event.kind).severity >= Severity.SERIOUS


def explanations_section(found: Findings) -> DocumentSection:
    """Return the causes that stood at the end of the test, and the likeliest earlier ones."""
    standing = [one for one in found.session.explanations if one.time <= found.window.until + 1.0]
    blocks: list[Block] = []
    if standing and standing[-1].ranked:
        blocks += _explained(standing[-1])
    else:
        blocks.append(Paragraph("No cause stood at the end of the test."))
    before = list(_before(standing))
    if before:
        blocks.append(Paragraph("The likeliest causes that stood before, each with its greatest likelihood:"))
        head = ("from", "until", "likelihood", "cause", "channels", "in words")
        blocks.append(Table(head, tuple(before[-_MOST_CAUSES_BEFORE:]), (2,)))
    if len(before) > _MOST_CAUSES_BEFORE:
        left = formatting.plural(len(before) - _MOST_CAUSES_BEFORE, "earlier one is", "earlier ones are")
        blocks.append(Paragraph(f"{left} in the session file."))
    return DocumentSection("Explanations", tuple(blocks))


def _before(standing: list[Explanations]) -> Iterator[tuple[Cell, ...]]:
    """Yield the likeliest causes with their spans of time, without those that stood at the end.

    One that came more than a few times is one row at its first.
    """
    all_stood = list(_stood(standing))
    causes: dict[str, list[_Stood]] = {}
    for stood in all_stood:
        causes.setdefault(stood[2].cause, []).append(stood)
    for begun, ended, first in all_stood:
        alike = causes[first.cause]
        if len(alike) <= _FEW:
            yield clock(begun), clock(ended), *_of(first)
        elif begun == alike[0][0]:
            likelihood, cause, channels, words = _of(max(alike, key=lambda one: one[2].likelihood)[2])
            yield clock(begun), clock(alike[-1][1]), likelihood, cause, channels, f"{len(alike)} times; {words}"


_Stood = tuple[float, float, Explanation]
"""When a cause began and ceased to be the likeliest (session seconds), and it where it was most so."""


def _stood(standing: list[Explanations]) -> Iterator[_Stood]:
    spans = [(one, after.time) for one, after in pairwise(standing)]
    for _, same in groupby(spans, key=lambda span: span[0].ranked[0].cause if span[0].ranked else NOTHING_WRONG):
        stood = list(same)
        first = max((one.ranked[0] for one, _ in stood if one.ranked), key=lambda cause: cause.likelihood, default=None)
        if first is not None and first.cause != NOTHING_WRONG:
            yield stood[0][0].time, stood[-1][1], first


def _explained(explanations: Explanations) -> tuple[Paragraph | Table, ...]:
    text = (
        f"Causes of how the channels read, from {clock(explanations.time)} on, by their likelihood over all channels:"
    )
    rows = tuple(_of(one) for one in explanations.ranked[:_CAUSES])
    return (Paragraph(text), Table(("likelihood", "cause", "channels", "in words"), rows, (0,)))


def _of(one: Explanation) -> tuple[Cell, ...]:
    return likelihood_in_words(one.likelihood), one.cause, ", ".join(one.channels) or NOTHING, one.message
