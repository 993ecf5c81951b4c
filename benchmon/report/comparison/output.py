"""A comparison as text for a terminal, as one JSON object, and as a document.

The document shows the captured waves of all sessions laid over each other by phase, with their harmonics side by side.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from textwrap import wrap
from typing import Any

import numpy as np

from benchmon.analyse.expected import BINS, folded
from benchmon.errors import DataFileError
from benchmon.quantities import format_value
from benchmon.report import figures, formatting
from benchmon.report import figures as pictures
from benchmon.report.comparison.comparison import Compared, Comparison, Difference, Value
from benchmon.report.comparison.key_figures import KeyFigure, key_figures, topology_remarks
from benchmon.report.document import (
    WIDTH,
    Block,
    Cell,
    Document,
    DocumentSection,
    Emphasis,
    Heading,
    Items,
    Paragraph,
    Table,
    Toned,
    table_as_text,
    text_of,
)
from benchmon.report.evaluation import Findings
from benchmon.report.sections.sweeps import compared_sweeps, compared_sweeps_blocks, sweeps_as_dicts
from benchmon.report.sections.waveforms import measured_wave
from benchmon.signals.arrays import Floats
from benchmon.signals.captured_wave import Wave
from benchmon.signals.harmonic_limits import limit_of
from benchmon.text import NOTHING, one_line, table
from benchmon.watch.records import Waveform
from benchmon.watch.wording import shown_unit, value_in_words

_ORDERS = 15
_LINE_CURRENT = "mains.current"


def wave_comparison_section(comparison: Comparison) -> DocumentSection | None:
    """Return the waves that several sessions captured on channels of one name; None where there are none."""
    names = dict.fromkeys(wave.channel for found in comparison.found for wave in found.waveforms)
    blocks: list[Block] = []
    for name in names:
        blocks += _channel(comparison, name)
    return DocumentSection("Waveforms and harmonics", tuple(blocks)) if blocks else None


def _channel(comparison: Comparison, name: str) -> list[Block]:
    measured: list[tuple[str, Waveform, Wave]] = []
    blocks: list[Block] = [Heading(name)]
    for label, found in zip(comparison.labels, comparison.found, strict=True):
        wave = next((one for one in found.waveforms if one.channel == name), None)
        if wave is None:
            blocks.append(Paragraph(f"{label[:1]} captured no wave there.", Emphasis.DOUBT))
            continue
        try:
            measured.append((label, wave, measured_wave(found, wave)))
        except DataFileError as problem:
            blocks.append(Paragraph(f"{label[:1]}: {problem}", Emphasis.DOUBT))
    if not measured:
        return blocks
    if figures.can_draw():
        laid = [
            (comparison.legends[at], *_two_periods(wave, comparison.found[at].bench.mains.frequency))
            for label, _, wave in measured
            for at in [comparison.labels.index(label)]
        ]
        blocks.append(figures.waves_picture(name, measured[0][1].unit, laid))
    is_line = any(_is_line(_found(comparison, label), name) for label, _, _ in measured)
    blocks.append(
        _compared_harmonics([(label[:1], wave.unit, known) for label, wave, known in measured], is_line=is_line)
    )
    return blocks


def _found(comparison: Comparison, label: str) -> Findings:
    return comparison.found[comparison.labels.index(label)]


def _is_line(found: Findings, name: str) -> bool:
    quantities = {channel.name: channel.quantity for channel in found.session.channels}
    return quantities.get(name, "").rpartition(".")[0] == _LINE_CURRENT


def _two_periods(wave: Wave, mains_frequency: float) -> tuple[Floats, Floats]:
    """Return times, s, and values over two mains periods, from phase zero of the largest component on."""
    one, frequency = folded(wave.sampled, mains_frequency)
    spectrum = np.fft.rfft(one - one.mean())
    largest = max(int(np.argmax(np.abs(spectrum))), 1)
    # Sine, not cosine: the wave begins where that component rises through zero.
    turns = (-np.angle(spectrum[largest]) - np.pi / 2.0) / (2.0 * np.pi * largest)
    placed = np.roll(one, -round(turns * BINS) % BINS)
    time: Floats = (np.arange(2 * BINS) + 0.5) / BINS / frequency
    return time, np.tile(placed, 2)


def _compared_harmonics(waves: Sequence[tuple[str, str, Wave]], *, is_line: bool) -> Table:
    head = ["order", *(label for label, _, _ in waves), *(["class A limit"] if is_line else [])]
    sizes = [dict(wave.harmonics) for _, _, wave in waves]
    shown = [
        order
        for order in range(1, _ORDERS + 1)
        if any(known.get(order, 0.0) > 0.005 * known.get(1, 0.0) for known in sizes)
    ]
    rows = tuple(
        (
            str(order),
            *(formatting.number(known.get(order), unit) for known, (_, unit, _) in zip(sizes, waves, strict=True)),
            *([formatting.number(limit_of(order), "A")] if is_line else []),
        )
        for order in shown
    )
    return Table(tuple(head), rows, tuple(range(len(head))))


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
                "serial": found.session.info.serial,
                "operator": found.session.info.operator,
                "started": found.session.started.isoformat(),
                "mains_voltage": found.mains,
                "ambient": found.ambient,
                "tripped": list(found.tripped),
            }
            for label, found in zip(comparison.labels, comparison.found, strict=True)
        ],
        "quantities": {one.quantity: _compared_as_dict(one) for one in comparison.compared},
        "steps": [
            {
                "name": step.name,
                "sessions": [comparison.labels[place] for place in step.places],
                "mains_voltage": step.mains,
                "quantities": {one.quantity: _compared_as_dict(one) for one in step.compared},
            }
            for step in comparison.steps
        ],
        "figures": [
            {"name": one.name, "unit": one.unit, "values": list(one.values), "measured": list(one.measured)}
            for one in key_figures(comparison)
        ],
        "sweeps": [sweeps_as_dicts(found.session) for found in comparison.found],
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
        "same_meter": difference.same_meter,
    }


def comparison_as_text(comparison: Comparison) -> str:
    """Return a comparison as tables for a terminal."""
    lines = [one_line(label, 200) for label in _titled(comparison)]
    letters = [label[:1] for label in comparison.labels]
    lines += ["", _quantities_as_text(letters, comparison.compared)]
    for step in comparison.steps:
        at = "" if step.mains is None else f", at a mains of {format_value(step.mains, 'V')}"
        lines += ["", *wrap(f"Step {one_line(step.name, 60)}{at}:", WIDTH)]
        lines += [_quantities_as_text([letters[place] for place in step.places], step.compared)]
    figures = _figures(comparison, key_figures(comparison))
    lines += ["", table_as_text(figures), ""]
    for name, swept in compared_sweeps(comparison.labels, comparison.found):
        lines += [f"Sweep {one_line(name, 60)}:", table_as_text(swept), ""]
    for remark in [*topology_remarks(comparison), *comparison.notes]:
        lines += wrap(one_line(remark, 1000), WIDTH)
    return "\n".join(lines)


def _quantities_as_text(letters: Sequence[str], compared: Sequence[Compared]) -> str:
    """Return quantities for a terminal of 80 columns: each a line of its own, and under it a line a session."""
    if not compared:
        return "No quantity was measured."
    rows: list[tuple[str, ...]] = []
    for one in compared:
        unit = shown_unit(one.quantity, one.unit)
        for letter, value in zip(letters, one.values, strict=True):
            row = (letter, formatting.measured(value.corrected, value.uncertainty, unit))
            rows.append((*row, "", "", ""))
        for at, difference in enumerate(one.differences, len(rows) - len(one.differences)):
            rows[at] = (
                *rows[at][:2],
                *_difference_cells(difference, shown_unit(one.quantity, one.unit)),
                text_of(_judged(difference)),
            )
    head = ("", "value", f"less {letters[0]}", "expected", "")
    first, *lines = table(head, rows, (1, 2, 3)).splitlines()
    named = [f"  {first}"]
    for at, one in enumerate(compared):
        named += [one.quantity, *(f"  {line}" for line in lines[at * len(letters) : (at + 1) * len(letters)])]
    return "\n".join(line.rstrip() for line in named)


def _titled(comparison: Comparison) -> Iterator[str]:
    for label, found in zip(comparison.labels, comparison.found, strict=True):
        yield from wrap(f"{label}, {found.session.info.title}, {formatting.wall(found.session)}", WIDTH)


def comparison_document(comparison: Comparison, *, with_pictures: bool = True) -> Document:
    """Return a comparison as a document."""
    remarks = tuple(topology_remarks(comparison))
    conditions = Table(
        ("session", "bench", "recorded from", "mains", "air"),
        tuple(
            (
                label,
                found.session.info.title,
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
        DocumentSection(
            "Quantities",
            (
                *(Paragraph(text) for text in remarks),
                *_explained(),
                _quantities([label[:1] for label in comparison.labels], comparison.compared),
                *_steps(comparison),
            ),
        ),
        DocumentSection(
            "Figures", (_figures(comparison, key_figures(comparison)), Paragraph("p: predicted, not measured."))
        ),
    ]
    swept = compared_sweeps_blocks(comparison.labels, comparison.found, with_pictures=with_pictures)
    if swept:
        sections.append(DocumentSection("Sweeps", tuple(swept)))
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
            "± is the expanded uncertainty (k = 2). A session differs from the first one where the difference is "
            "larger than its uncertainty; that is as expected where it agrees with the expected one within both. Of "
            "one and the same supply no difference is expected, whatever its parts are; of two, parts may differ as "
            "predicted."
        ),
    )


def _trends(comparison: Comparison) -> DocumentSection:
    if not pictures.can_draw():
        return DocumentSection("Trends", (Paragraph(pictures.MISSING),))
    sessions = [found.session for found in comparison.found if found.session.duration > 0]
    drawn = pictures.trend_pictures(sessions, comparison.legends) if sessions else []
    return DocumentSection("Trends", tuple(drawn) or (Paragraph("There is nothing to draw."),))


def _steps(comparison: Comparison) -> Iterator[Block]:
    for step in comparison.steps:
        at = "" if step.mains is None else f", corrected to a mains of {format_value(step.mains, 'V')}"
        yield Heading(f"Step {step.name}{at}")
        yield _quantities([comparison.labels[place][:1] for place in step.places], step.compared)


def _quantities(letters: Sequence[str], compared: Sequence[Compared]) -> Table:
    head = ["quantity", *letters]
    for letter in letters[1:]:
        head += [f"{letter} − {letters[0]}", "expected", "which is"]
    rows = tuple(_row(one) for one in compared)
    return Table(tuple(head), rows, tuple(place for place in range(1, len(head)) if head[place] != "which is"))


def _row(one: Compared) -> tuple[Cell, ...]:
    cells: list[Cell] = [one.quantity]
    unit = shown_unit(one.quantity, one.unit)
    cells += [formatting.measured(value.corrected, value.uncertainty, unit) for value in one.values]
    for difference in one.differences:
        cells += [*_difference_cells(difference, unit), _judged(difference)]
    return tuple(cells)


def _difference_cells(difference: Difference, unit: str) -> tuple[str, str]:
    """Return a difference as measured and as expected."""
    measured = formatting.measured(difference.measured, difference.uncertainty, unit)
    return measured, _plus(difference.expected, unit)


def _plus(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return NOTHING
    return f"{'−' if value < 0 else '+'}{value_in_words(abs(value), unit)}"


def _judged(difference: Difference) -> Cell:
    if difference.significant is None:
        return NOTHING
    words = "differs" if difference.significant else "no difference"
    if difference.as_expected is None:
        return words
    if difference.as_expected:
        return Toned(f"{words}, as expected", Emphasis.GOOD)
    return Toned(f"{words}, not as expected", Emphasis.BAD)


def _figure_text(figure: KeyFigure, value: float) -> str:
    return f"{value:.0f}" if figure.is_count else formatting.number(value, figure.unit)


def _figures(comparison: Comparison, figures: Sequence[KeyFigure]) -> Table:
    rows = tuple(
        (
            one.name,
            *(
                f"{_figure_text(one, value)}{'' if is_measured or not math.isfinite(value) else ' p'}"
                for value, is_measured in zip(one.values, one.measured, strict=True)
            ),
        )
        for one in figures
    )
    head = ("figure (p: predicted)", *(label[:1] for label in comparison.labels))
    return Table(head, rows, tuple(range(1, len(head))))
