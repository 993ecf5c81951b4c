"""What a meter shows of a true value: a chain of stages, each a little of what real meters do.

A fault of a meter is one more stage, put anywhere into `Meter.stages`.
"""

from __future__ import annotations

import math
import zlib
from typing import Protocol

import numpy as np

from benchmon.bench import Accuracy, Channel
from benchmon_simulated.supply import Snapshot

RANGE_ENDS = {"V": 1000.0, "A": 100.0, "W": 10_000.0, "VA": 10_000.0, "°C": 1370.0, "Hz": 1e6}
"""The end of a meter's highest range, in the unit of its quantity; beyond it shows overload."""


class Stage(Protocol):
    """One step between the true value and the display."""

    def shown(self, value: float, time: float) -> float:
        """Return what the stage makes of `value` (the quantity's unit) at `time` seconds."""
        ...


class Settling:
    """The meter's filter: it follows its input with a time constant, in seconds."""

    def __init__(self, time_constant: float) -> None:
        self._time_constant = time_constant
        self._last: tuple[float, float] | None = None

    def shown(self, value: float, time: float) -> float:
        """Return the filtered value; the first one, and the first after none, is shown at once."""
        if self._last is not None and math.isfinite(self._last[0]):
            level, then = self._last
            value = value + (level - value) * math.exp(-max(0.0, time - then) / self._time_constant)
        self._last = (value, time)
        return value


class Calibration:
    """A gain and an offset that the last calibration left."""

    def __init__(self, gain: float, offset: float) -> None:
        self.gain, self.offset = gain, offset

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (a Stage)
        """Return the value with gain and offset."""
        return value * (1.0 + self.gain) + self.offset


class WarmUp:
    """A gain error of the cold meter that is gone after a few time constants."""

    def __init__(self, gain: float, time_constant: float) -> None:
        self._gain, self._time_constant = gain, time_constant

    def shown(self, value: float, time: float) -> float:
        """Return the value as the meter shows it `time` seconds after it was switched on."""
        return value * (1.0 + self._gain * math.exp(-time / self._time_constant))


class Noise:
    """Normal noise, a part of the accuracy."""

    def __init__(self, random: np.random.Generator, accuracy: Accuracy, part: float) -> None:
        self._random, self._accuracy, self._part = random, accuracy, part

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (a Stage)
        """Return the value with noise."""
        return value + self._part * self._accuracy.of(value) * float(self._random.standard_normal())


class Display:
    """A last digit that is a decimal step of at most a fifth of the accuracy, and an end of the highest range."""

    def __init__(self, accuracy: Accuracy, end: float) -> None:
        self._accuracy, self._end = accuracy, end

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (a Stage)
        """Return the rounded value, ±inf beyond the range."""
        if abs(value) > self._end:
            return math.copysign(math.inf, value)
        least = self._accuracy.of(value) / 5.0
        return value if least <= 0.0 or math.isnan(value) else round(value, -math.floor(math.log10(least)))


class Meter:
    """One channel of a simulated instrument. Its errors are drawn by `seed` and lie within the channel's accuracy."""

    def __init__(self, channel: Channel, seed: int) -> None:
        self.quantity, self._scale = channel.quantity, channel.scale
        random = np.random.default_rng([seed, zlib.crc32(channel.name.encode())])
        gain, offset, cold = random.uniform(-1.0, 1.0, 3).tolist()
        accuracy = channel.accuracy
        self.stages: list[Stage] = [
            Settling(0.15),
            Calibration(0.5 * gain * accuracy.relative, 0.5 * offset * accuracy.absolute),
            WarmUp(0.2 * cold * accuracy.relative, 240.0),
            Noise(random, accuracy, 0.04),
            Display(accuracy, RANGE_ENDS.get(channel.unit, math.inf)),
        ]

    def read(self, snapshot: Snapshot) -> float:
        """Return what the instrument says: before the channel's `scale`, ±inf on overload, NaN where nothing is."""
        value = snapshot.values[self.quantity]
        for stage in self.stages:
            value = stage.shown(value, snapshot.time)
        return value / self._scale
