"""The uncertainty budget of one predicted quantity as a table (JCGM 100:2008, annex H.1), and what would halve it.

Sensitivities are those of first order that the prediction itself uses: the circuit solved again with each input moved
by a small part of its standard uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.circuit.parts import WINDING_WARMTH, Parts, unit_of_part
from benchmon.prediction.direct_mains import DIRECT, effects_of_direct_volts
from benchmon.prediction.solved import STEP, SolvedQuantities, estimates_of, solve, varied_parts, warmth_scale
from benchmon.prediction.uncertainty import (
    APART,
    JUNCTION_SHIFT,
    MODEL,
    InputUncertainty,
    effects_of_difference,
    farthest_apart,
    model_uncertainty,
)
from benchmon.quantities import Expected
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE

_METER = 0.005
"""Accuracy of the reading that is thought of, as a part of it: a usual multimeter's or clamp's, k = 2 (from memory)."""

_HALF = 0.5


@dataclass(frozen=True)
class BudgetRow:
    """One row: an input with its `value`, standard uncertainty, and the `sensitivity` of the quantity to it.

    `value`, `standard` and `sensitivity` are None where several inputs share the row, or where the input is none of the
    circuit. Value and standard uncertainty are in `unit`, `contribution` (the standard uncertainty of the quantity that
    comes from it) in the quantity's unit; `share` is its part of the variance.
    """

    label: str
    value: float | None
    standard: float | None
    unit: str
    sensitivity: float | None
    contribution: float
    share: float


@dataclass(frozen=True)
class Halving:
    """A way to at most half of the uncertainty, or what comes nearest to it.

    `inputs` are the labels of the fewest inputs that need to be known much better, empty where none suffice; `reading`
    is the quantity of which one reading with `accuracy` (a part of it, k = 2) leaves least, and `leaves` the expanded
    uncertainty after that reading.
    """

    inputs: tuple[str, ...]
    reading: str | None
    accuracy: float
    leaves: float


@dataclass(frozen=True)
class Budget:
    """The rows, the largest first, and the combined standard uncertainty of the quantity in its unit."""

    rows: tuple[BudgetRow, ...]
    combined: float
    halving: Halving


@dataclass(frozen=True)
class Sensitivities:
    """What a circuit's quantities change by, in their own units, with one standard uncertainty of each input, (k,)."""

    bench: Bench
    parts: Parts
    inputs: Sequence[InputUncertainty]
    nominal: SolvedQuantities
    changes: Mapping[str, Floats]


def sensitivities_of(bench: Bench, parts: Parts, inputs: Sequence[InputUncertainty]) -> Sensitivities:
    """Return the sensitivities of every quantity. Raises `PredictionError` if the circuit cannot be solved."""
    nominal = solve(bench, parts)
    moved, shift = varied_parts(parts, nominal.equilibrium, list(inputs))
    varied = solve(bench, moved, shift, initial_guess=nominal.equilibrium)
    changes = {name: (varied.quantities[name] - value[0]) / STEP for name, value in nominal.quantities.items()}
    return Sensitivities(bench, parts, inputs, nominal, changes)


def budget_of(found: Sensitivities, quantity: str) -> Budget:
    """Return the budget of `quantity`. Raises `KeyError` if it is not predicted."""
    rows: dict[str, list[tuple[InputUncertainty, float]]] = {}
    for entry, change in zip(found.inputs, found.changes[quantity], strict=True):
        rows.setdefault(entry.label, []).append((entry, float(change)))
    made = [_row(found, label, entries) for label, entries in rows.items()]
    made += [
        BudgetRow(label, None, None, "", None, own, 0.0) for label, own in _beside_the_inputs(found, quantity).items()
    ]
    combined = math.sqrt(sum(row.contribution**2 for row in made))
    ordered = sorted(made, key=lambda row: -row.contribution)
    shared = tuple(
        replace(row, share=(row.contribution / combined) ** 2 if combined else 0.0)
        for row in ordered
        if row.contribution > 0.0
    )
    return Budget(shared, combined, _halving(found, quantity, shared, combined))


def budget_of_usual(expected: Expected, label: str) -> Budget:
    """Return the budget of a value that is what is usual: all of its uncertainty comes from `label`."""
    standard = expected.uncertainty / COVERAGE
    row = BudgetRow(label, None, None, "", None, standard, 1.0)
    return Budget((row,), standard, Halving((label,), None, _METER, expected.uncertainty))


