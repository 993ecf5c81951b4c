"""What goes into a predicted supply and what it turns into heat and output, from its traces alone."""

from __future__ import annotations

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.solved import SolvedQuantities

Trace = np.ndarray


def shifted(trace: Trace) -> Trace:
    """Return a full-wave circuit's trace half a period later: the second half's instants repeat the first's."""
    return np.roll(trace, len(trace) // 2)


class Balance:
    """The currents of a solved supply with at most two capacitors, and the powers they make, in watts."""

    def __init__(self, bench: Bench, solved: SolvedQuantities) -> None:
        self.bench, self.warm, self.traces = bench, solved.equilibrium, solved.equilibrium.traces
        self.quantities = {name: float(value[0]) for name, value in solved.quantities.items()}
        self.half_wave = bench.rectifier.kind == "half wave"
        self.rails = 2 if bench.rectifier.kind == "split rail" else 1
        first = self["diode.current"]
        self.second = np.zeros_like(first) if self.half_wave else shifted(first)
        self.net = first - self.second
        doubler = bench.rectifier.kind == "full-wave doubler"
        self.rectified = first if doubler else first + self.second
        self.drawn = self["output.current"] + (self["regulator.quiescent"] if bench.regulator else 0.0)

    def __getitem__(self, name: str) -> Trace:
        return self.traces[name][0]

    def mean(self, trace: Trace) -> float:
        return float(trace @ self.traces.weights)

    def supplied(self) -> float:
        """From the mains' EMF, without what the core turns into heat: its loss, in proportion to its squared EMF."""
        emf = self["mains.source"] - self.primary * self["mains.current"]
        rated = self.bench.transformer.primary_voltage / self.warm.parts["core.turns"][0]
        core = self.warm.parts["core.loss"][0] / rated**2 * self.mean(emf**2)
        return self.mean(self["mains.source"] * self["mains.current"]) - core

    @property
    def primary(self) -> float:
        """The ohms of the primary circuit."""
        ohms = self.bench.transformer.primary_resistance + self.bench.mains.source_resistance
        return ohms + (self.bench.fuse.resistance if self.bench.fuse else 0.0) + self.warm.parts["ntc.resistance"][0]

    def in_windings(self) -> float:
        """Secondaries, and all that is in the primary circuit."""
        transformer = self.bench.transformer
        tapped = self.bench.rectifier.kind in ("centre tap", "split rail")
        used = 2 if tapped or transformer.connection != "single" else 1
        secondary = used * transformer.secondary_resistance * self.mean(self["secondary.current"] ** 2)
        return secondary + self.primary * self.mean(self["mains.current"] ** 2)

    def in_diodes(self) -> float:
        count = {"half wave": 1, "centre tap": 2, "bridge": 4, "split rail": 4, "full-wave doubler": 2}
        return count[self.bench.rectifier.kind] * self.quantities["diode.power.mean"]

    def in_filter(self) -> float:
        """Resistances of what the rectified current and the load's current pass, and of the capacitors."""
        here, lost, capacitors = self.rectified, 0.0, 0
        left = sum(part.kind == "capacitor" for part in self.bench.filter)
        for part in self.bench.filter:
            if part.kind != "capacitor":
                lost += part.resistance * self.mean(here**2)
                continue
            left -= 1
            taken = self["reservoir.current"] if capacitors == 0 else here - self.drawn
            twice = 2 if self.bench.rectifier.kind == "full-wave doubler" and capacitors == 0 else 1
            lost += twice * part.esr * self.mean(taken**2)
            here, capacitors = (self.drawn if left == 0 else here - taken), capacitors + 1
        return self.rails * lost

    def used(self) -> float:
        """Load and regulator."""
        return self.rails * (self.quantities["output.power.mean"] + self.quantities.get("regulator.power.mean", 0.0))

    def missing(self) -> float:
        """The power that the account does not find, as a part of what is supplied."""
        spent = self.in_windings() + self.in_diodes() + self.in_filter() + self.used()
        return (self.supplied() - spent) / max(abs(self.supplied()), 1e-6)
