"""Follow a measured temperature of the windings: what is expected where a channel reads `transformer.temperature`.

A prediction carries by how much each quantity changes with a kelvin of the windings, and how much of its uncertainty
stems from not knowing their temperature. Copper's resistance is straight in its temperature, and what is expected is
nearly straight in that resistance, so following is algebra, not another solution.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.circuit.meter_response import MeterResponse
from benchmon.prediction.circuit.parts import WINDING_RISE, WINDING_TEMPERATURE, WINDING_WARMTH
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium
from benchmon.prediction.uncertainty import InputUncertainty
from benchmon.quantities import Expected
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE
from benchmon.standards import COPPER_ZERO

WINDINGS = "transformer.temperature"

_COLDER_THAN_AIR, _HOTTEST = 10.0, 200.0
"""Kelvins below ambient, and °C, beyond which no windings are that still carry current: the sensor is at fault."""

_ON_THE_SURFACE, _INSIDE = 2.0, 0.1
"""Standard uncertainty of taking a sensor's temperature for the copper's mean: in kelvins, and as a part of the rise.

A sensor sits on the outermost layer or on the core, and the copper inside is some kelvins warmer (from memory).
"""


_BENT = 0.15
"""Standard uncertainty of the straight line: a part of the shift, times the relative change of the resistance.

Full solutions with windings held 20 to 120 K away, of four kinds of rectifier, are off it by 0.05 to 0.3 of that.
"""


@dataclass(frozen=True, slots=True)
class MeasuredWindings:
    """The temperature of the windings as read, °C, with its meter's expanded uncertainty in kelvins."""

    celsius: float
    uncertainty: float = 0.0


@dataclass(frozen=True)
class CopperSensitivities:
    """How a prediction depends on the temperature of the windings.

    `slopes` maps a quantity, or a meter that is no ideal one, to its change in one kelvin; `doubts` to that part of its
    standard uncertainty which a measured temperature replaces. `celsius` is the temperature that it was made for, None
    where that is its `transformer.temperature`.
    """

    celsius: float | None
    slopes: Mapping[str | MeterResponse, float]
    doubts: Mapping[str | MeterResponse, float]

    def follow(
        self,
        quantity: str | MeterResponse,
        expected: Expected,
        measured: MeasuredWindings,
        *,
        estimated: float | None,
        ambient: float,
    ) -> Expected:
        """Return what is expected of `quantity` with the windings as `measured`, from what was `expected` before.

        `estimated` is the `transformer.temperature` predicted under the same conditions, `ambient` the air's, °C.
        """
        before, slope = estimated if self.celsius is None else self.celsius, self.slopes.get(quantity)
        if before is None or slope is None or quantity == WINDINGS:
            return expected
        if not ambient - _COLDER_THAN_AIR <= measured.celsius <= _HOTTEST:
            return expected
        doubt = math.hypot(
            _ON_THE_SURFACE, _INSIDE * max(0.0, measured.celsius - ambient), measured.uncertainty / COVERAGE
        )
        shift = slope * (measured.celsius - before)
        bent = _BENT * shift * (measured.celsius - before) / (COPPER_ZERO + before)
        if expected.low is not None and expected.high is not None:
            # Limits that come from draws are not of the copper alone: they move, and stay as wide as they are.
            low, high = expected.low + shift, expected.high + shift
            return replace(expected, value=expected.value + shift, low=low, high=high)
        variance = (expected.uncertainty / COVERAGE) ** 2 - self.doubts[quantity] ** 2 + (slope * doubt) ** 2 + bent**2
        return Expected(expected.value + shift, COVERAGE * math.sqrt(max(variance, 0.0)), expected.unit)


def copper_sensitivities(
    bench: Bench,
    inputs: Sequence[InputUncertainty],
    step: float,
    equilibria: tuple[ThermalEquilibrium, ThermalEquilibrium],
    changes: Mapping[str | MeterResponse, Floats],
) -> CopperSensitivities | None:
    """Return how quantities depend on the windings' temperature, from their `changes` with every input (k,).

    `equilibria` are the nominal one and the one of every input moved by `step` standard uncertainties. None where the
    bench file holds that temperature, or does not say at which one the resistances were measured.
    """
    transformer = bench.transformer
    cold = transformer.resistance_temperature
    if cold is None or transformer.winding_temperature is not None:
        return None
    slopes = copper_slopes(bench, inputs, step, equilibria, changes)
    if not slopes:
        return None
    row = _row_of_copper(inputs)
    is_estimated = inputs[row].part == WINDING_RISE
    doubts = {name: float(abs(change[row])) for name, change in changes.items()}
    return CopperSensitivities(None if is_estimated else cold, slopes, doubts)


def copper_slopes(
    bench: Bench,
    inputs: Sequence[InputUncertainty],
    step: float,
    equilibria: tuple[ThermalEquilibrium, ThermalEquilibrium],
    changes: Mapping[str | MeterResponse, Floats],
) -> dict[str | MeterResponse, float]:
    """Return the change of each quantity with one kelvin of the windings, as `copper_sensitivities` takes it.

    Resistances of which the bench file does not say at which temperature they hold are taken to be those at ambient. {}
    where no input warms the windings.
    """
    row = _row_of_copper(inputs)
    if row < 0:
        return {}
    cold = bench.transformer.resistance_temperature
    growth, moved = (np.broadcast_to(one.parts.copper_growth, one.parts.variants) for one in equilibria)
    zero = COPPER_ZERO + (float(equilibria[0].parts["ambient.temperature"][0]) if cold is None else cold)
    kelvins = float(moved[row] - growth[0]) / step * zero
    return {name: float(change[row]) / kelvins for name, change in changes.items()} if kelvins > 0.0 else {}


def _row_of_copper(inputs: Sequence[InputUncertainty]) -> int:
    """Return the place of the input that warms the windings, -1 where there is none."""
    rows = {entry.part: row for row, entry in enumerate(inputs)}
    return next((rows[part] for part in (WINDING_RISE, WINDING_WARMTH, WINDING_TEMPERATURE) if part in rows), -1)