def _row(found: Sensitivities, label: str, entries: Sequence[tuple[InputUncertainty, float]]) -> BudgetRow:
    contribution = math.sqrt(sum(change**2 for _, change in entries))
    moving = [(entry, change) for entry, change in entries if entry.part != JUNCTION_SHIFT]
    if len(entries) != 1 or not moving:
        return BudgetRow(label, None, None, "", None, contribution, 0.0)
    entry, change = moving[0]
    value = float(found.parts[entry.part][0])
    standard = entry.size * (abs(value) if entry.relative else 1.0)
    if entry.part == WINDING_WARMTH:
        standard *= warmth_scale(found.nominal.equilibrium)
    return BudgetRow(label, value, standard, unit_of_part(entry.part), change / standard, contribution, 0.0)


def _beside_the_inputs(found: Sensitivities, quantity: str) -> dict[str, float]:
    """Return the standard uncertainties that come from no input of the circuit: the model, estimates, differences."""
    levels = {name: float(value[0]) for name, value in found.nominal.quantities.items()}
    own = {MODEL: model_uncertainty(quantity, levels[quantity])}
    estimate = estimates_of(found.bench).get(quantity)
    if estimate is not None:
        own[estimate[1]] = abs(estimate[0] * (levels[quantity] - levels["ambient.temperature"]))
    direct = effects_of_direct_volts(found.bench, found.nominal.equilibrium, levels).get(quantity)
    if direct is not None:
        own[DIRECT] = direct / COVERAGE
    apart = farthest_apart(found.bench)
    effect = effects_of_difference(apart).get(quantity) if apart else None
    if effect is not None:
        own[APART] = abs(float(effect[0]) * levels[effect[1]]) / COVERAGE
    return own


def _halving(found: Sensitivities, quantity: str, rows: Sequence[BudgetRow], combined: float) -> Halving:
    """Return what would bring the combined standard uncertainty to a half."""
    labels, left = [], 1.0
    for row in rows:
        if row.label in (MODEL, APART, DIRECT):
            continue
        labels.append(row.label)
        left -= row.share
        if left <= _HALF**2:
            break
    inputs = tuple(labels) if left <= _HALF**2 + 1e-9 else ()
    reading, least = None, combined
    for name in _others(quantity, found.changes):
        after = _after_reading(found, quantity, name, combined)
        if after < least - 0.01 * combined:
            reading, least = name, after
    return Halving(inputs, reading, _METER, COVERAGE * least)


_OFTEN_READ = (
    "mains.voltage.rms",
    "mains.current.rms",
    "mains.power.active",
    "mains.voltage.crest_factor",
    "secondary.voltage.rms",
    "secondary.current.rms",
    "output.voltage.mean",
    "output.voltage.ripple",
    "output.current.mean",
    "ambient.temperature",
    "transformer.temperature",
)
"""What many benches have a meter for, in the order of preference where several help alike."""
_AFTER_THE_WINDING = ("output", "load", "reservoir", "regulator", "diode")


def _others(quantity: str, names: Mapping[str, Floats]) -> list[str]:
    """Return the quantities at other points of the circuit, since one beside it would nearly be the quantity itself."""
    point = quantity.partition(".")[0]
    near = _AFTER_THE_WINDING if point in _AFTER_THE_WINDING else (point,)
    return [name for name in _OFTEN_READ if name in names and name.partition(".")[0] not in near]


def _after_reading(found: Sensitivities, quantity: str, name: str, combined: float) -> float:
    """Return the standard uncertainty of `quantity` after a reading of another, `name`.

    It is the conditional variance of a joint normal distribution: the variance less covariance²/variance of the reading
    (JCGM 102:2011 has the covariance of two quantities with common inputs).
    """
    level = float(found.nominal.quantities[name][0])
    covariance = float(found.changes[quantity] @ found.changes[name])
    own = sum(each**2 for each in _beside_the_inputs(found, name).values())
    meter = (_METER * level / COVERAGE) ** 2
    variance = float(np.sum(found.changes[name] ** 2)) + own + meter
    return math.sqrt(max(combined**2 - covariance**2 / variance, 0.0)) if variance > 0.0 else combined
