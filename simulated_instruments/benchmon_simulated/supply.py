"""The supply under test: parts that differ from the bench file, warming up, on mains that wander.

It knows no clock and never sleeps: whoever owns it says how much time has passed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from benchmon.bench import Bench, Load, OpenLoad, ResistorLoad
from benchmon.errors import BadInput
from benchmon_simulated import measures
from benchmon_simulated.circuit import Conditions, Cycle, Floats, RectifierCircuit
from benchmon_simulated.mains import MainsSocket, Wander
from benchmon_simulated.parts import ActualParts, draw_parts
from benchmon_simulated.thermal import Warmth

SLICE = 0.25
"""Seconds for which temperatures and the mains are held while the circuit is stepped."""

SETTLED = 2e-5
"""The circuit repeats itself once no voltage changes by more than this part of its peak from period to period."""


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

    Raises `BadInput` for a circuit that is not simulated.
    """

    def __init__(self, bench: Bench, seed: int = 1) -> None:
        self.parts: ActualParts = draw_parts(bench, seed)
        parts, transformer = self.parts, bench.transformer
        self._mains = MainsSocket(parts.mains_voltage, parts.mains_frequency, bench.mains.voltage_thd, seed)
        self._circuit = RectifierCircuit(bench, parts)
        self._no_load = measures.NoLoad.of(
            transformer.primary_voltage, transformer.no_load_current, transformer.no_load_loss
        )
        self._warmth = Warmth(bench)
        self._load = parts.load
        self._room = Wander(600.0, 0.2, float(seed))
        self._time = self._owed_periods = 0.0
        self.snapshot = self._observe(self._run(1))

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

    def advance(self, seconds: float) -> Snapshot:
        """Let `seconds` pass and return the state then, which stays `snapshot` until the next time."""
        slices = max(1, math.ceil(seconds / SLICE))
        for _ in range(slices):
            self._advance_slice(seconds / slices)
        return self.snapshot

    def _advance_slice(self, seconds: float) -> None:
        self._time += seconds
        owed = self._owed_periods + seconds * self.parts.mains_frequency
        due = max(1, int(owed))
        self._owed_periods = max(0.0, owed - due)
        self.snapshot = self._observe(self._run(due))
        self._warm_up(self.snapshot.values, seconds)

    def _run(self, periods: int) -> Cycle:
        """Step through at most `periods`, fewer once the circuit repeats itself."""
        wave, now = self._mains.wave(self._time), self._conditions()
        self._circuit.ladder.load = self._warm_load()
        cycle = self._circuit.run(wave, now)
        for _ in range(periods - 1):
            before, cycle = cycle, self._circuit.run(wave, now)
            # A discharge without mains goes on for ever in ever smaller steps, so it is never taken as settled.
            if self._mains.on and cycle.repeats(before, SETTLED):
                break
        return cycle

    @property
    def _ambient(self) -> float:
        return self.parts.ambient + self._room.at(self._time)

    def _conditions(self) -> Conditions:
        parts, warmth, ambient = self.parts, self._warmth, self._ambient
        junction = ambient + warmth.junction.rise
        return Conditions(
            frequency=self._mains.frequency(self._time),
            primary_resistance=parts.source_resistance
            + warmth.limiter_ohms(ambient)
            + parts.fuse_resistance
            + parts.primary_resistance * warmth.copper,
            secondary_resistance=parts.secondary_resistance * warmth.copper,
            slope_voltage=parts.diode.slope_voltage(junction),
            saturation=parts.diode.saturation_at(junction),
        )

    def _warm_load(self) -> Load:
        load = self._load
        if not isinstance(load, ResistorLoad):
            return load
        factor = 1.0 + load.temperature_coefficient * self._warmth.load.rise
        return load.model_copy(update={"resistance": load.resistance * max(0.01, factor)})

    def _warm_up(self, values: dict[str, float], seconds: float) -> None:
        warmth, parts, wiring = self._warmth, self.parts, self._circuit.wiring
        line, winding = values["mains.current.rms"] ** 2, values["secondary.current.rms"] ** 2
        copper = warmth.copper * (
            parts.primary_resistance * line + wiring.windings * parts.secondary_resistance * winding
        )
        iron = self._no_load.loss(values["mains.voltage.rms"])
        if warmth.limiter:
            warmth.limiter.advance(warmth.limiter.ohms(self._ambient) * line, seconds)
        if warmth.reservoir:
            warmth.reservoir.advance(parts.reservoir_esr * values["reservoir.current.rms"] ** 2, seconds)
        warmth.transformer.advance(copper + iron, seconds)
        warmth.load.advance(values["load.power.mean"], seconds)
        warmth.junction.advance(values["diode.power.mean"], seconds)

    def _observe(self, cycle: Cycle) -> Snapshot:
        line = measures.line_side(cycle, self._circuit.path_ratio, self._no_load, self.parts.source_resistance)
        values = measures.mains_quantities(line, cycle.frequency)
        values |= measures.secondary_quantities(cycle) | measures.diode_quantities(cycle)
        values |= measures.output_quantities(cycle, self._circuit.ladder.load)
        if self._circuit.ladder.reservoir is not None:
            values |= measures.reservoir_quantities(cycle)
        values |= self._warmth.temperatures(self._ambient)
        return Snapshot(self._time, values, measures.waveforms(cycle, line))
