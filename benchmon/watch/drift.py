"""Drift: a slow departure of a channel from its re-predicted value.

The readings are averaged in blocks of 3 s, these in blocks of 18 s, and these in blocks of 108 s; 60 blocks of each
length are kept. So a fast drift shows within two or three minutes and a slow one within 108, at a bounded cost and
memory. For each new block:

1. An exponentially weighted moving average (NIST/SEMATECH 6.3.2.4) of the residual, reading less expectation, tells
   cheaply whether anything moved. If it stays inside its limits, that is all.
2. The Mann–Kendall test tells whether the blocks have a trend beyond chance. The significance it takes follows from
   the stated false-alarm figure: the alarms allowed an hour, shared by the tests made in that hour.
3. The Theil–Sen slope, at the near end of its interval, must explain more than all that is innocent: one standard
   deviation of a single reading, what the mains' movement may leave after re-prediction, the step of an expectation
   that follows in steps, and what warming up may still change: as much of the uncertainty as its progress says.

What the mains' movement leaves is learnt: how much of the expectation's movement stays in the residual, with its
uncertainty.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from benchmon.watch.blocks import Block
from benchmon.watch.statistics import MovingAverage
from benchmon.watch.trend import Floats, Trend, onset_of, score_for, trend_of

BLOCK_SECONDS = 3.0
BLOCKS_KEPT = 60
WINDOWS = (40, BLOCKS_KEPT)
"""Blocks that are tested for a trend: few to be quick, many for a noisy or seldom read channel."""
BLOCKS_MERGED = 6
LEVELS = 3
FALSE_ALARMS_PER_HOUR = 1.0 / 100.0
CHANNELS = 12
"""False alarms allowed by chance: one in 100 hours of 12 channels, if every test were independent of the others. They
overlap, and what they find must also be more than innocent, so there are far fewer."""

DETECTION_RATE = 1.0
DETECTION_MINUTES = 3.0
"""A drift of one reading's standard deviation a minute is to be seen within these minutes."""

LEAST_CHANGE = DETECTION_RATE * DETECTION_MINUTES / 3.0
"""The change, in standard deviations of one reading, that is innocent: a third of what the stated drift makes."""

_AT_LEAST = 8
_CHART_WEIGHT = 0.2
_LEFT_BY_MAINS = 0.1
_FEWEST_MOVES = 4
"""Movements of the mains from which on what they leave is learnt: by then the noise is known as well."""

_CLEAR_BLOCKS = 30


class Noises(NamedTuple):
    """The standard deviations of one reading, of its residual, and of its expectation."""

    reading: float
    residual: float
    expected: float


@dataclass(frozen=True, slots=True)
class Drift:
    """A drift: `rate` with its 95 % interval in the unit a second, the time it began, and the residual it is at."""

    rate: float
    low: float
    high: float
    since: float
    residual: float


class _Ladder:
    """The last blocks of one length, and the sum that becomes a block of the next length."""

    def __init__(self, level: int) -> None:
        self.seconds = BLOCK_SECONDS * BLOCKS_MERGED**level
        tests_an_hour = LEVELS * len(WINDOWS) * 3600.0 / self.seconds
        self.score = score_for(FALSE_ALARMS_PER_HOUR / CHANNELS / tests_an_hour)
        self.blocks: deque[Block] = deque(maxlen=BLOCKS_KEPT)
        self.pending: list[Block] = []

    def add(self, block: Block) -> Block | None:
        """Take a block; return one of the next length where it is complete."""
        self.blocks.append(block)
        self.pending.append(block)
        if len(self.pending) < BLOCKS_MERGED:
            return None
        columns = list(zip(*self.pending, strict=True))
        self.pending.clear()
        time, residual, expected, warm = (sum(column) / BLOCKS_MERGED for column in columns[:4])
        return Block(time, residual, expected, warm, max(columns[4]), sum(columns[5]))


class _LeftByMains:
    """How much of the expectation's movement stays in the residual, learnt from block to block.

    It begins as 0 ± 0.1: a prediction that is wrong by a tenth of the movement. Regression of the residual's steps on
    the expectation's, with an intercept, so that a drift does not bend it.
    """

    def __init__(self, prior: float) -> None:
        self._prior = prior
        self.restart()

    def restart(self) -> None:
        self._last: Block | None = None
        self._count = self._sx = self._sy = self._sxx = self._sxy = 0.0
        self.part, self.doubt = 0.0, self._prior

    def learn(self, block: Block, noise: float, expected_noise: float) -> None:
        """Take a block; `noise` is a block's standard deviation, `expected_noise` that of its expectation."""
        last, self._last = self._last, block
        if last is None or noise <= 0.0:
            return
        x, y = block.expected - last.expected, block.residual - last.residual
        if abs(x) <= 5.0 * expected_noise:
            return
        self._count, self._sx, self._sy = self._count + 1.0, self._sx + x, self._sy + y
        self._sxx, self._sxy = self._sxx + x * x, self._sxy + x * y
        if self._count < _FEWEST_MOVES:
            return
        spread = self._sxx - self._sx * self._sx / self._count
        common = self._sxy - self._sx * self._sy / self._count
        weight = 2.0 * noise * noise / (self._prior * self._prior)
        self.part = common / (spread + weight)
        self.doubt = self._prior * math.sqrt(weight / (spread + weight))


