"""How uncertain the measures of a capture are: what its noise, the steps of its values and its length make of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmon.analyse.levels import Levels
from benchmon.analyse.sampling import Sampled
from benchmon.bench import Accuracy
from benchmon.prediction.result import Floats
from benchmon.prediction.waveform import WaveMeasures

COVERAGE = 2.0
_RECTANGULAR = 1.0 / math.sqrt(12.0)
_LEAST_OF_A_PERIOD = 2e-5
"""Part of a period to which that of a single, badly distorted one can be told."""
_ORDERS_TOLD = 39


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its expanded uncertainty (k = 2), both in one unit; the value is NaN where it has no meaning."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class Doubts:
    """What makes a capture's measures uncertain (JCGM 100:2008, 5.1: independent contributions by their squares)."""

    sampled: Sampled
    levels: Levels
    shape: WaveMeasures
    accuracy: Accuracy

    def level(self, found: Callable[[Levels], Floats], value: float) -> Measured:
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
        doubt = COVERAGE * math.hypot(scatter, random, rounding, length)
        return Measured(value, math.hypot(doubt, self.accuracy.of(value)))

    def extreme(self, value: float) -> Measured:
        """Return an extreme sample: what noise adds, half a step, and how the wave bends there between samples."""
        few = self.sampled.few.value
        top = min(max(int(np.argmin(np.abs(few - value))), 1), len(few) - 2)
        bend = abs(float(few[top - 1] - 2.0 * few[top] + few[top + 1])) / 8.0 / self.sampled.averaged**2
        added = self.sampled.noise * math.sqrt(2.0 * math.log(len(self.sampled.wave.time)))
        rounding = COVERAGE * _RECTANGULAR * self.sampled.step
        return Measured(value, math.hypot(added, rounding, bend, self.accuracy.of(value)))

    def frequency(self) -> Measured:
        """Return the frequency."""
        return Measured(self.sampled.frequency, COVERAGE * self._of_frequency())

    def _of_frequency(self) -> float:
        """Return its standard uncertainty: the least that noise allows for a sine (Cramér and Rao), and an allowance.

        The allowance is for what the fit leaves out of a distorted wave, which pulls at it in a short capture.
        """
        sampled = self.sampled
        size = max(self.shape.harmonics[0][1], 1e-300) * math.sqrt(2.0)
        noise = math.hypot(sampled.noise, _RECTANGULAR * sampled.step)
        bound = math.sqrt(6.0 / len(sampled.wave.time)) * noise / (math.pi * size * sampled.duration)
        return math.hypot(bound, _LEAST_OF_A_PERIOD * min(self.shape.thd, 1.0) / sampled.duration)

    def distortion(self) -> Measured:
        """Return the distortion: noise in every order, noise in the fundamental, and the frequency."""
        thd, size = self.shape.thd, self.shape.harmonics[0][1]
        if size <= 0.0:
            return Measured(thd, 0.0)
        sampled = self.sampled
        one = math.hypot(sampled.noise, _RECTANGULAR * sampled.step) / math.sqrt(len(sampled.wave.time)) / size
        # Noise lifts every order a little; where there is little distortion, that is most of what is read.
        floor = math.hypot(thd, one * math.sqrt(2.0 * _ORDERS_TOLD)) - thd
        drift = 10.0 * thd * self._of_frequency() / sampled.frequency
        return Measured(thd, COVERAGE * math.hypot(one * math.hypot(1.0, thd), floor, drift))
