"""Uncertainty of the measures of a captured wave, from its noise, resolution, sampling and length."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmon.quantities import Accuracy
from benchmon.signals.arrays import Floats
from benchmon.signals.frequency import RAMPS, tapered
from benchmon.signals.measures import Levels, WaveMeasures
from benchmon.signals.samples import Sampled

COVERAGE = 2.0
"""Coverage factor k of an expanded uncertainty."""

_RECTANGULAR = 1.0 / math.sqrt(12.0)
_LEAST_OF_A_PERIOD = 2e-5
"""Standard uncertainty of the length of a single, badly distorted period, in periods."""
_OF_A_JUMP = ((RAMPS, 5e-4), (2.5, 2e-3), (0.0, 6e-3))
"""Least number of periods in the capture, and the bias of the fit by a jump in the wave, in periods."""

_DISTORTION_ORDERS = 39


@dataclass(frozen=True, slots=True)
class UncertainValue:
    """A value and its expanded uncertainty (k = 2), both in one unit; the value is NaN if it has no meaning."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class MeasureUncertainty:
    """Uncertainties of the measures of a capture: independent contributions added by squares (JCGM 100:2008, 5.1).

    `accuracy` is that of the oscilloscope.
    """

    sampled: Sampled
    levels: Levels
    shape: WaveMeasures
    accuracy: Accuracy

    def level(self, found: Callable[[Levels], Floats], value: float) -> UncertainValue:
        """Return an average over the wave: scatter of its pieces, noise, resolution, and the ends of the capture."""
        count, step, swing = len(self.sampled.wave.time), self.sampled.step, self.levels.swing
        pieces = found(self.levels)
        scatter = float(np.std(pieces, ddof=1)) / math.sqrt(len(pieces)) if len(pieces) > 1 else 0.0
        random = self.sampled.noise / math.sqrt(count)
        # In a wave that crosses many steps, or with noise larger than one, the rounding averages out.
        crossed = count if self.sampled.noise >= step / 2.0 else max(min(swing / step, count), 1.0)
        rounding = _RECTANGULAR * step / math.sqrt(crossed)
        # Whole periods end a little early or late, where the wave is at most half its swing from its average.
        length = self._of_frequency() / self.sampled.frequency * swing / 2.0
        coarse = self.sampled.coarseness / 2.0
        own = COVERAGE * math.hypot(scatter, random, rounding, length, coarse)
        return UncertainValue(value, math.hypot(own, self.accuracy.of(value)))

    def extreme(self, value: float) -> UncertainValue:
        """Return an extreme sample: noise, half a step, and the curvature of the wave between samples there."""
        samples = self.sampled.decimated.value
        top = min(max(int(np.argmin(np.abs(samples - value))), 1), len(samples) - 2)
        curvature = abs(float(samples[top - 1] - 2.0 * samples[top] + samples[top + 1]))
        bend = curvature / 8.0 / self.sampled.decimation**2
        added = self.sampled.noise * math.sqrt(2.0 * math.log(len(self.sampled.wave.time)))
        rounding = COVERAGE * _RECTANGULAR * self.sampled.step
        return UncertainValue(value, math.hypot(added, rounding, bend, self.accuracy.of(value)))

    def frequency(self) -> UncertainValue:
        """Return the fundamental frequency, Hz."""
        return UncertainValue(self.sampled.frequency, COVERAGE * self._of_frequency())

    def _of_frequency(self) -> float:
        """Return the standard uncertainty of the frequency, Hz: the Cramér-Rao bound for a sine, and an allowance.

        The fit tapers both ends of the capture, which increases the effect of noise. The allowance is for orders that
        the fit does not include, which bias it in a short capture of a distorted wave.
        """
        sampled = self.sampled
        periods = sampled.duration * sampled.frequency
        size = max(self.shape.harmonics[0][1], 1e-300) * math.sqrt(2.0)
        noise = math.hypot(sampled.noise, _RECTANGULAR * sampled.step)
        bound = math.sqrt(6.0 / len(sampled.wave.time)) * noise / (math.pi * size * sampled.duration)
        # The position of an edge between two samples is unknown; the more samples, the better the average.
        spacing = 1.0 / sampled.samples_a_period**2
        bias = next(size for least, size in _OF_A_JUMP if periods >= least)
        of_a_period = (_LEAST_OF_A_PERIOD + spacing) * min(self.shape.thd, 1.0) + bias * min(self._jump(), 1.0)
        return math.hypot(_tapering_factor(periods) * bound, of_a_period / sampled.duration)

    def distortion(self) -> UncertainValue:
        """Return the distortion: noise in every order, noise in the fundamental, and the frequency."""
        thd, size = self.shape.thd, self.shape.harmonics[0][1]
        if size <= 0.0:
            return UncertainValue(thd, 0.0)
        sampled = self.sampled
        one = math.hypot(sampled.noise, _RECTANGULAR * sampled.step) / math.sqrt(len(sampled.wave.time)) / size
        # Noise raises every order a little; if there is little distortion, that is most of the measured value.
        floor = math.hypot(thd, one * math.sqrt(2.0 * _DISTORTION_ORDERS)) - thd
        drift = 10.0 * thd * self._of_frequency() / sampled.frequency
        return UncertainValue(
            thd, COVERAGE * math.hypot(one * math.hypot(1.0, thd), floor, drift, self._unseen() / 2.0)
        )

    def _unseen(self) -> float:
        """Return the distortion in orders that the samples do not resolve, if they fall as those of a jump do, 1/n.

        Those orders alias into the resolved ones, so they may be missing or add to them.
        """
        return self._jump() * math.sqrt(max(1.0 / self.sampled.orders_seen - 1.0 / (_DISTORTION_ORDERS + 1), 0.0))

    def _jump(self) -> float:
        """Return the relative size of a jump in the wave: 1 for a square wave, 0 for a smooth one.

        The orders of a jump fall as 1/n; its size is estimated from the upper half of the resolved orders.
        """
        seen = min(self.sampled.orders_seen, _DISTORTION_ORDERS + 1)
        upper = (order * size for order, size in self.shape.harmonics if seen / 2 <= order <= seen)
        return max(upper, default=0.0) / max(self.shape.harmonics[0][1], 1e-300)


def _tapering_factor(periods: float) -> float:
    """Return the factor by which the weights of `tapered` increase the effect of noise on a slope fitted over time."""
    time = np.linspace(0.0, periods, 1001)
    weight, centred = tapered(time), time - periods / 2.0
    return float(np.sqrt(np.sum((weight * centred) ** 2) * np.sum(centred**2)) / np.sum(weight * centred**2))
