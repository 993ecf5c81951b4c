"""The supply under test: actual parts that warm up, on mains that wander.

It has no clock and never sleeps: its owner advances it by the time that has passed.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchmon.bench import Bench, CurrentLoad, Load, OpenLoad, ResistorLoad
from benchmon.errors import BadInput
from benchmon_simulated.effects import Effects
from benchmon_simulated.supply import measures
from benchmon_simulated.supply.circuit import Cycle, DiodeState, Floats, PeriodConditions
from benchmon_simulated.supply.core import SETTLED_FLUX
from benchmon_simulated.supply.local_model import InterpolatedPeriods, OperatingPoint, PeriodValues
from benchmon_simulated.supply.mains import MainsSocket, Wander
from benchmon_simulated.supply.parts import (
    HEALTHY,
    ActualParts,
    LoadedRail,
    SupplyDefects,
    draw_parts,
    esr_of_first,
    rated_impedance,
)
from benchmon_simulated.supply.rectifier import RectifierCircuit
from benchmon_simulated.supply.settling import SlowStates, leak
from benchmon_simulated.supply.thermal import FuseElement, ThermalState
from benchmon_simulated.supply.topology import NodeWiring

SLICE = 0.25
"""Seconds for which temperatures and mains stay constant while the circuit is stepped."""

HOTTEST = 400.0
"""The highest junction temperature of the diode model, °C."""

PATIENCE = 20
"""Periods; over more of them, slow states are extrapolated."""

TRANSIENT = 150
"""Periods after which what is left of a transient is no longer stepped on a supply that is interpolated."""

IDEAL = Effects.none()

SETTLED = 2e-5
"""A period repeats the one before once no voltage differs by more than this part of the largest one."""


@dataclass(frozen=True)
class Snapshot:
    """The true values at `time` (seconds since the bench started), and one period of waveforms.

    Each waveform has the shape (400,); `time` among the waveforms is in seconds from the start of the period. A
    quantity that is undefined now, such as the power factor without current, is NaN.
    """

    time: float
    values: dict[str, float]
    waveforms: Mapping[str, Floats]


class SupplyUnderTest:
    """A simulated supply built from `bench`, its parts drawn with `seed`. At first it is switched on, and cold.

    `effects` are what it has of a real supply. Where it is `interpolated`, periods of a settled supply come from a few
    solved ones (see `local_model`), so that an hour costs about as much as a second. `defects` may be replaced at any
    time. Raises `BadInput` for a circuit that is not simulated.
    """

    def __init__(self, bench: Bench, seed: int = 1, effects: Effects = IDEAL, *, interpolated: bool = False) -> None:
        self.parts: ActualParts = draw_parts(bench, seed, effects)
        parts, transformer = self.parts, bench.transformer
        self.effects = effects
        self.defects: SupplyDefects = HEALTHY
        self._mains = MainsSocket(bench.mains, parts.mains_voltage, seed, effects)
        self._circuit = RectifierCircuit(bench, parts)
        self._no_load = measures.IdleMeasures.of(
            transformer.primary_voltage, transformer.no_load_current or 0.0, transformer.no_load_loss or 0.0
        )
        self._thermal = ThermalState(bench, len(self.wiring.diodes), seed, effects)
        self._rating = bench.fuse
        self._fuse = FuseElement(bench.fuse) if bench.fuse else None
        self._load = parts.load
        self._second_set: Load | None = None
        self._follows_first = bench.load_2 is None
        self._across = bench.rectifier.loads == "across"
        self._room = Wander(600.0, 0.2, float(seed))
        self._rated_impedance = rated_impedance(transformer)
        self._time = self._owed_periods = 0.0
        self._interpolated = interpolated
        self._periods = InterpolatedPeriods(self, self._circuit)
        self._spent: PeriodValues | None = None
        self._state: Hashable = None
        self._stepped = 0
        point = self._operating_point()
        cycle, _ = self.run_circuit(self._circuit, point, 1)
        self.snapshot = self._observe(self.period_values(self._circuit, cycle, point))

    @property
    def wiring(self) -> NodeWiring:
        """How its windings and diodes are connected."""
        return self._circuit.wiring

    @property
    def has_reservoir(self) -> bool:
        """Whether there is a capacitor behind the rectifier."""
        return self._circuit.outputs.reservoir is not None

    @property
    def outputs(self) -> int:
        """How many outputs it has, each with a load of its own."""
        return len(self._circuit.outputs.rails)

    @property
    def reservoirs(self) -> int:
        """How many outputs have a reservoir and a rectifier of their own."""
        return 2 if self.wiring.has_two_outputs else 1

    @property
    def outputs_apart(self) -> bool:
        """Whether its two outputs have loads that are not the same."""
        return self.parts.second is not None and self.outputs > 1

    @property
    def rated_impedance(self) -> float:
        """Ohms of one secondary winding at rated volts and load; with 10 % regulation where there is no rating."""
        return self._rated_impedance

    @property
    def rated_conductance(self) -> float:
        """Siemens at the primary that take the transformer's rating."""
        return self.parts.ratio**2 * self.wiring.windings / self._rated_impedance

    @property
    def on(self) -> bool:
        """Whether the switch of the mains is on."""
        return self._mains.on

    @property
    def mains_volts(self) -> float:
        """The volts rms that the mains is set to."""
        return self._mains.volts

    @property
    def fuse_blown(self) -> bool:
        """Whether its fuse has melted."""
        return self._fuse is not None and self._fuse.blown

    def replace_fuse(self) -> None:
        """Replace the fuse with a new one. Raises `BadInput` if the supply has none."""
        if self._rating is None:
            raise BadInput("this supply has no fuse; give it a [fuse] in the bench file")
        self._fuse = FuseElement(self._rating)

    def switch_off(self) -> None:
        """Cut the mains."""
        self._mains.on = False

    def switch_on(self) -> None:
        """Restore the mains."""
        self._mains.on = True

    def set_mains(self, volts: float) -> None:
        """Turn the variable transformer to `volts` rms. Raises `BadInput` outside 0 to 1000 V."""
        self._mains.set_voltage(volts)

    def set_load(self, load: float | Literal["open"] | CurrentLoad) -> None:
        """Connect another load: ohms, a current, or none. Raises `BadInput` for a resistance that is not above zero.

        It is at both outputs where the bench file has no load of its own for the second, and nothing was set there.
        """
        self._load = _connected(load)

    def restore_load(self) -> None:
        """Connect the original load again."""
        self._load = self.parts.load

    def set_second_load(self, load: float | Literal["open"] | CurrentLoad) -> None:
        """Connect another load to the second output. Raises `BadInput` as `set_load`, and where there is none."""
        if self.parts.second is None or self._across:
            raise BadInput("this supply has no second output with a load of its own; its bench file names no load_2")
        self._second_set = _connected(load)

    def restore_second_load(self) -> None:
        """Connect the original load to the second output again."""
        self._second_set = None

    def advance(self, seconds: float, each: float = SLICE) -> Snapshot:
        """Advance by `seconds` and return the state then, which is also `snapshot`.

        `each` is the length of a slice in seconds. Longer slices warm the supply up faster; the mains is then constant
        for longer.
        """
        slices = max(1, math.ceil(seconds / each))
        for _ in range(slices):
            self._advance_slice(seconds / slices)
        return self.snapshot

    def _advance_slice(self, seconds: float) -> None:
        self._time += seconds
        owed = self._owed_periods + seconds * self.parts.mains_frequency
        due = max(1, int(owed))
        self._owed_periods = max(0.0, owed - due)
        values = self._values(due, seconds)
        self.snapshot = self._observe(values)
        self._advance_temperatures(values, seconds)

    def _values(self, periods: int, seconds: float) -> PeriodValues:
        """Return the values after at most `periods`: interpolated, where the supply is settled and may be so.

        Where it changes to a state that was settled before, such as a contact that opens again, it is settled at once,
        but for the charge that its capacitors keep.
        """
        point = self._operating_point()
        if self._spent is not None and point.volts == 0.0:
            return self._spent
        self._spent = None
        if self._interpolated:
            self._fit(self._circuit, point)
            if (found := self._periods.values(point, periods, seconds)) is not None:
                return found
        cycle, settled = self.run_circuit(self._circuit, point, periods)
        values = self.period_values(self._circuit, cycle, point)
        self._spent = values if self._interpolated and settled and point.volts == 0.0 else None
        self._stepped = self._stepped + periods if point.others == self._state else periods
        self._state = point.others
        if self._interpolated and point.volts > 0.0 and (settled or self._stepped >= TRANSIENT):
            self._periods.has_settled(point)
        return values

    def varying(self, point: OperatingPoint) -> tuple[bool, ...]:
        """Return which coordinates of an operating point ever move on this supply."""
        hot = any(body.is_warmed for body in self._thermal.junctions)
        driven = self.defects.second_load is not None or self.defects.load != 1.0
        moving_load, moving_second = (
            isinstance(load, ResistorLoad) and load.temperature_coefficient != 0.0
            for load in (self._load, self._second_load)
        )
        return (
            True,
            self.effects.mains,
            True,
            hot or self.defects.ambient_rise > 0.0,
            moving_load or self.defects.load != 1.0,
            point.limiter > 0.0,
            point.second_load > 0.0 and (moving_second or driven),
        )

    def run_circuit(
        self, circuit: RectifierCircuit, point: OperatingPoint, periods: int, *, freely: bool = False
    ) -> tuple[Cycle, bool]:
        """Step `circuit` through at most `periods`, fewer once a period repeats the one before.

        Return the last period, and whether it repeated. Over many periods, slow states are extrapolated (`SlowStates`).
        Where only the settled period matters (`freely`), so is charge that would be kept; what `point` has as stored
        stays.
        """
        wave, now = self._wave(point), self._conditions(point)
        self._fit(circuit, point)
        seconds, slope = 1.0 / now.frequency, 2.0 * now.diodes[0].slope
        settling = None
        if periods > PATIENCE and wave.any():
            settling = SlowStates(circuit, seconds, slope, pinned=point.kept, freely=freely)
        pins = [at for at, port in circuit.outputs.capacitors if port in point.kept]
        circuit.set_stored(pins, point.stored)
        cycle = circuit.run(wave, now)
        left, moved = periods - 1, False
        while left > 0:
            flux, before = circuit.flux, cycle
            if settling is not None:
                moved = settling.extrapolate(periods - 1 - left)
            circuit.set_stored(pins, point.stored)
            stored = circuit.slow_states
            cycle = circuit.run(wave, now)
            left -= 1
            still = abs(circuit.flux - flux) <= SETTLED_FLUX * circuit.rated_flux and not moved
            repeats = still and cycle.repeats(before, SETTLED)
            if repeats and (freely or wave.any()):
                if not freely:
                    leak(circuit, stored, left, powered=True)
                return cycle, True
            # A discharge proceeds in ever smaller steps, so a small change relative to the rest is no sign of its end.
            if not wave.any() and cycle.is_spent(before):
                return cycle, True
            if repeats:
                left -= leak(circuit, stored, left, powered=False)
        return cycle, False

    def _wave(self, point: OperatingPoint) -> Floats:
        defects = self.defects
        wave = self._mains.wave(point.volts, point.shape, defects.mains_distortion, defects.mains_direct)
        return np.zeros_like(wave) if point.volts == 0.0 else wave

    def _fit(self, circuit: RectifierCircuit, point: OperatingPoint) -> None:
        """Give `circuit` its loads, and its capacitors their defects."""
        defects, outputs = self.defects, circuit.outputs
        for rail, load in zip(outputs.rails, self._loads_at(point), strict=False):
            rail.load = load
        if outputs.reservoir is not None:
            outputs.reservoir.left, outputs.reservoir.esr_factor = defects.reservoir_left, defects.reservoir_esr
        if outputs.second_reservoir is not None:
            outputs.second_reservoir.left = defects.second_reservoir_left
            outputs.second_reservoir.esr_factor = defects.second_reservoir_esr

    def _operating_point(self) -> OperatingPoint:
        """Return what the periods of this moment depend on."""
        defects, thermal, ambient = self.defects, self._thermal, self._ambient
        powered = (self._mains.on or defects.stuck) and not self.fuse_blown
        load, second = self._loads_now()
        gradual = replace(defects, load=1.0, second_load=None, ambient_rise=0.0, cooling=1.0, mains=1.0, diodes={})
        diodes = tuple(sorted(defects.diodes.items()))
        return OperatingPoint(
            volts=self._mains.level(self._time) * defects.mains if powered else 0.0,
            shape=self._mains.shape(self._time),
            copper=thermal.copper(ambient),
            # Silicon is destroyed beyond; the law would only overflow.
            junctions=tuple(min(ambient + junction.rise, HOTTEST) for junction in thermal.junctions),
            load=_size_of(load),
            second_load=_size_of(second) if self.wiring.has_two_outputs else 0.0,
            limiter=thermal.limiter_ohms(ambient),
            others=(repr(gradual), diodes, type(load).__name__, type(second).__name__, powered),
        )

    @property
    def _ambient(self) -> float:
        return self.parts.ambient + self._room.at(self._time) + self.defects.ambient_rise

    def _conditions(self, point: OperatingPoint) -> PeriodConditions:
        parts, defects = self.parts, self.defects
        copper = point.copper * defects.windings
        return PeriodConditions(
            frequency=self._mains.frequency(self._time),
            primary_resistance=parts.source_resistance
            + point.limiter
            + parts.fuse_resistance
            + parts.primary_resistance * copper
            + defects.primary_ohms,
            secondary_resistance=parts.secondary_resistance * copper + defects.secondary_ohms,
            diodes=tuple(self._diode_state(at, junction) for at, junction in enumerate(point.junctions)),
            polarities=(-1 if 1 in defects.reversed_windings else 1, -1 if 2 in defects.reversed_windings else 1),
            turns=defects.turns,
            shorted=defects.shorted,
        )

    def _diode_state(self, at: int, junction: float) -> DiodeState:
        law = self.defects.diode_law or self.parts.diode
        condition = self.defects.diodes.get(at + 1, "healthy")
        saturation = law.saturation_at(junction) * self.parts.matching[at]
        return DiodeState(law.slope_voltage(junction), saturation, law.series_resistance, condition)

    @property
    def _second_load(self) -> Load:
        """The load of the second output, before defects; without one, or where it is like the first, the first one."""
        if self._second_set is not None:
            return self._second_set
        is_changed = self._load is not self.parts.load
        if self.parts.second is None or (self._follows_first and is_changed):
            return self._load
        return self.parts.second.load

    def _loads_now(self) -> tuple[Load, Load]:
        """Return the loads of both outputs, warm and with their defects."""
        defects, thermal = self.defects, self._thermal
        factor, is_open = defects.second_load, defects.second_load_open
        if factor is None:
            factor = 1.0 if self.outputs_apart else defects.load
        if is_open is None:
            is_open = defects.load_open and not self.outputs_apart
        return (
            _load_in_use(self._load, thermal.load.rise, defects.load, is_open=defects.load_open),
            _load_in_use(self._second_load, thermal.second_load.rise, factor, is_open=is_open),
        )

    def _loads_at(self, point: OperatingPoint) -> tuple[Load, Load]:
        load, second = self._loads_now()
        return _load_of_size(load, point.load), _load_of_size(second, point.second_load)

    def _advance_temperatures(self, period: PeriodValues, seconds: float) -> None:
        thermal, parts, values = self._thermal, self.parts, period.quantities
        cooling, still = self.defects.cooling * thermal.moving_air(self._time), self.defects.cooling
        line, volts, ambient = values["mains.current.rms"] ** 2, values["mains.voltage.rms"], self._ambient
        copper = parts.primary_resistance * line + parts.secondary_resistance * period.winding_squares
        iron = parts.curve.conductance(volts) * volts**2 if parts.curve else self._no_load.loss(volts)
        iron += self.defects.shorted * volts**2
        if thermal.limiter:
            thermal.limiter.advance(thermal.limiter.ohms(ambient) * line, seconds, cooling)
        if thermal.reservoir:
            esr = parts.reservoir_esr * self.defects.reservoir_esr / self.defects.reservoir_left
            thermal.reservoir.advance(esr * values["reservoir.current.rms"] ** 2, seconds, cooling)
        if thermal.regulator:
            thermal.regulator.advance(values["regulator.power.mean"], seconds, cooling)
        if self._fuse is not None:
            self._fuse.advance(line, seconds)
        # A transformer is too large for moving air to matter within minutes.
        thermal.transformer.advance(thermal.copper(ambient) * self.defects.windings * copper + iron, seconds, still)
        thermal.load.advance(values["load.power.mean"], seconds, cooling)
        self._warm_second_output(values, seconds, cooling)
        for junction, power in zip(thermal.junctions, period.diode_powers, strict=True):
            junction.advance(power, seconds, cooling)

    def _warm_second_output(self, values: dict[str, float], seconds: float, cooling: float) -> None:
        thermal, parts, defects = self._thermal, self.parts, self.defects
        if thermal.second_reservoir and "reservoir_2.current.rms" in values:
            twin = parts.filter if parts.twin_filter is None else parts.twin_filter
            esr = esr_of_first(twin) * defects.second_reservoir_esr / defects.second_reservoir_left
            thermal.second_reservoir.advance(esr * values["reservoir_2.current.rms"] ** 2, seconds, cooling)
        if thermal.second_regulator and "regulator_2.power.mean" in values:
            thermal.second_regulator.advance(values["regulator_2.power.mean"], seconds, cooling)
        thermal.second_load.advance(values.get("load_2.power.mean", 0.0), seconds, cooling)

    def period_values(self, circuit: RectifierCircuit, cycle: Cycle, point: OperatingPoint) -> PeriodValues:
        """Return the values of `cycle`, the last period of `circuit`, at `point`."""
        line = measures.line_side(cycle, self._no_load, self.parts.source_resistance)
        if self.fuse_blown:
            dead = np.zeros_like(line.current)
            volts = self._mains.level(self._time) * self.defects.mains if self._mains.on or self.defects.stuck else 0.0
            live = self._mains.wave(volts, point.shape, self.defects.mains_distortion, self.defects.mains_direct)
            line = measures.LineSide(live if volts else dead, dead)
        outputs = self._circuit.outputs
        load, second_load = self._loads_at(point)
        values = measures.mains_quantities(line, cycle.frequency)
        values |= measures.secondary_quantities(cycle) | measures.diode_quantities(cycle)
        values |= measures.output_quantities(cycle, load)
        if outputs.reservoir is not None:
            values |= measures.reservoir_quantities(cycle)
        if self.parts.regulator is not None:
            values |= measures.regulator_quantities(cycle, self.parts.regulator, load)
        waves = measures.waveforms(cycle, line, load)
        if cycle.second is not None:
            second = self.parts.second or LoadedRail(self.parts.regulator, self.parts.load)
            found, more = measures.of_second_output(cycle, LoadedRail(second.regulator, second_load), self._across)
            values, waves = values | found, waves | more
        return PeriodValues(values, cycle.winding_squares, cycle.diode_powers, waves, circuit.states)

    def _observe(self, period: PeriodValues) -> Snapshot:
        return Snapshot(self._time, period.quantities | self._thermal.temperatures(self._ambient), period.waveforms)


