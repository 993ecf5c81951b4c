"""The measures of a captured wave with their uncertainty, for a capture of any length.

An uncertainty is expanded (k = 2) and includes what the capture itself shows: noise and other changes from period to
period, the resolution of its values, its length. The oscilloscope's accuracy is added where it is given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from benchmon.bench import Accuracy
from benchmon.errors import DataFileError
from benchmon.signals.arrays import Floats
from benchmon.signals.frequency import samples_of
from benchmon.signals.measures import ORDERS, Levels, shape_of
from benchmon.signals.samples import Sampled, check_periods_alike, fundamental_of
from benchmon.signals.uncertainty import MeasureUncertainty, UncertainValue

_SMALL_FUNDAMENTAL = 0.4
_TWICE = 2
_DOES_NOT_REPEAT = (
    "the wave does not repeat within the capture; capture two whole periods or more, or give its frequency"
)
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
"""The names of the measures, in order."""


@dataclass(frozen=True)
class Wave:
    """A measured wave: measures by the names of `MEASURES`, harmonics as pairs of order and rms, and notes."""

    sampled: Sampled
    measures: dict[str, UncertainValue]
    harmonics: list[tuple[int, float]]
    notes: tuple[str, ...] = field(default=())


def measure_wave(
    time: Floats, value: Floats, *, frequency: float | None = None, accuracy: Accuracy | None = None
) -> Wave:
    """Return the measures of a wave sampled at `time` (n,) seconds.

    `value` has shape (n,). `frequency` is the fundamental in hertz if it is known; `accuracy` is the oscilloscope's.
    Raises `DataFileError` for data that are no wave: too few samples, not finite, zero, flat, shorter than a period,
    periods of different length.
    """
    wave = samples_of(time, value)
    sampled = Sampled.of(wave, frequency or fundamental_of(wave))
    if frequency is None:
        check_periods_alike(sampled)
    shape, notes = shape_of(sampled)
    small_fundamental = shape.harmonics[0][1] < _SMALL_FUNDAMENTAL * shape.ac_rms
    if small_fundamental and frequency is None and sampled.periods < _TWICE:
        raise DataFileError(_DOES_NOT_REPEAT)
    if small_fundamental and frequency is not None:
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


def _ratio(above: UncertainValue, below: UncertainValue) -> UncertainValue:
    """Return a quotient; NaN where the divisor is zero within its uncertainty."""
    if below.value <= below.uncertainty:
        return UncertainValue(math.nan, math.nan)
    value = above.value / below.value
    return UncertainValue(value, math.hypot(above.uncertainty, value * below.uncertainty) / below.value)
