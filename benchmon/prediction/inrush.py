"""What a saturated transformer core may draw at switch-on: an estimate from above, with its assumptions stated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.heat import ntc_resistance
from benchmon.prediction.parts import parts_of

REMANENCE = 0.8
"""Flux that may be left in the core, in parts of its normal peak: a toroid without a gap; stacked cores keep less."""

SATURATION = 1.25
"""Flux at which the core saturates, in parts of the normal peak flux: about 1.9 T in a core that works at 1.5 T."""


@dataclass(frozen=True)
class CoreInrush:
    """An estimate from above of the magnetising inrush: `peak` in amperes of the line, `i2t` in A²s.

    `resistance` is the cold primary circuit's ohms, all that limits it here; `saturated_from` the angle in degrees
    after closing at a zero of the mains. Both figures are None where the bench file gives no resistance at all.
    """

    peak: float | None
    i2t: float | None
    resistance: float
    saturated_from: float


def core_inrush(bench: Bench, mains_voltage: float, remanence: float = REMANENCE) -> CoreInrush:
    """Return the worst magnetising inrush at `mains_voltage` (V rms), closed at its zero.

    The flux starts at `remanence` r and would swing on by twice its peak, m = mains/primary voltage. Past saturation s
    the winding is taken as the bare resistance R of the cold primary circuit: its air-core inductance is not known and
    would only lower the current. So i = V̂·sin θ/R from θs = arccos(1 − (s − r)/m) to π, where the voltage turns, and
    I²t = (V̂/R)²/ω·((π − θs)/2 + sin(2θs)/4). Source: textbook transformer theory (flux doubling), from memory.
    """
    level = mains_voltage / bench.transformer.primary_voltage
    start = float(np.arccos(np.clip(1.0 - (SATURATION - remanence) / level, -1.0, 1.0)))
    parts = parts_of(bench)
    resistance = bench.mains.source_resistance + bench.transformer.primary_resistance
    resistance += bench.fuse.resistance if bench.fuse else 0.0
    if bench.ntc is not None:
        resistance += float(ntc_resistance(parts, parts["ambient.temperature"])[0])
    if resistance <= 0.0:
        return CoreInrush(None, None, resistance, float(np.degrees(start)))
    top = float(np.sqrt(2.0)) * mains_voltage / resistance
    peak = top * float(np.sin(max(start, np.pi / 2.0)))
    i2t = top**2 / (2.0 * np.pi * bench.mains.frequency) * ((np.pi - start) / 2.0 + np.sin(2.0 * start) / 4.0)
    return CoreInrush(peak, float(i2t), resistance, float(np.degrees(start)))
