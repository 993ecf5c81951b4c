"""Preparation of a capture of any length: its fundamental, decimated samples, whole periods, noise and resolution."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchmon.errors import DataFileError
from benchmon.signals.arrays import Floats
from benchmon.signals.frequency import Samples, frequency_of

ENOUGH_A_PERIOD = 256
"""Samples of a period that resolve orders up to 40 and sharp edges; if there are more, neighbours are averaged."""

BLOCK = 1 << 13
"""Samples that are processed together: few enough for the processor's cache, and for one thread."""

DOES_NOT_REPEAT = (
    "the wave does not repeat within the capture; capture two whole periods or more, or give its frequency"
)

_ENOUGH_FOR_FREQUENCY = 1 << 17
_KEPT_POWER = (0.95, 0.5)
"""Fraction of a wave's power that averaging must keep: nearly all, which leaves ten samples a period, else half."""

_MOST_PIECES = 50
_INSPECTED = 50_000
"""Samples from which noise, resolution and spacing are estimated."""

_MAD_TO_DEVIATION = 1.4826
"""Standard deviation over median absolute deviation, of a normal distribution."""

_NOISY = 0.05
"""Noise relative to the swing above which crossings of the middle are not reliable."""

_UNEQUAL = 0.05
"""Largest difference of the lengths of periods, in periods."""

_UNLIKE, _FAR_ABOVE = 0.2, 5.0
"""Largest difference between periods, relative to the wave and to its noise."""

_LEVELS = 3
_WIDE, _MISSING = 50.0, 0.02
"""Smallest gap in the samples, in spacings and as a fraction of the capture."""


def decimate(wave: Samples, count: int) -> Samples:
    """Return the wave with every `count` neighbouring samples replaced by their mean; a rest at the end is dropped."""
    if count <= 1:
        return wave
    whole = len(wave.time) // count * count
    shape = (-1, count)
    return Samples(wave.time[:whole].reshape(shape).mean(1), wave.value[:whole].reshape(shape).mean(1))


