"""Drift: a slow departure of a channel from its re-predicted value.

The readings are averaged in blocks of 3 s, these in blocks of 18 s, and these in blocks of 108 s; 60 blocks of each
length are kept. So a fast drift shows within two or three minutes and a slow one within 108, at a bounded cost and
memory. For each new block:

1. An exponentially weighted moving average (NIST/SEMATECH 6.3.2.4) of the residual, reading less expectation, shows
   cheaply whether anything moved. If it stays inside its limits, that is all.
2. The Mann–Kendall test shows whether the blocks have a trend beyond chance. The significance it takes follows from
   the stated false-alarm figure: the alarms allowed an hour, shared by the tests made in that hour.
3. The Theil–Sen slope, at the near end of its interval, must explain more than all that is innocent: one standard
   deviation of a single reading, a display's last digit or what moving air does to a temperature, and besides what the
   mains' movement may leave after re-prediction (`MainsResidual`) with the step of an expectation that follows in
   steps, what warming up may have changed (`WarmParts`), and the slow noise of the channel, learnt from its past.
   These have nothing to do with each other, so they add as squares do. What windings do, as the other channels show
   it, is taken off first.

Drifts of all channels of a bench: blocks that begin and end together, corrected for what all share. Where channels
drift together as if the mains had moved while their meter did not, or the other way round, it is the meter's drift.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np

from benchmon.signals.arrays import Floats
from benchmon.watch.drift.blocks import (
    BlockAverage,
    BlockMaker,
    MovingAverage,
    TrendEstimate,
    onset_of,
    score_for,
    trend_of,
)
from benchmon.watch.drift.mains_estimate import (
    MainsEstimate,
    MainsResidual,
    ShownMovement,
    driver,
    elasticity_of,
    meter_drift,
)
from benchmon.watch.drift.warm_up import NOT_SHOWN, UNMOVED, Moved, Warmed, warmed_by

BLOCK_SECONDS = 3.0
BLOCKS_KEPT = 60
WINDOWS = (20, 40, BLOCKS_KEPT)
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

FAR = 3600.0
"""Seconds: a drift that leads out of what is expected later than that is noted, and no alarm."""

_AT_LEAST = 8
_CHART_WEIGHT = 0.2
_CLEAR_BLOCKS = 30
_SLOW_NOISE, _SLOW_WEIGHT, _SLOW_WIDTH = 0.07, 1.0, 3.0
"""Slow noise of a meter: the deviation of its swings before any is seen, as a part of its accuracy (from memory);
how many of its own swings that counts for; and how many deviations of a swing are innocent."""

_METER_SWINGS = 4.0
"""Times what is innocent of a swing that the mains meter must have drifted by: in an hour of the simulated bench with
no fault it seemed to drift by 2.5 times that, for a minute, twice."""

_LEAST_ELASTICITY, _LARGEST_ELASTICITY = 0.5, 3.0
"""By how many per cent a per cent of mains a channel moves that shows them: voltages by 1, powers by 2."""

_PAST = 1
"""The ladder whose blocks show the slow noise."""


class Noises(NamedTuple):
    """The standard deviations of one reading, of its residual, and of its expectation."""

    reading: float
    residual: float
    expected: float


@dataclass(frozen=True, slots=True)
class Drift:
    """A drift: `rate` with its 95 % interval in the unit a second, the time it began, and the residual it is at.

    `swing` is how much of it may be the meter's slow noise, which comes back, in the unit.
    """

    rate: float
    low: float
    high: float
    since: float
    residual: float
    swing: float = 0.0

    def rate_beyond_noise(self, time: float) -> float:
        """Return the part of `rate` that is no swing of the meter, at `time` (s): the more, the longer it lasts."""
        swung = self.swing / max(time - self.since, 1.0)
        return math.copysign(max(0.0, abs(self.rate) - swung), self.rate)


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
        mains, copper = (sum(column) / BLOCKS_MERGED for column in columns[6:])
        return BlockAverage(time, residual, expected, warm, max(columns[4]), sum(columns[5]), mains, copper)


class DriftWatch:
    """Watches the blocks of one channel; `elasticity` says how well it is known to follow the mains."""

    def __init__(self, elasticity: float) -> None:
        self._left = MainsResidual(elasticity)
        self.drift: Drift | None = None
        self.restart()

    def restart(self) -> None:
        """Start over: the channel has stepped."""
        self._ladders = [_BlockLadder(level) for level in range(LEVELS)]
        self._chart: MovingAverage | None = None
        self._target = self._target_copper = 0.0
        self._found_at, self._sign, self._half_rate, self._factor = 0, 1.0, 0.0, 0.0
        self.drift = None

    def take(
        self,
        block: BlockAverage,
        noises: Noises,
        accuracy: float,
        innocent: float = 0.0,
        warmed_since: Callable[[float], Warmed] = lambda _: NOT_SHOWN,
    ) -> None:
        """Take the next block; `drift` is what is known after it.

        `accuracy` is the meter's. A change up to `innocent`, and as much as the blocks' `warm` changes, is no drift;
        nor is what warming windings explain, so many times the change of `copper`. `warmed_since` returns, for a time
        (s), how many times that is from then on, as other channels show it.
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
                if self.drift is None:
                    return  # all blocks are new
            elif moved and self.drift is None:
                least = max(innocent, LEAST_CHANGE * noises.reading)
                self._look(level, ladder, least, accuracy, warmed_since)
            coming = merged

    def _has_moved(self, block: BlockAverage, deviation: float) -> bool:
        """Return whether the moving average has left its limits about where the channel settled.

        So it has where windings warmed: a drift may hide in that it stays.
        """
        blocks = self._ladders[0].blocks
        if len(blocks) < _AT_LEAST:
            return False
        if self._chart is None:
            self._target = sum(known.residual for known in blocks) / len(blocks)
            self._target_copper = sum(known.copper for known in blocks) / len(blocks)
            self._chart = MovingAverage(_CHART_WEIGHT, self._target)
        moved = max(abs(self._chart.update(block.residual) - self._target), abs(block.copper - self._target_copper))
        return moved > self._chart.limit(deviation)

    def _look(
        self,
        level: int,
        ladder: _BlockLadder,
        least: float,
        accuracy: float,
        warmed_since: Callable[[float], Warmed],
    ) -> None:
        if len(ladder.blocks) < _AT_LEAST:
            return
        times, values, copper = self._series(ladder)
        for window in WINDOWS:
            start = max(0, len(times) - window)
            warming = float(copper[-1] - copper[start])
            windings = warmed_since(float(times[start])) if warming else NOT_SHOWN
            rest = values[start:] - windings.factor * copper[start:]
            trend = trend_of(times[start:], rest)
            change = trend.least * (times[-1] - times[start])
            innocent = math.hypot(*self._innocent(ladder, start), windings.doubt * warming)
            if abs(trend.score) >= ladder.score and change > least + innocent:
                swing = self._swing(float(times[-1] - times[start]), float(times[start]), accuracy)
                if change > least + math.hypot(innocent, swing):
                    self._factor = windings.factor
                    self._begin(level, ladder, times[start:], rest, swing)
                return
            if start == 0:
                return

    def _begin(self, level: int, ladder: _BlockLadder, times: Floats, values: Floats, swing: float) -> None:
        since = onset_of(times, values)
        on_the_slope = times >= since
        if np.count_nonzero(on_the_slope) < _AT_LEAST:
            on_the_slope[-_AT_LEAST:] = True
        trend = trend_of(times[on_the_slope], values[on_the_slope])
        self._found_at, self._sign = level, math.copysign(1.0, trend.slope)
        self._half_rate = abs(trend.slope) / 2.0
        self.drift = self._drift(trend, since, ladder, swing)

    def _follow(self, ladder: _BlockLadder) -> None:
        """Keep a drift's figures fresh; end it once the last blocks exclude half of the rate it was found with."""
        times, values, copper = self._series(ladder)
        rest = values - self._factor * copper
        recent = trend_of(times[-_CLEAR_BLOCKS:], rest[-_CLEAR_BLOCKS:])
        if self.drift is None or max(self._sign * recent.low, self._sign * recent.high) < self._half_rate:
            self.restart()
            return
        self.drift = self._drift(recent, self.drift.since, ladder, self.drift.swing)

    def _drift(self, trend: TrendEstimate, since: float, ladder: _BlockLadder, swing: float) -> Drift:
        return Drift(trend.slope, trend.low, trend.high, since, ladder.blocks[-1].residual, swing)

    def _series(self, ladder: _BlockLadder) -> tuple[Floats, Floats, Floats]:
        """Return times of the blocks, residuals less what is known to come from the mains, and what windings may do."""
        columns = np.array(ladder.blocks)
        moved = columns[:, 2] if np.isnan(columns[:, 6]).any() else columns[:, 6]
        return columns[:, 0], columns[:, 1] - self._left.part * moved, columns[:, 7]

    def follows_the_mains(self, slope: float) -> bool:
        """Return whether the channel, of which the expectation has a `slope` a volt, goes about with the mains."""
        block = self._ladders[0].blocks[-1] if self._ladders[0].blocks else None
        if block is None or block.expected == 0.0 or math.isnan(block.mains):
            return False
        return _LEAST_ELASTICITY < abs(slope * block.mains / block.expected) < _LARGEST_ELASTICITY

    def shown_since(self, since: float, slope: float) -> ShownMovement | None:
        """Return what the residual itself shows since then, of an expectation with a `slope` a volt.

        None where too little has been read since then.
        """
        blocks = self._blocks_since(since)
        if not blocks:
            return None
        trend = trend_of(np.array([one.time for one in blocks]), np.array([one.residual for one in blocks]))
        return ShownMovement(slope, trend.slope, (trend.high - trend.low) / 4.0, _rate(blocks, "copper"))

    def mains_since(self, since: float) -> float:
        """Return by how much the mains moved since then, V/s on the average, 0 where too little is known."""
        blocks = self._blocks_since(since)
        return _rate(blocks, "mains") if blocks else 0.0

    def _blocks_since(self, since: float) -> Sequence[BlockAverage]:
        for ladder in self._ladders:
            blocks = [block for block in ladder.blocks if block.time >= since]
            if len(blocks) >= _AT_LEAST and (ladder.blocks[0].time <= since or ladder is self._ladders[-1]):
                return blocks
        return ()

    def _swing(self, length: float, before: float, accuracy: float) -> float:
        """Return how much the channel's own slow noise may change it over `length` seconds.

        It is learnt from the changes over as long a time `before` (s); until there are any, it has its usual size.
        """
        prior = _SLOW_NOISE * accuracy
        ladder = self._ladders[_PAST]
        lag = max(1, round(length / ladder.seconds))
        squares, swings = 0.0, 0.0
        if len(ladder.blocks) > lag:
            times, values, _ = self._series(ladder)
            past = values[times < before]
            if len(past) > lag:
                squares = float(np.var(past[lag:] - past[:-lag]))  # a drift that has lasted is no noise
                swings = (len(past) - lag) / lag
        variance = (_SLOW_WEIGHT * prior**2 + swings * squares) / (_SLOW_WEIGHT + swings)
        return _SLOW_WIDTH * math.sqrt(variance)

    def _innocent(self, ladder: _BlockLadder, start: int) -> tuple[float, float]:
        """Return the changes over the blocks from `start` on by the mains, and by what warms but windings."""
        blocks = list(ladder.blocks)[start:]
        moved = [driver(block) for block in blocks]
        mains = 2.0 * self._left.doubt * (max(moved) - min(moved)) + max(block.held for block in blocks)
        return mains, blocks[-1].warm - blocks[0].warm

    def warming_since(self, since: float, accuracy: float) -> tuple[float, float] | None:
        """Return how many times as much as is taken the windings warmed since then, as this channel shows it.

        With its standard uncertainty, by the slow noise of a meter of that `accuracy` too. None where the channel
        does not show them, or too little was read since then.
        """
        blocks = self._blocks_since(since)
        copper = _rate(blocks, "copper") if blocks else 0.0
        if copper == 0.0:
            return None
        times = np.array([one.time for one in blocks])
        trend = trend_of(times, np.array([one.residual - self._left.part * driver(one) for one in blocks]))
        length = float(times[-1] - times[0])
        slow = self._swing(length, since, accuracy) / (_SLOW_WIDTH * length)
        return trend.slope / copper, math.hypot(trend.high - trend.low, 4.0 * slow) / (4.0 * abs(copper))


