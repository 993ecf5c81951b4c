"""Output of an analysis: a dictionary for JSON, tables for people."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from benchmon.analyse.analysis import AnalysedColumn, Analysis
from benchmon.quantities import format_value
from benchmon.signals.harmonic_limits import HarmonicLimit
from benchmon.signals.power import POWER_UNITS
from benchmon.signals.uncertainty import UncertainValue
from benchmon.text import one_line, table
from benchmon.watch.verdict import en_as_text
from benchmon.watch.wording import (
    PER_CENT,
    expected_in_words,
    likelihood_in_words,
    shown_unit,
    value_in_words,
    value_with_uncertainty,
)

_PLAIN = ("form_factor", "crest_factor", "ripple_factor")
_ORDERS_SHOWN = 15


def unit_of(measure: str, unit: str) -> str:
    """Return the unit that a `measure` of a wave in `unit` is shown in."""
    if measure == "thd":
        return PER_CENT
    return "Hz" if measure == "frequency" else "" if measure in _PLAIN else unit


def analysis_as_dict(found: Analysis) -> dict[str, Any]:
    """Return an analysis as a dictionary for JSON; a measure without a meaning is not finite."""
    answer = _column_as_dict(found.first) | {
        "file": found.file,
        "columns": {one.name: _column_as_dict(one) for one in found.columns},
        "notes": list(found.notes),
    }
    if found.power:
        answer["power"] = _values(found.power)
        answer["power_uncertainties"] = _uncertainties(found.power)
    if found.limits:
        answer["class_a"] = {
            "ok": all(limit.ok for limit in found.limits),
            "orders": [
                {"order": limit.order, "value": limit.value, "limit": limit.limit, "ok": limit.ok}
                for limit in found.limits
            ],
        }
    if found.prediction is not None:
        answer |= _comparison_as_dict(found)
    return answer


def _column_as_dict(one: AnalysedColumn) -> dict[str, Any]:
    sampled = one.wave.sampled
    return {
        "column": one.name,
        "quantity": one.quantity or None,
        "unit": one.unit,
        "measures": _values(one.wave.measures),
        "uncertainties": _uncertainties(one.wave.measures),
        "harmonics": [list(pair) for pair in one.wave.harmonics],
        "periods": sampled.periods,
        "samples": len(sampled.wave.time),
        "noise": sampled.noise,
        "step": sampled.step,
    }


def _values(measures: Mapping[str, UncertainValue]) -> dict[str, float]:
    return {name: measured.value for name, measured in measures.items()}


def _uncertainties(measures: Mapping[str, UncertainValue]) -> dict[str, float]:
    return {name: measured.uncertainty for name, measured in measures.items()}


def _comparison_as_dict(found: Analysis) -> dict[str, Any]:
    return {
        "mains_voltage": found.prediction.mains_voltage if found.prediction else None,
        "comparisons": {
            one.quantity: {
                "value": one.value,
                "uncertainty": one.uncertainty,
                "expected": one.expected.value,
                "expected_uncertainty": one.expected.uncertainty,
                "en": one.en,
                "verdict": str(one.verdict),
            }
            for one in found.comparisons
        },
        "explanations": [
            {"cause": one.cause, "likelihood": one.likelihood, "message": one.message} for one in found.explanations
        ],
    }


def analysis_as_text(found: Analysis) -> str:
    """Return an analysis as tables."""
    lines = [_first_line(found)]
    for one in found.columns:
        lines += ["", _measures_of(one), *_harmonics_of(one)]
    if found.power:
        rows = [(name.replace("_", " "), _shown(measured, POWER_UNITS[name])) for name, measured in found.power.items()]
        lines += ["", table(("power", "reads"), rows)]
    if found.limits:
        lines += ["", *_limits(found.limits)]
    if found.prediction is not None:
        lines += ["", *_comparison(found)]
    lines += [f"Note: {one_line(note, 300)}" for note in found.notes]
    return "\n".join(lines)


def _first_line(found: Analysis) -> str:
    sampled = found.first.wave.sampled
    count = len(sampled.wave.time)
    return (
        f"{found.file}: {count} samples in {format_value(sampled.duration, 's')}, {sampled.periods} whole "
        f"{'period' if sampled.periods == 1 else 'periods'}. "
        "± is the expanded uncertainty (k = 2) of the capture"
    )


def _measures_of(one: AnalysedColumn) -> str:
    rows = [
        (name.replace("_", " "), _shown(measured, unit_of(name, one.unit)))
        for name, measured in one.wave.measures.items()
    ]
    return table((one_line(" = ".join(filter(None, (one.name, one.quantity)))), "reads"), rows)


def _shown(measured: UncertainValue, unit: str) -> str:
    return value_with_uncertainty(measured.value, measured.uncertainty, unit) if math.isfinite(measured.value) else "–"


def _harmonics_of(one: AnalysedColumn) -> list[str]:
    fundamental = one.wave.harmonics[0][1]
    strong = [
        f"{order}: {format_value(size, one.unit)}"
        for order, size in one.wave.harmonics
        if order <= _ORDERS_SHOWN and size > 0.005 * fundamental
    ]
    return [f"Harmonics, rms: {', '.join(strong)}"] if strong else []


def _limits(limits: Sequence[HarmonicLimit]) -> list[str]:
    broken = [limit for limit in limits if not limit.ok]
    if not broken:
        nearest = max(limits, key=lambda limit: limit.value / limit.limit)
        part = 100 * nearest.value / nearest.limit
        closest = f"the closest is order {nearest.order} at {part:.0f} %"
        return [f"IEC 61000-3-2 class A: every order is within its limit; {closest}"]
    rows = [(str(limit.order), format_value(limit.value, "A"), format_value(limit.limit, "A")) for limit in broken]
    head = f"IEC 61000-3-2 class A: {len(broken)} {'order is' if len(broken) == 1 else 'orders are'} above the limit"
    return [head, table(("order", "reads", "limit"), rows, (0, 1, 2))]


def _comparison(found: Analysis) -> list[str]:
    lines = []
    if found.comparisons:
        rows = [
            (
                one.quantity,
                # Digits that are far below the uncertainty are those of the arithmetic.
                value_in_words(
                    one.value if abs(one.value) > 0.01 * one.uncertainty else 0.0,
                    shown_unit(one.quantity, one.expected.unit),
                ),
                expected_in_words(one.expected, one.quantity),
                en_as_text(one.en),
                str(one.verdict),
            )
            for one in found.comparisons
        ]
        lines = [table(("by the bench file", "reads", "expected", "En", "verdict"), rows, (1, 2, 3))]
    else:
        named = ", ".join(one.quantity for one in found.columns if one.quantity)
        lines = [f"Nothing of {named} is predicted from the bench file"]
    if found.explanations:
        lines += ["", "Likely causes:"]
        lines += [
            f"{likelihood_in_words(one.likelihood):>11}  {one_line(one.message, 1000)}" for one in found.explanations
        ]
    return lines
