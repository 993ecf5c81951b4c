"""Sweeps in a report, a comparison and an export: figures and curves, measured beside predicted."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from benchmon.report import figures, formatting
from benchmon.report.document import (
    Block,
    Cell,
    DocumentSection,
    Emphasis,
    Heading,
    Paragraph,
    Table,
    Toned,
)
from benchmon.report.evaluation import Findings, plan_of
from benchmon.report.session_reader import RecordedSession
from benchmon.text import NOTHING, finite
from benchmon.watch.plan import SweepRun, swept_in_words
from benchmon.watch.plan.curves import CurvePoint, MeasuredFigure, SweepCurve, curves_of, figures_of, unit_of_swept
from benchmon.watch.plan.settled_points import SettledValue
from benchmon.watch.verdict import verdict_of
from benchmon.watch.wording import shown_unit, value_with_uncertainty

_COLUMNS = 5
"""Curves beside each other in a table of points."""
_TRANSIENT = "Parts follow a load for half an hour: temperatures are as they stood when a point was taken."


def runs_of(session: RecordedSession) -> list[SweepRun]:
    """Return the sweeps of a session of which points are over."""
    return [run for run in plan_of(session).sweeps.runs.values() if run.points]


def sweeps_section(found: Findings, *, with_pictures: bool) -> DocumentSection | None:
    """Return the sweeps of a session, None where none was done."""
    blocks: list[Block] = []
    for run in runs_of(found.session):
        curves = curves_of(run, found.session.bench.channel)
        blocks += [Heading(run.sweep.name), Paragraph(f"{run.in_words()}.")]
        blocks += _figures(figures_of(run, found.session.bench.channel))
        if with_pictures and figures.can_draw() and run.taken:
            blocks.append(figures.curves_picture([("", run, curves)]))
        tables = [curves[at : at + _COLUMNS] for at in range(0, len(curves), _COLUMNS)]
        blocks += [_points(run, part) for part in tables]
        blocks += [
            Paragraph(f"{swept_in_words(run.sweep, point.at)} was skipped: {point.skipped}", Emphasis.DOUBT)
            for point in run.points.values()
            if point.skipped
        ]
        if any(".temperature" in curve.quantity for curve in curves):
            blocks.append(Paragraph(_TRANSIENT))
    return DocumentSection("Sweeps", tuple(blocks)) if blocks else None


def _figures(found: Sequence[MeasuredFigure]) -> list[Block]:
    rows = tuple(
        (
            one.name,
            *_figure_in_words(one),
            formatting.en(one.en),
            formatting.verdict(verdict_of(one.en)),
        )
        for one in found
    )
    return [Table(("figure", "measured", "predicted", "En", "verdict"), rows, (1, 2, 3))] if rows else []


def _figure_in_words(one: MeasuredFigure) -> tuple[str, str]:
    """Return what was measured and what was predicted of a figure; a percentage is a number of hundredths."""
    part = 0.01 if one.unit == "%" else 1.0
    measured = value_with_uncertainty(part * one.value, part * one.uncertainty, one.unit)
    if one.expected is None or one.expected_uncertainty is None:
        return measured, NOTHING
    return measured, value_with_uncertainty(part * one.expected, part * one.expected_uncertainty, one.unit)


def _points(run: SweepRun, curves: Sequence[SweepCurve]) -> Table:
    units = [shown_unit(one.quantity, one.unit) for one in curves]
    names = (f"{one.name}, {unit}" if unit else one.name for one, unit in zip(curves, units, strict=True))
    head = (run.sweep.over.replace(".", " "), *names)
    rows = []
    for point in run.taken:
        cells: list[Cell] = [swept_in_words(run.sweep, point.at)]
        for curve, unit in zip(curves, units, strict=True):
            read = next((one.read for one in curve.points if one.at == point.at), None)
            cells.append(NOTHING if read is None else _cell(read, unit))
        rows.append(tuple(cells))
    return Table(head, tuple(rows), tuple(range(1, len(head))))


def _cell(read: SettledValue, unit: str) -> Cell:
    words = value_with_uncertainty(read.value, read.uncertainty, unit)
    en = _en(read)
    if en is None:
        return words
    beside = value_with_uncertainty(read.expected or 0.0, read.expected_uncertainty or 0.0, unit)
    tone = Emphasis.BAD if abs(en) > 1.5 else Emphasis.DOUBT if abs(en) > 1.0 else Emphasis.PLAIN
    return Toned(f"{words} (expected {beside})", tone)


def _en(read: SettledValue) -> float | None:
    if read.expected is None or read.expected_uncertainty is None:
        return None
    spread = math.hypot(read.uncertainty, read.expected_uncertainty)
    return (read.value - read.expected) / spread if spread > 0.0 else None


def compared_sweeps(labels: Sequence[str], found: Sequence[Findings]) -> Iterator[tuple[str, Table]]:
    """Yield for each sweep that at least two sessions did its name, and its figures side by side."""
    done = [{run.sweep.name: run for run in runs_of(one.session)} for one in found]
    names = dict.fromkeys(name for runs in done for name in runs)
    for name in names:
        places = [at for at, runs in enumerate(done) if name in runs]
        known = {at: figures_of(done[at][name], found[at].session.bench.channel) for at in places}
        figure_names = dict.fromkeys(one.name for figures in known.values() for one in figures)
        if len(places) < 2 or not figure_names:
            continue
        rows = []
        for figure in figure_names:
            of_each = {at: next((one for one in known[at] if one.name == figure), None) for at in places}
            words = [NOTHING if one is None else _figure_in_words(one)[0] for one in of_each.values()]
            rows.append((figure, *words))
        yield name, Table(("figure", *(labels[at][:1] for at in places)), tuple(rows), tuple(range(1, 1 + len(places))))


def compared_sweeps_blocks(labels: Sequence[str], found: Sequence[Findings], *, with_pictures: bool) -> list[Block]:
    """Return the sweeps that at least two sessions did, with their curves laid over each other."""
    blocks: list[Block] = []
    for name, table in compared_sweeps(labels, found):
        blocks += [Heading(name), table]
        if with_pictures and figures.can_draw():
            runs = [
                (label[:1], run, curves_of(run, one.session.bench.channel))
                for label, one in zip(labels, found, strict=True)
                for run in runs_of(one.session)
                if run.sweep.name == name and run.taken
            ]
            blocks.append(figures.curves_picture(runs))
    return blocks


def sweeps_as_dicts(session: RecordedSession) -> list[dict[str, Any]]:
    """Return the sweeps of a session for JSON: figures, curves and points. No load of infinite ohms is null."""
    channels = session.bench.channel
    return [
        {
            "name": run.sweep.name,
            "over": run.sweep.over,
            "unit": unit_of_swept(run),
            "state": str(run.state),
            "values": [finite(value) for value in run.sweep.values],
            "skipped": [
                {"value": finite(point.at), "reason": point.skipped} for point in run.points.values() if point.skipped
            ],
            "figures": [
                {
                    "name": one.name,
                    "value": one.value,
                    "uncertainty": one.uncertainty,
                    "unit": one.unit,
                    "expected": one.expected,
                    "expected_uncertainty": one.expected_uncertainty,
                }
                for one in figures_of(run, channels)
            ],
            "curves": [
                {
                    "name": curve.name,
                    "quantity": curve.quantity,
                    "unit": curve.unit,
                    "points": [_point(point) for point in curve.points],
                    "predicted": [[finite(at), value, its] for at, value, its in curve.predicted],
                }
                for curve in curves_of(run, channels)
            ],
        }
        for run in runs_of(session)
    ]


def _point(point: CurvePoint) -> dict[str, Any]:
    read = point.read
    return {
        "at": finite(point.at),
        "value": read.value,
        "uncertainty": read.uncertainty,
        "expected": read.expected,
        "expected_uncertainty": read.expected_uncertainty,
    }


SWEEP_COLUMNS = (
    *("sweep", "over", "at", "at_unit", "curve", "quantity", "value", "uncertainty", "unit"),
    *("expected", "expected_uncertainty", "en"),
)


def write_sweeps(session: RecordedSession, path: Path) -> int:
    """Write the points of all sweeps of a session as CSV, a line a curve and point; return how many lines.

    What was measured of a point is beside what was expected there. No load of infinite ohms is `inf`.
    """
    written = 0
    with path.open("w", encoding="utf-8", newline="") as out:
        table = csv.writer(out)
        table.writerow(SWEEP_COLUMNS)
        for run in runs_of(session):
            for curve in curves_of(run, session.bench.channel):
                for point in curve.points:
                    read, en = point.read, _en(point.read)
                    place = (run.sweep.name, run.sweep.over, repr(point.at), unit_of_swept(run))
                    beside = (read.expected, read.expected_uncertainty, None if en is None else round(en, 3))
                    table.writerow(
                        (
                            *place,
                            *(curve.name, curve.quantity, read.value, read.uncertainty, curve.unit),
                            *("" if one is None else one for one in beside),
                        )
                    )
                    written += 1
    return written