class DriftWatch:
    """Watches the blocks of one channel. `is_slow` for temperatures, which follow the mains only after a while."""

    def __init__(self, *, is_slow: bool = False) -> None:
        self._left = _LeftByMains(1.0 if is_slow else _LEFT_BY_MAINS)
        self.drift: Drift | None = None
        self.restart()

    def restart(self) -> None:
        """Begin anew: the channel has stepped."""
        self._ladders = [_Ladder(level) for level in range(LEVELS)]
        self._chart: MovingAverage | None = None
        self._target = 0.0
        self._found_at, self._sign, self._half_rate = 0, 1.0, 0.0
        self.drift = None

    def take(self, block: Block, noises: Noises, uncertainty: float, innocent: float = 0.0) -> None:
        """Take the next block; `drift` tells what is known after it.

        Warming up may still change the channel by `uncertainty` times the change of the blocks' `warm`. A change up to
        `innocent` is no drift in any case.
        """
        moved = self._has_moved(block, noises.residual / math.sqrt(block.readings))
        coming: Block | None = block
        for level, ladder in enumerate(self._ladders):
            if coming is None:
                return
            if level == 1:
                root = math.sqrt(coming.readings)
                self._left.learn(coming, noises.residual / root, noises.expected / root)
            merged = ladder.add(coming)
            if self.drift is not None and level == self._found_at:
                self._follow(ladder)
            elif moved and self.drift is None:
                self._look(level, ladder, max(innocent, LEAST_CHANGE * noises.reading), uncertainty)
            coming = merged

    def _has_moved(self, block: Block, deviation: float) -> bool:
        """Return whether the moving average has left its limits about where the channel settled."""
        blocks = self._ladders[0].blocks
        if len(blocks) < _AT_LEAST:
            return False
        if self._chart is None:
            self._target = sum(known.residual for known in blocks) / len(blocks)
            self._chart = MovingAverage(_CHART_WEIGHT, self._target)
        return abs(self._chart.update(block.residual) - self._target) > self._chart.limit(deviation)

    def _look(self, level: int, ladder: _Ladder, least: float, uncertainty: float) -> None:
        if len(ladder.blocks) < _AT_LEAST:
            return
        times, values = self._series(ladder)
        for window in WINDOWS:
            start = max(0, len(times) - window)
            trend = trend_of(times[start:], values[start:])
            change = trend.least * (times[-1] - times[start])
            if abs(trend.score) >= ladder.score and change > least + self._innocent(ladder, start, uncertainty):
                self._begin(level, ladder, times[start:], values[start:])
                return
            if start == 0:
                return

    def _begin(self, level: int, ladder: _Ladder, times: Floats, values: Floats) -> None:
        since = onset_of(times, values)
        on_the_slope = times >= since
        if np.count_nonzero(on_the_slope) < _AT_LEAST:
            on_the_slope[-_AT_LEAST:] = True
        trend = trend_of(times[on_the_slope], values[on_the_slope])
        self._found_at, self._sign = level, math.copysign(1.0, trend.slope)
        self._half_rate = abs(trend.slope) / 2.0
        self.drift = self._drift(trend, since, ladder)

    def _follow(self, ladder: _Ladder) -> None:
        """Keep a drift's figures fresh; end it once the last blocks exclude half of the rate it was found with."""
        times, values = self._series(ladder)
        recent = trend_of(times[-_CLEAR_BLOCKS:], values[-_CLEAR_BLOCKS:])
        if self.drift is None or max(self._sign * recent.low, self._sign * recent.high) < self._half_rate:
            self.restart()
            return
        self.drift = self._drift(recent, self.drift.since, ladder)

    def _drift(self, trend: Trend, since: float, ladder: _Ladder) -> Drift:
        return Drift(trend.slope, trend.low, trend.high, since, ladder.blocks[-1].residual)

    def _series(self, ladder: _Ladder) -> tuple[Floats, Floats]:
        """Return times and residuals of the blocks, less what is known to come from the mains."""
        columns = np.array(ladder.blocks)
        return columns[:, 0], columns[:, 1] - self._left.part * columns[:, 2]

    def _innocent(self, ladder: _Ladder, start: int, uncertainty: float) -> float:
        """Return the change over the blocks from `start` on that needs no drift to explain it."""
        blocks = list(ladder.blocks)[start:]
        expected = [block.expected for block in blocks]
        mains = 2.0 * self._left.doubt * (max(expected) - min(expected)) + max(block.held for block in blocks)
        warm = uncertainty * abs(blocks[-1].warm - blocks[0].warm)
        return mains + warm
