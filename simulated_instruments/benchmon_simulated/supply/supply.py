"""The supply under test: actual parts that warm up, on mains that wander.

It has no clock and never sleeps: its owner advances it by the time that has passed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchmon.bench import Bench, CurrentLoad, Load, OpenLoad, ResistorLoad
from benchmon.errors import BadInput
from benchmon_simulated.supply import measures
from benchmon_simulated.supply.circuit import Cycle, DiodeState, Floats, PeriodConditions
from benchmon_simulated.supply.mains import MainsSocket, Wander
from benchmon_simulated.supply.parts import HEALTHY, ActualParts, SupplyDefects, draw_parts
from benchmon_simulated.supply.rectifier import RectifierCircuit
from benchmon_simulated.supply.thermal import FuseElement, ThermalState
from benchmon_simulated.supply.topology import NodeWiring

SLICE = 0.25
"""Seconds for which temperatures and mains stay constant while the circuit is stepped."""

HOTTEST = 400.0
"""The highest junction temperature of the diode model, °C."""

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
    waveforms: dict[str, Floats]


class SupplyUnderTest:
    """A simulated supply built from `bench`, its parts drawn with `seed`. At first it is switched on, and cold.

    `defects` may be replaced at any time. Raises `BadInput` for a circuit that is not simulated.
    """

    def __init__(self, bench: Bench, seed: int = 1) -> None:
        self.parts: ActualParts = draw_parts(bench, seed)
        parts, transformer = self.parts, bench.transformer
        self.defects: SupplyDefects = HEALTHY
        self._mains = MainsSocket(parts.mains_voltage, parts.mains_frequency, bench.mains.voltage_thd or 0.0, seed)
        self._circuit = RectifierCircuit(bench, parts)
        self._no_load = measures.NoLoad.of(
            transformer.primary_voltage, transformer.no_load_current, transformer.no_load_loss
        )
        self._thermal = ThermalState(bench, len(self.wiring.diodes))
        self._rating = bench.fuse
        self._fuse = FuseElement(bench.fuse) if bench.fuse else None
        self._load = parts.load
        self._room = Wander(600.0, 0.2, float(seed))
        self._time = self._owed_periods = 0.0
        self.snapshot = self._observe(self._run(1))

    @property
    def wiring(self) -> NodeWiring:
        """How its windings and diodes are connected."""
        return self._circuit.wiring

    @property
    def has_reservoir(self) -> bool:
        """Whether there is a capacitor behind the rectifier."""
        return self._circuit.outputs.reservoir is not None

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

    def set_load(self, load: float | Literal["open"]) -> None:
        """Connect another load: ohms, or none. Raises `BadInput` for a resistance that is not above zero."""
        if load == "open":
            self._load = OpenLoad(kind="open")
        elif load > 0.0:
            self._load = ResistorLoad(kind="resistor", resistance=load)
        else:
            raise BadInput(f"{load} Ω is no load; give a resistance above zero, or open")

    def restore_load(self) -> None:
        """Connect the original load again."""
        self._load = self.parts.load

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
        cycle = self._run(due)
        self.snapshot = self._observe(cycle)
        self._advance_temperatures(cycle, self.snapshot.values, seconds)

    def _run(self, periods: int) -> Cycle:
        """Step through at most `periods`, fewer once a period repeats the one before."""
        wave, now = self._mains_wave(), self._conditions()
        if self.fuse_blown:
            wave = np.zeros_like(wave)
        outputs = self._circuit.outputs
        for rail in outputs.rails:
            rail.load = self._load_now()
        if outputs.reservoir is not None:
            outputs.reservoir.left = self.defects.reservoir_left
        cycle = self._circuit.run(wave, now)
        for _ in range(periods - 1):
            before, cycle = cycle, self._circuit.run(wave, now)
            # A discharge proceeds in ever smaller steps, so a small change relative to the rest is no sign of its end.
            if cycle.repeats(before, SETTLED) if wave.any() else cycle.is_spent(before):
                break
        return cycle

    def _mains_wave(self) -> Floats:
        defects = self.defects
        return self._mains.wave(self._time, defects.mains, defects.mains_distortion, stuck=defects.stuck)

    @property
    def _ambient(self) -> float:
        return self.parts.ambient + self._room.at(self._time) + self.defects.ambient_rise

    def _conditions(self) -> PeriodConditions:
        parts, thermal, defects, ambient = self.parts, self._thermal, self.defects, self._ambient
        return PeriodConditions(
            frequency=self._mains.frequency(self._time),
            primary_resistance=parts.source_resistance
            + thermal.limiter_ohms(ambient)
            + parts.fuse_resistance
            + parts.primary_resistance * thermal.copper
            + defects.primary_ohms,
            secondary_resistance=parts.secondary_resistance * thermal.copper,
            diodes=tuple(self._diode_state(number, ambient) for number in range(1, len(self.wiring.diodes) + 1)),
            polarities=(-1 if 1 in defects.reversed_windings else 1, -1 if 2 in defects.reversed_windings else 1),
        )

    def _diode_state(self, number: int, ambient: float) -> DiodeState:
        law, junction = self.parts.diode, ambient + self._thermal.junctions[number - 1].rise
        # Silicon is destroyed beyond; the law would only overflow.
        junction = min(junction, HOTTEST)
        condition = self.defects.diodes.get(number, "healthy")
        return DiodeState(law.slope_voltage(junction), law.saturation_at(junction), law.series_resistance, condition)

    def _load_now(self) -> Load:
        load, defects = self._load, self.defects
        if defects.load_open:
            return OpenLoad(kind="open")
        if isinstance(load, ResistorLoad):
            factor = max(0.01, 1.0 + load.temperature_coefficient * self._thermal.load.rise)
            return load.model_copy(update={"resistance": load.resistance * factor / defects.load})
        if isinstance(load, CurrentLoad):
            return load.model_copy(update={"current": load.current * defects.load})
        return load

    def _advance_temperatures(self, cycle: Cycle, values: dict[str, float], seconds: float) -> None:
        thermal, parts, cooling = self._thermal, self.parts, self.defects.cooling
        line = values["mains.current.rms"] ** 2
        copper = parts.primary_resistance * line + parts.secondary_resistance * cycle.winding_squares
        iron = self._no_load.loss(values["mains.voltage.rms"])
        if thermal.limiter:
            thermal.limiter.advance(thermal.limiter.ohms(self._ambient) * line, seconds, cooling)
        if thermal.reservoir:
            esr = parts.reservoir_esr / self.defects.reservoir_left
            thermal.reservoir.advance(esr * values["reservoir.current.rms"] ** 2, seconds, cooling)
        if thermal.regulator:
            thermal.regulator.advance(values["regulator.power.mean"], seconds, cooling)
        if self._fuse is not None:
            self._fuse.advance(line, seconds)
        thermal.transformer.advance(thermal.copper * copper + iron, seconds, cooling)
        thermal.load.advance(values["load.power.mean"], seconds, cooling)
        for junction, power in zip(thermal.junctions, cycle.diode_powers, strict=True):
            junction.advance(power, seconds, cooling)

    def _observe(self, cycle: Cycle) -> Snapshot:
        line = measures.line_side(cycle, self._no_load, self.parts.source_resistance)
        if self.fuse_blown:
            wave = self._mains_wave()
            line = measures.LineSide(wave, np.zeros_like(wave))
        outputs = self._circuit.outputs
        load = outputs.first.load
        values = measures.mains_quantities(line, cycle.frequency)
        values |= measures.secondary_quantities(cycle) | measures.diode_quantities(cycle)
        values |= measures.output_quantities(cycle, load)
        if outputs.reservoir is not None:
            values |= measures.reservoir_quantities(cycle)
        if self.parts.regulator is not None:
            values |= measures.regulator_quantities(cycle, self.parts.regulator, load)
        values |= self._thermal.temperatures(self._ambient)
        return Snapshot(self._time, values, measures.waveforms(cycle, line, load))
