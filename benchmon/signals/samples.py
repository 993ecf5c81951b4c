"""A long capture made handy: its frequency, fewer samples of the same wave, whole periods, its noise and steps."""

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
"""Samples of a period that tell orders up to 40 and sharp edges apart; of more, neighbours are averaged."""

BLOCK = 1 << 13
"""Samples that are looked at together: so few stay within the processor's cache, and start no threads."""

_HANDY = 1 << 17
_KEPT_POWER = (0.95, 0.5)
"""What averaging must leave of a wave's power: nearly all, so that ten places a period are left, else half."""

_MOST_PIECES = 50
_LOOKED_AT = 50_000
_MAD_TO_DEVIATION = 1.4826
_TREMBLES = 0.05
_UNEQUAL = 0.05
_UNLIKE, _FAR_ABOVE = 0.2, 5.0
_LEVELS = 3
_WIDE, _MISSING = 50.0, 0.02


def averaged(wave: Samples, count: int) -> Samples:
    """Return the wave with the mean of every `count` neighbouring samples in their place; the last few may be left."""
    if count <= 1:
        return wave
    whole = len(wave.time) // count * count
    shape = (-1, count)
    return Samples(wave.time[:whole].reshape(shape).mean(1), wave.value[:whole].reshape(shape).mean(1))