def _rate(blocks: Sequence[BlockAverage], what: str) -> float:
    last, first = blocks[-1], blocks[0]
    return float(getattr(last, what) - getattr(first, what)) / (last.time - first.time)


_DRAUGHT, _OF_THE_RISE, _USUAL_AIR = 0.3, 0.06, 25.0
"""Kelvins by which air that no probe sees moves a temperature, and the part of its rise above usual air besides: moving
air changes a part's cooling by 2 % rms, and swings by three times that. From memory."""


def moving_air(temperature: float) -> float:
    """Return by how much moving air may change a `temperature` (°C), K."""
    return _DRAUGHT + _OF_THE_RISE * max(0.0, temperature - _USUAL_AIR)


_LATE_ELASTICITY = 1.0

_WARMING_SEEN_FOR, _UNTIL_BLOCKS = 600.0, 30.0
"""Seconds over which it is looked how much windings warm, and after which there are blocks to look at."""

_DITHERED = 0.5
"""Steps of the last digit from which on noise averages its rounding out: with less, half a step is hidden each way."""

_WARMING_HOLDS = 18.0
"""Seconds for which what all channels show of that is kept: it hardly changes."""


class Drifts:
    """Watches `channels` for drift. Name those that are `slow`: temperatures follow the mains only after a while.

    `channels` may map each name to its quantity, which says how well it is known to follow the mains. `mains` names the
    channel that measures the mains voltage, which the expectations follow. `witnesses` are the channels by which that
    meter was seen to drift.
    """

    def __init__(
        self, channels: Mapping[str, str] | Iterable[str], slow: Iterable[str] = (), mains: str | None = None
    ) -> None:
        late = frozenset(slow)
        quantities = channels if isinstance(channels, Mapping) else dict.fromkeys(channels, "")
        self._makers = {name: BlockMaker() for name in quantities}
        self._watches = {
            name: DriftWatch(_LATE_ELASTICITY if name in late else elasticity_of(quantity))
            for name, quantity in quantities.items()
        }
        self._late = late
        self._accuracies = dict.fromkeys(self._makers, 0.0)
        self._estimate = MainsEstimate()
        self._mains, self._mains_channel, self._mains_accuracy = _Mean(), mains, 0.0
        self.witnesses: frozenset[str] = frozenset()
        self._explained: set[str] = set()
        self._mains_drift: Drift | None = None
        self._warming: dict[int, tuple[int, dict[str, tuple[float, float]]]] = {}
        self._closed = 0
        self._turn: int | None = None
        self._began: float | None = None

    def drift(self, channel: str) -> Drift | None:
        """Return the drift of a channel, None where it does not drift, or only shows that the mains meter does."""
        if channel == self._mains_channel and self._mains_drift is not None:
            return self._mains_drift
        return None if channel in self._explained else self._watches[channel].drift

    def mains(self, volts: float, accuracy: float = 0.0) -> None:
        """Take a reading of the mains voltage (V rms) that the expectations follow, and its meter's accuracy (V)."""
        self._mains.add(volts)
        self._mains_accuracy = accuracy

    def update(
        self,
        channel: str,
        time: float,
        value: float,
        expected: float,
        *,
        accuracy: float = 0.0,
        warm: Moved = UNMOVED,
    ) -> set[str]:
        """Take one finite reading; return the channels whose drift began or ended with it.

        `expected` is the value re-predicted for this moment, `accuracy` the meter's, `warm` by how much warming up may
        have moved the reading so far. All in the channel's unit; times rise over all channels.
        """
        changed: set[str] = set()
        if self._began is None:
            self._began = time  # blocks are counted from here, so that it is all one at which time a log begins
        turn = math.floor((time - self._began) / BLOCK_SECONDS)
        if turn != self._turn:
            changed = self._close()
            self._turn = turn
        self._accuracies[channel] = accuracy
        if self._makers[channel].update(time, value, expected, warm.either_way, warm.by_copper):
            if self.drift(channel) is not None:
                changed.add(channel)
            self._watches[channel].restart()
            self._estimate.forget(channel)
        return changed

    def _close(self) -> set[str]:
        """Hand every channel's block to its watch; return the channels whose drift began or ended."""
        made = {name: block for name, maker in self._makers.items() if (block := maker.close()) is not None}
        noises = {name: self._noises(name) for name in made}
        volts = self._mains.take()
        if volts is not None:
            made = {name: block._replace(mains=volts) for name, block in made.items()}
            made |= self._without_what_is_shared(made, noises, volts)
        had = {name for name in self._watches if self.drift(name) is not None}
        self._closed += 1
        is_to_look_again = self._closed % BLOCKS_MERGED == 0
        for name, block in made.items():
            watch = self._watches[name]
            before = watch.drift
            innocent, warmed = self._innocent_change(name, block), partial(self._warmed_since, name)
            watch.take(block, noises[name], self._accuracies[name], innocent, warmed)
            if watch.drift is not None and name not in self._explained and (before is None or is_to_look_again):
                self._look_at_the_mains_meter(name, watch.drift)
        self._explained = {name for name in self._explained if self._watches[name].drift is not None}
        if not self._explained:
            self._mains_drift = None
        return had ^ {name for name in self._watches if self.drift(name) is not None}

    def _innocent_change(self, name: str, block: BlockAverage) -> float:
        """Return by how much moving air may change a channel, or the last digit of its display, in its unit."""
        if name in self._late:
            return moving_air(block.expected + block.residual)
        noise = self._makers[name].own_noise
        return noise.step if noise.deviation < _DITHERED * noise.step else 0.0

    def _warmed_since(self, channel: str, since: float) -> Warmed:
        """Return how many times as much as is taken the windings warmed since then (s), as all other channels show it.

        It changes little, so of a short time the minutes before it are looked at too.
        """
        lasted = 0.0
        if self._began is not None and self._turn is not None:
            now, began = self._began + BLOCK_SECONDS * self._turn, self._began + _UNTIL_BLOCKS
            lasted = min(max(now - since, _WARMING_SEEN_FOR), now - began)
            since = now - lasted
        shown = self._shown_warming(since, round(lasted / _WARMING_HOLDS))
        return warmed_by([one for name, one in shown.items() if name != channel])

    def _shown_warming(self, since: float, lasted: int) -> Mapping[str, tuple[float, float]]:
        """Return how much the windings warmed since then (s), as each channel shows it that does not drift."""
        turn = round(self._closed * BLOCK_SECONDS / _WARMING_HOLDS)
        kept = self._warming.get(lasted)
        if kept is not None and kept[0] == turn:
            return kept[1]
        if any(one[0] != turn for one in self._warming.values()):
            self._warming.clear()
        found = {
            name: one
            for name, watch in self._watches.items()
            if name not in self._late and watch.drift is None
            if (one := watch.warming_since(since, self._accuracies[name])) is not None
        }
        self._warming[lasted] = (turn, found)
        return found

    def _look_at_the_mains_meter(self, channel: str, drift: Drift) -> None:
        """Find out whether a drift of `channel` is that of the mains meter: others then show as many volts."""
        if self._mains_channel is None:
            return
        shown = {}
        for name, watch in self._watches.items():
            slope = self._estimate.slope(name)
            if name not in self._late and watch.follows_the_mains(slope):
                one = watch.shown_since(drift.since, slope)
                if one is not None:
                    shown[name] = one
        if channel not in shown:
            return
        found = meter_drift(shown, self._watches[channel].mains_since(drift.since))
        if found is None or channel not in found.witnesses or self._began is None or self._turn is None:
            return
        lasted = self._began + BLOCK_SECONDS * self._turn - drift.since
        if abs(found.rate) * lasted < _METER_SWINGS * _SLOW_WIDTH * _SLOW_NOISE * self._mains_accuracy:
            return  # the slow noise of that meter, which comes back
        if self._mains_drift is None:
            self._mains_drift = Drift(found.rate, found.low, found.high, drift.since, 0.0)
            self.witnesses = found.witnesses
        self._explained.add(channel)

    def _noises(self, name: str) -> Noises:
        maker = self._makers[name]
        return Noises(maker.own_noise.deviation, maker.noise.deviation, maker.expected_noise.deviation)

    def _without_what_is_shared(
        self, made: Mapping[str, BlockAverage], noises: Mapping[str, Noises], volts: float
    ) -> dict[str, BlockAverage]:
        quick = {name: block for name, block in made.items() if name not in self._late}
        deviations = {name: noises[name].reading / math.sqrt(block.readings) for name, block in quick.items()}
        drifting = {name for name in quick if self._watches[name].drift is not None}
        return self._estimate.corrected(quick, volts, deviations, drifting)


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
