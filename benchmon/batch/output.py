"""A batch as tables for a terminal, as one JSON object, and as a page to print."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from textwrap import wrap
from typing import Any

from benchmon.batch.methods import CONFIDENCE, CONTENT, LEVELS, Index, OutlierKind
from benchmon.batch.units import AgainstReference, Batch, BatchQuantity, TestedUnit
from benchmon.report import formatting
from benchmon.report.document import (
    WIDTH,
    Block,
    Cell,
    Document,
    DocumentSection,
    Emphasis,
    Items,
    Paragraph,
    Table,
    Toned,
    table_as_text,
)
from benchmon.signals.uncertainty import COVERAGE
from benchmon.text import NOTHING, one_line, with_minus
from benchmon.watch.wording import shown_unit, value_in_words, value_with_uncertainty

_MOST_NAMES = 12
_METHODS = tuple(
    text.replace("%", " %")
    for text in (
        """Values are those of the end of each test, moved to the mean mains voltage and temperature of the batch by as
        much as the expected value moves. Where a unit was tested more than once, its latest session counts.""",
        f"""Outliers: Grubbs' test, for several of them as generalised by Rosner. Beyond the critical value of
        {LEVELS[OutlierKind.STRAGGLER]:.0%} a unit is a straggler, beyond that of {LEVELS[OutlierKind.OUTLIER]:.0%} an
        outlier (ISO 5725-2). A difference that one meter may show between two tests is none.""",
        """Spread: the deviation of the units without outliers, by its interval of chi-square, against the deviation
        predicted from tolerances. Less is usual, as parts of one lot are alike; more is not.""",
        f"""Tolerance interval: it holds {CONTENT:.0%} of all units of this kind with a confidence of {CONFIDENCE:.0%};
        two-sided, mean and deviation unknown (ISO 16269-6).""",
        f"""Capability: Pp and Ppk against the trip limits of a channel, else its warning limits (ISO 22514-2), with
        their intervals of {CONFIDENCE:.0%}, that of Ppk by Bissell's approximation.""",
        """All of it takes values as normally distributed; where the test of Anderson and Darling says that they are
        not, intervals and capability are no more than a hint.""",
    )
)
"""How the figures of a batch are worked out, for its page."""


def batch_as_dict(batch: Batch) -> dict[str, Any]:
    """Return a batch as one object; what is not known is not finite."""
    return {
        "title": batch.title,
        "count": len(batch.units),
        "failed": [one.serial for one in batch.failed],
        "reference": None if batch.reference is None else str(batch.reference),
        "quantities": {one.quantity: _quantity_as_dict(one, batch.units) for one in batch.quantities},
        "units": [
            {
                "serial": one.serial,
                "session": str(one.path),
                "tests": one.tests,
                "verdict": str(one.verdict),
                "passed": one.passed,
                "disagreeing": list(one.disagreeing),
                "tripped": list(one.tripped),
                "outlying": list(one.outlying),
                "straggling": list(one.straggling),
                "from_reference": list(one.from_reference),
            }
            for one in batch.units
        ],
        "notes": list(batch.notes),
    }


def _quantity_as_dict(one: BatchQuantity, units: Sequence[TestedUnit]) -> dict[str, Any]:
    capability = one.capability
    return {
        "unit": one.unit,
        "count": one.count,
        "mean": one.mean,
        "mean_uncertainty": one.mean_limit,
        "deviation": one.deviation,
        "deviation_limits": list(one.deviation_limits),
        "deviation_without_outliers": one.kept_deviation,
        "expected": None if one.expected is None else one.expected.value,
        "uncertainty": None if one.expected is None else one.expected.uncertainty,
        "en": one.en,
        "verdict": str(one.verdict),
        "spread": one.spread,
        "normal": one.normal,
        "tolerance_interval": None if one.tolerance is None else list(one.tolerance),
        "capability": None
        if capability is None
        else {
            "limits": [capability.lower, capability.upper],
            "pp": None if capability.pp is None else _index_as_list(capability.pp),
            "ppk": _index_as_list(capability.ppk),
        },
        "reference": None if one.reference is None else _reference_as_dict(one.reference),
        "values": {unit.serial: value for unit, value in zip(units, one.values.tolist(), strict=True)},
    }


def _index_as_list(index: Index) -> list[float]:
    return [index.value, index.low, index.high]


def _reference_as_dict(reference: AgainstReference) -> dict[str, float]:
    return {
        "difference": reference.difference,
        "uncertainty": reference.uncertainty,
        "predicted": reference.predicted,
    }


def batch_as_text(batch: Batch) -> str:
    """Return a batch as tables for a terminal."""
    lines = [*wrap(one_line(batch.title, 200), WIDTH), *wrap(_summary(batch), WIDTH), ""]
    lines += [table_as_text(_quantities_table(batch)), "", table_as_text(_units_table(batch))]
    fits = _fits_table(batch)
    if fits.rows:
        lines += ["", table_as_text(fits)]
    if batch.reference is not None:
        lines += ["", table_as_text(_reference_table(batch))]
    if batch.notes:
        lines += ["", *(line for note in batch.notes for line in wrap(note, WIDTH, subsequent_indent="  "))]
    return "\n".join(lines)


def batch_document(batch: Batch) -> Document:
    """Return a batch as a page to print."""
    result: list[Block] = [Paragraph(_summary(batch), Emphasis.BAD if batch.failed else Emphasis.GOOD)]
    result.append(_units_table(batch))
    sections = [
        DocumentSection("Units", tuple(result)),
        DocumentSection("Quantities", (_quantities_table(batch),)),
    ]
    fits = _fits_table(batch)
    if fits.rows:
        sections.append(DocumentSection("Tolerance intervals and capability", (fits,)))
    if batch.reference is not None:
        words = Paragraph(f"The reference unit is {one_line(batch.reference.name, 200)}.")
        sections.append(DocumentSection("Against the reference unit", (words, _reference_table(batch))))
    if batch.notes:
        sections.append(DocumentSection("Left out and repeated", (Items(batch.notes),)))
    sections.append(DocumentSection("Method", (Items(tuple(" ".join(text.split()) for text in _METHODS)),)))
    return Document(one_line(batch.title, 300), f"A batch of {len(batch.units)} units", tuple(sections))


