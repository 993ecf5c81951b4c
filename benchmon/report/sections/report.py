"""The report of a session: everything that is needed years later, in one file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
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
)
from benchmon.report.evaluation import Findings, find
from benchmon.report.html import as_page
from benchmon.report.markdown import as_markdown
from benchmon.report.pdf import write_pdf
from benchmon.report.sections import events as happening
from benchmon.report.sections import result
from benchmon.report.sections.certificate import certificate_sections, logo_of
from benchmon.report.sections.supply import instruments_section, supply_section
from benchmon.report.sections.sweeps import sweeps_section
from benchmon.report.sections.waveforms import waves_section
from benchmon.report.session_reader import RecordedSession
from benchmon.text import clock, duration, one_line, with_minus

_MOST_JUMPS, _MOST_EDITS = 20, 10
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


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
    known = {"benchmon", "beacon", "serial", "operator", "guess", "user", "host", "process"}
    facts = [f"{name} {fact}" for name, fact in session.facts.items() if name not in known]
    if facts:
        yield "machine", ", ".join(facts)
    counted = sum(count for one in found.channels for count in one.counts.values())
    yield "readings", f"{counted}, in {formatting.plural(len(found.channels), 'channel')}"
    jumps = [f"{with_minus(f'{jump:+.3f}')} s at {clock(time)}" for time, jump in session.clock_jumps[:_MOST_JUMPS]]
    yield "wall clock", f"jumped by {', '.join(jumps)}" if jumps else "no jump was seen"


def bench_file_section(found: Findings) -> DocumentSection:
    """Return the bench file with which the recording began, and edited ones from when they came into force."""
    session = found.session
    blocks: list[Block] = [Code(session.bench.source)]
    for change in session.benches[:_MOST_EDITS]:
        blocks += [Heading(f"In force from {clock(change.time)}, as edited"), Code(change.bench.source)]
    if len(session.benches) > _MOST_EDITS:
        left = len(session.benches) - _MOST_EDITS
        blocks.append(Paragraph(f"{formatting.plural(left, 'later edit is', 'later edits are')} in the session file."))
    return DocumentSection("The bench file", tuple(blocks))


def _as_html(document: Document, path: Path) -> None:
    path.write_text(as_page(document), encoding="utf-8")


def _as_markdown(document: Document, path: Path) -> None:
    path.write_text(as_markdown(document), encoding="utf-8")


_WRITERS: dict[str, Callable[[Document, Path], None]] = {
    ".html": _as_html,
    ".htm": _as_html,
    ".pdf": write_pdf,
    ".md": _as_markdown,
}


def writer_for(path: Path) -> Callable[[Document, Path], None]:
    """Return what writes a document to a file of this name. Raises `BadInput` for another ending."""
    write = _WRITERS.get(path.suffix.lower())
    if write is None:
        raise BadInput(f"{one_line(path, 1000)}: a report ends in .html, .pdf or .md; name it so")
    return write


def report(session: RecordedSession, path: Path, *, force: bool = False) -> Findings:
    """Write the report of a session to `path`, HTML, PDF or Markdown by its ending; return what it found.

    Raises `BadInput` for another ending, where PDF's library is missing, for a file that is there (unless `force`) or
    that cannot be written, and `SessionFileError` for a damaged session.
    """
    writer_for(path)
    found = find(session)
    write_document(lambda pictured: document_of(found, with_pictures=pictured), path, force=force, never=session.path)
    return found


def write_document(
    make: Callable[[bool], Document], path: Path, *, force: bool = False, never: Path | None = None
) -> None:
    """Write the document that `make` returns, with pictures if it is asked for them, to `path`.

    Raises `BadInput` for an ending that is none of a document's, and where the file cannot be written.
    """
    write = writer_for(path)
    with whole_file(path, force=force, never=never) as part:
        write(make(write is not _as_markdown), part)


def document_of(found: Findings, *, with_pictures: bool = True) -> Document:
    """Return the report as a document."""
    session = found.session
    ratings = _ratings(found)
    first = certificate_sections(found, ratings)
    rest = [
        result.readings_section(found),
        result.guesses_section(found),
        result.margins_section(found, ratings),
        result.temperatures_section(found),
        sweeps_section(found, with_pictures=with_pictures),
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
        bench_file_section(found),
    ]
    appendices = [section for section in rest if section is not None]
    lettered = [replace(one, title=f"{letter} {one.title}") for letter, one in zip(_LETTERS, appendices, strict=False)]
    under = f"Report of a power-on test, recorded from {formatting.wall(session)} for {duration(session.duration)}"
    logo = logo_of(found) if with_pictures else None
    return Document(session.info.title, under, (*first, *lettered), logo, len(first))


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
