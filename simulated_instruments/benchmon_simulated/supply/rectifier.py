"""The circuit from the transformer to the load, stepped through one period by the faster of two methods.

With healthy diodes and without leakage inductance, half wave, centre tap and bridge conduct in one path at a time. The
path's current then has a closed form (`SinglePath`). Every other case is solved by `DiodeNetwork`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from benchmon.bench import Bench
from benchmon_simulated.supply.circuit import STEPS, Cycle, Floats, OutputNetwork, PeriodConditions
from benchmon_simulated.supply.core import PrimaryCircuit
from benchmon_simulated.supply.diode import path_current
from benchmon_simulated.supply.diode_network import DiodeNetwork
from benchmon_simulated.supply.filter import StateHistory
from benchmon_simulated.supply.parts import ActualParts
from benchmon_simulated.supply.topology import NodeWiring, wiring_of

SINGLE_PATH_KINDS = ("half wave", "centre tap", "bridge")


class SinglePath:
    """A half wave, centre tap or bridge rectifier; `ratio` is secondary volts of one winding per primary volt."""

    def __init__(self, wiring: NodeWiring, ratio: float, outputs: OutputNetwork) -> None:
        self._wiring, self._ratio, self._outputs = wiring, ratio, outputs
        branches = wiring.branches
        self._in_series = len(branches[0].windings)
        self._tapped = wiring.kind == "centre tap"
        self._in_parallel = 1 if self._tapped else len(branches)
        self._in_path = 2 if wiring.kind == "bridge" else 1

    def run(self, mains_emf: Floats, now: PeriodConditions) -> Cycle:
        """Step through one period of the unloaded mains voltage, shape (STEPS,), and return its waveforms."""
        path_ratio = self._ratio * self._in_series
        ohms = now.secondary_resistance * self._in_series / self._in_parallel
        ohms += now.primary_resistance * path_ratio**2
        path, *others = np.array(self._step(mains_emf * path_ratio, ohms, now)).T
        return self._cycle(mains_emf, now, ohms, (path, *others))

    def _step(self, emf: Floats, ohms: float, now: PeriodConditions) -> list[tuple[float, ...]]:
        chain, reservoir = self._outputs.first, self._outputs.reservoir
        full_wave, diode = bool(self._wiring.backwards), now.diodes[0]
        chain.set_step(1.0 / (now.frequency * STEPS))
        slope, saturation = self._in_path * diode.slope, diode.saturation
        ohms += self._in_path * diode.ohms
        traces: list[tuple[float, ...]] = []
        for volts in emf.tolist():
            sign = -1.0 if full_wave and volts < 0.0 else 1.0
            conductance, source = chain.equivalent()
            current = path_current(sign * volts + source / conductance, ohms + 1.0 / conductance, slope, saturation)
            voltage = (current - source) / conductance
            chain.accept(voltage, current)
            stored = (reservoir.voltage, reservoir.current) if reservoir else (0.0, 0.0)
            traces.append((sign * current, voltage, chain.feed, chain.output, *stored))
        return traces

    def _cycle(self, mains_emf: Floats, now: PeriodConditions, ohms: float, traces: tuple[Floats, ...]) -> Cycle:
        path, chain, feed, output, reservoir, charging = traces
        diode, wiring = now.diodes[0], self._wiring
        path_ratio = self._ratio * self._in_series
        forward = np.maximum(path, 0.0) if wiring.backwards else path
        drop = diode.slope * np.log1p(np.maximum(forward, -0.999999 * diode.saturation) / diode.saturation)
        drop += diode.ohms * forward
        ends = mains_emf * path_ratio - ohms * path
        if self._tapped:
            # The idle winding still has the drop of the other winding's current in the primary circuit.
            winding_voltage = ends + now.secondary_resistance * (path - forward)
            blocked, winding_current = winding_voltage - chain, forward
        else:
            winding_voltage = ends / self._in_series
            blocked = -(chain + np.abs(ends)) / 2.0 if wiring.kind == "bridge" else ends - chain
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
            port_voltages=chain[None, :],
            feed_voltage=feed,
            output_voltage=output,
            reservoir_voltage=reservoir,
            reservoir_current=charging,
        )


class RectifierCircuit:
    """Windings, core, diodes, filters and loads. It keeps its state from one period to the next."""

    def __init__(self, bench: Bench, parts: ActualParts) -> None:
        self.wiring = wiring_of(bench)
        self.outputs = OutputNetwork(parts, self.wiring)
        self.primary = PrimaryCircuit(parts.curve) if parts.curve else None
        leakage = parts.leakage
        if self.primary is not None:
            # The core is stepped beside a network of branches that have inertia.
            ohms = parts.secondary_resistance + parts.primary_resistance * parts.ratio**2
            leakage = max(leakage, 1e-4 * max(ohms, 1e-3) / (2.0 * math.pi * parts.mains_frequency))
        self._network = DiodeNetwork(self.wiring, parts.ratio, leakage, self.outputs, self.primary)
        one_at_a_time = self.wiring.kind in SINGLE_PATH_KINDS and not leakage
        self._single_path = SinglePath(self.wiring, parts.ratio, self.outputs) if one_at_a_time else None

    def run(self, mains_emf: Floats, now: PeriodConditions) -> Cycle:
        """Step through one period of the unloaded mains voltage, shape (STEPS,), and return its waveforms."""
        if self._single_path is not None and now.healthy:
            return self._single_path.run(mains_emf, now)
        return self._network.run(mains_emf, now)

    @property
    def flux(self) -> float:
        """The core's flux linkage in volt seconds at the end of the last period; 0 without a core."""
        return self.primary.flux if self.primary else 0.0

    @property
    def rated_flux(self) -> float:
        """The peak of the flux linkage at rated volts, in volt seconds; 0 without a core."""
        return self.primary.rated_flux if self.primary else 0.0

    @property
    def slow_states(self) -> Floats:
        """What moves slowly from period to period: stored volts and amperes, and the flux in volt seconds; (n,)."""
        stored = [history.last for history in self.outputs.histories]
        return np.array(stored + ([self.primary.flux] if self.primary else []))

    @property
    def states(self) -> Floats:
        """All states: those stored at the last step, those at the one before, then the core's; (n,)."""
        histories = self._histories
        last, before = [each.last for each in histories], [each.before for each in histories]
        return np.array(last + before + (self.primary.states if self.primary else []))

    @states.setter
    def states(self, states: Floats) -> None:
        histories, values = self._histories, states.tolist()
        count = len(histories)
        for history, last, before in zip(histories, values, values[count:], strict=False):
            history.last, history.before = last, before
        if self.primary is not None:
            self.primary.states = values[2 * count :]

    @property
    def _histories(self) -> list[StateHistory]:
        return [*self.outputs.histories, *self._network.flows]

    def set_stored(self, places: Sequence[int], volts: Sequence[float]) -> None:
        """Set the states at some places of `slow_states` to so many volts; how fast they move stays."""
        histories = self.outputs.histories
        for at, there in zip(places, volts, strict=True):
            histories[at].shift(there - histories[at].last)

    def shift_states(self, changes: Floats) -> None:
        """Add `changes`, shape (n,), to the `slow_states`."""
        shifts = changes.tolist()
        if self.primary is not None:
            self.primary.flux += shifts.pop()
        for history, change in zip(self.outputs.histories, shifts, strict=True):
            history.shift(change)
