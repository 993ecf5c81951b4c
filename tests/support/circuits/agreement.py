"""How near a prediction must come to the reference: means and rms 0.1 %, peaks and ripple 0.3 %, factors 0.001."""

from __future__ import annotations

from benchmon.bench import Bench
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.solved import solve

PEAKS = ("peak", "ripple", "crest_factor")
LOWS = ("valley", "headroom")


def predicted(bench: Bench) -> dict[str, float]:
    """Return the predicted electrical quantities, without their uncertainties."""
    return {name: float(value[0]) for name, value in solve(bench, parts_of(bench)).quantities.items()}


def allowed(quantity: str, expected: float, scale: float) -> float:
    """Return the largest difference allowed; `scale` is the peak of the output voltage.

    A valley may be next to zero, and the ripple of a regulated output is zero: both are judged against the wave.
    """
    how = quantity.rpartition(".")[2]
    if how == "thd":
        return 0.002
    if how in ("power_factor", "displacement_factor"):
        return 0.001
    if how in LOWS:
        return max(0.003 * abs(expected), 0.001 * scale)
    least = {"ripple": 1e-5 * scale, "ac_rms": 1e-5 * scale, "ripple_factor": 1e-5}.get(how, 0.0)
    return max((0.003 if how in PEAKS or how == "reverse_peak" else 0.001) * abs(expected), least)


def shares(found: dict[str, float], expected: dict[str, float]) -> dict[str, float]:
    """Return, for every quantity of the reference, the part of the allowed difference that is used up."""
    scale = expected["output.voltage.peak"]
    return {
        name: abs(found[name] - value) / allowed(name, value, scale) if value or found[name] else 0.0
        for name, value in expected.items()
    }