def fundamental_of(wave: Samples) -> float:
    """Return the fundamental frequency of a wave of any length, Hz. Raises `DataFileError` where there is none.

    A long capture is looked at as a whole with its neighbours averaged, unless that would average much of the wave
    away; then at a shorter piece of it, more finely.
    """
    _check_gaps(wave)
    power = _variance(wave.value) if len(wave.time) > _HANDY else 0.0
    for kept in _KEPT_POWER:
        count = -(-len(wave.time) // _HANDY)
        while count >= 1:
            piece = averaged(Samples(wave.time[: count * _HANDY], wave.value[: count * _HANDY]), count)
            if count == 1 or float(np.var(piece.value)) > kept * power:
                with suppress(DataFileError):
                    return frequency_of(piece)
            count = count // 4 if count > 3 else count - 1
    raise DataFileError(
        "the wave does not repeat within the capture; capture two whole periods or more, or tell its frequency"
    )


def _variance(values: Floats) -> float:
    """Return the variance of values (n,), without as large an array beside them."""
    mean = float(values.mean())
    blocks = (values[start : start + BLOCK] - mean for start in range(0, len(values), BLOCK))
    return math.fsum(float(block @ block) for block in blocks) / len(values)


@dataclass(frozen=True)
class PeriodPiece:
    """Whole periods of a wave: which samples, and weights (sum 1) that average over the periods."""

    chosen: slice
    weights: Floats


@dataclass(frozen=True)
class Sampled:
    """A wave of known frequency, Hz, and what is often asked of it.

    `duration` is the seconds that its samples stand for; `few` the wave with no more samples a period than are needed,
    each the mean of `averaged` neighbours; `pieces` the capture cut into at most 50 of equally many whole periods;
    `periods` how many that are together. `noise` is the standard deviation of a sample, `step` between values.
    """

    wave: Samples
    frequency: float
    duration: float
    few: Samples
    averaged: int
    pieces: list[PeriodPiece]
    periods: int
    noise: float
    step: float

    @classmethod
    def of(cls, wave: Samples, frequency: float) -> Sampled:
        """Return the wave cut into periods. Raises `DataFileError` where it is shorter than one, or has gaps."""
        duration = _duration(wave)
        count = max(int(len(wave.time) / (duration * frequency) / ENOUGH_A_PERIOD), 1)
        pieces, periods = _pieces(wave, frequency, duration)
        few = averaged(wave, count)
        return cls(wave, frequency, duration, few, count, pieces, periods, _noise(wave, frequency), _step(wave))

    @property
    def samples_a_period(self) -> float:
        """How many samples there are in a period, on average."""
        return len(self.wave.time) / (self.duration * self.frequency)

    @property
    def orders_seen(self) -> int:
        """The highest order that the samples show: they are more than two in its period."""
        return max(math.ceil(self.samples_a_period / 2.0 - 1e-6) - 1, 1)

    @property
    def coarseness(self) -> float:
        """By how much straight lines between samples miss the wave's level: a mean over it, in its unit.

        A sum of samples takes the wave for such lines, which err by a twelfth of the bend on average (trapezoid rule).
        Noise and steps of the values bend as well, and are taken off.
        """
        bends = np.abs(np.diff(self.few.value[:_LOOKED_AT], 2))
        if not len(bends):
            return 0.0
        trembling = math.hypot(self.noise, self.step / math.sqrt(12.0)) / math.sqrt(self.averaged)
        return max(float(np.mean(bends)) - 2.0 * trembling, 0.0) / 12.0 / self.averaged


def _duration(wave: Samples) -> float:
    """Return the seconds that the samples stand for, the usual time between them told by the first ones."""
    return float(wave.time[-1] - wave.time[0] + np.median(np.diff(wave.time[:_LOOKED_AT])))


def lost_by_averaging(orders: NDArray[np.int64], frequency: float, spacing: float, count: int) -> Floats:
    """Return by what each order (k,) of a wave shrinks where `count` samples `spacing` seconds apart are averaged.

    The response of a moving average, sin(n·x)/(n·sin x) with x = π·f·spacing.
    """
    angle = np.pi * frequency * spacing * orders
    shrunk: Floats = np.sin(count * angle) / (count * np.sin(angle))
    return shrunk


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
    # A sample stands for half of the time to either neighbour; the first and the last one are neighbours, too.
    weights = np.empty(len(time))
    np.subtract(time[2:], time[:-2], out=weights[1:-1])
    weights[0], weights[-1] = over_the_end + time[1] - time[0], over_the_end + time[-1] - time[-2]
    weights /= 2.0 * length
    return PeriodPiece(slice(first, last), weights)


def _widest_gap(time: Floats) -> tuple[float, int]:
    """Return the longest time between two samples, and the place of the first of them."""
    found = (0.0, 0)
    for start in range(0, len(time) - 1, BLOCK):
        gaps = np.diff(time[start : start + BLOCK + 1])
        place = int(np.argmax(gaps))
        found = max(found, (float(gaps[place]), start + place), key=lambda one: one[0])
    return found


def _noise(wave: Samples, frequency: float) -> float:
    """Return the standard deviation by which a sample differs from the one a period later, over √2.

    It holds noise and whatever else does not repeat. A capture of less than two periods tells it only by how its
    samples bend: exactly enough where they are dense.
    """
    period = 1.0 / frequency
    room = int(np.searchsorted(wave.time, wave.time[-1] - period))
    if room < 8:
        return _trembling(wave)
    at = np.unique(np.linspace(0, room - 1, min(room, _LOOKED_AT)).astype(np.intp))
    later = np.interp(wave.time[at] + period, wave.time, wave.value)
    return float(np.std(wave.value[at] - later) / np.sqrt(2.0))


def _trembling(wave: Samples) -> float:
    """Return the standard deviation of noise, as far as the bends between neighbouring samples tell it."""
    bend = np.diff(wave.value[:_LOOKED_AT], 2)
    return float(_MAD_TO_DEVIATION * np.median(np.abs(bend)) / np.sqrt(6.0)) if len(bend) else 0.0


def _step(wave: Samples) -> float:
    """Return the smallest step between values: the resolution of the converter, or of the writing.

    A wave of three levels or fewer has steps of its own, and does not tell those of the scope: 0.
    """
    values = np.unique(wave.value[: 4 * _LOOKED_AT])
    steps = np.diff(values)
    largest = float(np.max(np.abs(values)))
    steps = steps[steps > 1e-12 * largest]
    return float(np.min(steps)) if len(steps) >= _LEVELS else 0.0


def check_periods_alike(sampled: Sampled) -> None:
    """Raise `DataFileError` where the periods of a wave differ in length by more than a twentieth, or in shape.

    Lengths are told by the times at which it rises through the middle of its swing, unless noise hides those. Samples
    a period apart differ by noise, which neighbouring samples show as well; by more, if the shape changes.
    """
    wave = sampled.few
    trembles = _trembling(wave)
    low, high = np.percentile(wave.value, [2.0, 98.0])
    if trembles <= _TREMBLES * (high - low):
        rises = _rises(wave, float(low + 0.35 * (high - low)), float(low + 0.65 * (high - low)))
        lengths = _lengths(rises, len(rises) / (sampled.duration * sampled.frequency))
        if len(lengths) and np.ptp(lengths) > _UNEQUAL / sampled.frequency + 2.0 * wave.spacing:
            raise DataFileError(
                f"its periods last from {np.min(lengths):.4g} to {np.max(lengths):.4g} s; "
                "the frequency moved or the trigger slipped, so capture it again"
            )
    unlike = _noise(wave, sampled.frequency)
    if unlike > _UNLIKE * float(np.std(wave.value)) and unlike > _FAR_ABOVE * trembles:
        raise DataFileError(
            "its periods are not alike: frequency or size moved, or the trigger slipped; capture it again"
        )


def _lengths(rises: Floats, a_period: float) -> Floats:
    """Return the lengths of all periods that begin at one of `rises` (n,), about `a_period` of which are in each.

    The ends of the capture may hold a rise more or less, so the number that makes the lengths most alike is taken.
    """
    counts = {max(math.floor(a_period), 1), math.ceil(a_period)}
    found = [rises[count:] - rises[:-count] for count in counts if 0 < count < len(rises)]
    return min(found, key=lambda lengths: float(np.ptp(lengths)), default=rises[:0])


def _check_gaps(wave: Samples) -> None:
    """Raise `DataFileError` where samples are missing in the midst of others."""
    gap, widest = _widest_gap(wave.time)
    if gap > _WIDE * float(np.median(np.diff(wave.time[: _LOOKED_AT + 1]))) and gap > _MISSING * float(
        wave.time[-1] - wave.time[0]
    ):
        raise DataFileError(f"samples are missing for {gap:.3g} s after {wave.time[widest]:.4g} s; capture it again")


def _rises(wave: Samples, low: float, high: float) -> Floats:
    """Return when the wave passes `high` upwards for the first time after it was below `low`."""
    side = np.where(wave.value > high, 1, np.where(wave.value < low, -1, 0))
    told = np.flatnonzero(side)
    turned = np.flatnonzero(np.diff(side[told]) > 0) + 1
    risen: Floats = wave.time[told[turned]]
    return risen
