"""The actual parts of the supply, drawn with a seed within the bench file's tolerances, and the supply's defects."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchmon.bench import (
    Bench,
    Capacitor,
    Choke,
    CurrentLoad,
    FilterPart,
    Load,
    Mains,
    Regulator,
    ResistorLoad,
    Transformer,
)
from benchmon.errors import BadInput
from benchmon_simulated.effects import Effects
from benchmon_simulated.supply.core import MagnetisingCurve, draw_curve
from benchmon_simulated.supply.diode import DiodeLaw, diode_law

COLDEST = -60.0
"""°C; the model of silicon diodes is not valid below."""


@dataclass(frozen=True)
class LoadedRail:
    """What a rail has behind its filter."""

    regulator: Regulator | None
    load: Load


@dataclass(frozen=True)
class ActualParts:
    """The values of the parts in this supply. Volts rms, hertz, ohms, henries; temperatures in °C.

    `twin_filter` is the filter of a second rail, or holds a doubler's second capacitor; None where it has the same
    values. `second` is what a second rail has behind its filter, None where that is like the first one's. `curve` is
    the core's, None without a simulated core. `matching` are factors on each diode's saturation current.
    """

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
    twin_filter: tuple[FilterPart, ...] | None = None
    second: LoadedRail | None = None
    curve: MagnetisingCurve | None = None
    self_discharge: float = 3000.0
    """Seconds in which the leakage of a capacitor takes its voltage to 1/e."""
    voltmeter: float = 0.0
    """Siemens of the voltmeter across an output; 0 without one."""
    matching: tuple[float, ...] = (1.0,) * 8

    @property
    def reservoir_esr(self) -> float:
        """The series resistance of the first capacitor, 0 if there is none."""
        return esr_of_first(self.filter)


def esr_of_first(parts: Sequence[FilterPart]) -> float:
    """Return the series resistance of the first capacitor of a filter, 0 if there is none."""
    return next((part.esr or 0.0 for part in parts if isinstance(part, Capacitor)), 0.0)


class PartSpread:
    """Draws part values around those of the bench file; the same seed gives the same values."""

    def __init__(self, seed: int, kind: int = 0x50A27) -> None:
        self.random = np.random.default_rng([seed, kind])

    def within(self, value: float, tolerance: float) -> float:
        """Return `value` times a factor that is uniform within ±`tolerance`."""
        return value * (1.0 + tolerance * float(self.random.uniform(-1.0, 1.0)))

    def around(self, value: float, half_width: float) -> float:
        """Return a value that is uniform within `value` ± `half_width`."""
        return value + half_width * float(self.random.uniform(-1.0, 1.0))

    def times(self, value: float, factor: float) -> float:
        """Return `value` multiplied or divided by up to `factor`."""
        return value * float(factor ** self.random.uniform(-1.0, 1.0))

    def near(self, value: float, deviation: float) -> float:
        """Return `value` times a normally distributed factor of this `deviation`, two deviations off at most."""
        return value * (1.0 + deviation * float(np.clip(self.random.standard_normal(), -2.0, 2.0)))


def draw_parts(bench: Bench, seed: int, effects: Effects) -> ActualParts:
    """Return the parts of one supply built from `bench`. Raises `BadInput` for circuits that are not simulated."""
    check_simulated(bench)
    spread = PartSpread(seed)
    mains, transformer, law = bench.mains, bench.transformer, diode_law(bench.diode)
    parts = ActualParts(
        mains_voltage=spread.within(mains.voltage, mains.tolerance / 3.0),
        mains_frequency=mains.frequency,
        source_resistance=spread.within(mains.source_resistance or 0.0, 0.02),
        fuse_resistance=spread.within(bench.fuse.resistance if bench.fuse else 0.0, 0.02),
        primary_resistance=spread.within(transformer.primary_resistance, 0.03),
        secondary_resistance=spread.within(transformer.secondary_resistance, 0.03),
        ratio=transformer.ratio,
        leakage=transformer.leakage_inductance or 0.0,
        diode=DiodeLaw(
            spread.times(law.saturation_current, 1.3), law.emission, spread.within(law.series_resistance, 0.02)
        ),
        filter=_draw_filter(bench.filter, spread),
        load=_draw_load(bench.load, spread),
        ambient=spread.around(bench.ambient.temperature, 0.5),
        regulator=_draw_regulator(bench.regulator, spread),
        voltmeter=_voltmeter(bench),
    )
    return _with_effects(_with_second_rail(parts, bench, seed), bench, seed, effects)


def _with_second_rail(parts: ActualParts, bench: Bench, seed: int) -> ActualParts:
    """Return `parts` with those of a second output, where the bench file has it differ from the first."""
    if not bench.outputs_apart:
        return parts
    spread, seen = PartSpread(seed, 0x2ECD), bench.seen_from_output_2()
    rail = LoadedRail(_draw_regulator(seen.regulator, spread), _draw_load(seen.load, spread))
    return replace(parts, twin_filter=_draw_filter(seen.filter, spread), second=rail)


_VOLTMETER = 1e-7
"""Siemens of the 10 MΩ that a multimeter has on its DC ranges (from memory)."""


def _voltmeter(bench: Bench) -> float:
    """Return the siemens of the voltmeter across an output, 0 where no channel reads there."""
    read = any(one.quantity.startswith(("output.voltage", "reservoir.voltage")) for one in bench.channel)
    return _VOLTMETER if read else 0.0


def _draw_self_discharge(spread: PartSpread) -> float:
    """Return the seconds in which a capacitor's own leakage takes its voltage to 1/e.

    Data sheets of electrolytics allow a leakage of 0.01·C·U (A, F, V times 10⁶, measured by IEC 60384-4 some minutes
    after connecting), which is a time constant of 100 s; a tenth to a hundredth of it is typical (both from memory).
    """
    return spread.times(3000.0, 3.3)


def check_simulated(bench: Bench) -> None:
    """Raise `BadInput` if the bench has a circuit that is not simulated."""
    if bench.rectifier.loads == "across":
        for key, parts in (("filter", bench.filter), ("filter_2", bench.seen_from_output_2().filter)):
            if not parts or not all(isinstance(part, Capacitor) for part in parts[:1]) or len(parts) > 1:
                raise BadInput(f"{key}: with one load across both outputs, only one capacitor at each is simulated")
    if bench.ambient.temperature < COLDEST:
        raise BadInput(
            f"ambient.temperature is below {COLDEST:.0f} °C, where the simulated bench has no model of diodes"
        )


def _with_effects(parts: ActualParts, bench: Bench, seed: int, effects: Effects) -> ActualParts:
    """Return `parts` with the spread, leakage and core that `effects` switch on."""
    scale = effects.scale
    if effects.parts:
        spread = PartSpread(seed, 0x5B4EAD)
        diodes = 8 if bench.rectifier.kind == "two bridges" else 4
        ratio, primary, secondary = _draw_windings(bench.transformer, spread, scale)
        parts = replace(
            parts,
            source_resistance=_source_resistance(bench.mains, spread, scale),
            ratio=ratio,
            primary_resistance=primary,
            secondary_resistance=secondary,
            diode=replace(parts.diode, saturation_current=spread.times(parts.diode.saturation_current, 1.6**scale)),
            # Diodes of one reel differ by some millivolts (from experience).
            matching=tuple(spread.times(1.0, 1.15**scale) for _ in range(diodes)),
            filter=_real_filter(bench.filter, spread, scale),
            twin_filter=_real_filter(bench.seen_from_output_2().filter, spread, scale),
            self_discharge=_draw_self_discharge(PartSpread(seed, 0x5E1F)),
        )
    if effects.leakage:
        spread = PartSpread(seed, 0x1EAC)
        parts = replace(parts, leakage=_draw_leakage(bench.transformer, bench.mains.frequency, spread, scale))
    if effects.core:
        random = np.random.default_rng([seed, 0xC04E])
        parts = replace(parts, curve=draw_curve(bench.transformer, bench.mains.frequency, random, scale))
    return parts


def _source_resistance(mains: Mains, spread: PartSpread, scale: float) -> float:
    """Return the source's resistance: as given within a fifth, else about 0.35 Ω, as in sockets of a house.

    IEC/TR 60725 takes 0.4 + 0.25j Ω as the supply's impedance that 90 % of premises stay below (from memory).
    """
    if mains.source_resistance is not None and "source_resistance" in mains.model_fields_set:
        return spread.within(mains.source_resistance, min(0.5, 0.2 * scale))
    return spread.times(0.35, 2.0**scale)


def _draw_windings(transformer: Transformer, spread: PartSpread, scale: float) -> tuple[float, float, float]:
    """Return turns ratio and winding resistances: measured ones within 0.2 and 2 %, those of a label within 1 and 8 %.

    From experience: a label's regulation is rounded, and its rated voltage is that at full load and operating
    temperature.
    """
    measured = transformer.rated_voltage is None
    volts, ohms = (0.002, 0.02) if measured else (0.01, 0.08)
    return (
        spread.near(transformer.ratio, 0.5 * volts * scale),
        spread.near(transformer.primary_resistance, 0.5 * ohms * scale),
        spread.near(transformer.secondary_resistance, 0.5 * ohms * scale),
    )


def _draw_leakage(transformer: Transformer, frequency: float, spread: PartSpread, scale: float) -> float:
    """Return the leakage inductance of one winding, referred to the secondary, in henries.

    Given, it is met within a fifth, and zero is zero. Else it is 0.5 to 3 % of the rated impedance, as in transformers
    below a kilovolt-ampere with windings over each other; a transformer without a rating is taken to have 10 %
    regulation (both from experience).
    """
    given = transformer.leakage_inductance
    if given is not None and "leakage_inductance" in transformer.model_fields_set:
        return spread.within(given, min(0.5, 0.2 * scale))
    impedance = rated_impedance(transformer)
    part = 0.0122 * float(2.45 ** spread.random.uniform(-1.0, 1.0)) * scale
    return part * impedance / (2.0 * math.pi * frequency)


def rated_impedance(transformer: Transformer) -> float:
    """Return ohms of one winding at rated volts and load; with 10 % regulation where the bench file has no rating."""
    if transformer.rating is not None:
        return transformer.open_circuit_voltage**2 * transformer.secondaries / transformer.rating
    return (transformer.secondary_resistance + transformer.primary_resistance * transformer.ratio**2) / 0.1


def _draw_filter(parts: Sequence[FilterPart], spread: PartSpread) -> tuple[FilterPart, ...]:
    drawn: list[FilterPart] = []
    for part in parts:
        if isinstance(part, Capacitor):
            # Few parts on the market are at the very edge of their tolerance.
            low, high = tolerance_of(part)
            away = float(spread.random.uniform(-1.0, 1.0))
            values = {
                "capacitance": part.capacitance * (1.0 + 0.8 * away * (high if away > 0.0 else low)),
                "esr": spread.within(part.esr or 0.0, 0.02),
            }
        else:
            values = {"resistance": spread.within(part.resistance, 0.02)}
        drawn.append(part.model_copy(update=values))
    return tuple(drawn)


def tolerance_of(part: Capacitor) -> tuple[float, float]:
    """Return how far below and above its value a capacitance may be, both as positive parts of it."""
    tolerance: float | Sequence[float] | None = part.tolerance
    if tolerance is None:
        return 0.0, 0.0
    if isinstance(tolerance, Sequence):
        return abs(tolerance[0]), abs(tolerance[1])
    return tolerance, tolerance


def _real_filter(parts: Sequence[FilterPart], spread: PartSpread, scale: float) -> tuple[FilterPart, ...]:
    """Return the filter's parts: a capacitance anywhere in its tolerance, and an ESR that differs from the file's.

    Without a tolerance in the file, a capacitance is within ±20 %, as usual for electrolytics, below 10 µF within ±10 %
    (from memory). The ESR differs by up to 1.5 times from the file's; a file without one gets 0.15/(ωC)
    at 100 Hz within a factor of 1.8, which is a dissipation factor of 8 to 27 % (usual electrolytics, from memory).
    """
    drawn: list[FilterPart] = []
    for part in parts:
        if isinstance(part, Capacitor):
            low, high = tolerance_of(part)
            if part.tolerance is None:
                low = high = 0.2 if part.capacitance >= 10e-6 else 0.1
            factor = 1.0 + float(spread.random.uniform(-low, high))
            if part.esr is not None and "esr" in part.model_fields_set:
                esr = spread.times(part.esr, 1.5**scale)
            else:
                esr = spread.times(0.15 / (2.0 * math.pi * 100.0 * part.capacitance), 1.8**scale)
            values = {"capacitance": part.capacitance * factor, "esr": esr}
        elif isinstance(part, Choke):
            values = {
                "inductance": spread.within(part.inductance, min(0.5, 0.15 * scale)),
                "resistance": spread.within(part.resistance, 0.05 * scale),
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
    the load's current, `load_open` whether the load is disconnected; those with `second` are of the second output,
    whose load has the defects of the first one where they are None and both loads are alike.
    `mains` is a factor on the voltage,
    `mains_distortion` is added to its THD, `primary_ohms` to the resistance of the primary circuit. `cooling` is a
    factor on every thermal resistance, `ambient_rise` is added to the ambient, in kelvins. `stuck` is whether the mains
    stays on when it is switched off. `reservoir_esr` is a factor on the reservoir's series resistance, `secondary_ohms`
    are added to each winding's resistance, `windings` is a factor on the resistance of all windings, `turns` one on the
    secondary's turns, `shorted` siemens of shorted turns referred to the primary, `mains_direct` volts of direct
    voltage on the mains. `diode_law` replaces the law of every diode.
    """

    diodes: Mapping[int, str] = field(default_factory=dict)
    reversed_windings: frozenset[int] = frozenset()
    reservoir_left: float = 1.0
    load: float = 1.0
    load_open: bool = False
    second_reservoir_left: float = 1.0
    second_reservoir_esr: float = 1.0
    second_load: float | None = None
    second_load_open: bool | None = None
    mains: float = 1.0
    mains_distortion: float = 0.0
    primary_ohms: float = 0.0
    cooling: float = 1.0
    ambient_rise: float = 0.0
    stuck: bool = False
    reservoir_esr: float = 1.0
    secondary_ohms: float = 0.0
    windings: float = 1.0
    turns: float = 1.0
    shorted: float = 0.0
    mains_direct: float = 0.0
    diode_law: DiodeLaw | None = None


HEALTHY = SupplyDefects()
