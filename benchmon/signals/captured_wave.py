"""Measures of a captured wave with their uncertainty, from a capture of any length.

An uncertainty is expanded (k = 2) and holds what the capture itself shows: noise and what does not repeat, the step of
its values, its length. The scope's own accuracy comes on top where it is given.
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

_LITTLE = 0.4
_TWICE = 2
_DOES_NOT_REPEAT = (
    "the wave does not repeat within the capture; capture two whole periods or more, or tell its frequency"
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
"""What is told of a wave, in this order."""


@dataclass(frozen=True)
class Wave:
    """A captured wave that has been measured: by names of `MEASURES`, and pairs of order and rms."""

    sampled: Sampled
    measures: dict[str, UncertainValue]
    harmonics: list[tuple[int, float]]
    notes: tuple[str, ...] = field(default=())


def measure_wave(
    time: Floats, value: Floats, *, frequency: float | None = None, accuracy: Accuracy | None = None
) -> Wave:
    """Return the measures of a wave sampled at `time` (n,) seconds.

    `frequency` is its fundamental where that is known; `accuracy` the scope's own. Raises `DataFileError` in one line
    for what is no wave: too few samples, not finite, zero, flat, shorter than a period, periods of different length.
    """
    wave = samples_of(time, value)
    sampled = Sampled.of(wave, frequency or fundamental_of(wave))
    if frequency is None:
        check_periods_alike(sampled)
    shape, notes = shape_of(sampled)
    is_little = shape.harmonics[0][1] < _LITTLE * shape.ac_rms
    if is_little and frequency is None and sampled.periods < _TWICE:
        raise DataFileError(_DOES_NOT_REPEAT)
    if is_little and frequency is not None:
        notes += (f"little of the wave is at {frequency:g} Hz; is that its fundamental?",)
    if sampled.samples_a_period < 2 * ORDERS:
        notes += (f"{sampled.samples_a_period:.3g} samples a period show no order above {sampled.orders_seen}",)
    levels = Levels.of(sampled, shape)
    doubts = MeasureUncertainty(sampled, levels, shape, accuracy or Accuracy())
    return Wave(sampled, _measures(levels, doubts), shape.harmonics, notes)


def _measures(levels: Levels, doubts: MeasureUncertainty) -> dict[str, UncertainValue]:
    rms = doubts.level(lambda found: np.sqrt(found.square), levels.rms)
    mean = doubts.level(lambda found: found.mean, levels.whole_mean)
    ac_rms = doubts.level(lambda found: np.sqrt(found.ac_square), levels.ac_rms)
    magnitude = doubts.level(lambda found: found.magnitude, levels.whole_magnitude)
    highest, lowest = doubts.extreme(levels.highest), doubts.extreme(levels.lowest)
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
        "frequency": doubts.frequency(),
        "thd": doubts.distortion(),
        "form_factor": _ratio(rms, magnitude),
        "crest_factor": _ratio(peak, rms),
        "ripple_factor": _ratio(ac_rms, UncertainValue(abs(mean.value), mean.uncertainty)),
    }
    return {name: found[name] for name in MEASURES}


def _ratio(above: UncertainValue, below: UncertainValue) -> UncertainValue:
    """Return a quotient; NaN where what is below is zero within its uncertainty."""
    if below.value <= below.uncertainty:
        return UncertainValue(math.nan, math.nan)
    value = above.value / below.value
    return UncertainValue(value, math.hypot(above.uncertainty, value * below.uncertainty) / below.value)
