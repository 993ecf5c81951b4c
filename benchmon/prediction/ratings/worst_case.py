"""The states in which parts are stressed most: low, normal and high mains, no load, and switching on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench, OpenLoad
from benchmon.prediction.circuit import trace_measures as m
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.predict import SolvedQuantities, solve
from benchmon.prediction.ratings.switch_on import CoreInrush, SwitchOn, core_inrush, switch_on
from benchmon.prediction.thermal.rated_rise import warm_resistance
from benchmon.signals.arrays import Floats

NORMAL, HIGH, LOW = 0, 1, 2


@dataclass(frozen=True)
class WorstCase:
    """A bench in its worst states. `loaded` has the variants NORMAL, HIGH and LOW of the mains; `unloaded` is HIGH.

    `warm_copper` is NORMAL with the windings as warm as their rating lets expect, None where no rating is known.
    """

    bench: Bench
    loaded: SolvedQuantities
    unloaded: SolvedQuantities
    warm_copper: SolvedQuantities | None
    surge: SwitchOn
    core: CoreInrush

    def worst(self, quantity: str) -> float:
        """Return a quantity's largest value with load, over low, normal and high mains."""
        return float(np.max(self.loaded.quantities[quantity]))

    def worst_of_all(self, quantity: str) -> float:
        """Return a quantity's largest value with and without load."""
        return max(self.worst(quantity), float(self.unloaded.quantities[quantity][0]))


def worst_case_of(bench: Bench) -> WorstCase:
    """Return the worst states of a bench. Raises `PredictionError`."""
    nominal, part = bench.mains.voltage, bench.mains.tolerance
    mains = nominal * np.array([1.0, 1.0 + part, max(1.0 - part, 1e-3)])
    parts = parts_of(bench)
    loaded = solve(bench, parts.replaced({"mains.voltage": mains}))
    idle = bench.model_copy(update={"load": OpenLoad(kind="open")})
    unloaded = solve(idle, parts_of(idle).replaced({"mains.voltage": mains[HIGH : HIGH + 1]}))
    high = float(mains[HIGH])
    return WorstCase(
        bench, loaded, unloaded, _warm_copper(bench, loaded), switch_on(bench, high), core_inrush(bench, high)
    )


def _warm_copper(bench: Bench, loaded: SolvedQuantities) -> SolvedQuantities | None:
    celsius = loaded.quantities.get("transformer.temperature")
    if celsius is None:
        return None
    parts = parts_of(bench)
    growth = warm_resistance(1.0, bench.ambient.temperature, celsius[NORMAL : NORMAL + 1])
    names = ("transformer.primary_resistance", "transformer.secondary_resistance")
    return solve(bench, parts.replaced({name: np.atleast_1d(parts[name] * growth) for name in names}))


def capacitor_voltage(solved: SolvedQuantities, index: int) -> Floats:
    """Return the highest volts, (b,), on the filter's capacitor `index` (in a doubler, on one of the first two)."""
    return m.peak_of(_capacitor(solved, index)[0], solved.warm.traces.angle)


def capacitor_current(solved: SolvedQuantities, index: int) -> Floats:
    """Return the rms amperes, (b,), through the filter's capacitor `index`."""
    return m.rms_of(_capacitor(solved, index)[1], solved.warm.traces.weights)


def _capacitor(solved: SolvedQuantities, index: int) -> tuple[Floats, Floats]:
    """Return volts and amperes (b, k) of a capacitor over one whole period, as the traces are."""
    circuit, solution = solved.warm.state.circuit, solved.warm.state.solution
    at = circuit.equations
    placed = at.capacitors[index]
    y, dy = (part.reshape(len(part), -1, at.size) for part in (solution.y, solution.dy))
    if at.wiring.symmetric:
        swap = circuit.exchange.T
        y, dy = np.concatenate([y, y @ swap], axis=1), np.concatenate([dy, dy @ swap], axis=1)
    volts = y[..., list(placed.node)].sum(-1)
    return volts, placed.capacitance[:, None] * dy[..., list(placed.inner)].sum(-1)
