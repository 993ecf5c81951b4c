"""How uncertain the measures of a capture are: what its noise, the steps of its values and its length make of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Accuracy
from benchmon.signals.arrays import Floats
from benchmon.signals.frequency import RAMPS, tapered
from benchmon.signals.measures import Levels, WaveMeasures
from benchmon.signals.samples import Sampled

COVERAGE = 2.0
_RECTANGULAR = 1.0 / math.sqrt(12.0)
_LEAST_OF_A_PERIOD = 2e-5
"""Part of a period to which that of a single, badly distorted one can be told."""
_OF_A_JUMP = ((RAMPS, 5e-4), (2.5, 2e-3), (0.0, 6e-3))
"""Part of a period by which a jump pulls at the fit, in a capture of so many periods or more."""

_ORDERS_TOLD = 39


@dataclass(frozen=True, slots=True)
class UncertainValue:
    """A value and its expanded uncertainty (k = 2), both in one unit; the value is NaN where it has no meaning."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class MeasureUncertainty:
    """What makes a capture's measures uncertain (JCGM 100:2008, 5.1: independent contributions by their squares)."""

    sampled: Sampled
    levels: Levels
    shape: WaveMeasures
    accuracy: Accuracy

    def level(self, found: Callable[[Levels], Floats], value: float) -> UncertainValue:
        """Return an average over the wave: scatter of its pieces, noise, steps, and where the capture ends."""
        count, step, swing = len(self.sampled.wave.time), self.sampled.step, self.levels.swing
        pieces = found(self.levels)
        scatter = float(np.std(pieces, ddof=1)) / math.sqrt(len(pieces)) if len(pieces) > 1 else 0.0
        random = self.sampled.noise / math.sqrt(count)
        # A wave that crosses many steps, or noise that is larger than one, averages the rounding out.
        crossed = count if self.sampled.noise >= step / 2.0 else max(min(swing / step, count), 1.0)
        rounding = _RECTANGULAR * step / math.sqrt(crossed)
        # Whole periods end a little early or late, where the wave is at most half its swing off its average.
        length = self._of_frequency() / self.sampled.frequency * swing / 2.0
        coarse = self.sampled.coarseness / 2.0
        doubt = COVERAGE * math.hypot(scatter, random, rounding, length, coarse)
        return UncertainValue(value, math.hypot(doubt, self.accuracy.of(value)))

    def extreme(self, value: float) -> UncertainValue:
        """Return an extreme sample: what noise adds, half a step, and how the wave bends there between samples."""
        few = self.sampled.few.value
        top = min(max(int(np.argmin(np.abs(few - value))), 1), len(few) - 2)
        bend = abs(float(few[top - 1] - 2.0 * few[top] + few[top + 1])) / 8.0 / self.sampled.averaged**2
        added = self.sampled.noise * math.sqrt(2.0 * math.log(len(self.sampled.wave.time)))
        rounding = COVERAGE * _RECTANGULAR * self.sampled.step
        return UncertainValue(value, math.hypot(added, rounding, bend, self.accuracy.of(value)))

    def frequency(self) -> UncertainValue:
        """Return the frequency."""
        return UncertainValue(self.sampled.frequency, COVERAGE * self._of_frequency())

    def _of_frequency(self) -> float:
        """Return its standard uncertainty: the least that noise allows for a sine (Cramér and Rao), and an allowance.

        The fit lets both ends of a capture count less, so noise counts more. The allowance is for what the fit leaves
        out of a distorted wave, which pulls at it in a short capture.
        """
        sampled = self.sampled
        periods = sampled.duration * sampled.frequency
        size = max(self.shape.harmonics[0][1], 1e-300) * math.sqrt(2.0)
        noise = math.hypot(sampled.noise, _RECTANGULAR * sampled.step)
        bound = math.sqrt(6.0 / len(sampled.wave.time)) * noise / (math.pi * size * sampled.duration)
        # Where an edge is between two samples nobody knows; the more samples, the better they tell it together.
        spacing = 1.0 / sampled.samples_a_period**2
        pull = next(part for least, part in _OF_A_JUMP if periods >= least)
        of_a_period = (_LEAST_OF_A_PERIOD + spacing) * min(self.shape.thd, 1.0) + pull * min(self._jump(), 1.0)
        return math.hypot(_lost_by_tapering(periods) * bound, of_a_period / sampled.duration)

    def distortion(self) -> UncertainValue:
        """Return the distortion: noise in every order, noise in the fundamental, and the frequency."""
        thd, size = self.shape.thd, self.shape.harmonics[0][1]
        if size <= 0.0:
            return UncertainValue(thd, 0.0)
        sampled = self.sampled
        one = math.hypot(sampled.noise, _RECTANGULAR * sampled.step) / math.sqrt(len(sampled.wave.time)) / size
        # Noise lifts every order a little; where there is little distortion, that is most of what is read.
        floor = math.hypot(thd, one * math.sqrt(2.0 * _ORDERS_TOLD)) - thd
        drift = 10.0 * thd * self._of_frequency() / sampled.frequency
        return UncertainValue(
            thd, COVERAGE * math.hypot(one * math.hypot(1.0, thd), floor, drift, self._unseen() / 2.0)
        )

    def _unseen(self) -> float:
        """Return the distortion in orders that too few samples do not show, if they shrink as those of a jump do, 1/n.

        What is not shown is folded into the orders that are, so it may be missing or be too much.
        """
        return self._jump() * math.sqrt(max(1.0 / self.sampled.orders_seen - 1.0 / (_ORDERS_TOLD + 1), 0.0))

    def _jump(self) -> float:
        """Return how much of a jump is in the wave: 1 for a square wave, 0 for a smooth one.

        The orders of a jump shrink as 1/n; it is told by the upper half of those that the samples show.
        """
        seen = min(self.sampled.orders_seen, _ORDERS_TOLD + 1)
        upper = (order * size for order, size in self.shape.harmonics if seen / 2 <= order <= seen)
        return max(upper, default=0.0) / max(self.shape.harmonics[0][1], 1e-300)


def _lost_by_tapering(periods: float) -> float:
    """Return by how much more noise moves a slope over time that is fitted with the weights of `tapered`."""
    at = np.linspace(0.0, periods, 1001)
    weight, centred = tapered(at), at - periods / 2.0
    return float(np.sqrt(np.sum((weight * centred) ** 2) * np.sum(centred**2)) / np.sum(weight * centred**2))
