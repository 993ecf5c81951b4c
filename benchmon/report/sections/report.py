"""The report of a session: everything that is needed years later, in one file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import benchmon
from benchmon.atomic_file import whole_file
from benchmon.bench import Bench
from benchmon.errors import BadInput, PredictionError
from benchmon.prediction.ratings.cautions import usual_cautions
from benchmon.prediction.ratings.check import Ratings, check
from benchmon.report import figures, formatting
from benchmon.report.document import (
    Block,
    Code,
    Document,
    DocumentSection,
    Fields,
    Heading,
    Items,
    Paragraph,
    Signature,
)
from benchmon.report.evaluation import Findings, find
from benchmon.report.html import as_page
from benchmon.report.markdown import as_markdown
from benchmon.report.sections import events as happening
from benchmon.report.sections import result
from benchmon.report.sections.supply import instruments_section, supply_section
from benchmon.report.sections.waveforms import waves_section
from benchmon.report.session_reader import RecordedSession
from benchmon.text import clock, one_line

_MOST_JUMPS, _MOST_EDITS = 20, 10


def cautions_section(ratings: Ratings | None, bench: Bench | None = None) -> DocumentSection:
    """Return the cautions that the numbers of `bench` call for, and the usual ones."""
    usual = Paragraph(" ".join(usual_cautions(bench)))
    return DocumentSection("Cautions", (Items(ratings.cautions), usual) if ratings is not None else (usual,))


def record_section(found: Findings) -> DocumentSection:
    """Return what identifies the record: file, program, hashes, machine, clocks."""
    return DocumentSection("The record", (Fields(tuple(_record(found))),))


def _record(found: Findings) -> Iterator[tuple[str, str]]:
    session = found.session
    if session.info.serial:
        yield "serial number of the unit", session.info.serial
    yield "session file", one_line(session.path.name, 200)
    yield (
        "SHA-256 of the session file",
        session.sha256() + (" (while it is recorded)" if session.is_recorded_still else ""),
    )
    yield "SHA-256 of the bench file", session.bench_sha256()
    if session.benches:
        times = ", ".join(clock(change.time) for change in session.benches[:_MOST_EDITS])
        yield "bench file edited", f"in force from {times}; what was in force at the end of the test holds here"
    yield "recorded by", f"benchmon {session.info.program_version}, layout {session.info.layout} of the session file"
    yield "reported by", f"benchmon {benchmon.__version__}"
    yield "expected values for", formatting.conditions(found.mains, found.ambient, found.load)
    known = {"benchmon", "beacon", "serial", "operator", "user", "host", "process"}
    facts = [f"{name} {fact}" for name, fact in session.facts.items() if name not in known]
    if facts:
        yield "machine", ", ".join(facts)
    counted = sum(count for one in found.channels for count in one.counts.values())
    yield "readings", f"{counted}, in {formatting.plural(len(found.channels), 'channel')}"
    jumps = [f"{jump:+.3f} s at {clock(time)}" for time, jump in session.clock_jumps[:_MOST_JUMPS]]
    yield "wall clock", f"jumped by {', '.join(jumps)}" if jumps else "no jump was seen"


def signature_section() -> DocumentSection:
    """Return places to sign."""
    return DocumentSection("Signatures", (Signature(("tested by, date", "reviewed by, date")),))


def appendix_section(found: Findings) -> DocumentSection:
    """Return the bench file with which the recording began, and edited ones from when they came into force."""
    session = found.session
    blocks: list[Block] = [Code(session.bench.source)]
    for change in session.benches[:_MOST_EDITS]:
        blocks += [Heading(f"In force from {clock(change.time)}, as edited"), Code(change.bench.source)]
    if len(session.benches) > _MOST_EDITS:
        left = len(session.benches) - _MOST_EDITS
        blocks.append(Paragraph(f"{formatting.plural(left, 'later edit is', 'later edits are')} in the session file."))
    return DocumentSection("Appendix: the bench file", tuple(blocks))


FORMATS: dict[str, Callable[[Document], str]] = {".html": as_page, ".htm": as_page, ".md": as_markdown}


def format_of(path: Path) -> Callable[[Document], str]:
    """Return how a document is written to a file of this name. Raises `BadInput` for another ending."""
    as_text = FORMATS.get(path.suffix.lower())
    if as_text is None:
        raise BadInput(f"{one_line(path, 1000)}: a report ends in .html or .md; name it so")
    return as_text


def report(session: RecordedSession, path: Path, *, force: bool = False) -> Findings:
    """Write the report of a session to `path`, HTML or Markdown by its ending; return what it found.

    Raises `BadInput` for another ending, a file that is there (unless `force`) or that cannot be written, and
    `SessionFileError` for a damaged session.
    """
    format_of(path)
    found = find(session)
    write_document(lambda pictured: document_of(found, with_pictures=pictured), path, force=force, never=session.path)
    return found


def write_document(
    make: Callable[[bool], Document], path: Path, *, force: bool = False, never: Path | None = None
) -> None:
    """Write the document that `make` returns, with pictures if it is asked for them, to `path`.

    Raises `BadInput` for an ending that is none of a document's, and where the file cannot be written.
    """
    as_text = format_of(path)
    with whole_file(path, force=force, never=never) as part:
        part.write_text(as_text(make(as_text is as_page)), encoding="utf-8")


def document_of(found: Findings, *, with_pictures: bool = True) -> Document:
    """Return the report as a document."""
    session = found.session
    ratings = _ratings(found)
    sections = [
        result.summary_section(found),
        result.readings_section(found),
        result.margins_section(found, ratings),
        result.temperatures_section(found),
        _trends(found) if with_pictures else None,
        waves_section(found),
        happening.explanations_section(found),
        happening.steps_section(found),
        happening.events_section(found),
        result.not_measured_section(found),
        supply_section(found),
        instruments_section(found),
        cautions_section(ratings, session.bench),
        record_section(found),
        signature_section(),
        appendix_section(found),
    ]
    under = f"Report of a power-on test, recorded from {formatting.wall(session)} for {clock(session.duration)}"
    return Document(session.info.title, under, tuple(section for section in sections if section is not None))


def _ratings(found: Findings) -> Ratings | None:
    try:
        return check(found.bench)
    except PredictionError:
        return None


def _trends(found: Findings) -> DocumentSection:
    if not figures.can_draw():
        return DocumentSection("Trends", (Paragraph(figures.MISSING),))
    drawn = figures.trend_pictures([found.session]) if found.session.duration > 0 else []
    return DocumentSection("Trends", tuple(drawn) or (Paragraph("There is nothing to draw."),))
