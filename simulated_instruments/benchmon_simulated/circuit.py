"""Transformer and rectifier, stepped through one mains period after another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench
from benchmon_simulated.diodes import path_current
from benchmon_simulated.ladder import GEAR, Ladder, Past
from benchmon_simulated.parts import FULL_WAVE, ActualParts

Floats = NDArray[np.float64]

STEPS = 400
"""Time steps a mains period: ten for the 40th harmonic."""


@dataclass(frozen=True)
class Wiring:
    """How windings and diodes lie in one conducting path; `full_wave` where both halves of the mains are used."""

    kind: str
    full_wave: bool
    diodes: int
    in_series: int
    in_parallel: int

    @property
    def windings(self) -> int:
        """How many secondary windings carry current."""
        return 2 if self.kind == "centre tap" else self.in_series * self.in_parallel


def wiring_of(bench: Bench) -> Wiring:
    """Return the wiring of the bench's rectifier. A centre tap conducts through one winding at a time."""
    kind, connection = bench.rectifier.kind, bench.transformer.connection
    tapped = kind == "centre tap"
    return Wiring(
        kind=kind,
        full_wave=FULL_WAVE[kind],
        diodes=2 if kind == "bridge" else 1,
        in_series=2 if connection == "series" and not tapped else 1,
        in_parallel=2 if connection == "parallel" else 1,
    )


@dataclass(frozen=True)
class Conditions:
    """What one period runs under: ohms of the primary circuit and of one winding, the diodes' slope and saturation."""

    frequency: float
    primary_resistance: float
    secondary_resistance: float
    slope_voltage: float
    saturation: float


@dataclass(frozen=True)
class Cycle:
    """One period, evenly stepped, every trace of shape (STEPS,). Volts and amperes.

    `path_current` carries the sign of the conducting half; `winding_voltage` and `winding_current` are those of one
    winding; `diode_current` of one diode; `diode_voltage` is its forward voltage while the path conducts.
    """

    frequency: float
    mains_emf: Floats
    path_current: Floats
    winding_voltage: Floats
    winding_current: Floats
    diode_current: Floats
    diode_voltage: Floats
    reverse_voltage: Floats
    bridge_voltage: Floats
    output_voltage: Floats
    reservoir_voltage: Floats
    reservoir_current: Floats

    def repeats(self, before: Cycle, tolerance: float) -> bool:
        """Return whether bridge and output are as in the period `before`, but for `tolerance` × their peaks."""
        pairs = ((self.bridge_voltage, before.bridge_voltage), (self.output_voltage, before.output_voltage))
        return all(np.abs(now - then).max() <= tolerance * np.abs(now).max() for now, then in pairs)


class RectifierCircuit:
    """The supply from the mains to its load. It keeps the state of its filter from one period to the next."""

    def __init__(self, bench: Bench, parts: ActualParts) -> None:
        self.wiring = wiring_of(bench)
        self.ladder = Ladder(parts.filter, parts.load)
        self.path_ratio = parts.ratio * self.wiring.in_series
        self._parts = parts
        self._flow = Past()

    def run(self, mains_emf: Floats, now: Conditions) -> Cycle:
        """Step through one period of the unloaded mains' voltage, shape (STEPS,), and return what happened."""
        wiring = self.wiring
        ohms = now.secondary_resistance * wiring.in_series / wiring.in_parallel
        ohms += now.primary_resistance * self.path_ratio**2
        inertia = self._parts.leakage * wiring.in_series / wiring.in_parallel * now.frequency * STEPS / GEAR
        traces = self._step(mains_emf * self.path_ratio, ohms, inertia, now)
        path, expected, *others = np.array(traces).T
        return self._cycle(mains_emf, now, ohms * path + inertia * (path - expected), (path, *others))

    def _step(self, emf: Floats, ohms: float, inertia: float, now: Conditions) -> list[tuple[float, ...]]:
        ladder, full_wave, reservoir = self.ladder, self.wiring.full_wave, self.ladder.reservoir
        ladder.set_step(1.0 / (now.frequency * STEPS))
        slope, saturation = self.wiring.diodes * now.slope_voltage, now.saturation
        ohms += self.wiring.diodes * self._parts.diode.series_resistance + inertia
        traces: list[tuple[float, ...]] = []
        for volts in emf.tolist():
            expected = self._flow.expected
            drive = volts + inertia * expected
            sign = -1.0 if full_wave and drive < 0.0 else 1.0
            conductance, source = ladder.seen()
            current = path_current(sign * drive + source / conductance, ohms + 1.0 / conductance, slope, saturation)
            voltage = (current - source) / conductance
            ladder.accept(voltage, current)
            self._flow.accept(sign * current)
            stored = (reservoir.voltage, reservoir.current) if reservoir else (0.0, 0.0)
            traces.append((sign * current, expected, voltage, ladder.output, *stored))
        return traces

    def _cycle(self, mains_emf: Floats, now: Conditions, drop: Floats, traces: tuple[Floats, ...]) -> Cycle:
        path, ladder, output, reservoir, charging = traces
        wiring = self.wiring
        forward = np.maximum(path, 0.0)
        current = np.abs(path) if wiring.full_wave else path
        forward_volts = now.slope_voltage * np.log1p(np.maximum(current, -0.999999 * now.saturation) / now.saturation)
        forward_volts += self._parts.diode.series_resistance * current
        ends = mains_emf * self.path_ratio - drop
        if wiring.kind == "centre tap":
            # The winding that rests still sees the drop that the other's current makes in the primary circuit.
            winding_voltage = ends + now.secondary_resistance * (path - forward)
            reverse = ladder - winding_voltage
            winding_current = forward
        else:
            winding_voltage = ends / wiring.in_series
            reverse = (ladder + np.abs(ends)) / 2.0 if wiring.kind == "bridge" else ladder - ends
            winding_current = path / wiring.in_parallel
        return Cycle(
            frequency=now.frequency,
            mains_emf=mains_emf,
            path_current=path,
            winding_voltage=winding_voltage,
            winding_current=winding_current,
            diode_current=forward if wiring.full_wave else path,
            diode_voltage=forward_volts,
            reverse_voltage=reverse,
            bridge_voltage=ladder,
            output_voltage=output,
            reservoir_voltage=reservoir,
            reservoir_current=charging,
        )
