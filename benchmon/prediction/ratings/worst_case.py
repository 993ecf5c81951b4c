"""Worst-case operating states of a bench: low, normal and high mains, no load, and switch-on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from benchmon.bench import Bench, OpenLoad
from benchmon.prediction.circuit import trace_measures as m
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.circuit.traces import unknowns_over_period
from benchmon.prediction.ratings.switch_on import CoreInrush, SwitchOn, core_inrush, switch_on
from benchmon.prediction.solved import SolvedQuantities, solve
from benchmon.prediction.thermal.rated_rise import copper_warms, warm_resistance
from benchmon.signals.arrays import Floats

NORMAL, HIGH, LOW = 0, 1, 2
"""Variants of the mains voltage in `WorstCase.loaded`."""


@dataclass(frozen=True)
class WorstCase:
    """A bench in its worst-case states: `loaded` with the mains variants NORMAL, HIGH and LOW, `unloaded` with HIGH.

    `warm_copper` is NORMAL with the windings at the temperature estimated from their rating, None without a rating.
    `second` is the same bench seen from its second output, where that differs from the first.
    """

    bench: Bench
    loaded: SolvedQuantities
    unloaded: SolvedQuantities
    warm_copper: SolvedQuantities | None
    surge: SwitchOn
    core: CoreInrush
    second: WorstCase | None = None

    def largest(self, quantity: str) -> float:
        """Return the largest value of a quantity with load, over low, normal and high mains."""
        return float(np.max(self.loaded.quantities[quantity]))

    def largest_at_any_load(self, quantity: str) -> float:
        """Return the largest value of a quantity with and without load."""
        return max(self.largest(quantity), float(self.unloaded.quantities[quantity][0]))


def worst_case_of(bench: Bench) -> WorstCase:
    """Return the worst-case states of a bench. Raises `PredictionError` if the circuit cannot be solved."""
    first = _seen_from_first(bench)
    return replace(first, second=_seen_from_first(bench.seen_from_output_2())) if bench.outputs_apart else first


def _seen_from_first(bench: Bench) -> WorstCase:
    nominal, part = bench.mains.voltage, bench.mains.tolerance
    mains = nominal * np.array([1.0, 1.0 + part, max(1.0 - part, 1e-3)])
    parts = parts_of(bench)
    loaded = solve(bench, parts.replaced({"mains.voltage": mains}))
    none = OpenLoad(kind="open")
    idle = bench.model_copy(update={"load": none, "load_2": none if bench.load_2 is not None else None})
    unloaded = solve(idle, parts_of(idle).replaced({"mains.voltage": mains[HIGH : HIGH + 1]}))
    high = float(mains[HIGH])
    return WorstCase(
        bench, loaded, unloaded, _warm_copper(bench, loaded), switch_on(bench, high), core_inrush(bench, high)
    )


def _warm_copper(bench: Bench, loaded: SolvedQuantities) -> SolvedQuantities | None:
    celsius = loaded.quantities.get("transformer.temperature")
    if celsius is None or copper_warms(bench):
        return None
    parts = parts_of(bench)
    growth = warm_resistance(1.0, bench.ambient.temperature, celsius[NORMAL : NORMAL + 1])
    names = ("transformer.primary_resistance", "transformer.secondary_resistance")
    return solve(bench, parts.replaced({name: np.atleast_1d(parts[name] * growth) for name in names}))


def capacitor_voltage(solved: SolvedQuantities, index: int) -> Floats:
    """Return the peak voltage, (b,), of the filter's capacitor `index`; of a multiplier's, the largest."""
    angle = solved.equilibrium.traces.angle
    peaks: Floats = np.max([m.peak_of(volts, angle) for volts, _ in _capacitor(solved, index)], axis=0)
    return peaks


def capacitor_current(solved: SolvedQuantities, index: int) -> Floats:
    """Return the rms current, (b,), of the filter's capacitor `index`; of a multiplier's, the largest."""
    weights = solved.equilibrium.traces.weights
    largest: Floats = np.max([m.rms_of(amperes, weights) for _, amperes in _capacitor(solved, index)], axis=0)
    return largest


def _capacitor(solved: SolvedQuantities, index: int) -> Iterator[tuple[Floats, Floats]]:
    """Yield voltage and current (b, k) over one whole period of each capacitor that a part of the filter stands for."""
    y, dy = unknowns_over_period(solved.equilibrium.state)
    for placed in solved.equilibrium.state.circuit.equations.placed(index):
        volts = y[..., list(placed.node)].sum(-1)
        yield volts, placed.capacitance[:, None] * dy[..., list(placed.inner)].sum(-1)
