"""The supply from the transformer to its load. Where nothing forbids it, a period is stepped the quick way.

The quick way through a period: sound diodes without leakage inductance, of which one path conducts at a time.

The path's current then has a closed form, and nothing need be solved.
"""

from __future__ import annotations

import numpy as np

from benchmon.bench import Bench
from benchmon_simulated.supply.circuit import STEPS, Charged, Cycle, Floats, PeriodConditions
from benchmon_simulated.supply.diode import path_current
from benchmon_simulated.supply.diode_network import DiodeNetwork
from benchmon_simulated.supply.parts import ActualParts
from benchmon_simulated.supply.topology import NodeWiring, wiring_of


class SinglePath:
    """A half wave, centre tap or bridge rectifier; `ratio` is secondary volts of one winding per primary volt."""

    def __init__(self, wiring: NodeWiring, ratio: float, charged: Charged) -> None:
        self._wiring, self._ratio, self._charged = wiring, ratio, charged
        branches = wiring.branches
        self._in_series = len(branches[0].windings)
        self._tapped = wiring.topology.is_tapped
        self._in_parallel = 1 if self._tapped else len(branches)
        self._in_path = wiring.topology.drops

    def run(self, mains_emf: Floats, now: PeriodConditions) -> Cycle:
        """Step through one period of the unloaded mains' voltage, shape (STEPS,), and return what happened."""
        path_ratio = self._ratio * self._in_series
        ohms = now.secondary_resistance * self._in_series / self._in_parallel
        ohms += now.primary_resistance * path_ratio**2
        path, *others = np.array(self._step(mains_emf * path_ratio, ohms, now)).T
        return self._cycle(mains_emf, now, ohms, (path, *others))

    def _step(self, emf: Floats, ohms: float, now: PeriodConditions) -> list[tuple[float, ...]]:
        ladder, reservoir = self._charged.first, self._charged.reservoir
        full_wave, diode = bool(self._wiring.backwards), now.diodes[0]
        ladder.set_step(1.0 / (now.frequency * STEPS))
        slope, saturation = self._in_path * diode.slope, diode.saturation
        ohms += self._in_path * diode.ohms
        traces: list[tuple[float, ...]] = []
        for volts in emf.tolist():
            sign = -1.0 if full_wave and volts < 0.0 else 1.0
            conductance, source = ladder.seen()
            current = path_current(sign * volts + source / conductance, ohms + 1.0 / conductance, slope, saturation)
            voltage = (current - source) / conductance
            ladder.accept(voltage, current)
            stored = (reservoir.voltage, reservoir.current) if reservoir else (0.0, 0.0)
            traces.append((sign * current, voltage, ladder.feed, ladder.output, *stored))
        return traces

    def _cycle(self, mains_emf: Floats, now: PeriodConditions, ohms: float, traces: tuple[Floats, ...]) -> Cycle:
        path, ladder, feed, output, reservoir, charging = traces
        diode, wiring = now.diodes[0], self._wiring
        path_ratio = self._ratio * self._in_series
        forward = np.maximum(path, 0.0) if wiring.backwards else path
        drop = diode.slope * np.log1p(np.maximum(forward, -0.999999 * diode.saturation) / diode.saturation)
        drop += diode.ohms * forward
        ends = mains_emf * path_ratio - ohms * path
        if self._tapped:
            # The winding that rests still sees the drop that the other's current makes in the primary circuit.
            winding_voltage = ends + now.secondary_resistance * (path - forward)
            blocked, winding_current = winding_voltage - ladder, forward
        else:
            winding_voltage = ends / self._in_series
            blocked = -(ladder + np.abs(ends)) / 2.0 if self._in_path > 1 else ends - ladder
            winding_current = path / self._in_parallel
        voltage = np.where(path > 0.0, drop, np.minimum(blocked, 0.0))
        power = float(forward @ drop) / STEPS
        squares = float(winding_current @ winding_current) / STEPS * wiring.windings
        return Cycle(
            frequency=now.frequency,
            mains_emf=mains_emf,
            reflected_current=path_ratio * path,
            winding_voltage=winding_voltage,
            winding_current=winding_current,
            diode_current=forward,
            diode_voltage=voltage,
            diode_powers=(power,) * len(wiring.diodes),
            winding_squares=squares,
            port_voltages=ladder[None, :],
            feed_voltage=feed,
            output_voltage=output,
            reservoir_voltage=reservoir,
            reservoir_current=charging,
        )


class RectifierCircuit:
    """Windings, diodes, and what they charge. Its state stays from one period to the next."""

    def __init__(self, bench: Bench, parts: ActualParts) -> None:
        self.wiring = wiring_of(bench)
        self.charged = Charged(parts, self.wiring)
        self._network = DiodeNetwork(self.wiring, parts.ratio, parts.leakage, self.charged)
        one_at_a_time = self.wiring.topology.is_plain and not parts.leakage
        self._single_path = SinglePath(self.wiring, parts.ratio, self.charged) if one_at_a_time else None

    def run(self, mains_emf: Floats, now: PeriodConditions) -> Cycle:
        """Step through one period of the unloaded mains' voltage, shape (STEPS,), and return what happened."""
        if self._single_path is not None and now.sound:
            return self._single_path.run(mains_emf, now)
        return self._network.run(mains_emf, now)
