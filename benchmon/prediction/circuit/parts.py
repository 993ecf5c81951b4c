"""The values of every part of a supply, many variants at a time: the input of the circuit engine.

Each value is an array of shape (b,): one entry a variant. A single prediction has b = 1; sensitivities and Monte
Carlo draws are further variants, solved in the same pass.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench, Capacitor, Choke, CurrentLoad, ResistorLoad
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.diode import REFERENCE, junction_of
from benchmon.prediction.circuit.no_load import no_load_of
from benchmon.prediction.circuit.usual_parts import (
    esr_of,
    leakage_inductance_of,
    noise_of,
    ripple_passed_by,
    source_resistance_of,
)
from benchmon.signals.arrays import Floats
from benchmon.standards import USUAL_MAINS_HARMONICS

SECOND_WARMER = "diode.second_warmer"
"""Kelvins by which the diodes of a second output are warmer than those of the first: found with the temperatures."""

COPPER_GROWTH = "transformer.copper_growth"
"""The resistance of warm windings over that in the bench file: no input, but found with the temperatures."""

WINDING_TEMPERATURE, WINDING_RISE = "transformer.winding_temperature", "transformer.winding_rise"
"""Temperature at which the bench file holds the windings, °C, and factor on their estimated rise, nominally 1."""


WINDING_WARMTH = "transformer.winding_warmth"
"""Factor on the resistances of windings whose temperature is not known at all, nominally 1."""


_UNITS_OF_PARTS = {
    "voltage": "V",
    "output_voltage": "V",
    "open_circuit_voltage": "V",
    "dropout": "V",
    "noise": "V",
    "current": "A",
    "quiescent_current": "A",
    "saturation_current": "A",
    "loss": "W",
    "frequency": "Hz",
    "capacitance": "F",
    "inductance": "H",
    "leakage_inductance": "H",
    "resistance": "Ω",
    "primary_resistance": "Ω",
    "secondary_resistance": "Ω",
    "source_resistance": "Ω",
    "series_resistance": "Ω",
    "esr": "Ω",
    "r25": "Ω",
    "thermal_resistance": "K/W",
    "thermal_time_constant": "s",
    "temperature_rise": "K",
    "temperature": "°C",
    "winding_temperature": "°C",
}


def unit_of_part(name: str) -> str:
    """Return the SI unit of a value of the circuit's parts, "" where it has none.

    >>> unit_of_part("filter.0.capacitance"), unit_of_part("core.exponent")
    ('F', '')
    """
    return _UNITS_OF_PARTS.get(name.rpartition(".")[2], "")


@dataclass(frozen=True)
class Parts:
    """Named values in SI units (temperatures in °C), each of shape (b,)."""

    values: Mapping[str, Floats]

    def __getitem__(self, name: str) -> Floats:
        return self.values[name]

    def __contains__(self, name: str) -> bool:
        return name in self.values

    @property
    def variants(self) -> int:
        """How many variants there are."""
        return len(next(iter(self.values.values())))

    @cached_property
    def harmonic_orders(self) -> tuple[int, ...]:
        """The orders of the mains voltage that are among the parts, rising."""
        found = {int(name.split(".")[2]) for name in self.values if name.startswith("mains.harmonic.")}
        return tuple(sorted(found))

    @cached_property
    def mains_components(self) -> tuple[Floats, Floats, Floats]:
        """The orders (o,) of the mains voltage, the first among them, with sines and cosines (b, o)."""
        found: list[tuple[int, Floats, Floats]] = []
        for order in self.harmonic_orders:
            pair = self[harmonic_part(order, "sin")], self[harmonic_part(order, "cos")]
            if np.any(pair[0]) or np.any(pair[1]):
                found.append((order, *pair))
        ones = np.ones(self.variants)
        found.insert(0, (1, ones, 0.0 * ones))
        orders, sines, cosines = zip(*found, strict=True)
        return np.array(orders, float), np.stack(sines, axis=1), np.stack(cosines, axis=1)

    @property
    def primary_ohms(self) -> Floats:
        """The resistance of source, fuse, inrush limiter and warm primary winding together, ohms (b,)."""
        names = ("mains.source_resistance", "fuse.resistance", "ntc.resistance")
        ohms: Floats = np.sum([self[name] for name in names], axis=0)
        return ohms + self["transformer.primary_resistance"] * self.copper_growth

    @property
    def secondary_ohms(self) -> Floats:
        """The resistance of one warm secondary winding, ohms (b,)."""
        return self["transformer.secondary_resistance"] * self.copper_growth

    @property
    def copper_growth(self) -> Floats | float:
        """Resistance of the windings over that in the bench file, (b,)."""
        return self.values.get(COPPER_GROWTH, 1.0) * self.values.get(WINDING_WARMTH, 1.0)

    @property
    def load_ohms(self) -> Floats:
        """The load resistor, ohms (b,): R25·(1 + α·(T − 25 °C)). Raises `PredictionError` at or below 0.

        T is the ambient temperature, or `load.temperature` once its self-heating is known.
        """
        celsius = self["load.temperature"] if "load.temperature" in self else self["ambient.temperature"]
        factor = 1.0 + self["load.temperature_coefficient"] * (celsius - REFERENCE)
        if np.any(factor <= 0.0):
            raise PredictionError(
                f"load.temperature_coefficient: leaves no resistance at {np.max(celsius):.0f} °C; check its sign"
            )
        return self["load.resistance"] * factor

    def chosen(self, rows: NDArray[np.intp]) -> Parts:
        """Return the variants of these numbers alone."""
        return Parts({name: value[rows] for name, value in self.values.items()})

    def replaced(self, changes: Mapping[str, Floats]) -> Parts:
        """Return the parts with some values replaced; arrays of another length set the number of variants."""
        merged = dict(self.values) | {name: np.atleast_1d(np.asarray(value, float)) for name, value in changes.items()}
        variants = max(len(value) for value in merged.values())
        return Parts(
            {
                name: value if len(value) == variants else np.broadcast_to(value, (variants,))
                for name, value in merged.items()
            }
        )


_OF_AN_OUTPUT = ("filter", "regulator", "load")
"""Sections of the bench file that each of two outputs has for itself."""


def of_second_output(parts: Parts) -> Parts:
    """Return the parts with those of the second output under the names of the first, whose own are left out."""
    second = {f"{section}_2": section for section in _OF_AN_OUTPUT}
    found = {name: value for name, value in parts.values.items() if name.partition(".")[0] not in _OF_AN_OUTPUT}
    for name in [name for name in found if name.partition(".")[0] in second]:
        section, dot, rest = name.partition(".")
        found[second[section] + dot + rest] = found.pop(name)
    return Parts(found)


def joined(sets: Sequence[Parts]) -> Parts:
    """Return the variants of all `sets`, which have the same names, one after the other."""
    return Parts({name: np.concatenate([one[name] for one in sets]) for name in sets[0].values})


def parts_of(bench: Bench) -> Parts:
    """Return the nominal values of a bench as one variant. Raises `PredictionError` if its diode cannot be fitted."""
    saturation, emission, ohms = junction_of(bench.diode)
    core = no_load_of(bench.transformer)
    values: dict[str, float] = {
        "mains.voltage": bench.mains.voltage,
        "mains.frequency": bench.mains.frequency,
        "mains.source_resistance": source_resistance_of(bench.mains),
        "transformer.open_circuit_voltage": bench.transformer.open_circuit_voltage,
        "transformer.primary_resistance": bench.transformer.primary_resistance,
        "transformer.secondary_resistance": bench.transformer.secondary_resistance,
        "transformer.leakage_inductance": leakage_inductance_of(bench.transformer, bench.mains.frequency),
        "core.current": core.current,
        "core.loss": core.loss,
        "core.saturating": core.saturating,
        "core.exponent": core.exponent,
        "core.loss_exponent": core.loss_exponent,
        "core.match": core.match,
        "core.turns": core.turns,
        "fuse.resistance": bench.fuse.resistance if bench.fuse else 0.0,
        "ntc.resistance": 0.0,
        "diode.saturation_current": saturation,
        "diode.emission_coefficient": emission,
        "diode.series_resistance": ohms,
        "diode.thermal_resistance": bench.diode.thermal_resistance or 0.0,
        "ambient.temperature": bench.ambient.temperature,
    }
    if bench.transformer.winding_temperature is not None:
        values[WINDING_TEMPERATURE] = bench.transformer.winding_temperature
    elif bench.transformer.resistance_temperature is not None and bench.transformer.rating is not None:
        values[WINDING_RISE] = 1.0
    else:
        values[WINDING_WARMTH] = 1.0
    if bench.ntc:
        values["ntc.r25"] = bench.ntc.r25
        values["ntc.beta"] = bench.ntc.beta
        values["ntc.dissipation_factor"] = bench.ntc.dissipation_factor
    values |= _mains_harmonics(bench)
    values |= _after_the_rectifier(bench)
    if bench.outputs_apart:
        values[SECOND_WARMER] = 0.0
        values |= _after_the_second_rectifier(bench)
    return Parts({name: np.array([value]) for name, value in values.items()})


HARMONIC_ORDERS = tuple(USUAL_MAINS_HARMONICS)
"""Orders of the mains voltage that every bench has as parts, if only to allow for what is not known of them."""


def harmonic_part(order: int, component: Literal["sin", "cos"]) -> str:
    """Return the name of a harmonic of the mains voltage: its sine or cosine, as a part of the fundamental."""
    return f"mains.harmonic.{order}.{component}"


def _mains_harmonics(bench: Bench) -> dict[str, float]:
    """Return the sine and cosine of each harmonic: h·sin(kωt + φ) = h·cos φ·sin kωt + h·sin φ·cos kωt."""
    known = {order: (size, math.radians(phase)) for order, size, phase in bench.mains.harmonics or ()}
    values: dict[str, float] = {}
    for order in sorted({*HARMONIC_ORDERS, *known}):
        size, phase = known.get(order, (0.0, 0.0))
        values[harmonic_part(order, "sin")] = size * math.cos(phase)
        values[harmonic_part(order, "cos")] = size * math.sin(phase)
    return values


def _after_the_rectifier(bench: Bench) -> dict[str, float]:
    values: dict[str, float] = {}
    for index, part in enumerate(bench.filter):
        if isinstance(part, Capacitor):
            values[f"filter.{index}.capacitance"] = part.capacitance
            values[f"filter.{index}.esr"] = esr_of(part)
        elif isinstance(part, Choke):
            values[f"filter.{index}.inductance"] = part.inductance
            values[f"filter.{index}.resistance"] = part.resistance
        else:
            values[f"filter.{index}.resistance"] = part.resistance
    if isinstance(bench.load, ResistorLoad):
        values["load.resistance"] = bench.load.resistance
        values["load.temperature_coefficient"] = bench.load.temperature_coefficient
    elif isinstance(bench.load, CurrentLoad):
        values["load.current"] = bench.load.current
    if bench.regulator:
        values["regulator.output_voltage"] = bench.regulator.output_voltage
        values["regulator.dropout"] = bench.regulator.dropout
        values["regulator.quiescent_current"] = bench.regulator.quiescent_current
        values["regulator.thermal_resistance"] = bench.regulator.thermal_resistance or 0.0
        values["regulator.ripple_passed"] = ripple_passed_by(bench.regulator)
        values["regulator.noise"] = noise_of(bench.regulator)
    return values


def _after_the_second_rectifier(bench: Bench) -> dict[str, float]:
    values = _after_the_rectifier(bench.seen_from_output_2())
    renamed = {"{}_2{}{}".format(*name.partition(".")): value for name, value in values.items()}
    across = bench.rectifier.loads == "across"
    return {name: value for name, value in renamed.items() if not (across and name.startswith("load_2."))}
