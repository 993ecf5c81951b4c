"""A derivation as text for people, at most 80 columns wide, and as an object for programs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from textwrap import fill
from typing import Any

from benchmon.prediction.explained.budget import Budget, BudgetRow, Halving
from benchmon.prediction.explained.derivation import Derivation
from benchmon.prediction.explained.effects import Effect
from benchmon.prediction.explained.handbook import Handbook
from benchmon.prediction.uncertainty import MODEL, NOT_GIVEN
from benchmon.quantities import PREFIXES, Expected, format_value
from benchmon.signals.uncertainty import COVERAGE
from benchmon.text import table, with_minus

_WIDEST = 80
_LEAST_SHARE = 0.001
_TOGETHER = "\u00a0"
"""A space at which no line is broken."""


def derivation_as_text(derivation: Derivation, width: int = _WIDEST) -> str:
    """Return a derivation as text of lines up to `width` characters, from 60."""
    expected = derivation.expected
    parts = [
        f"{derivation.quantity} at {derivation.mains_voltage:.1f} V: {_expected(expected)}",
        _handbook(derivation.handbook, expected.unit, width),
        _ladder(derivation, width),
        _budget(derivation.budget, expected, width),
    ]
    return "\n\n".join(part for part in parts if part)


def derivation_as_dict(derivation: Derivation) -> dict[str, Any]:
    """Return a derivation as an object for JSON; values are in SI, changes in the unit of the quantity."""
    handbook, budget = derivation.handbook, derivation.budget
    return {
        "quantity": derivation.quantity,
        "mains": {"voltage": derivation.mains_voltage},
        **{key: value for key, value in asdict(derivation.expected).items() if value is not None},
        "handbook": {
            "value": handbook.value,
            "source": handbook.source,
            "steps": [asdict(step) for step in handbook.steps],
            "rule": None if handbook.rule is None else asdict(handbook.rule),
        },
        "ideal": derivation.ladder.ideal,
        "effects": [
            {"label": effect.label, "change": effect.change}
            for effect in (_rest(derivation), *derivation.ladder.effects)
        ],
        "budget": [asdict(row) for row in budget.rows],
        "combined": budget.combined,
        "halving": asdict(budget.halving),
    }


def _expected(expected: Expected) -> str:
    value = format_value(expected.value, expected.unit)
    if expected.low is not None and expected.high is not None:
        low, high = (format_value(each, expected.unit, 3) for each in (expected.low, expected.high))
        return f"{value}, {low} to {high} (95 %)"
    return f"{value} ± {format_value(expected.uncertainty, _of_change(expected.unit), 2)} (k = 2)"


def _of_change(unit: str) -> str:
    return "K" if unit == "°C" else unit


def _handbook(handbook: Handbook, unit: str, width: int) -> str:
    if not handbook.steps:
        return fill(
            "Handbooks have no formula for it; the effects are added to the solved circuit of ideal parts.", width
        )
    lines = ["By the handbook, for ideal parts:"]
    rows = [(step.name, step.formula, format_value(step.value, step.unit)) for step in handbook.steps]
    if handbook.rule is not None:
        rows.append((f"rule: {handbook.rule.name}", handbook.rule.formula, format_value(handbook.rule.value, unit)))
    names = max(len(row[0]) for row in rows)
    last = max(len(row[2]) for row in rows)
    for name, formula, value in rows:
        middle = width - names - last - 6
        lines.append(f"  {name.ljust(names)}  {formula.ljust(middle)}  {value.rjust(last)}".rstrip())
    lines.append(fill(f"Source, from memory: {handbook.source}.", width, initial_indent="  ", subsequent_indent="  "))
    return "\n".join(lines)


def _rest(derivation: Derivation) -> Effect:
    return Effect(" and ".join(("what the formula leaves out", *derivation.ladder.left_in)), derivation.left_out)


def _ladder(derivation: Derivation, width: int) -> str:
    """Return the effects as a sum; those too small for its last decimal are one entry."""
    unit, value = derivation.expected.unit, derivation.expected.value
    has_formula = derivation.handbook.value is not None
    effects = [_rest(derivation), *derivation.ladder.effects] if has_formula else list(derivation.ladder.effects)
    factor, prefix, decimals = _scale([derivation.start, value, *(effect.change for effect in effects)], unit)
    least = 0.5 * 10.0**-decimals / factor
    shown = [effect for effect in effects if abs(effect.change) >= least]
    small = [effect for effect in effects if abs(effect.change) < least]
    if small:
        words = "an effect" if len(small) == 1 else f"{len(small)} effects"
        shown.append(Effect(f"{words} too small to show", sum(effect.change for effect in small)))
    first = "the handbook's value" if has_formula else "ideal parts, solved"
    rows = [(first, derivation.start, False)]
    rows += [(effect.label, effect.change, True) for effect in shown]
    rows.append(("predicted", value, False))
    texts = [
        (label, with_minus(f"{factor * amount:{'+' if is_change else ''}.{decimals}f}"))
        for label, amount, is_change in rows
    ]
    last = max(len(text) for _, text in texts)
    shown_unit = f" {prefix}{unit}" if unit else ""
    lines = [f"What the real supply changes, solved without it and with it{',' + shown_unit if shown_unit else ''}:"]
    for label, text in texts:
        lines.append(f"  {label[: width - last - 4].ljust(width - last - 4)}  {text.rjust(last)}")
    lines.insert(-1, "  " + "-" * (width - 2))
    return "\n".join(lines)


def _scale(values: Sequence[float], unit: str) -> tuple[float, str, int]:
    """Return the factor, prefix and decimals with which the largest of some values has four digits."""
    largest = max((abs(value) for value in values), default=0.0)
    if largest == 0.0 or not math.isfinite(largest):
        return 1.0, "", 3
    power = 0 if unit in ("", "°C") else min(max(3 * math.floor(math.log10(largest) / 3), -9), 6)
    whole = math.floor(math.log10(largest)) - power
    return 10.0**-power, PREFIXES[power], 1 if unit == "°C" else max(0, min(6, 3 - whole))


def _budget(budget: Budget, expected: Expected, width: int) -> str:
    unit = _of_change(expected.unit)
    rows: list[tuple[str, ...]] = []
    small: list[BudgetRow] = []
    for row in budget.rows:
        if row.share >= _LEAST_SHARE:
            rows.append(_row(row, unit))
        else:
            small.append(row)
    if small:
        together = math.sqrt(sum(row.contribution**2 for row in small))
        rows.append((f"{len(small)} more", "", "", "", format_value(together, unit, 2), ""))
    head = ("input", "value", "u", "sensitivity", "u of the result", "share")
    lines = ["Uncertainty budget (JCGM 100, first order; u is a standard uncertainty):"]
    widest = width - 2 - sum(2 + max(len(row[at]) for row in [head, *rows]) for at in range(1, len(head)))
    rows = [(label if len(label) <= widest else f"{label[: widest - 1]}…", *rest) for label, *rest in rows]
    lines += [f"  {line}" for line in table(head, rows, right=(1, 2, 3, 4, 5)).splitlines()]
    if any(row.label.endswith(NOT_GIVEN) for row in budget.rows if row.share >= _LEAST_SHARE):
        lines.append("  * not given in the bench file; taken as usual")
    both = format_value(budget.combined, unit, 3), format_value(COVERAGE * budget.combined, unit, 2)
    lines.append(f"  combined u {both[0]}; expanded (k = 2) ± {both[1]}")
    if expected.low is not None:
        words = "The limits above come from draws, since some supplies within the tolerances behave otherwise."
        lines.append(fill(words, width, initial_indent="  ", subsequent_indent="  "))
    words = fill(_halving(budget.halving, unit), width, initial_indent="  ", subsequent_indent="  ")
    lines.append(words.replace(_TOGETHER, " "))
    return "\n".join(lines)


def _row(row: BudgetRow, unit: str) -> tuple[str, ...]:
    def shown(value: float | None, of: str, digits: int) -> str:
        return "" if value is None else format_value(value, of, digits)

    label = row.label.removesuffix(NOT_GIVEN) + ("*" if row.label.endswith(NOT_GIVEN) else "")
    spread = _of_change(row.unit)
    sensitivity = "" if row.sensitivity is None else with_minus(f"{row.sensitivity:.3g}")
    return (
        label,
        shown(row.value, row.unit, 3),
        shown(row.standard, spread, 2),
        sensitivity,
        format_value(row.contribution, unit, 2),
        f"{100.0 * row.share:.1f} %",
    )


def _halving(halving: Halving, unit: str) -> str:
    """Return what to measure for half of the uncertainty."""
    if halving.inputs:
        plain = [label.removesuffix(NOT_GIVEN) for label in halving.inputs]
        words = "To halve it, measure or state more exactly: " + ", ".join(plain) + "."
    else:
        words = f"No input that could be measured halves it: {MODEL}, or what differs by part, has too much of it."
    if halving.reading is not None:
        within = f"{100.0 * halving.accuracy:g} %"
        left = format_value(halving.leaves, unit, 2).replace(" ", _TOGETHER)
        words += f" A reading of {halving.reading} within {within} would leave ±{_TOGETHER}{left}."
    return words
