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

Drift of all channels of a bench: blocks that begin and end together, corrected for what all share.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from benchmon.signals.arrays import Floats
from benchmon.watch.drift.blocks import BlockAverage, BlockMaker, MovingAverage
from benchmon.watch.drift.mains_error import MainsError
from benchmon.watch.drift.trend_test import TrendEstimate, onset_of, score_for, trend_of

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


class _BlockLadder:
    """The last blocks of one length, and the sum that becomes a block of the next length."""

    def __init__(self, level: int) -> None:
        self.seconds = BLOCK_SECONDS * BLOCKS_MERGED**level
        tests_an_hour = LEVELS * len(WINDOWS) * 3600.0 / self.seconds
        self.score = score_for(FALSE_ALARMS_PER_HOUR / CHANNELS / tests_an_hour)
        self.blocks: deque[BlockAverage] = deque(maxlen=BLOCKS_KEPT)
        self.pending: list[BlockAverage] = []

    def add(self, block: BlockAverage) -> BlockAverage | None:
        """Take a block; return one of the next length where it is complete."""
        self.blocks.append(block)
        self.pending.append(block)
        if len(self.pending) < BLOCKS_MERGED:
            return None
        columns = list(zip(*self.pending, strict=True))
        self.pending.clear()
        time, residual, expected, warm = (sum(column) / BLOCKS_MERGED for column in columns[:4])
        return BlockAverage(time, residual, expected, warm, max(columns[4]), sum(columns[5]))


class _LeftByMains:
    """How much of the expectation's movement stays in the residual, learnt from block to block.

    It begins as 0 ± 0.1: a prediction that is wrong by a tenth of the movement. Regression of the residual's steps on
    the expectation's, with an intercept, so that a drift does not bend it.
    """

    def __init__(self, prior: float) -> None:
        self._prior = prior
        self.restart()

    def restart(self) -> None:
        self._last: BlockAverage | None = None
        self._count = self._sx = self._sy = self._sxx = self._sxy = 0.0
        self.part, self.doubt = 0.0, self._prior

    def learn(self, block: BlockAverage, noise: float, expected_noise: float) -> None:
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
        self._ladders = [_BlockLadder(level) for level in range(LEVELS)]
        self._chart: MovingAverage | None = None
        self._target = 0.0
        self._found_at, self._sign, self._half_rate = 0, 1.0, 0.0
        self.drift = None

    def take(self, block: BlockAverage, noises: Noises, uncertainty: float, innocent: float = 0.0) -> None:
        """Take the next block; `drift` tells what is known after it.

        Warming up may still change the channel by `uncertainty` times the change of the blocks' `warm`. A change up to
        `innocent` is no drift in any case.
        """
        moved = self._has_moved(block, noises.residual / math.sqrt(block.readings))
        coming: BlockAverage | None = block
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

    def _has_moved(self, block: BlockAverage, deviation: float) -> bool:
        """Return whether the moving average has left its limits about where the channel settled."""
        blocks = self._ladders[0].blocks
        if len(blocks) < _AT_LEAST:
            return False
        if self._chart is None:
            self._target = sum(known.residual for known in blocks) / len(blocks)
            self._chart = MovingAverage(_CHART_WEIGHT, self._target)
        return abs(self._chart.update(block.residual) - self._target) > self._chart.limit(deviation)

    def _look(self, level: int, ladder: _BlockLadder, least: float, uncertainty: float) -> None:
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

    def _begin(self, level: int, ladder: _BlockLadder, times: Floats, values: Floats) -> None:
        since = onset_of(times, values)
        on_the_slope = times >= since
        if np.count_nonzero(on_the_slope) < _AT_LEAST:
            on_the_slope[-_AT_LEAST:] = True
        trend = trend_of(times[on_the_slope], values[on_the_slope])
        self._found_at, self._sign = level, math.copysign(1.0, trend.slope)
        self._half_rate = abs(trend.slope) / 2.0
        self.drift = self._drift(trend, since, ladder)

    def _follow(self, ladder: _BlockLadder) -> None:
        """Keep a drift's figures fresh; end it once the last blocks exclude half of the rate it was found with."""
        times, values = self._series(ladder)
        recent = trend_of(times[-_CLEAR_BLOCKS:], values[-_CLEAR_BLOCKS:])
        if self.drift is None or max(self._sign * recent.low, self._sign * recent.high) < self._half_rate:
            self.restart()
            return
        self.drift = self._drift(recent, self.drift.since, ladder)

    def _drift(self, trend: TrendEstimate, since: float, ladder: _BlockLadder) -> Drift:
        return Drift(trend.slope, trend.low, trend.high, since, ladder.blocks[-1].residual)

    def _series(self, ladder: _BlockLadder) -> tuple[Floats, Floats]:
        """Return times and residuals of the blocks, less what is known to come from the mains."""
        columns = np.array(ladder.blocks)
        return columns[:, 0], columns[:, 1] - self._left.part * columns[:, 2]

    def _innocent(self, ladder: _BlockLadder, start: int, uncertainty: float) -> float:
        """Return the change over the blocks from `start` on that needs no drift to explain it."""
        blocks = list(ladder.blocks)[start:]
        expected = [block.expected for block in blocks]
        mains = 2.0 * self._left.doubt * (max(expected) - min(expected)) + max(block.held for block in blocks)
        warm = uncertainty * abs(blocks[-1].warm - blocks[0].warm)
        return mains + warm