def _summary(batch: Batch) -> str:
    """Return the result in a sentence or two."""
    count, failed = len(batch.units), len(batch.failed)
    words = f"{formatting.plural(count, 'unit')}: {count - failed} passed, {failed} failed"
    differ = [one.serial for one in batch.units if one.outlying]
    words += f"; {formatting.plural(len(differ), 'differs', 'differ')} from the others" if differ else ""
    wider = [one.quantity for one in batch.quantities if one.spread == "more"]
    off = [one.quantity for one in batch.quantities if one.en is not None and abs(one.en) > 1.0]
    sentences = [f"{words}."]
    if wider:
        sentences.append(f"The units vary more than predicted in {_names(wider)}.")
    if off:
        sentences.append(f"The mean is not as predicted in {_names(off)}.")
    return " ".join(sentences)


def _names(names: Sequence[str]) -> str:
    more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
    return one_line(", ".join(names[:_MOST_NAMES]), 500) + more


def _units_table(batch: Batch) -> Table:
    with_reference = batch.reference is not None
    head = ["unit", "result", "verdict", "differs in"]
    rows = tuple(_unit_row(one, with_reference=with_reference) for one in batch.units)
    return Table((*head, "from the reference") if with_reference else tuple(head), rows)


def _unit_row(one: TestedUnit, *, with_reference: bool) -> tuple[Cell, ...]:
    because = [f"{name} tripped" for name in one.tripped] + [f"{name} disagrees" for name in one.disagreeing]
    result = Toned("passed", Emphasis.GOOD)
    if not one.passed:
        result = Toned(f"failed: {_names(because)}", Emphasis.BAD)
    differs = [*one.outlying, *(f"{name} (straggler)" for name in one.straggling)]
    found: list[Cell] = [one_line(one.serial, 60), result, formatting.verdict(one.verdict), _toned(differs, one)]
    if with_reference:
        found.append(_names(one.from_reference) or NOTHING)
    return tuple(found)


def _toned(differs: Sequence[str], one: TestedUnit) -> Cell:
    if not differs:
        return NOTHING
    return Toned(_names(differs), Emphasis.BAD if one.outlying else Emphasis.DOUBT)


def _quantities_table(batch: Batch) -> Table:
    rows = tuple(_quantity_row(one) for one in batch.quantities)
    head = ("quantity", "units", "mean", "expected", "verdict", "deviation", "predicted", "spread is")
    return Table(head, rows, (1, 2, 3, 5, 6))


def _quantity_row(one: BatchQuantity) -> tuple[Cell, ...]:
    expected, unit = one.expected, shown_unit(one.quantity, one.unit)
    spread: Cell = one.spread or NOTHING
    if one.spread == "more":
        spread = Toned("more than predicted", Emphasis.BAD)
    elif one.spread == "less":
        spread = "less than predicted"
    return (
        one.quantity,
        str(one.count),
        formatting.measured(one.mean, one.mean_limit, unit),
        formatting.expected(expected, one.quantity),
        formatting.verdict(one.verdict),
        _deviation(one.kept_deviation, unit),
        NOTHING if expected is None else _deviation(expected.uncertainty / COVERAGE, unit),
        spread,
    )


def _deviation(value: float, unit: str) -> str:
    """Return a standard deviation to two digits; of a temperature in kelvin."""
    return value_in_words(value, "K" if unit == "°C" else unit, 2) if math.isfinite(value) else NOTHING


def _fits_table(batch: Batch) -> Table:
    return Table(
        ("quantity", f"{CONTENT:.0%} of all units".replace("%", " %"), "limits", "Pp", "Ppk", "normal"),
        tuple(_fits_rows(batch)),
        (1, 2, 3, 4),
    )


def _fits_rows(batch: Batch) -> Iterator[tuple[Cell, ...]]:
    for one in batch.quantities:
        if one.tolerance is None:
            continue
        unit = shown_unit(one.quantity, one.unit)
        interval = " to ".join(value_in_words(limit, unit) for limit in one.tolerance)
        fits = one.capability
        limits = pp = ppk = NOTHING
        if fits is not None:
            known = [
                f"{words} {value_in_words(limit, unit)}"
                for words, limit in (("at least", fits.lower), ("at most", fits.upper))
                if limit is not None
            ]
            limits, ppk = ", ".join(known), _indextable_as_text(fits.ppk)
            pp = NOTHING if fits.pp is None else _indextable_as_text(fits.pp)
        shape: Cell = NOTHING if one.normal is None else "yes" if one.normal else Toned("no", Emphasis.DOUBT)
        yield one.quantity, interval, limits, pp, ppk, shape


def _indextable_as_text(index: Index) -> str:
    return with_minus(f"{index.value:.2f} ({index.low:.2f} to {index.high:.2f})")


def _reference_table(batch: Batch) -> Table:
    rows = []
    for one in batch.quantities:
        if one.reference is not None:
            unit = "K" if one.unit == "°C" else shown_unit(one.quantity, one.unit)
            difference = value_with_uncertainty(one.reference.difference, one.reference.uncertainty, unit)
            rows.append((one.quantity, difference, _deviation(one.reference.predicted, unit)))
    return Table(("quantity", "mean of the units less the reference", "two units may differ by"), tuple(rows), (1, 2))
