"""The uncertainty of a capture's measures from its noise, the resolution of its values and its length."""

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
_LEAST_PERIOD_ERROR = 2e-5
"""The least error of the period of a single, badly distorted one, as a part of the period."""
_PULL_OF_A_JUMP = ((RAMPS, 5e-4), (2.5, 2e-3), (0.0, 6e-3))
"""The bias of the fit by a jump, as a part of the period, in a capture of so many periods or more."""

_LAST_ORDER_OF_THD = 39


@dataclass(frozen=True, slots=True)
class UncertainValue:
    """A value and its expanded uncertainty (k = 2), both in one unit; the value is NaN where it has no meaning."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class MeasureUncertainty:
    """The uncertainties of a capture's measures; independent contributions add in squares (JCGM 100:2008, 5.1)."""

    sampled: Sampled
    levels: Levels
    shape: WaveMeasures
    accuracy: Accuracy

    def level(self, found: Callable[[Levels], Floats], value: float) -> UncertainValue:
        """Return an average over the wave, uncertain by scatter of its pieces, noise, resolution and its ends."""
        count, step, swing = len(self.sampled.wave.time), self.sampled.step, self.levels.swing
        pieces = found(self.levels)
        scatter = float(np.std(pieces, ddof=1)) / math.sqrt(len(pieces)) if len(pieces) > 1 else 0.0
        random = self.sampled.noise / math.sqrt(count)
        # In a wave that crosses many steps, or with noise larger than a step, rounding averages out.
        crossed = count if self.sampled.noise >= step / 2.0 else max(min(swing / step, count), 1.0)
        rounding = _RECTANGULAR * step / math.sqrt(crossed)
        # Whole periods may end a little early or late, where the wave is at most half its swing off its average.
        length = self._frequency_uncertainty() / self.sampled.frequency * swing / 2.0
        coarse = self.sampled.coarseness / 2.0
        expanded = COVERAGE * math.hypot(scatter, random, rounding, length, coarse)
        return UncertainValue(value, math.hypot(expanded, self.accuracy.of(value)))

    def extreme(self, value: float) -> UncertainValue:
        """Return an extreme sample, uncertain by noise, half a step, and the wave's curvature between samples."""
        reduced = self.sampled.reduced.value
        top = min(max(int(np.argmin(np.abs(reduced - value))), 1), len(reduced) - 2)
        bend = abs(float(reduced[top - 1] - 2.0 * reduced[top] + reduced[top + 1])) / 8.0 / self.sampled.averaged**2
        added = self.sampled.noise * math.sqrt(2.0 * math.log(len(self.sampled.wave.time)))
        rounding = COVERAGE * _RECTANGULAR * self.sampled.step
        return UncertainValue(value, math.hypot(added, rounding, bend, self.accuracy.of(value)))

    def frequency(self) -> UncertainValue:
        """Return the frequency."""
        return UncertainValue(self.sampled.frequency, COVERAGE * self._frequency_uncertainty())

    def _frequency_uncertainty(self) -> float:
        """Return its standard uncertainty: the least that noise allows for a sine (Cramér and Rao), and an allowance.

        The fit gives both ends of a capture less weight, so noise counts more. The allowance is for the orders of a
        distorted wave that the fit leaves out, which bias it in a short capture.
        """
        sampled = self.sampled
        periods = sampled.duration * sampled.frequency
        size = max(self.shape.harmonics[0][1], 1e-300) * math.sqrt(2.0)
        noise = math.hypot(sampled.noise, _RECTANGULAR * sampled.step)
        bound = math.sqrt(6.0 / len(sampled.wave.time)) * noise / (math.pi * size * sampled.duration)
        # The position of an edge between two samples is unknown; more samples locate it better.
        spacing = 1.0 / sampled.samples_a_period**2
        pull = next(part for least, part in _PULL_OF_A_JUMP if periods >= least)
        period_error = (_LEAST_PERIOD_ERROR + spacing) * min(self.shape.thd, 1.0) + pull * min(self._jump_size(), 1.0)
        return math.hypot(_noise_gain_of_tapering(periods) * bound, period_error / sampled.duration)

    def distortion(self) -> UncertainValue:
        """Return the distortion, uncertain by noise in every order and in the fundamental, and by the frequency."""
        thd, size = self.shape.thd, self.shape.harmonics[0][1]
        if size <= 0.0:
            return UncertainValue(thd, 0.0)
        sampled = self.sampled
        one = math.hypot(sampled.noise, _RECTANGULAR * sampled.step) / math.sqrt(len(sampled.wave.time)) / size
        # Noise raises every order a little; where there is little distortion, that is most of the result.
        floor = math.hypot(thd, one * math.sqrt(2.0 * _LAST_ORDER_OF_THD)) - thd
        drift = 10.0 * thd * self._frequency_uncertainty() / sampled.frequency
        return UncertainValue(
            thd, COVERAGE * math.hypot(one * math.hypot(1.0, thd), floor, drift, self._aliased_distortion() / 2.0)
        )

    def _aliased_distortion(self) -> float:
        """Return the distortion in orders that too few samples do not resolve, if they fall as those of a jump, 1/n.

        These orders are aliased into the others, so they may be missing or add too much.
        """
        return self._jump_size() * math.sqrt(max(1.0 / self.sampled.orders_seen - 1.0 / (_LAST_ORDER_OF_THD + 1), 0.0))

    def _jump_size(self) -> float:
        """Return the size of a jump in the wave: 1 for a square wave, 0 for a smooth one.

        The orders of a jump fall as 1/n; the upper half of the resolved orders is used.
        """
        seen = min(self.sampled.orders_seen, _LAST_ORDER_OF_THD + 1)
        upper = (order * size for order, size in self.shape.harmonics if seen / 2 <= order <= seen)
        return max(upper, default=0.0) / max(self.shape.harmonics[0][1], 1e-300)


def _noise_gain_of_tapering(periods: float) -> float:
    """Return the factor on the noise of a slope over time that is fitted with the weights of `tapered`."""
    at = np.linspace(0.0, periods, 1001)
    weight, centred = tapered(at), at - periods / 2.0
    return float(np.sqrt(np.sum((weight * centred) ** 2) * np.sum(centred**2)) / np.sum(weight * centred**2))