_DRAUGHT = 0.3
"""Kelvin by which air that no probe sees moves a temperature."""


class Drifts:
    """Watches `channels` for drift. Name those that are `slow`: temperatures follow the mains only after a while."""

    def __init__(self, channels: Iterable[str], slow: Iterable[str] = ()) -> None:
        late = frozenset(slow)
        self._makers = {name: BlockMaker() for name in channels}
        self._watches = {name: DriftWatch(is_slow=name in late) for name in self._makers}
        self._late = late
        self._spreads = dict.fromkeys(self._makers, 0.0)
        self._shared = MainsError()
        self._mains = _Mean()
        self._turn: int | None = None
        self._began: float | None = None

    def drift(self, channel: str) -> Drift | None:
        """Return the drift of a channel, None where it does not drift."""
        return self._watches[channel].drift

    def mains(self, volts: float) -> None:
        """Take a reading of the mains voltage (V rms) that the expectations follow."""
        self._mains.add(volts)

    def update(
        self, channel: str, time: float, value: float, expected: float, *, uncertainty: float = 0.0, warm: float = 0.0
    ) -> set[str]:
        """Take one finite reading; return the channels whose drift began or ended with it.

        `expected` is the value re-predicted for this moment. Warming up may still change the reading by `uncertainty`
        times the change of `warm`. All in the channel's unit; times rise over all channels.
        """
        changed: set[str] = set()
        if self._began is None:
            self._began = time  # blocks are counted from here, so that it is all one at which time a log begins
        turn = math.floor((time - self._began) / BLOCK_SECONDS)
        if turn != self._turn:
            changed = self._close()
            self._turn = turn
        self._spreads[channel] = uncertainty
        if self._makers[channel].update(time, value, expected, warm):
            if self._watches[channel].drift is not None:
                changed.add(channel)
            self._watches[channel].restart()
            self._shared.forget(channel)
        return changed

    def _close(self) -> set[str]:
        """Hand every channel's block to its watch; return the channels whose drift began or ended."""
        made = {name: block for name, maker in self._makers.items() if (block := maker.close()) is not None}
        noises = {name: self._noises(name) for name in made}
        volts = self._mains.take()
        if volts is not None:
            made |= self._without_what_is_shared(made, noises, volts)
        changed = set()
        for name, block in made.items():
            watch = self._watches[name]
            had = watch.drift is not None
            watch.take(block, noises[name], self._spreads[name], _DRAUGHT if name in self._late else 0.0)
            if had != (watch.drift is not None):
                changed.add(name)
        return changed

    def _noises(self, name: str) -> Noises:
        maker = self._makers[name]
        return Noises(maker.own_noise.deviation, maker.noise.deviation, maker.expected_noise.deviation)

    def _without_what_is_shared(
        self, made: Mapping[str, BlockAverage], noises: Mapping[str, Noises], volts: float
    ) -> dict[str, BlockAverage]:
        quick = {name: block for name, block in made.items() if name not in self._late}
        deviations = {name: noises[name].reading / math.sqrt(block.readings) for name, block in quick.items()}
        drifting = {name for name in quick if self._watches[name].drift is not None}
        return self._shared.corrected(quick, volts, deviations, drifting)


class _Mean:
    """The mean of what came since it was last taken."""

    def __init__(self) -> None:
        self._count, self._sum = 0, 0.0

    def add(self, value: float) -> None:
        self._count += 1
        self._sum += value

    def take(self) -> float | None:
        if not self._count:
            return None
        mean = self._sum / self._count
        self._count, self._sum = 0, 0.0
        return mean
