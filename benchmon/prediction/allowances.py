"""What a prediction does not know exactly: a standard uncertainty for every part's value, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench, Capacitor
from benchmon.prediction.parts import Parts

_RECTANGULAR = 3.0**-0.5


@dataclass(frozen=True)
class Allowance:
    """The standard uncertainty (k = 1) of one value: relative to it if `relative`, else in its own unit.

    `rectangular` tells that it comes from a tolerance, of which any value is as likely as any other.
    """

    part: str
    label: str
    size: float
    relative: bool = True
    rectangular: bool = False


JUNCTION_SHIFT = "junction shift"
"""Not a part's value: how far the junction may be from the temperature predicted, as a part of its rise."""

_MODEL = (
    # The grid holds its frequency within about 0.1 Hz nearly always.
    Allowance("mains.frequency", "mains frequency", 0.001),
    # A mains' distortion is seldom known to better than a per cent.
    Allowance("mains.voltage_thd", "mains distortion", 0.008, relative=False),
    # Copper resistance changes by 0.39 % a kelvin, and windings warm by tens of kelvins.
    Allowance("transformer.primary_resistance", "primary resistance", 0.05),
    Allowance("transformer.secondary_resistance", "secondary resistance", 0.05),
    Allowance("mains.source_resistance", "mains source resistance", 0.2),
    Allowance("transformer.leakage_inductance", "leakage inductance", 0.1),
    Allowance("transformer.no_load_current", "no-load current", 0.1),
    Allowance("transformer.no_load_loss", "no-load loss", 0.1),
    # Diodes of one type differ by a factor of about 1.6 in saturation current: 20 mV of forward drop.
    Allowance("diode.saturation_current", "diode forward drop", 0.5),
    Allowance("diode.series_resistance", "diode series resistance", 0.15),
    Allowance("diode.thermal_resistance", "diode thermal resistance", 0.1),
    # Until the supply is warm, and in still or moving air, a junction is not quite where it is expected.
    Allowance(JUNCTION_SHIFT, "diode warm-up", 0.25),
    Allowance("ambient.temperature", "ambient temperature", 1.0, relative=False),
    Allowance("load.resistance", "load resistance", 0.005),
    Allowance("load.current", "load current", 0.005),
    Allowance("regulator.output_voltage", "regulator output", 0.01),
    Allowance("regulator.dropout", "regulator dropout", 0.1),
    Allowance("regulator.quiescent_current", "regulator quiescent current", 0.2),
    Allowance("regulator.thermal_resistance", "regulator thermal resistance", 0.1),
    Allowance("ntc.r25", "inrush limiter", 0.1),
)

MODEL_FLOOR = 0.0005
"""Relative standard uncertainty of the model and its numbers, on every quantity."""


def allowances_of(bench: Bench, parts: Parts, *, mains_is_measured: bool) -> list[Allowance]:
    """Return the allowances that apply to a bench; a measured mains voltage has none of its own."""
    found = [entry for entry in _MODEL if _applies(entry, parts)]
    measured = bench.transformer.rated_voltage is None
    found.append(Allowance("transformer.open_circuit_voltage", "transformer voltage", 0.002 if measured else 0.012))
    if bench.mains.tolerance > 0 and not mains_is_measured:
        size = bench.mains.tolerance * _RECTANGULAR
        found.append(Allowance("mains.voltage", "mains voltage", size, rectangular=True))
    for index, part in enumerate(bench.filter):
        name, label = f"filter.{index}", f"{part.kind} {index + 1}"
        if isinstance(part, Capacitor):
            tolerance = part.tolerance or 0.02
            found.append(Allowance(f"{name}.capacitance", label, tolerance * _RECTANGULAR, rectangular=True))
            found.append(Allowance(f"{name}.esr", f"{label} ESR", 0.25))
        elif part.kind == "choke":
            found.append(Allowance(f"{name}.inductance", label, 0.1))
            found.append(Allowance(f"{name}.resistance", f"{label} resistance", 0.05))
        else:
            found.append(Allowance(f"{name}.resistance", label, 0.02))
    return [entry for entry in found if _applies(entry, parts)]


def _applies(entry: Allowance, parts: Parts) -> bool:
    if entry.part == JUNCTION_SHIFT:
        return bool(np.any(parts["diode.thermal_resistance"] > 0))
    return entry.part in parts and (not entry.relative or bool(np.any(parts[entry.part] != 0)))
