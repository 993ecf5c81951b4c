"""The actual parts of the supply, drawn with a seed within the bench file's tolerances, and the supply's defects."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchmon.bench import Bench, Capacitor, CurrentLoad, FilterPart, Load, Regulator, ResistorLoad
from benchmon.errors import BadInput
from benchmon_simulated.supply.diode import DiodeLaw, diode_law

COLDEST = -60.0
"""°C; the model of silicon diodes is not valid below."""


@dataclass(frozen=True)
class ActualParts:
    """The values of the parts in this supply. Volts rms, hertz, ohms, henries; temperatures in °C."""

    mains_voltage: float
    mains_frequency: float
    source_resistance: float
    fuse_resistance: float
    primary_resistance: float
    secondary_resistance: float
    """One winding."""
    ratio: float
    leakage: float
    diode: DiodeLaw
    filter: tuple[FilterPart, ...]
    regulator: Regulator | None
    load: Load
    ambient: float

    @property
    def reservoir_esr(self) -> float:
        """The series resistance of the first capacitor, 0 if there is none."""
        return next((part.esr for part in self.filter if isinstance(part, Capacitor)), 0.0)


class PartSpread:
    """Draws part values around those of the bench file; the same seed gives the same values."""

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng([seed, 0x50A27])

    def within(self, value: float, tolerance: float) -> float:
        """Return `value` times a factor that is uniform within ±`tolerance`."""
        return value * (1.0 + tolerance * float(self._random.uniform(-1.0, 1.0)))

    def around(self, value: float, half_width: float) -> float:
        """Return a value that is uniform within `value` ± `half_width`."""
        return value + half_width * float(self._random.uniform(-1.0, 1.0))

    def times(self, value: float, factor: float) -> float:
        """Return `value` multiplied or divided by up to `factor`."""
        return value * float(factor ** self._random.uniform(-1.0, 1.0))


def draw_parts(bench: Bench, seed: int) -> ActualParts:
    """Return the parts of one supply built from `bench`. Raises `BadInput` for circuits that are not simulated."""
    check_simulated(bench)
    spread = PartSpread(seed)
    mains, transformer, law = bench.mains, bench.transformer, diode_law(bench.diode)
    return ActualParts(
        mains_voltage=spread.within(mains.voltage, mains.tolerance / 3.0),
        mains_frequency=mains.frequency,
        source_resistance=spread.within(mains.source_resistance, 0.02),
        fuse_resistance=spread.within(bench.fuse.resistance if bench.fuse else 0.0, 0.02),
        primary_resistance=spread.within(transformer.primary_resistance, 0.03),
        secondary_resistance=spread.within(transformer.secondary_resistance, 0.03),
        ratio=transformer.ratio,
        leakage=transformer.leakage_inductance,
        diode=DiodeLaw(
            spread.times(law.saturation_current, 1.3), law.emission, spread.within(law.series_resistance, 0.02)
        ),
        filter=_draw_filter(bench.filter, spread),
        load=_draw_load(bench.load, spread),
        ambient=spread.around(bench.ambient.temperature, 0.5),
        regulator=_draw_regulator(bench.regulator, spread),
    )


def check_simulated(bench: Bench) -> None:
    """Raise `BadInput` if the bench has a circuit that is not simulated."""
    if bench.ambient.temperature < COLDEST:
        raise BadInput(
            f"ambient.temperature is below {COLDEST:.0f} °C, where the simulated bench has no model of diodes"
        )


def _draw_filter(parts: Sequence[FilterPart], spread: PartSpread) -> tuple[FilterPart, ...]:
    drawn: list[FilterPart] = []
    for part in parts:
        if isinstance(part, Capacitor):
            # Few parts on the market are at the very edge of their tolerance.
            values = {
                "capacitance": spread.within(part.capacitance, 0.8 * part.tolerance),
                "esr": spread.within(part.esr, 0.02),
            }
        else:
            values = {"resistance": spread.within(part.resistance, 0.02)}
        drawn.append(part.model_copy(update=values))
    return tuple(drawn)


def _draw_load(load: Load, spread: PartSpread) -> Load:
    if isinstance(load, ResistorLoad):
        return load.model_copy(update={"resistance": spread.within(load.resistance, 0.02)})
    if isinstance(load, CurrentLoad):
        return load.model_copy(update={"current": spread.within(load.current, 0.005)})
    return load


def _draw_regulator(regulator: Regulator | None, spread: PartSpread) -> Regulator | None:
    if regulator is None:
        return None
    values = {
        "output_voltage": spread.within(regulator.output_voltage, 0.008),
        "dropout": spread.within(regulator.dropout, 0.05),
        "quiescent_current": spread.within(regulator.quiescent_current, 0.1),
    }
    return regulator.model_copy(update=values)


@dataclass(frozen=True)
class SupplyDefects:
    """The defects of a supply; the default is none (`HEALTHY`).

    `diodes` maps a diode's number (from 1; diode 1 carries the meters) to "open" or "shorted"; `reversed_windings` are
    numbers of windings. `reservoir_left` is the remaining part of the reservoir's capacitance. `load` is a factor on
    the load's current, `load_open` whether the load is disconnected. `mains` is a factor on the voltage,
    `mains_distortion` is added to its THD, `primary_ohms` to the resistance of the primary circuit. `cooling` is a
    factor on every thermal resistance, `ambient_rise` is added to the ambient, in kelvins. `stuck` is whether the mains
    stays on when it is switched off.
    """

    diodes: Mapping[int, str] = field(default_factory=dict)
    reversed_windings: frozenset[int] = frozenset()
    reservoir_left: float = 1.0
    load: float = 1.0
    load_open: bool = False
    mains: float = 1.0
    mains_distortion: float = 0.0
    primary_ohms: float = 0.0
    cooling: float = 1.0
    ambient_rise: float = 0.0
    stuck: bool = False


HEALTHY = SupplyDefects()