def _connected(load: float | Literal["open"] | CurrentLoad) -> Load:
    """Return a load that is set as a part. Raises `BadInput` for a resistance that is not above zero."""
    if load == "open":
        return OpenLoad(kind="open")
    if isinstance(load, CurrentLoad):
        return load
    if load > 0.0:
        return ResistorLoad(kind="resistor", resistance=load)
    raise BadInput(f"{load} Ω is no load; give a resistance above zero, or open")


def _size_of(load: Load) -> float:
    """Return a load's ohms or amperes, 0 of none."""
    return load.resistance if isinstance(load, ResistorLoad) else load.current if isinstance(load, CurrentLoad) else 0.0


def _load_in_use(load: Load, rise: float, factor: float, *, is_open: bool) -> Load:
    """Return a load warmer by `rise` kelvins that draws `factor` times the current."""
    if is_open:
        return OpenLoad(kind="open")
    if isinstance(load, ResistorLoad):
        warm = max(0.01, 1.0 + load.temperature_coefficient * rise)
        return load.model_copy(update={"resistance": load.resistance * warm / factor})
    if isinstance(load, CurrentLoad):
        return load.model_copy(update={"current": load.current * factor})
    return load


def _load_of_size(load: Load, size: float) -> Load:
    """Return a load of other ohms or amperes."""
    if isinstance(load, ResistorLoad):
        return load.model_copy(update={"resistance": size})
    return load.model_copy(update={"current": size}) if isinstance(load, CurrentLoad) else load