def fundamental_of(wave: Samples) -> float:
    """Return the fundamental frequency of a wave of any length, Hz. Raises `DataFileError` if there is none.

    A long capture is decimated as a whole, unless that would remove much of the wave; then a shorter part of it is
    used, with more samples a period. Raises `DataFileError` also if samples are missing.
    """
    _check_gaps(wave)
    power = _variance(wave.value) if len(wave.time) > _ENOUGH_FOR_FREQUENCY else 0.0
    for kept in _KEPT_POWER:
        count = -(-len(wave.time) // _ENOUGH_FOR_FREQUENCY)
        while count >= 1:
            end = count * _ENOUGH_FOR_FREQUENCY
            piece = decimate(Samples(wave.time[:end], wave.value[:end]), count)
            if count == 1 or float(np.var(piece.value)) > kept * power:
                with suppress(DataFileError):
                    return frequency_of(piece)
            count = count // 4 if count > 3 else count - 1
    raise DataFileError(DOES_NOT_REPEAT)


def _variance(values: Floats) -> float:
    """Return the variance of values (n,), without a temporary array of that size."""
    mean = float(values.mean())
    blocks = (values[start : start + BLOCK] - mean for start in range(0, len(values), BLOCK))
    return math.fsum(float(block @ block) for block in blocks) / len(values)


@dataclass(frozen=True)
class PeriodPiece:
    """Whole periods of a wave: the samples `chosen`, and weights (sum 1) that average over the periods."""

    chosen: slice
    weights: Floats


@dataclass(frozen=True)
class Sampled:
    """A wave of known frequency, Hz, prepared for measuring.

    `duration` is in seconds; `decimated` is the wave with no more samples a period than needed, each the mean of
    `decimation` neighbours; `pieces` are at most 50 parts of equally many whole periods, `periods` their total.
    `noise` is the standard deviation of a sample, `step` the resolution of the values, both in the unit of the wave.
    """

    wave: Samples
    frequency: float
    duration: float
    decimated: Samples
    decimation: int
    pieces: list[PeriodPiece]
    periods: int
    noise: float
    step: float

    @classmethod
    def of(cls, wave: Samples, frequency: float) -> Sampled:
        """Return the wave cut into periods. Raises `DataFileError` if it is shorter than one, or has gaps."""
        duration = _duration(wave)
        count = max(int(len(wave.time) / (duration * frequency) / ENOUGH_A_PERIOD), 1)
        pieces, periods = _pieces(wave, frequency, duration)
        decimated = decimate(wave, count)
        return cls(wave, frequency, duration, decimated, count, pieces, periods, _noise(wave, frequency), _step(wave))

    @property
    def samples_a_period(self) -> float:
        """The average number of samples in a period."""
        return len(self.wave.time) / (self.duration * self.frequency)

    @property
    def orders_seen(self) -> int:
        """The highest order that the samples resolve: more than two in its period."""
        return max(math.ceil(self.samples_a_period / 2.0 - 1e-6) - 1, 1)

    @property
    def coarseness(self) -> float:
        """The mean error of straight lines between samples, in the unit of the wave.

        The trapezoidal rule errs by a twelfth of the second difference on average. The second differences that noise
        and resolution cause are subtracted.
        """
        bends = np.abs(np.diff(self.decimated.value[:_INSPECTED], 2))
        if not len(bends):
            return 0.0
        noise = math.hypot(self.noise, self.step / math.sqrt(12.0)) / math.sqrt(self.decimation)
        return max(float(np.mean(bends)) - 2.0 * noise, 0.0) / 12.0 / self.decimation


def _duration(wave: Samples) -> float:
    """Return the duration of the samples in seconds, with a last spacing estimated from the first ones."""
    return float(wave.time[-1] - wave.time[0] + np.median(np.diff(wave.time[:_INSPECTED])))


def averaging_response(orders: NDArray[np.int64], frequency: float, spacing: float, count: int) -> Floats:
    """Return the factor, (k,), by which averaging `count` samples `spacing` seconds apart attenuates each order (k,).

    The response of a moving average, sin(n·x)/(n·sin x) with x = π·f·spacing.
    """
    angle = np.pi * frequency * spacing * orders
    response: Floats = np.sin(count * angle) / (count * np.sin(angle))
    return response


def _pieces(wave: Samples, frequency: float, duration: float) -> tuple[list[PeriodPiece], int]:
    whole = int(duration * frequency + 1e-3)
    if whole < 1:
        raise DataFileError(
            f"the wave lasts {duration:.3g} s, less than one period of {frequency:.4g} Hz; capture a longer piece"
        )
    periods = -(-whole // _MOST_PIECES)
    count, length = whole // periods, periods / frequency
    edges = wave.time[0] + length * np.arange(count + 1) - 1e-6 * duration / len(wave.time)
    places = (int(place) for place in np.searchsorted(wave.time, edges))
    return [_piece(wave, first, last, length) for first, last in pairwise(places)], periods * count


def _piece(wave: Samples, first: int, last: int, length: float) -> PeriodPiece:
    time = wave.time[first:last]
    if len(time) < 3:
        raise DataFileError("there are fewer than three samples a period; sample faster or fill the gap")
    over_the_end = length - (time[-1] - time[0])
    widest = max(_widest_gap(time)[0], float(over_the_end))
    if widest > 0.5 * length:
        raise DataFileError(f"samples are missing for {widest:.3g} s after {time[0]:.4g} s; capture it again")
    # A sample represents half of the time to either neighbour; the first and the last one are neighbours, too.
    weights = np.empty(len(time))
    np.subtract(time[2:], time[:-2], out=weights[1:-1])
    weights[0], weights[-1] = over_the_end + time[1] - time[0], over_the_end + time[-1] - time[-2]
    weights /= 2.0 * length
    return PeriodPiece(slice(first, last), weights)


def _widest_gap(time: Floats) -> tuple[float, int]:
    """Return the longest time between two samples, and the index of the first of them."""
    found = (0.0, 0)
    for start in range(0, len(time) - 1, BLOCK):
        gaps = np.diff(time[start : start + BLOCK + 1])
        place = int(np.argmax(gaps))
        found = max(found, (float(gaps[place]), start + place), key=lambda one: one[0])
    return found


def _noise(wave: Samples, frequency: float) -> float:
    """Return the standard deviation of the difference of samples a period apart, over √2.

    It includes noise and other parts that do not repeat. In a capture of less than two periods it is estimated from the
    second differences of the samples, which is accurate enough if they are dense.
    """
    period = 1.0 / frequency
    room = int(np.searchsorted(wave.time, wave.time[-1] - period))
    if room < 8:
        return _noise_from_bends(wave)
    chosen = np.unique(np.linspace(0, room - 1, min(room, _INSPECTED)).astype(np.intp))
    later = np.interp(wave.time[chosen] + period, wave.time, wave.value)
    return float(np.std(wave.value[chosen] - later) / np.sqrt(2.0))


def _noise_from_bends(wave: Samples) -> float:
    """Return the standard deviation of the noise, estimated from second differences of neighbouring samples."""
    bend = np.diff(wave.value[:_INSPECTED], 2)
    return float(_MAD_TO_DEVIATION * np.median(np.abs(bend)) / np.sqrt(6.0)) if len(bend) else 0.0


def _step(wave: Samples) -> float:
    """Return the smallest step between values: the resolution of the converter, or of the number format.

    Returns 0 for a wave of at most three levels: its steps are its own, not those of the oscilloscope.
    """
    values = np.unique(wave.value[: 4 * _INSPECTED])
    steps = np.diff(values)
    largest = float(np.max(np.abs(values)))
    steps = steps[steps > 1e-12 * largest]
    return float(np.min(steps)) if len(steps) >= _LEVELS else 0.0


def check_equal_periods(sampled: Sampled) -> None:
    """Check the periods of a wave. Raises `DataFileError` if they differ by over a twentieth in length, or in shape.

    Lengths are the times between rises through the middle of the swing, unless noise hides those. The shape changes if
    samples a period apart differ by more than the noise of neighbouring samples explains.
    """
    wave = sampled.decimated
    noise = _noise_from_bends(wave)
    low, high = np.percentile(wave.value, [2.0, 98.0])
    if noise <= _NOISY * (high - low):
        rises = _rises(wave, float(low + 0.35 * (high - low)), float(low + 0.65 * (high - low)))
        lengths = _lengths(rises, len(rises) / (sampled.duration * sampled.frequency))
        if len(lengths) and np.ptp(lengths) > _UNEQUAL / sampled.frequency + 2.0 * wave.spacing:
            raise DataFileError(
                f"its periods last from {np.min(lengths):.4g} to {np.max(lengths):.4g} s; "
                "the frequency changed or the trigger slipped, so capture it again"
            )
    difference = _noise(wave, sampled.frequency)
    if difference > _UNLIKE * float(np.std(wave.value)) and difference > _FAR_ABOVE * noise:
        raise DataFileError(
            "its periods are not alike: frequency or amplitude changed, or the trigger slipped; capture it again"
        )


def _lengths(rises: Floats, a_period: float) -> Floats:
    """Return the lengths of all periods that begin at one of `rises` (n,), with about `a_period` rises in each.

    The ends of the capture may contain a rise more or less, so the number that makes the lengths most equal is used.
    """
    counts = {max(math.floor(a_period), 1), math.ceil(a_period)}
    found = [rises[count:] - rises[:-count] for count in counts if 0 < count < len(rises)]
    return min(found, key=lambda lengths: float(np.ptp(lengths)), default=rises[:0])


def _check_gaps(wave: Samples) -> None:
    """Raise `DataFileError` if samples are missing between others."""
    gap, widest = _widest_gap(wave.time)
    if gap > _WIDE * float(np.median(np.diff(wave.time[: _INSPECTED + 1]))) and gap > _MISSING * float(
        wave.time[-1] - wave.time[0]
    ):
        raise DataFileError(f"samples are missing for {gap:.3g} s after {wave.time[widest]:.4g} s; capture it again")


def _rises(wave: Samples, low: float, high: float) -> Floats:
    """Return the times, seconds, at which the wave first exceeds `high` after it was below `low` (with hysteresis)."""
    side = np.where(wave.value > high, 1, np.where(wave.value < low, -1, 0))
    outside = np.flatnonzero(side)
    turned = np.flatnonzero(np.diff(side[outside]) > 0) + 1
    rises: Floats = wave.time[outside[turned]]
    return rises
