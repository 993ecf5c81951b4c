"""The first page of a report: which unit was tested, for whom and by whom, with what result, and places to sign."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from benchmon.bench import USUAL_CALIBRATION_DAYS, RecordEntry
from benchmon.errors import BadInput
from benchmon.input_file import open_ordinary
from benchmon.prediction.ratings.check import Ratings
from benchmon.report import formatting
from benchmon.report.document import (
    Block,
    Cell,
    DocumentFigure,
    DocumentSection,
    Emphasis,
    Fields,
    Paragraph,
    Signature,
    Table,
    Toned,
)
from benchmon.report.evaluation import ChannelResult, Findings
from benchmon.report.sections.result import measured_margins, summary
from benchmon.text import NOTHING, clock, duration, one_line
from benchmon.watch.plan import Outcome, PlanStep
from benchmon.watch.records import Flag

_LARGEST_PICTURE = 5_000_000
_KINDS = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}
_MET, _NOT_MET = Toned("met", Emphasis.GOOD), Toned("not met", Emphasis.BAD)


def certificate_sections(found: Findings, ratings: Ratings | None) -> tuple[DocumentSection, ...]:
    """Return the sections of the first page: the unit with the result, what was required, and places to sign."""
    summarised = [Paragraph(text, emphasis) for text, emphasis in summary(found)]
    blocks: list[Block] = [Fields(tuple(_about(found))), *summarised, *_picture_block(found)]
    rows = tuple(_required(found, ratings))
    needed = Table(("what", "required", "at the end of the test", "result"), rows, (1, 2))
    return (
        DocumentSection("Result", tuple(blocks)),
        DocumentSection("Required", (needed,) if rows else (Paragraph("Nothing was required."),)),
        *_recorded_section(found),
        DocumentSection("Signatures", (Signature(("tested by, date", "reviewed by, date")),)),
    )


def _recorded_section(found: Findings) -> Iterator[DocumentSection]:
    """Yield the section on what persons recorded in the steps of the plan, where anything was to be recorded."""
    tested = datetime.fromtimestamp(found.session.info.started, UTC).date()
    rows = tuple(
        _recorded(stage, entry, number, tested)
        for number, stage in enumerate(found.stages, 1)
        for entry in stage.step.record
    )
    if rows:
        head = ("step", "what", "required", "recorded", "result", "meter, calibrated", "who", "at")
        words = "The limits are those of the person who wrote the plan."
        yield DocumentSection("Recorded by hand", (Paragraph(words), Table(head, rows, (0,))))


def _is_overdue(calibrated: str, tested: date) -> bool:
    """Return whether a meter that was calibrated on a date, as typed, was usually due again at the test."""
    try:
        return tested - date.fromisoformat(calibrated) > timedelta(days=USUAL_CALIBRATION_DAYS)
    except ValueError:
        return False


def _recorded(stage: PlanStep, entry: RecordEntry, number: int, tested: date) -> tuple[Cell, ...]:
    event = stage.recorded.get(entry.name)
    what = ", ".join(part for part in (entry.name, entry.note) if part)
    required = entry.limits_in_words or NOTHING
    if event is None or event.details is None:
        missing = Toned("not recorded", Emphasis.DOUBT)
        return str(number), what, required, NOTHING, missing, NOTHING, NOTHING, NOTHING
    details = event.details
    result = Toned("not measured", Emphasis.DOUBT) if details.note else _MET if details.met else _NOT_MET
    meter: Cell = ", ".join(part for part in (details.meter, details.calibrated) if part)
    if details.calibrated and _is_overdue(details.calibrated, tested):
        meter = Toned(f"{meter}, more than a year before", Emphasis.DOUBT)
    shows = details.note or details.shows or NOTHING
    return (
        str(number),
        what,
        required,
        shows,
        result if entry.limits_in_words or details.note else NOTHING,
        meter or NOTHING,
        details.who or NOTHING,
        clock(event.time),
    )


def _about(found: Findings) -> Iterator[tuple[str, str]]:
    session, entries = found.session, found.bench.report
    yield "unit", found.bench.title
    given = (
        ("serial number", session.info.serial),
        ("design", entries.design),
        ("customer", entries.customer),
        ("order", entries.order),
        ("tested by", session.info.operator or session.facts.get("user", "")),
        ("report by", entries.author),
    )
    yield from ((name, text) for name, text in given if text)
    yield "tested", f"{formatting.wall(session)}, for {duration(session.duration)}"
    yield "conditions", formatting.conditions(found.mains, found.ambient, found.load)


def _required(found: Findings, ratings: Ratings | None) -> Iterator[tuple[Cell, ...]]:
    """Yield what the test required: expected values, limits, the plan and the ratings of the parts."""
    for one in found.channels:
        if one.expected is not None:
            result = formatting.verdict(one.verdict) if one.is_measured else Toned("not measured", Emphasis.DOUBT)
            yield (
                one.channel.name,
                formatting.expected(one.expected, one.channel.quantity),
                formatting.reading_of(one),
                result,
            )
        yield from _limits(one)
    if found.stages:
        done = sum(stage.outcome is Outcome.DONE for stage in found.stages)
        steps = formatting.plural(len(found.stages), "step")
        yield "plan", f"{steps} done", f"{done} done", _MET if done == len(found.stages) else _NOT_MET
    if ratings is not None and ratings.margins:
        known = [row.measured for row in measured_margins(found, ratings.margins) if row.measured is not None]
        passed = [one.name for one in known if not one.ok]
        words = f"{len(known)} of {formatting.plural(len(ratings.margins), 'rating')} measured"
        yield "ratings of the parts", "none exceeded", words, _NOT_MET if passed else _MET if known else NOTHING


def _limits(one: ChannelResult) -> Iterator[tuple[Cell, ...]]:
    channel = one.channel
    given = [
        ("at most", channel.trip_above, one.highest, one.highest > (channel.trip_above or 0.0)),
        ("at least", channel.trip_below, one.lowest, one.lowest < (channel.trip_below or 0.0)),
    ]
    limits = [each for each in given if each[1] is not None]
    for words, limit, farthest, passed in limits:
        text = f"{words} {formatting.number(limit, one.shown_unit)}"
        # A display over range is past a limit too, and has no value that would show it.
        tripped = passed or (Flag.TRIPPED in one.flags and len(limits) == 1)
        yield (
            f"{channel.name}, at all times",
            text,
            formatting.number(farthest, one.shown_unit),
            _NOT_MET if tripped else _MET,
        )


def _picture_block(found: Findings) -> Iterator[Block]:
    name = found.bench.report.picture
    if name:
        try:
            yield _picture(found, name, "The unit.")
        except (OSError, BadInput) as problem:
            yield Paragraph(_missing("picture", name, problem), Emphasis.DOUBT)


def logo_of(found: Findings) -> DocumentFigure | None:
    """Return the picture for the head of the report, None where there is none that can be read."""
    name = found.bench.report.logo
    try:
        return _picture(found, name, "logo") if name else None
    except (OSError, BadInput):
        return None


def _missing(key: str, name: str, problem: Exception) -> str:
    reason = problem.strerror if isinstance(problem, OSError) else str(problem)
    return f"{key} {one_line(name, 200)}: {one_line(reason or problem, 200)}; it is looked for beside the bench file."


def _picture(found: Findings, name: str, words: str) -> DocumentFigure:
    """Return a PNG or JPEG file as a figure. Raises `BadInput` for anything else, and `OSError`."""
    folder = Path(found.session.facts.get("bench file", found.session.path)).parent
    with open_ordinary(folder / name) as file:
        data = file.read(_LARGEST_PICTURE + 1) or b""
    if len(data) > _LARGEST_PICTURE:
        raise BadInput(f"is larger than {_LARGEST_PICTURE // 10**6} MB")
    media = next((kind for magic, kind in _KINDS.items() if data.startswith(magic)), "")
    if not media:
        raise BadInput("is neither PNG nor JPEG")
    return DocumentFigure(data, words, media)
