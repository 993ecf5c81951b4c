"""Every quantity of a bench's circuit in steady state, for the nominal parts or many variants in one pass."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from benchmon.bench import Bench, Regulator
from benchmon.errors import NoSteadyState, PredictionError
from benchmon.prediction.circuit.meter_response import MeterResponse, readings_by_response
from benchmon.prediction.circuit.parts import WINDING_TEMPERATURE, WINDING_WARMTH, Parts
from benchmon.prediction.circuit.steady_state import diagnose_convergence
from benchmon.prediction.circuit.trace_measures import Harmonics, readings_of
from benchmon.prediction.circuit.traces import Traces
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium, solve_in_equilibrium
from benchmon.prediction.thermal.rated_rise import heating_currents, load_rise_differs, load_rises, transformer_rise
from benchmon.prediction.uncertainty import JUNCTION_SHIFT, USUAL_WINDING_RISE, InputUncertainty
from benchmon.signals.arrays import Floats

STEP = 0.03
"""The change of an input in a varied circuit, in standard uncertainties."""

_CASE_PART = 0.85
"""Case temperature rise divided by junction temperature rise.

From memory: usual for a diode in free air, and for a regulator of 3 to 5 K/W to its case on a small heat sink.
"""

_HOW_MOUNTED = "how the load is mounted"
ESTIMATES: dict[str, tuple[float, str]] = {
    "diode.temperature.case": (0.1, "where the probe sits"),
    "regulator.temperature.case": (0.1, "where the probe sits"),
    "regulator_2.temperature.case": (0.1, "where the probe sits"),
    "transformer.temperature": (0.2, "how the transformer is built"),
}
"""Temperatures estimated without a thermal resistance: relative standard uncertainty of the rise, and its source.

