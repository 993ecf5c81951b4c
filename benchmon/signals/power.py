"""Power of a voltage and a current of one capture, with uncertainty."""

from __future__ import annotations

import math

import numpy as np

from benchmon.signals.captured_wave import Wave
from benchmon.signals.measures import MOST_FOR_HARMONICS, is_exact, measure_power
from benchmon.signals.samples import averaged
from benchmon.signals.uncertainty import COVERAGE, UncertainValue

POWER_UNITS = {"active": "W", "apparent": "VA", "power_factor": "", "displacement_factor": ""}
"""The power measures and their units."""


def measure_pair(voltage: Wave, current: Wave) -> dict[str, UncertainValue]:
    """Return active and apparent power and both factors (IEEE 1459-2010), by the names of `POWER_UNITS`.

    Both waves must be of one capture; the voltage gives the frequency. Factors are negative where power flows back.
    """
    sampled, amperes = voltage.sampled, current.sampled.wave
    volts = sampled.wave
    each = [piece.weights @ (volts.value[piece.chosen] * amperes.value[piece.chosen]) for piece in sampled.pieces]
    reduced = averaged(amperes, sampled.averaged)
    most = slice(0, MOST_FOR_HARMONICS)
    found = measure_power(
        sampled.reduced.time[most], sampled.reduced.value[most], reduced.value[most], sampled.frequency
    )
    active = found.active if is_exact(sampled) else float(np.mean(each))
    scatter = float(np.std(each, ddof=1)) / math.sqrt(len(each)) if len(each) > 1 else 0.0
    return _with_uncertainty(
        active, scatter, found.displacement_factor, voltage.measures["rms"], current.measures["rms"]
    )


def _with_uncertainty(
    active: float, scatter: float, displacement: float, volts: UncertainValue, amperes: UncertainValue
) -> dict[str, UncertainValue]:
    apparent = volts.value * amperes.value
    u_apparent = math.hypot(volts.uncertainty * amperes.value, amperes.uncertainty * volts.value)
    u_active = math.hypot(COVERAGE * scatter, u_apparent)
    factor = active / apparent
    return {
        "active": UncertainValue(active, u_active),
        "apparent": UncertainValue(apparent, u_apparent),
        "power_factor": UncertainValue(factor, math.hypot(u_active, factor * u_apparent) / apparent),
        "displacement_factor": UncertainValue(displacement, u_active / apparent),
    }
