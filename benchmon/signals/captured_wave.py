"""Measures of a captured wave with their uncertainty, from a capture of any length.

Uncertainties are expanded (k = 2). They cover what the capture itself shows: noise and other parts that do not repeat,
the resolution of the values, and the length. The accuracy of the oscilloscope is added if it is given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from benchmon.errors import DataFileError
from benchmon.quantities import Accuracy
from benchmon.signals.arrays import Floats
from benchmon.signals.frequency import samples_of
from benchmon.signals.measures import ORDERS, Levels, shape_of
from benchmon.signals.samples import DOES_NOT_REPEAT, Sampled, check_equal_periods, fundamental_of
from benchmon.signals.uncertainty import MeasureUncertainty, UncertainValue

_WEAK_FUNDAMENTAL = 0.4
_LEAST_PERIODS = 2
MEASURES = (
    "rms",
    "mean",
    "ac_rms",
    "peak",
    "peak_to_peak",
    "highest",
    "lowest",
    "frequency",
    "thd",
    "form_factor",
    "crest_factor",
    "ripple_factor",
)
"""Names of the measures of a wave, in the order of the output."""


@dataclass(frozen=True)
class Wave:
    """A measured wave: `measures` by the names of `MEASURES`, `harmonics` as pairs of order and rms, in its unit."""

    sampled: Sampled
    measures: dict[str, UncertainValue]
    harmonics: list[tuple[int, float]]
    notes: tuple[str, ...] = field(default=())


def measure_wave(
    time: Floats, value: Floats, *, frequency: float | None = None, accuracy: Accuracy | None = None
) -> Wave:
    """Return the measures of a wave with samples `value` (n,) at `time` (n,) seconds.

    `frequency` is the fundamental in Hz, if known; `accuracy` is that of the oscilloscope. Raises `DataFileError`, in
    one line, if the samples are no periodic wave: too few, not finite, zero, flat, shorter than a period, or with
    periods of different length.
    """
    wave = samples_of(time, value)
    sampled = Sampled.of(wave, frequency or fundamental_of(wave))
    if frequency is None:
        check_equal_periods(sampled)
    shape, notes = shape_of(sampled)
    is_weak = shape.harmonics[0][1] < _WEAK_FUNDAMENTAL * shape.ac_rms
    if is_weak and frequency is None and sampled.periods < _LEAST_PERIODS:
        raise DataFileError(DOES_NOT_REPEAT)
    if is_weak and frequency is not None:
        notes += (f"little of the wave is at {frequency:g} Hz; is that its fundamental?",)
    if sampled.samples_a_period < 2 * ORDERS:
        notes += (f"{sampled.samples_a_period:.3g} samples a period show no order above {sampled.orders_seen}",)
    levels = Levels.of(sampled, shape)
    uncertainty = MeasureUncertainty(sampled, levels, shape, accuracy or Accuracy())
    return Wave(sampled, _measures(levels, uncertainty), shape.harmonics, notes)


def _measures(levels: Levels, uncertainty: MeasureUncertainty) -> dict[str, UncertainValue]:
    rms = uncertainty.level(lambda found: np.sqrt(found.square), levels.rms)
    mean = uncertainty.level(lambda found: found.mean, levels.whole_mean)
    ac_rms = uncertainty.level(lambda found: np.sqrt(found.ac_square), levels.ac_rms)
    magnitude = uncertainty.level(lambda found: found.magnitude, levels.whole_magnitude)
    highest, lowest = uncertainty.extreme(levels.highest), uncertainty.extreme(levels.lowest)
    peak = highest if abs(highest.value) >= abs(lowest.value) else UncertainValue(abs(lowest.value), lowest.uncertainty)
    swing = UncertainValue(highest.value - lowest.value, math.hypot(highest.uncertainty, lowest.uncertainty))
    found = {
        "rms": rms,
        "mean": mean,
        "ac_rms": ac_rms,
        "peak": peak,
        "peak_to_peak": swing,
        "highest": highest,
        "lowest": lowest,
        "frequency": uncertainty.frequency(),
        "thd": uncertainty.distortion(),
        "form_factor": _ratio(rms, magnitude),
        "crest_factor": _ratio(peak, rms),
        "ripple_factor": _ratio(ac_rms, UncertainValue(abs(mean.value), mean.uncertainty)),
    }
    return {name: found[name] for name in MEASURES}


def _ratio(numerator: UncertainValue, denominator: UncertainValue) -> UncertainValue:
    """Return a quotient; NaN if the denominator is zero within its uncertainty."""
    if denominator.value <= denominator.uncertainty:
        return UncertainValue(math.nan, math.nan)
    value = numerator.value / denominator.value
    uncertainty = math.hypot(numerator.uncertainty, value * denominator.uncertainty) / denominator.value
    return UncertainValue(value, uncertainty)
