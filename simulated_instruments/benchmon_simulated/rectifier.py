"""The supply from the transformer to its load. Where nothing forbids it, a period is stepped the quick way."""

from __future__ import annotations

from benchmon.bench import Bench
from benchmon_simulated.circuit import Charged, Conditions, Cycle, Floats
from benchmon_simulated.diode_network import DiodeNetwork
from benchmon_simulated.parts import ActualParts
from benchmon_simulated.single_path import SinglePath
from benchmon_simulated.wirings import wiring_of


class RectifierCircuit:
    """Windings, diodes, and what they charge. Its state stays from one period to the next."""

    def __init__(self, bench: Bench, parts: ActualParts) -> None:
        self.wiring = wiring_of(bench)
        self.charged = Charged(parts, self.wiring)
        self._network = DiodeNetwork(self.wiring, parts.ratio, parts.leakage, self.charged)
        one_at_a_time = self.wiring.topology.is_plain and not parts.leakage
        self._single_path = SinglePath(self.wiring, parts.ratio, self.charged) if one_at_a_time else None

    def run(self, mains_emf: Floats, now: Conditions) -> Cycle:
        """Step through one period of the unloaded mains' voltage, shape (STEPS,), and return what happened."""
        if self._single_path is not None and now.sound:
            return self._single_path.run(mains_emf, now)
        return self._network.run(mains_emf, now)
