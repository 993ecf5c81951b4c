"""Is there a trend, and how steep: the Mann–Kendall test and the Theil–Sen slope of a short series.

Both use ranks and medians, so neither a spike nor the shape of the noise matters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from benchmon.signals.arrays import Floats

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
