"""Streaming statistics of one channel: mean and deviation, a moving average with its limits, and its own noise.

Each takes one value at a time and keeps a bounded amount of memory, however long a test lasts.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import median

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


class Noise:
    """A channel's own noise, from how much successive values differ from the middle of their neighbours.

    The median of the last 64 second differences |x − 2x′ + x″| over 0.6745·√6 (for normal noise) is the standard
    deviation: steps, spikes and steady movement do not change it. A display that mostly repeats itself has differences
    of zero; then the step of its last digit, over √12, speaks instead.
    """

    LENGTH = 64

    __slots__ = ("_before", "_differences", "_is_old", "_last", "_value")

    def __init__(self) -> None:
        self._differences: deque[float] = deque(maxlen=self.LENGTH)
        self._last = self._before = math.nan
        self._value = 0.0
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
        if self._is_old:
            self._value = self._estimate()
            self._is_old = False
        return self._value

    @property
    def step(self) -> float:
        """The smallest difference seen, which is the step of a display's last digit, 0 where nothing changed."""
        return min((size for size in self._differences if size > 0), default=0.0)

    def _estimate(self) -> float:
        if not self._differences:
            return 0.0
        return max(median(self._differences) / (NORMAL_QUARTILE * math.sqrt(6.0)), self.step / math.sqrt(12.0))
