"""The fundamental frequency of a captured wave, and windows of whole periods in it.

The capture may start and end at any phase, have an offset and be unevenly sampled. The frequency is estimated by
autocorrelation and refined by a least-squares fit of harmonics.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from benchmon.errors import DataFileError
from benchmon.signals.arrays import Floats

WINDOW = 0.2
"""Seconds of a measuring window: 10 periods at 50 Hz, 12 at 60 Hz (IEC 61000-4-7)."""

_LARGEST = 1e15
_FLAT = 1e-9
_LEAST_CORRELATION = 0.5
"""Autocorrelation that the highest maximum must reach for a wave to count as periodic."""

_EQUAL_CORRELATION = 0.9
"""Fraction of the highest maximum from which an earlier one counts as the first repetition."""

_LONGEST_LAG = 0.9
_NOISE = 0.005
_MOST_SAMPLES = 1 << 17
_ENOUGH_SAMPLES = 1 << 13
_FINE_ORDERS = 8
_FEW_PERIODS = 6.0
RAMPS = 4.0
"""Periods from which a capture is long enough to taper a whole period at each end in the fit."""


@dataclass(frozen=True)
class Samples:
    """A capture: `time` (n,) in seconds, rising, and `value` (n,)."""

    time: Floats
    value: Floats

    @property
    def spacing(self) -> float:
        """The median time between samples, seconds."""
        return float(np.median(np.diff(self.time)))

    @property
    def duration(self) -> float:
        """The duration of the samples in seconds, including the spacing after the last one."""
        return float(self.time[-1] - self.time[0]) + self.spacing


def samples_of(time: ArrayLike, value: ArrayLike) -> Samples:
    """Return the capture as arrays. Raises `DataFileError` if the samples are too few, not finite, flat or unsorted."""
    seconds, values = np.asarray(time, np.float64), np.asarray(value, np.float64)
    if seconds.ndim != 1 or seconds.shape != values.shape:
        raise DataFileError(f"the wave has {seconds.size} times and {values.size} values; give one value for each time")
    if len(seconds) < 4:
        raise DataFileError(f"the wave has only {len(seconds)} samples; capture at least one whole period")
    for name, column in (("time", seconds), ("value", values)):
        # Minimum and maximum need no copy of the column, and both are NaN if any value is.
        if not (column.min() >= -_LARGEST and column.max() <= _LARGEST):
            wrong = ~np.isfinite(column) | (np.abs(column) > _LARGEST)
            raise DataFileError(f"sample {int(np.argmax(wrong)) + 1} has no usable {name}; remove it from the file")
    backwards = seconds[1:] <= seconds[:-1]
    if np.any(backwards):
        raise DataFileError(f"sample {int(np.argmax(backwards)) + 2} is not later than the one before; sort by time")
    lowest, highest = float(values.min()), float(values.max())
    swing, largest = highest - lowest, max(abs(lowest), abs(highest))
    if largest == 0.0:
        raise DataFileError("the wave is zero throughout; check the probe and its connection")
    if swing <= _FLAT * largest:
        raise DataFileError("the wave is flat, so it has no period; capture it a.c.-coupled or with a finer range")
    return Samples(seconds, values)


def frequency_of(wave: Samples) -> float:
    """Return the fundamental frequency, Hz, at which the wave repeats.

    The lag of the first high maximum of the autocorrelation is a rough period; later maxima and a least-squares fit of
    harmonics refine it. Raises `DataFileError` if the wave does not repeat within the capture.
    """
    step = wave.duration / len(wave.time)
    grid = wave.time[0] + step * np.arange(min(len(wave.time), _MOST_SAMPLES))
    correlation = _autocorrelation(np.interp(grid, wave.time, wave.value))
    lag = _first_repeat(correlation)
    if lag is None:
        raise DataFileError("the wave does not repeat within the capture; capture two whole periods or more")
    return _refined(wave, 1.0 / (step * _later_repeats(correlation, lag)))


def _autocorrelation(values: Floats) -> Floats:
    """Return the normalised autocorrelation, −1 to 1, of a wave at every lag: 2·Σ x·x' / Σ (x² + x'²)."""
    count = len(values)
    centred = values - values.mean()
    spectrum = np.fft.rfft(centred, 2 * count)
    product = np.fft.irfft(spectrum * spectrum.conj(), 2 * count)[:count]
    energy = np.cumsum(centred**2)
    shared = energy[::-1] + energy[-1] - np.concatenate([[0.0], energy[:-1]])
    correlation: Floats = 2.0 * product / np.maximum(shared, 1e-12 * energy[-1] + 1e-300)
    return correlation


def _first_repeat(correlation: Floats) -> float | None:
    """Return the lag, in samples, of the first maximum that is about as high as the highest, or None."""
    usable = correlation[: max(int(_LONGEST_LAG * len(correlation)), 3)]
    below = np.flatnonzero(usable < 0.0)
    if len(below) == 0:
        return None
    inner = usable[1:-1]
    tops = np.flatnonzero((inner >= usable[:-2]) & (inner > usable[2:]) & (inner > 0.0)) + 1
    tops = tops[tops > below[0]]
    if len(tops) == 0 or np.max(usable[tops]) < _LEAST_CORRELATION:
        return None
    first = tops[np.argmax(usable[tops] >= _EQUAL_CORRELATION * np.max(usable[tops]))]
    end = int(1.25 * first)
    nearby = usable[first : max(end, first + 1)]
    best = first + np.argmax(nearby >= np.max(nearby) - _NOISE)
    return _interpolated_maximum(correlation, int(best))


def _interpolated_maximum(correlation: Floats, index: int) -> float:
    """Return the position of the maximum of the parabola through a highest value and its neighbours."""
    left, middle, right = correlation[index - 1 : index + 2]
    bend = left - 2.0 * middle + right
    return index + (0.5 * (left - right) / bend if bend < 0.0 else 0.0)


def _later_repeats(correlation: Floats, lag: float) -> float:
    """Return the lag refined by that of later repetitions, each twice as far as the last."""
    repeats = 2
    while repeats * lag * 1.05 < 0.7 * len(correlation):
        centre, reach = repeats * lag, max(lag / 4.0, 1.0)
        low = int(np.ceil(centre - reach))
        piece = correlation[low : int(centre + reach) + 1]
        index = low + int(np.argmax(piece))
        if not low < index < low + len(piece) - 1:
            break
        lag = _interpolated_maximum(correlation, index) / repeats
        repeats *= 2
    return lag


def _refined(wave: Samples, frequency: float) -> float:
    """Return the frequency at which harmonics fit best, by Gauss-Newton; unchanged if that diverges."""
    per_period = 1.0 / (frequency * wave.spacing)
    stride = max(min(len(wave.time) // _ENOUGH_SAMPLES, int(per_period / (6 * _FINE_ORDERS))), 1)
    time, value = wave.time[::stride] - wave.time[0], wave.value[::stride]
    # In a capture of few periods, orders that are left out of the fit would bias the frequency.
    most = _FINE_ORDERS if frequency * wave.duration > _FEW_PERIODS else 3 * _FINE_ORDERS
    orders = np.arange(1, max(min(most, int(0.45 * per_period / stride)), 1) + 1)
    weight = tapered(time * frequency)
    found, reach = frequency, min(0.05, 0.25 / (frequency * wave.duration)) * frequency
    for _ in range(8):
        angle = 2.0 * np.pi * found * np.outer(orders, time)
        cosine, sine = np.cos(angle), np.sin(angle)
        basis = np.concatenate([np.ones((1, len(time))), cosine, sine])
        first, second = np.split(_weighted_fit(basis, value, weight)[1:], 2)
        slope = ((orders * second) @ cosine - (orders * first) @ sine) * time
        scale = float(np.max(np.abs(slope))) or 1.0
        change = float(_weighted_fit(np.vstack([basis, slope / scale]), value, weight)[-1]) / (2.0 * np.pi * scale)
        found += change
        if not abs(found - frequency) <= reach:
            return frequency
        if abs(change) < 1e-10 * found:
            break
    return found


def tapered(periods: Floats) -> Floats:
    """Return weights (n,) of samples at times in periods, tapered over the first and the last period.

    So a jump at the very start or end of the capture, which the fit cannot follow, does not bias it.
    """
    ramp = min(1.0, periods[-1] / RAMPS)
    from_end = np.minimum(periods, periods[-1] - periods)
    weights: Floats = np.sin(0.5 * np.pi * np.minimum(from_end / ramp, 1.0)) ** 2
    return weights


def _weighted_fit(basis: Floats, value: Floats, weight: Floats) -> Floats:
    """Return the coefficients (k,) of the least-squares fit of `basis` (k, n) to `value` (n,), by `weight` (n,)."""
    weighted = weight * basis
    normal = np.einsum("in,jn->ij", weighted, basis)
    coefficients: Floats = np.linalg.lstsq(normal, np.einsum("in,n->i", weighted, value), rcond=1e-13)[0]
    return coefficients


@dataclass(frozen=True)
class PeriodWindow:
    """A window of `cycles` whole periods: the samples `chosen`, and weights (sum 1) that average over them."""

    chosen: slice
    cycles: int
    weights: Floats


def windows_of(wave: Samples, frequency: float) -> list[PeriodWindow]:
    """Return as many windows of about 0.2 s as fit, each of whole periods; one of fewer periods in a short capture.

    Weights are those of the trapezoidal rule on a closed period. Raises `DataFileError` if the capture is shorter than
    one period or has large gaps.
    """
    whole = int(wave.duration * frequency + 1e-3)
    if whole < 1:
        raise DataFileError(
            f"the wave lasts {wave.duration:.3g} s, less than one period of {frequency:.4g} Hz; capture a longer piece"
        )
    cycles = max(round(WINDOW * frequency), 1)
    cycles = min(cycles, whole)
    length = cycles / frequency
    return [_window(wave, wave.time[0] + index * length, length, cycles) for index in range(whole // cycles)]


def _window(wave: Samples, start: float, length: float, cycles: int) -> PeriodWindow:
    slack = 1e-6 * wave.spacing
    first, last = np.searchsorted(wave.time, [start - slack, start + length - slack])
    time = wave.time[first:last]
    if last - first < 3 * cycles:
        raise DataFileError(
            f"there are fewer than three samples a period from {start:.4g} s; sample faster or fill the gap"
        )
    gaps = np.append(np.diff(time), length - (time[-1] - time[0]))
    if np.max(gaps) > 0.5 * length / cycles:
        raise DataFileError(f"samples are missing for {np.max(gaps):.3g} s after {start:.4g} s; capture it again")
    weights = (gaps + np.roll(gaps, 1)) / (2.0 * length)
    return PeriodWindow(slice(int(first), int(last)), cycles, weights)
