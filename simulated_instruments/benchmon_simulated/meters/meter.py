"""The meter of a channel: a chain of stages from the true value to the display.

The effect of a meter fault changes what the meter senses, before the first stage, or what it shows, after the last.
"""

from __future__ import annotations

import math
import zlib
from typing import Protocol

import numpy as np

from benchmon.bench import Accuracy, Channel
from benchmon_simulated.fault_effects import MeterFaultEffect
from benchmon_simulated.supply.circuit import Floats
from benchmon_simulated.supply.supply import Snapshot

RANGE_ENDS = {"V": 1000.0, "A": 100.0, "W": 10_000.0, "VA": 10_000.0, "°C": 1370.0, "Hz": 1e6}
"""The end of a meter's highest range, in the unit of its quantity; beyond it shows overload."""


RANGES = {"V": 5, "A": 5, "W": 4, "VA": 4}
"""The number of ranges of a meter, a decade apart; one for every other unit."""


class MeterStage(Protocol):
    """One step between the true value and the display."""

    def shown(self, value: float, time: float) -> float:
        """Return the stage's output for `value` (in the quantity's unit) at `time` seconds."""
        ...


class Settling:
    """The meter's low-pass filter with a time constant in seconds."""

    def __init__(self, time_constant: float) -> None:
        self._time_constant = time_constant
        self._last: tuple[float, float] | None = None

    def shown(self, value: float, time: float) -> float:
        """Return the filtered value; the first value, and the first after NaN, is shown at once."""
        if self._last is not None and math.isfinite(self._last[0]):
            level, then = self._last
            value = value + (level - value) * math.exp(-max(0.0, time - then) / self._time_constant)
        self._last = (value, time)
        return value


class Calibration:
    """The gain and offset errors that remain after calibration."""

    def __init__(self, gain: float, offset: float) -> None:
        self.gain, self.offset = gain, offset

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (part of MeterStage's interface)
        """Return the value with gain and offset."""
        return value * (1.0 + self.gain) + self.offset

    def of_wave(self, wave: Floats) -> Floats:
        """Return a captured wave, (n,), with gain and offset."""
        return wave * (1.0 + self.gain) + self.offset


class WarmUp:
    """A gain error of the cold meter that decays with a time constant."""

    def __init__(self, gain: float, time_constant: float) -> None:
        self._gain, self._time_constant = gain, time_constant

    def shown(self, value: float, time: float) -> float:
        """Return the value with the gain error that is left `time` seconds after switch-on."""
        return value * (1.0 + self._gain * math.exp(-time / self._time_constant))


class MeterNoise:
    """Normally distributed noise; `part` is its deviation as a part of the accuracy."""

    def __init__(self, random: np.random.Generator, accuracy: Accuracy, part: float) -> None:
        self._random, self._accuracy, self._part = random, accuracy, part

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (part of MeterStage's interface)
        """Return the value with noise."""
        return value + self._part * self._accuracy.of(value) * float(self._random.standard_normal())


class Display:
    """The ranges, decades down from `end`, and the last digit of each.

    A digit is a decimal step of at most a fifth of the accuracy at the range's lower end. An autoranging meter
    holds its reading for `settling` seconds after a change of range; beyond its highest range it shows overload.
    """

    def __init__(self, accuracy: Accuracy, end: float, ranges: int = 1, settling: float = 0.0) -> None:
        self._accuracy, self._settling = accuracy, settling
        self._ends = [end / 10.0**at for at in range(ranges)]
        self._at: int | None = None
        self._shown, self._ready = 0.0, -math.inf

    def shown(self, value: float, time: float) -> float:
        """Return the rounded value, ±inf beyond the range."""
        if math.isnan(value):
            return value
        at = self._fitting(abs(value))
        if at != self._at:
            # The first range needs no settling.
            self._ready = time + self._settling if self._at is not None else -math.inf
            self._at = at
        if time >= self._ready:
            self._shown = self._rounded(value, self._ends[at])
        return self._shown

    def _fitting(self, size: float) -> int:
        """Return the range for a magnitude: the present one, unless it is too low or much too high."""
        now = self._at
        if now is not None and size <= self._ends[now] and (size > 0.08 * self._ends[now] or now == self._last):
            return now
        return next((at for at in range(self._last, -1, -1) if size <= self._ends[at]), 0)

    @property
    def _last(self) -> int:
        return len(self._ends) - 1

    def _rounded(self, value: float, end: float) -> float:
        if abs(value) > end:
            return math.copysign(math.inf, value)
        digit = self._accuracy.of(value if self._last == 0 else end / 20.0) / 5.0
        return value if digit <= 0.0 else round(value, -math.floor(math.log10(digit)))


class Meter:
    """One channel of a simulated instrument. Its errors are drawn with `seed` and lie within the channel's accuracy."""

    def __init__(self, channel: Channel, seed: int) -> None:
        self.channel = channel
        random = np.random.default_rng([seed, zlib.crc32(channel.name.encode())])
        gain, offset, cold = random.uniform(-1.0, 1.0, 3).tolist()
        accuracy = channel.accuracy
        self.calibration = Calibration(0.5 * gain * accuracy.relative, 0.5 * offset * accuracy.absolute)
        self.stages: list[MeterStage] = [
            Settling(0.15),
            self.calibration,
            WarmUp(0.2 * cold * accuracy.relative, 240.0),
            MeterNoise(random, accuracy, 0.04),
            Display(accuracy, RANGE_ENDS.get(channel.unit, math.inf), RANGES.get(channel.unit, 1), 0.3),
        ]
        self.effects: tuple[MeterFaultEffect, ...] = ()

    def read(self, snapshot: Snapshot) -> float:
        """Return what the meter shows: before the channel's `scale`, ±inf on overload, NaN where there is no value."""
        value = snapshot.values[self.channel.quantity]
        for effect in self.effects:
            value = effect.sensed(value, self.channel.quantity, snapshot)
        for stage in self.stages:
            value = stage.shown(value, snapshot.time)
        for effect in self.effects:
            value = effect.shown(value, snapshot.time)
        return value / self.channel.scale
