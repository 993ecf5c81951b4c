"""Faults without a fixed size: one unknown of the circuit is much farther off than it should be, either way."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.circuit.parts import parts_of
from benchmon.signals.arrays import Floats
from benchmon.watch.diagnosis.likelihood import Hypothesis
from benchmon.watch.diagnosis.meter_values import MeterValue, MeterValues

_OFF = "switch off, let capacitors discharge, "


@dataclass(frozen=True)
class ParameterShifts:
    """An unknown, the cause that it stands for, the remedy, its weight, and how far it may then be (k = 1).

    `size` is relative to the unknown's value if `relative`, else in its unit. `doubt` is the part of a reading's
    movement by which a straight line may miss it. `factor` is what the unknown is most likely multiplied by, and
    `also` by how much other unknowns may then be farther off.
    """

    unknown: str
    cause: str
    remedy: str
    weight: float
    size: float
    relative: bool = True
    doubt: float = 0.03
    factor: float = 1.0
    also: Mapping[str, float] = field(default_factory=dict)


FAR_OFF = (
    ParameterShifts(
        "mains.voltage",
        "the mains is outside its tolerance",
        "set the mains, or ask for what it is",
        8.0,
        0.12,
        doubt=0.0,
    ),
    ParameterShifts(
        "transformer.primary_resistance",
        "the primary circuit has another resistance: a bad joint, a thin lead",
        _OFF + "check joints and leads of the primary circuit",
        1.0,
        0.4,
    ),
    ParameterShifts(
        "diode.thermal_resistance",
        "the diode is cooled worse than it should be",
        "look for a fan that stands, blocked air or a loose heat sink; switch off before it gets hot",
        8.0,
        0.6,
        factor=2.2,
        # Where the draught is gone, the windings get hotter too, and copper's resistance grows.
        also={"transformer.primary_resistance": 4.0, "transformer.secondary_resistance": 4.0},
    ),
    ParameterShifts(
        "diode.thermal_resistance",
        "the diode has next to no cooling",
        "switch off; look for a heat sink that is loose or missing",
        4.0,
        1.6,
        factor=4.5,
        also={"transformer.primary_resistance": 4.0, "transformer.secondary_resistance": 4.0},
    ),
    ParameterShifts(
        "diode.thermal_resistance",
        "the diode is cooled better than it should be",
        "look for a draught or a fan that the bench file does not know",
        1.0,
        0.2,
        factor=0.6,
    ),
    ParameterShifts(
        "ambient.temperature", "the air is not as warm as the bench says", "set [ambient], or wait", 2.0, 12.0, False
    ),
    ParameterShifts("load.resistance", "the load is not what it should be", _OFF + "measure the load", 2.0, 0.2),
    ParameterShifts("load.current", "the load is not what it should be", "set the load anew", 2.0, 0.2),
    ParameterShifts(
        "capacitance",
        "the reservoir has not the capacitance it should have",
        _OFF + "measure the reservoir",
        1.0,
        0.4,
    ),
)


def parameter_shift_hypotheses(bench: Bench, known: Mapping[str, MeterValue], right: MeterValues) -> list[Hypothesis]:
    """Return each unknown that may be far off, with what every channel reads then; `known` are the right readings."""
    names = list(right.unknowns)
    parts = parts_of(bench)
    found = []
    for one in FAR_OFF:
        unknown = next((name for name in names if name == one.unknown or name.endswith(f".{one.unknown}")), None)
        if unknown is None or right.unknowns[unknown] == 0.0:
            continue
        level = abs(float(parts[unknown][0])) if one.relative else 1.0
        row = names.index(unknown)
        factors = np.ones(len(names))
        factors[row] = max(1.0, one.size * level / right.unknowns[unknown])
        for name, factor in one.also.items():
            factors[names.index(name)] = factor
        steps = (one.factor - 1.0) * level / right.unknowns[unknown]
        readings = {name: _moved(value, factors, row, steps, one.doubt) for name, value in known.items()}
        found.append(Hypothesis(one.cause, one.remedy, one.weight, readings))
    return found


def _moved(value: MeterValue, factors: Floats, row: int, steps: float, doubt: float) -> MeterValue:
    """Return a reading where the unknown of `row` is `steps` standard uncertainties off, and all doubts are larger."""
    moves, shift = value.moves * factors, steps * float(value.moves[row])
    missed = doubt * math.hypot(float(moves[row]), shift)
    return MeterValue(value.value + shift, moves, math.hypot(value.own, missed))
