"""A captured wave to be drawn, with the expected one laid where it fits best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmon.analyse.expected import BINS, expected_wave, folded
from benchmon.analyse.sampling import Sampled
from benchmon.prediction.result import Floats, Prediction

_MOST_POINTS = 4000


@dataclass(frozen=True)
class DrawnWave:
    """A wave to be drawn: `time` (n,) seconds from 0 and `values` (n,); the expected one (m,), where there is one."""

    name: str
    unit: str
    time: Floats
    values: Floats
    expected_time: Floats | None = None
    expected: Floats | None = None


def to_draw(
    name: str, unit: str, sampled: Sampled, of: str, prediction: Prediction | None, *, periods: float | None = None
) -> DrawnWave:
    """Return a captured wave, at most `periods` of it, with what `prediction` leads to expect of the wave `of`."""
    wave = sampled.few if len(sampled.wave.time) > 2 * _MOST_POINTS else sampled.wave
    stride = max(len(wave.time) // _MOST_POINTS, 1)
    time, values = wave.time[::stride] - sampled.wave.time[0], wave.value[::stride]
    if periods is not None:
        shown = time <= periods / sampled.frequency
        time, values = time[shown], values[shown]
    expected = expected_wave(prediction, of) if prediction is not None and of else None
    if expected is None or prediction is None:
        return DrawnWave(name, unit, time, values)
    laid, frequency = folded(sampled, prediction.mains_frequency)
    many = (np.arange(int(float(time[-1]) * frequency * BINS) + 1) + 0.5) / BINS
    # Phase zero of what was laid over itself is a whole number of periods before time zero.
    begin = float(sampled.wave.time[0]) * frequency % 1.0
    turns = (np.arange(BINS) + 0.5) / BINS
    placed = np.interp((many + begin) % 1.0, turns, np.roll(expected, _best_shift(laid, expected)), period=1.0)
    return DrawnWave(name, unit, time, values, many / frequency, placed)


def _best_shift(captured: Floats, expected: Floats) -> int:
    likeness = np.fft.irfft(np.fft.rfft(captured) * np.fft.rfft(expected).conj(), len(expected))
    return int(np.argmax(likeness))
