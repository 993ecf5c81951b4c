"""The report of a session: everything that is needed years later, in one file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from benchmon.atomic_file import whole_file
from benchmon.errors import BadInput, PredictionError
from benchmon.prediction.ratings.check import Ratings, check
from benchmon.report import figures, formatting
from benchmon.report.document import Document, DocumentSection, Paragraph
from benchmon.report.evaluation import Findings, find
from benchmon.report.html import as_page
from benchmon.report.markdown import as_markdown
from benchmon.report.sections import events as happening
from benchmon.report.sections import record, result
from benchmon.report.sections.supply import instruments_section, supply_section
from benchmon.report.sections.waveforms import waves_section
from benchmon.report.session_reader import RecordedSession
from benchmon.text import clock, one_line

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
        record.cautions_section(ratings, session.bench),
        record.record_section(found),
        record.signature_section(),
        record.appendix_section(found),
    ]
    under = f"Report of a power-on test, recorded from {formatting.wall(session)} for {clock(session.duration)}"
    return Document(session.bench.title, under, tuple(section for section in sections if section is not None))


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
