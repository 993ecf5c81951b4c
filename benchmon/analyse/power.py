"""Power of a voltage and a current that were captured together."""

from __future__ import annotations

import math

import numpy as np

from benchmon.analyse.doubts import COVERAGE, Measured
from benchmon.analyse.levels import MOST_FOR_HARMONICS, is_exact
from benchmon.analyse.sampling import averaged
from benchmon.analyse.wave import Wave
from benchmon.prediction.waveform import measure_power

POWER_UNITS = {"active": "W", "apparent": "VA", "power_factor": "", "displacement_factor": ""}
"""What is told of a voltage and a current together, with its unit."""


def measure_pair(voltage: Wave, current: Wave) -> dict[str, Measured]:
    """Return active and apparent power and both factors (IEEE 1459-2010), by the names of `POWER_UNITS`.

    Both waves must be of one capture; the voltage gives the frequency. Factors are negative where power flows back.
    """
    sampled, amperes = voltage.sampled, current.sampled.wave
    volts = sampled.wave
    each = [piece.weights @ (volts.value[piece.chosen] * amperes.value[piece.chosen]) for piece in sampled.pieces]
    few = averaged(amperes, sampled.averaged)
    most = slice(0, MOST_FOR_HARMONICS)
    found = measure_power(sampled.few.time[most], sampled.few.value[most], few.value[most], sampled.frequency)
    active = found.active if is_exact(sampled) else float(np.mean(each))
    scatter = float(np.std(each, ddof=1)) / math.sqrt(len(each)) if len(each) > 1 else 0.0
    return _with_doubts(active, scatter, found.displacement_factor, voltage.measures["rms"], current.measures["rms"])


def _with_doubts(
    active: float, scatter: float, displacement: float, volts: Measured, amperes: Measured
) -> dict[str, Measured]:
    apparent = volts.value * amperes.value
    of_apparent = math.hypot(volts.uncertainty * amperes.value, amperes.uncertainty * volts.value)
    of_active = math.hypot(COVERAGE * scatter, of_apparent)
    factor = active / apparent
    return {
        "active": Measured(active, of_active),
        "apparent": Measured(apparent, of_apparent),
        "power_factor": Measured(factor, math.hypot(of_active, factor * of_apparent) / apparent),
        "displacement_factor": Measured(displacement, of_active / apparent),
    }
