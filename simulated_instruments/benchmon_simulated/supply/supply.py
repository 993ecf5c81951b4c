"""The supply under test: parts that differ from the bench file, warming up, on mains that wander.

It knows no clock and never sleeps: whoever owns it says how much time has passed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchmon.bench import Bench, CurrentLoad, Load, OpenLoad, ResistorLoad
from benchmon.errors import BadInput
from benchmon_simulated.supply import measures
from benchmon_simulated.supply.circuit import Cycle, DiodeNow, Floats, PeriodConditions
from benchmon_simulated.supply.mains import MainsSocket, Wander
from benchmon_simulated.supply.parts import SOUND, ActualParts, SupplyDefects, draw_parts
from benchmon_simulated.supply.rectifier import RectifierCircuit
from benchmon_simulated.supply.thermal import FuseElement, ThermalState
from benchmon_simulated.supply.topology import NodeWiring

SLICE = 0.25
"""Seconds for which temperatures and the mains are held while the circuit is stepped."""

HOTTEST = 400.0
"""°C of a junction, at most."""

SETTLED = 2e-5
"""The circuit repeats itself once no voltage changes by more than this part of the largest one between periods."""


@dataclass(frozen=True)
class Snapshot:
    """The true values at `time` (seconds since the bench started), and one period of waveforms.

    Each waveform has the shape (400,); `time` in the waveforms is in seconds from the start of the period. A quantity
    that has no meaning now, such as the power factor without current, is NaN.
    """

    time: float
    values: dict[str, float]
    waveforms: dict[str, Floats]


class SupplyUnderTest:
    """A simulated supply after `bench`, its parts drawn by `seed`. Switched on, and cold, at first.

    `defects` is what is wrong with it, and may be replaced at any time. Raises `BadInput` for a bench that is not
    simulated.
    """

    def __init__(self, bench: Bench, seed: int = 1) -> None:
        self.parts: ActualParts = draw_parts(bench, seed)
        parts, transformer = self.parts, bench.transformer
        self.defects: SupplyDefects = SOUND
        self._mains = MainsSocket(parts.mains_voltage, parts.mains_frequency, bench.mains.voltage_thd, seed)
        self._circuit = RectifierCircuit(bench, parts)
        self._no_load = measures.NoLoad.of(
            transformer.primary_voltage, transformer.no_load_current, transformer.no_load_loss
        )
        self._warmth = ThermalState(bench, len(self.wiring.diodes))
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
        return self._circuit.charged.reservoir is not None

    @property
    def on(self) -> bool:
        """Whether the mains is switched on, as its switch says."""
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
        """Put a new fuse in. Raises `BadInput` where the supply has none."""
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
        """Connect the load that the supply was built with."""
        self._load = self.parts.load

    def advance(self, seconds: float, each: float = SLICE) -> Snapshot:
        """Let `seconds` pass and return the state then, which stays `snapshot` until the next time.

        Slices of more than the usual seconds `each` are for getting warm quickly; the mains then stands still longer.
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
        self._warm_up(cycle, self.snapshot.values, seconds)

    def _run(self, periods: int) -> Cycle:
        """Step through at most `periods`, fewer once the circuit repeats itself."""
        wave, now = self._mains_wave(), self._conditions()
        if self.fuse_blown:
            wave = np.zeros_like(wave)
        charged = self._circuit.charged
        for rail in charged.rails:
            rail.load = self._warm_load()
        if charged.reservoir is not None:
            charged.reservoir.left = self.defects.reservoir_left
        cycle = self._circuit.run(wave, now)
        for _ in range(periods - 1):
            before, cycle = cycle, self._circuit.run(wave, now)
            # A discharge goes on in ever smaller steps, so a small part of what is left is no sign of its end.
            if cycle.repeats(before, SETTLED) if wave.any() else cycle.is_spent(before):
                break
        return cycle

    def _mains_wave(self) -> Floats:
        defects = self.defects
        return self._mains.wave(self._time, defects.mains, defects.mains_distortion, stuck=defects.stuck)

    @property
    def _ambient(self) -> float:
        return self.parts.ambient + self._room.at(self._time) + self.defects.air

    def _conditions(self) -> PeriodConditions:
        parts, warmth, defects, ambient = self.parts, self._warmth, self.defects, self._ambient
        return PeriodConditions(
            frequency=self._mains.frequency(self._time),
            primary_resistance=parts.source_resistance
            + warmth.limiter_ohms(ambient)
            + parts.fuse_resistance
            + parts.primary_resistance * warmth.copper
            + defects.primary_ohms,
            secondary_resistance=parts.secondary_resistance * warmth.copper,
            diodes=tuple(self._diode_now(number, ambient) for number in range(1, len(self.wiring.diodes) + 1)),
            polarities=(-1 if 1 in defects.reversed_windings else 1, -1 if 2 in defects.reversed_windings else 1),
        )

    def _diode_now(self, number: int, ambient: float) -> DiodeNow:
        law, junction = self.parts.diode, ambient + self._warmth.junctions[number - 1].rise
        # Beyond this no silicon is left; the law would only make numbers out of range.
        junction = min(junction, HOTTEST)
        condition = self.defects.diodes.get(number, "sound")
        return DiodeNow(law.slope_voltage(junction), law.saturation_at(junction), law.series_resistance, condition)

    def _warm_load(self) -> Load:
        load, defects = self._load, self.defects
        if defects.load_open:
            return OpenLoad(kind="open")
        if isinstance(load, ResistorLoad):
            factor = max(0.01, 1.0 + load.temperature_coefficient * self._warmth.load.rise)
            return load.model_copy(update={"resistance": load.resistance * factor / defects.load})
        if isinstance(load, CurrentLoad):
            return load.model_copy(update={"current": load.current * defects.load})
        return load

    def _warm_up(self, cycle: Cycle, values: dict[str, float], seconds: float) -> None:
        warmth, parts, cooling = self._warmth, self.parts, self.defects.cooling
        line = values["mains.current.rms"] ** 2
        copper = parts.primary_resistance * line + parts.secondary_resistance * cycle.winding_squares
        iron = self._no_load.loss(values["mains.voltage.rms"])
        if warmth.limiter:
            warmth.limiter.advance(warmth.limiter.ohms(self._ambient) * line, seconds, cooling)
        if warmth.reservoir:
            esr = parts.reservoir_esr / self.defects.reservoir_left
            warmth.reservoir.advance(esr * values["reservoir.current.rms"] ** 2, seconds, cooling)
        if warmth.regulator:
            warmth.regulator.advance(values["regulator.power.mean"], seconds, cooling)
        if self._fuse is not None:
            self._fuse.advance(line, seconds)
        warmth.transformer.advance(warmth.copper * copper + iron, seconds, cooling)
        warmth.load.advance(values["load.power.mean"], seconds, cooling)
        for junction, power in zip(warmth.junctions, cycle.diode_powers, strict=True):
            junction.advance(power, seconds, cooling)

    def _observe(self, cycle: Cycle) -> Snapshot:
        line = measures.line_side(cycle, self._no_load, self.parts.source_resistance)
        if self.fuse_blown:
            wave = self._mains_wave()
            line = measures.LineSide(wave, np.zeros_like(wave))
        charged = self._circuit.charged
        load = charged.first.load
        values = measures.mains_quantities(line, cycle.frequency)
        values |= measures.secondary_quantities(cycle) | measures.diode_quantities(cycle)
        values |= measures.output_quantities(cycle, load)
        if charged.reservoir is not None:
            values |= measures.reservoir_quantities(cycle)
        if self.parts.regulator is not None:
            values |= measures.regulator_quantities(cycle, self.parts.regulator, load)
        values |= self._warmth.temperatures(self._ambient)
        return Snapshot(self._time, values, measures.waveforms(cycle, line, load))