Those of loads depend on the bench file: `load_rise_differs`.
"""


def estimates_of(bench: Bench) -> dict[str, tuple[float, str]]:
    """Return the entries of `ESTIMATES` that apply to a bench: a temperature that it holds is no estimate."""
    held = bench.transformer.winding_temperature is not None
    of_loads = {f"{point}.temperature": (load_rise_differs(bench, point), _HOW_MOUNTED) for point in ("load", "load_2")}
    found = ESTIMATES | of_loads
    return {name: entry for name, entry in found.items() if not (held and name == "transformer.temperature")}


@dataclass(frozen=True)
class SolvedQuantities:
    """Every quantity of every variant, (b,), and the solved state that it was calculated from.

    `by_meter` is what those meters show that are no ideal ones, (b,).
    """

    equilibrium: ThermalEquilibrium
    quantities: dict[str, Floats]
    harmonics: Harmonics
    by_meter: Mapping[MeterResponse, Floats]


def solve(
    bench: Bench, parts: Parts, shift: Floats | float = 0.0, initial_guess: ThermalEquilibrium | None = None
) -> SolvedQuantities:
    """Return all quantities of all variants in `parts`, each (b,).

    `shift` (b,) kelvin is added to the junction's rise; `initial_guess` is a solved state to start from. Raises
    `PredictionError` if any variant has no finite, converged solution.
    """
    if np.any(parts["mains.voltage"] <= 0):
        raise PredictionError("mains.voltage: is zero, so nothing can be predicted; give volts above zero")
    try:
        equilibrium = solve_in_equilibrium(bench, parts, initial_guess, shift)
    except NoSteadyState:
        raise PredictionError(diagnose_convergence(bench, parts)) from None
    ripple_order = bench.rectifier.topology.ripple_order
    quantities, harmonics = readings_of(equilibrium.traces, parts["mains.frequency"], ripple_order)
    quantities |= temperatures_of(bench, equilibrium, quantities)
    if not all(np.all(np.isfinite(value)) for value in quantities.values()):
        raise PredictionError("the circuit's steady state is not finite; check the bench file for extreme values")
    if not np.all(equilibrium.state.solution.converged):
        raise PredictionError(
            "the circuit's steady state did not converge; check the filter and load for values far out of proportion"
        )
    by_meter = readings_by_response(bench, equilibrium.traces, parts["mains.frequency"])
    return SolvedQuantities(equilibrium, quantities, harmonics, by_meter)


class SolvedTemperatures(Protocol):
    """A steady state with its temperatures, such as `ThermalEquilibrium`."""

    @property
    def traces(self) -> Traces:
        """The traces over one period."""
        ...

    @property
    def parts(self) -> Parts:
        """The values of the parts at their temperatures."""
        ...

    @property
    def junction(self) -> Floats:
        """The junction temperature of the measured diode, °C, (b,)."""
        ...

    @property
    def ntc(self) -> Floats:
        """The temperature of the inrush limiter, °C, (b,)."""
        ...


def temperatures_of(bench: Bench, equilibrium: SolvedTemperatures, quantities: dict[str, Floats]) -> dict[str, Floats]:
    """Return every temperature, °C (b,), of a solved state with the given electrical `quantities`."""
    parts = equilibrium.parts
    ambient = parts["ambient.temperature"]
    found = {"ambient.temperature": ambient}
    if bench.diode.thermal_resistance is not None:
        found["diode.temperature.junction"] = equilibrium.junction
        found["diode.temperature.case"] = ambient + _CASE_PART * (equilibrium.junction - ambient)
    for point, regulator in (("regulator", bench.regulator), ("regulator_2", _second_regulator_of(bench))):
        if regulator is not None and regulator.thermal_resistance is not None:
            name = f"{point}.thermal_resistance"
            # Two outputs that are alike have one set of values.
            kelvins = parts[name] if name in parts else parts["regulator.thermal_resistance"]
            rise = kelvins * quantities[f"{point}.power.mean"]
            found[f"{point}.temperature.junction"] = ambient + rise
            found[f"{point}.temperature.case"] = ambient + _CASE_PART * rise
    if bench.ntc is not None:
        found["ntc.temperature"] = equilibrium.ntc
    found |= {f"{point}.temperature": ambient + rise for point, rise in load_rises(bench, equilibrium.traces).items()}
    currents = heating_currents(equilibrium.traces) if "secondary_2.current" in equilibrium.traces else quantities
    transformer = transformer_rise(bench, parts, currents)
    if WINDING_TEMPERATURE in parts:
        found["transformer.temperature"] = parts[WINDING_TEMPERATURE]
    elif transformer is not None:
        found["transformer.temperature"] = ambient + transformer
    return found


def _second_regulator_of(bench: Bench) -> Regulator | None:
    """Return the regulator of the second output; None where there is none."""
    if not bench.rectifier.topology.has_two_outputs:
        return None
    return bench.second_regulator


def warmth_scale(equilibrium: ThermalEquilibrium) -> float:
    """Return by how much more the windings warm than usual, the factor on the size of `WINDING_WARMTH`; 1 if unknown.

    It is the rise of the nominal circuit, estimated from the rating.
    """
    bench, traces = equilibrium.state.circuit.equations.bench, equilibrium.traces
    rise = transformer_rise(bench, equilibrium.parts, heating_currents(traces))
    return 1.0 if rise is None else min(float(rise[0]) / USUAL_WINDING_RISE, _MOST_WARMTH)


_MOST_WARMTH = 3.0
"""A transformer that would warm by more than 120 K is overloaded, and does not last (from memory)."""


def varied_parts(parts: Parts, equilibrium: ThermalEquilibrium, inputs: list[InputUncertainty]) -> tuple[Parts, Floats]:
    """Return one variant for each input, moved by `STEP` standard uncertainties, and the junction shifts (b,) in K."""
    count = len(inputs)
    changes = {name: np.repeat(value, count) for name, value in parts.values.items()}
    shift = np.zeros(count)
    rise, warmth = float(equilibrium.junction[0] - parts["ambient.temperature"][0]), warmth_scale(equilibrium)
    for row, entry in enumerate(inputs):
        if entry.part == JUNCTION_SHIFT:
            shift[row] = -STEP * entry.size * rise
            continue
        value, size = changes[entry.part][row], entry.size * (warmth if entry.part == WINDING_WARMTH else 1.0)
        changes[entry.part][row] = value + STEP * size * (abs(value) if entry.relative else 1.0)
        for other, moved in entry.along:
            changes[other][row] *= 1.0 + STEP * moved
    return Parts(changes), shift
