"""Sweeps predicted: processor time of fifty points of all quantities, and how far they are from full solutions.

    python tests/benchmarks/sweep_figures.py

The points that are solved on a neighbour's mesh are compared with `predict` at the same load or mains.
"""

from __future__ import annotations

import time

import numpy as np

from benchmon.bench import CurrentLoad, SweptOver, load_bench
from benchmon.prediction import predict
from benchmon.prediction.curves.sweep import predict_sweep
from benchmon.prediction.predict import at_step
from benchmon_simulated.scenarios import SCENARIOS

POINTS = 50
CHECKED = 7
"""Every how many points one is compared."""


def main() -> None:
    print("bench          over             s of processor   worst value, of its ±   worst ± off")
    for name in ("bridge", "centre-tap", "doubler", "regulated", "reservoir", "split-rail"):
        scenario = next(each for each in SCENARIOS if each.path.stem == name)
        bench = load_bench(scenario.path)
        amperes = predict(bench).quantities["output.current.mean"].value
        spans: dict[SweptOver, tuple[float, float]] = {
            "load.current": (0.1 * amperes, amperes),
            "load.resistance": (bench.load.resistance, 10 * bench.load.resistance),
            "mains.voltage": (0.9 * bench.mains.voltage, 1.1 * bench.mains.voltage),
        }
        for over, (low, high) in spans.items():
            if over == "load.current" and not bench.filter:
                continue
            values = np.linspace(low, high, POINTS).tolist()
            before = time.process_time()
            found = predict_sweep(bench, over, values)
            spent = time.process_time() - before
            worst, off = 0.0, 0.0
            for point in found.points[::CHECKED]:
                at = (
                    at_step(bench, None, point.value)
                    if over == "mains.voltage"
                    else bench.model_copy(update={"load": CurrentLoad(kind="current", current=point.value)})
                    if over == "load.current"
                    else at_step(bench, point.value, None)
                )
                whole = predict(at, mains_voltage=point.value if over == "mains.voltage" else None)
                for quantity, expected in whole.quantities.items():
                    if expected.uncertainty:
                        near = point.quantities[quantity]
                        worst = max(worst, abs(near.value - expected.value) / expected.uncertainty)
                        off = max(off, abs(near.uncertainty / expected.uncertainty - 1.0))
            print(f"{scenario.name:14} {over:16} {spent:12.2f} {worst:20.4f} {off:18.3f}")


if __name__ == "__main__":
    main()
