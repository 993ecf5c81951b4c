"""A comparison as text for a terminal, as one object, and as a document."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from benchmon.quantities import format_value
from benchmon.report import figures as pictures
from benchmon.report import formatting
from benchmon.report.comparison.comparison import Compared, Comparison, Difference, Value
from benchmon.report.comparison.key_figures import KeyFigure, key_figures, topology_remarks
from benchmon.report.comparison.waveforms import wave_comparison_section
from benchmon.report.document import (
    Block,
    Cell,
    Document,
    DocumentSection,
    Emphasis,
    Items,
    Paragraph,
    Table,
    Toned,
    text_of,
)
from benchmon.text import NOTHING, one_line, table


def comparison_as_dict(comparison: Comparison) -> dict[str, Any]:
    """Return a comparison as one object; what is not known is not finite."""
    return {
        "mains_voltage": comparison.mains,
        "ambient": comparison.ambient,
        "sessions": [
            {
                "label": label,
                "file": str(found.session.path),
                "title": found.session.bench.title,
                "started": found.session.started.isoformat(),
                "mains_voltage": found.mains,
                "ambient": found.ambient,
                "tripped": list(found.tripped),
            }
            for label, found in zip(comparison.labels, comparison.found, strict=True)
        ],
        "quantities": {one.quantity: _compared_as_dict(one) for one in comparison.compared},
        "figures": [
            {"name": one.name, "unit": one.unit, "values": list(one.values), "measured": list(one.measured)}
            for one in key_figures(comparison)
        ],
        "remarks": [*topology_remarks(comparison), *comparison.notes],
    }


def _compared_as_dict(one: Compared) -> dict[str, Any]:
    return {
        "unit": one.unit,
        "sessions": [_value_as_dict(value) for value in one.values],
        "differences": [_difference_as_dict(difference) for difference in one.differences],
    }


def _value_as_dict(value: Value) -> dict[str, Any]:
    return {
        "measured": value.measured,
        "measured_uncertainty": value.measured_uncertainty,
        "corrected": value.corrected,
        "uncertainty": value.uncertainty,
        "expected": None if value.expected is None else value.expected.value,
        "expected_uncertainty": None if value.expected is None else value.expected.uncertainty,
    }


def _difference_as_dict(difference: Difference) -> dict[str, Any]:
    return {
        "measured": difference.measured,
        "uncertainty": difference.uncertainty,
        "significant": difference.significant,
        "expected": difference.expected,
        "expected_uncertainty": difference.expected_uncertainty,
        "as_expected": difference.as_expected,
    }


def comparison_as_text(comparison: Comparison) -> str:
    """Return a comparison as tables for a terminal."""
    lines = [one_line(label, 200) for label in _titled(comparison)]
    lines += ["", _plain(_quantities(comparison))]
    figures = _figures(comparison, key_figures(comparison))
    lines += ["", _plain(figures), ""]
    lines += [one_line(remark, 1000) for remark in [*topology_remarks(comparison), *comparison.notes]]
    return "\n".join(lines)


def _plain(made: Table) -> str:
    rows = [[one_line(text_of(cell), 60) for cell in row] for row in made.rows]
    return table(made.head, rows, made.right) if rows else "No quantity was measured."


def _titled(comparison: Comparison) -> list[str]:
    return [
        f"{label}, {found.session.bench.title}, {formatting.wall(found.session)}"
        for label, found in zip(comparison.labels, comparison.found, strict=True)
    ]


def comparison_document(comparison: Comparison, *, with_pictures: bool = True) -> Document:
    """Return a comparison as a document."""
    remarks = tuple(topology_remarks(comparison))
    conditions = Table(
        ("session", "bench", "recorded from", "mains", "air"),
        tuple(
            (
                label,
                found.session.bench.title,
                formatting.wall(found.session),
                formatting.number(found.mains, "V"),
                formatting.number(found.ambient, "°C"),
            )
            for label, found in zip(comparison.labels, comparison.found, strict=True)
        ),
        (3, 4),
    )
    about: list[Block] = [conditions, Items(comparison.notes)]
    sections = [
        DocumentSection("Sessions", tuple(about)),
        DocumentSection("Quantities", (*(Paragraph(text) for text in remarks), *_explained(), _quantities(comparison))),
        DocumentSection(
            "Figures", (_figures(comparison, key_figures(comparison)), Paragraph("p: predicted, not measured."))
        ),
    ]
    if with_pictures:
        sections.append(_trends(comparison))
    waves = wave_comparison_section(comparison)
    if waves is not None:
        sections.append(waves)
    under = f"Comparison of {len(comparison.found)} power-on tests"
    if comparison.mains is not None:
        under += f", corrected to a mains of {format_value(comparison.mains, 'V')}"
    return Document("Power-on tests compared", under, tuple(sections))


def _explained() -> tuple[Paragraph, ...]:
    return (
        Paragraph(
            "± is the expanded uncertainty (k = 2). A difference, always from A, is significant where it is larger "
            "than its uncertainty, and as expected where it agrees with the expected one within both. Of one and the "
            "same supply no difference is expected, whatever its parts are; of two, parts may differ as predicted."
        ),
    )


def _trends(comparison: Comparison) -> DocumentSection:
    if not pictures.can_draw():
        return DocumentSection("Trends", (Paragraph(pictures.MISSING),))
    sessions = [found.session for found in comparison.found if found.session.duration > 0]
    drawn = pictures.trend_pictures(sessions, comparison.labels) if sessions else []
    return DocumentSection("Trends", tuple(drawn) or (Paragraph("There is nothing to draw."),))


def _quantities(comparison: Comparison) -> Table:
    letters = [label[:1] for label in comparison.labels]
    head = ["quantity", *letters]
    for letter in letters[1:]:
        head += [f"{letter} − A", "expected", "which is"]
    rows = tuple(_row(one) for one in comparison.compared)
    return Table(tuple(head), rows, tuple(place for place in range(1, len(head)) if head[place] != "which is"))


def _row(one: Compared) -> tuple[Cell, ...]:
    cells: list[Cell] = [one.quantity]
    cells += [formatting.measured(value.corrected, value.uncertainty, one.unit) for value in one.values]
    for difference in one.differences:
        cells += [
            formatting.measured(difference.measured, difference.uncertainty, one.unit).replace("-", "−"),
            _plus(difference.expected, one.unit),
            _judged(difference),
        ]
    return tuple(cells)


def _plus(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return NOTHING
    return f"{'−' if value < 0 else '+'}{format_value(abs(value), unit)}"


def _judged(difference: Difference) -> Cell:
    if difference.significant is None:
        return NOTHING
    said = "significant" if difference.significant else "no difference"
    if difference.as_expected is None:
        return said
    if difference.as_expected:
        return Toned(f"{said}, as expected", Emphasis.GOOD)
    return Toned(f"{said}, not as expected", Emphasis.BAD)


def _figures(comparison: Comparison, figures: Sequence[KeyFigure]) -> Table:
    rows = tuple(
        (
            one.name,
            *(
                f"{formatting.number(value, one.unit)}{'' if is_measured or not math.isfinite(value) else ' p'}"
                for value, is_measured in zip(one.values, one.measured, strict=True)
            ),
        )
        for one in figures
    )
    head = ("figure (p: predicted)", *(label[:1] for label in comparison.labels))
    return Table(head, rows, tuple(range(1, len(head))))
