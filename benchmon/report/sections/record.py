"""The record itself: cautions, program and hashes, place for signatures, and the bench file whole."""

from __future__ import annotations

from collections.abc import Iterator

import benchmon
from benchmon.bench import Bench
from benchmon.prediction.ratings.cautions import usual_cautions
from benchmon.prediction.ratings.check import Ratings
from benchmon.report import formatting
from benchmon.report.document import Block, Code, DocumentSection, Fields, Heading, Items, Paragraph, Signature
from benchmon.report.evaluation import Findings
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
    known = {"benchmon", "beacon", "operator", "user", "host", "process"}
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
