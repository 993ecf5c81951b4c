"""Readings of one channel averaged in blocks without spikes, and streaming statistics; a lasting step starts over.

The statistics (mean and deviation, a moving average with its limits, the channel's own noise) take one value at a time
and keep a bounded amount of memory, however long a test lasts.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from dataclasses import dataclass
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from benchmon.signals.arrays import Floats

NORMAL_QUARTILE = 0.6744897501960817
"""Half of all normal deviates are smaller than this."""


class MovingAverage:
    """The exponentially weighted moving average of a control chart (NIST/SEMATECH e-Handbook, 6.3.2.4).

    `weight` (0 to 1] is that of the newest value; `target` the value to start from.
    """

    __slots__ = ("_weight", "value")

    def __init__(self, weight: float, target: float) -> None:
        self._weight = weight
        self.value = target

    def update(self, value: float) -> float:
        """Take one value; return the average."""
        self.value += self._weight * (value - self.value)
        return self.value

    def limit(self, deviation: float, width: float = 3.0) -> float:
        """Return how far the average of steady values with `deviation` may be from its target, at `width` sigmas."""
        return width * deviation * math.sqrt(self._weight / (2.0 - self._weight))


class NoiseEstimate:
    """A channel's own noise, from how much successive values differ from the middle of their neighbours.

    The median of the last 64 second differences |x − 2x′ + x″| over 0.6745·√6 (for normal noise) is the standard
    deviation: steps, spikes and steady movement do not change it. A display that mostly repeats itself has differences
    of zero; then the step of its last digit, over √12, speaks instead.
    """

    LENGTH = 64

    __slots__ = ("_before", "_differences", "_is_old", "_last", "_step", "_value")

    def __init__(self) -> None:
        self._differences: deque[float] = deque(maxlen=self.LENGTH)
        self._last = self._before = math.nan
        self._value = self._step = 0.0
        self._is_old = False

    def add(self, value: float) -> None:
        """Take one finite value."""
        difference = abs(value - 2.0 * self._last + self._before)
        if difference >= 0.0:  # not the first two, which have no neighbours yet
            # What is left by the last bits of a decimal display is no difference.
            self._differences.append(difference if difference > 1e-9 * abs(value) else 0.0)
            self._is_old = True
        self._before, self._last = self._last, value

    def restart(self) -> None:
        """Forget the last values, so that a step is no difference; what is known of the noise stays."""
        self._last = self._before = math.nan

    @property
    def known(self) -> bool:
        """Whether there are enough differences to tell the noise to about a third."""
        return len(self._differences) >= 8

    @property
    def deviation(self) -> float:
        """The standard deviation of one value, 0 while nothing is known."""
        self._renew()
        return self._value

    @property
    def step(self) -> float:
        """The smallest difference seen lately, which is the step of a display's last digit; 0 where nothing changed."""
        self._renew()
        return self._step

    def _renew(self) -> None:
        """Work out deviation and step, if a value came since they were."""
        if not self._is_old:
            return
        self._is_old = False
        sizes = sorted(self._differences)
        count, still = len(sizes), bisect_right(sizes, 0.0)
        if still < count:
            self._step = sizes[still]  # of a display that stands still, the step that it had
        middle = (sizes[(count - 1) // 2] + sizes[count // 2]) / 2.0
        self._value = max(middle / (NORMAL_QUARTILE * math.sqrt(6.0)), self._step / math.sqrt(12.0))


_STEP_SIGMAS = 8.0 * math.sqrt(2.0)


class BlockAverage(NamedTuple):
    """The average of some readings: time (s), residual (reading less expectation), expectation, warm-up seen so far.

    `warm` is by how much warming up may have moved the reading so far, either way; `copper` the same of windings, with
    the sign that they have.
    `held` is the largest step of an expectation that moves in steps, 0 where it follows smoothly; `readings` is how
    many there are; `mains` is the mains voltage (V) at that time, not a number where it is not measured.
    """

    time: float
    residual: float
    expected: float
    warm: float
    held: float
    readings: int
    mains: float = math.nan
    copper: float = 0.0


class _Sums:
    """The sums of a block's readings."""

    __slots__ = ("changes", "copper", "count", "expected", "held", "residual", "time", "warm")

    def __init__(self) -> None:
        self.count = self.changes = 0
        self.time = self.residual = self.expected = self.warm = self.copper = self.held = 0.0

    def block(self) -> BlockAverage:
        count = self.count
        # An expectation that changes at less than half of the readings is held in between.
        held = self.held if 2 * self.changes < count else 0.0
        return BlockAverage(
            time=self.time / count,
            residual=self.residual / count,
            expected=self.expected / count,
            warm=self.warm / count,
            held=held,
            readings=count,
            copper=self.copper / count,
        )


class BlockMaker:
    """Collects one channel's readings; `close` makes a block of what came since the last one."""

    def __init__(self) -> None:
        self.noise, self.own_noise, self.expected_noise = NoiseEstimate(), NoiseEstimate(), NoiseEstimate()
        self._sums = _Sums()
        self._last: tuple[float, float] | None = None
        self._suspect: tuple[float, float] | None = None
        self._jump = math.inf

    def update(self, time: float, value: float, expected: float, warm: float, copper: float = 0.0) -> bool:
        """Take one finite reading; return whether it is the second of a step that stays, so that all begins again."""
        reading = (value, value - expected)
        self.noise.add(reading[1])
        self.own_noise.add(value)
        self.expected_noise.add(expected)
        last, begins_again = self._last, False
        if last is not None and self._is_step(reading, last):
            begins_again = self._suspect is not None and not self._is_step(reading, self._suspect)
            self._suspect = reading
            if not begins_again:
                return False
            self._sums = _Sums()
            self.noise.restart()
            self.own_noise.restart()
        elif last is not None and last[0] - last[1] != expected:
            self._sums.changes += 1
            self._sums.held = max(self._sums.held, abs(last[0] - last[1] - expected))
        self._suspect, self._last = None, reading
        self._add(time, reading[1], expected, warm)
        self._sums.copper += copper
        return begins_again

    def _add(self, time: float, residual: float, expected: float, warm: float) -> None:
        sums = self._sums
        sums.count += 1
        sums.time += time
        sums.residual += residual
        sums.expected += expected
        sums.warm += warm

    def _is_step(self, reading: tuple[float, float], other: tuple[float, float]) -> bool:
        """Return whether both value and residual stepped: not where only the expectation came in a step."""
        return abs(reading[0] - other[0]) > self._jump and abs(reading[1] - other[1]) > self._jump

    def close(self) -> BlockAverage | None:
        """Return the block of the readings since the last one, None if there were none."""
        if not self._sums.count:
            return None
        block = self._sums.block()
        self._sums = _Sums()
        if self.noise.known and self.own_noise.deviation > 0.0:
            # A display that has never moved may do so by its last digit, which is no step of what it measures.
            self._jump = _STEP_SIGMAS * max(self.noise.deviation, self.own_noise.deviation)
        return block


_NORMAL = NormalDist()
_MOST_MEMORY = 0.9


@dataclass(frozen=True, slots=True)
class TrendEstimate:
    """A series' trend: the test's normal score, and the slope with its interval, in value a unit of time."""

    score: float
    slope: float
    low: float
    high: float

    @property
    def least(self) -> float:
        """The smallest size of the slope that its interval allows, 0 where it allows none."""
        return 0.0 if self.low <= 0.0 <= self.high else min(abs(self.low), abs(self.high))


def score_for(false_alarm: float) -> float:
    """Return the size of a normal score that steady noise exceeds, on either side, with probability `false_alarm`."""
    return -_NORMAL.inv_cdf(false_alarm / 2.0)


def trend_of(times: Floats, values: Floats, confidence: float = 0.95) -> TrendEstimate:
    """Return the trend of at least four `values` (n,) at rising `times` (n,).

    Score: Mann (Econometrica 13, 1945) and Kendall, with continuity correction and no correction for ties; its
    variance is widened for noise that remembers, by the lag-one correlation about the trend. Slope: the median of all
    pairs' slopes (Theil 1950, Sen 1968), with Sen's interval at `confidence`.
    """
    count = len(values)
    ahead, behind = np.triu_indices(count, 1)
    rises = values[behind] - values[ahead]
    slopes = np.sort(rises / (times[behind] - times[ahead]))
    slope = float(np.median(slopes))
    variance = count * (count - 1) * (2 * count + 5) / 18.0 * memory_widening(values - slope * times)
    total = float(np.sign(rises).sum())
    score = math.copysign(max(0.0, abs(total) - 1.0), total) / math.sqrt(variance)
    margin = _NORMAL.inv_cdf(0.5 + confidence / 2.0) * math.sqrt(variance)
    low = max(0, math.floor((len(slopes) - margin) / 2.0))
    high = min(len(slopes) - 1, math.ceil((len(slopes) + margin) / 2.0))
    return TrendEstimate(score, slope, float(slopes[low]), float(slopes[high]))


def memory_widening(rest: Floats) -> float:
    """Return by how much the variance grows where the noise about the trend has a significant memory."""
    centred = rest - rest.mean()
    power = float(centred @ centred)
    if power <= 0.0:
        return 1.0
    memory = min(float(centred[1:] @ centred[:-1]) / power, _MOST_MEMORY)
    if memory * math.sqrt(len(rest)) < 1.645:
        return 1.0
    return (1.0 + memory) / (1.0 - memory)


def onset_of(times: Floats, values: Floats) -> float:
    """Return the time at which a flat series turned into a slope: the bend with the least squares.

    The first of `times` where it was never flat. `times` (n,) rise; n ≥ 4.
    """
    shifted = np.maximum(times[None, :] - times[:-2, None], 0.0)
    centred = shifted - shifted.mean(axis=1, keepdims=True)
    gains = (centred @ (values - values.mean())) ** 2 / np.sum(centred**2, axis=1)
    return float(times[int(np.argmax(gains))])
