"""Power of a voltage and a current that were captured together."""

from __future__ import annotations

import math

import numpy as np

from benchmon.signals.captured_wave import Wave
from benchmon.signals.measures import MOST_FOR_HARMONICS, is_exact, measure_power
from benchmon.signals.samples import decimate
from benchmon.signals.uncertainty import COVERAGE, UncertainValue

POWER_UNITS = {"active": "W", "apparent": "VA", "power_factor": "", "displacement_factor": ""}
"""Names of the power measures of a voltage and a current, with their units."""


def measure_pair(voltage: Wave, current: Wave) -> dict[str, UncertainValue]:
    """Return active and apparent power and both factors (IEEE 1459-2010), by the names of `POWER_UNITS`.

    Both waves must be of one capture; the voltage gives the frequency. Factors are negative if power flows back. Raises
    `DataFileError` as `measures.measure_power` does.
    """
    sampled, amperes = voltage.sampled, current.sampled.wave
    volts = sampled.wave
    each = [piece.weights @ (volts.value[piece.chosen] * amperes.value[piece.chosen]) for piece in sampled.pieces]
    decimated = decimate(amperes, sampled.decimation)
    most = slice(0, MOST_FOR_HARMONICS)
    found = measure_power(
        sampled.decimated.time[most], sampled.decimated.value[most], decimated.value[most], sampled.frequency
    )
    active = found.active if is_exact(sampled) else float(np.mean(each))
    scatter = float(np.std(each, ddof=1)) / math.sqrt(len(each)) if len(each) > 1 else 0.0
    return _with_uncertainties(
        active, scatter, found.displacement_factor, voltage.measures["rms"], current.measures["rms"]
    )


def _with_uncertainties(
    active: float, scatter: float, displacement: float, volts: UncertainValue, amperes: UncertainValue
) -> dict[str, UncertainValue]:
    apparent = volts.value * amperes.value
    of_apparent = math.hypot(volts.uncertainty * amperes.value, amperes.uncertainty * volts.value)
    of_active = math.hypot(COVERAGE * scatter, of_apparent)
    factor = active / apparent
    return {
        "active": UncertainValue(active, of_active),
        "apparent": UncertainValue(apparent, of_apparent),
        "power_factor": UncertainValue(factor, math.hypot(of_active, factor * of_apparent) / apparent),
        "displacement_factor": UncertainValue(displacement, of_active / apparent),
    }
