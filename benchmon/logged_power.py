"""What a log of readings tells of the power: the mains voltage over time, whether it is to be believed, when it came.

A mains meter on a wrong range, with a wrong ratio or in another's place may show nothing where everything else shows a
supply under power. What flows proves it: it stops when the power does. A voltage behind the rectifier may be a charge
that is left, so it counts only where the log never shows the mains as they should be.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.prediction.result import Prediction
from benchmon.readings_file import LoggedReading
from benchmon.watch.plan import powered_above

_COLD_PART, _WARMED_BY = 0.3, 2.0
_BELIEVED = (0.4, 1.6)
_AS_POWERED = (0.5, 1.6)
"""Parts of the nominal mains voltage that are believed by themselves, and of a nominal reading that shows power."""

_FLOWS = ("mains.current.", "mains.power.", "secondary.current.", "diode.current.")
_LEVELS = ("output.voltage.", "output.power.", "output.current.", "reservoir.voltage.")
_TELL_BY_SIZE = ("rms", "mean", "active", "apparent", "peak")


@dataclass(frozen=True)
class Series:
    """A channel over time: `times` (n,) rising, `values` (n,); n may be 0."""

    times: np.ndarray[Any, np.dtype[np.float64]]
    values: np.ndarray[Any, np.dtype[np.float64]]

    @classmethod
    def of(cls, readings: Sequence[LoggedReading], channel: Channel | None) -> Series:
        """Return a channel's finite readings."""
        own = [one for one in readings if channel and one.channel == channel.name and math.isfinite(one.value)]
        return cls(np.array([one.time for one in own]), np.array([one.value for one in own]))

    def at(self, time: float) -> float | None:
        """Return the value at `time`, between readings in proportion; None where there are none."""
        return float(np.interp(time, self.times, self.values)) if len(self.times) else None

    def beside(self, time: float) -> tuple[float, float]:
        """Return the reading at `time` or before it and that after it, the nearest twice at an end; n is not 0."""
        after = int(np.searchsorted(self.times, time, "right"))
        last = len(self.times) - 1
        return float(self.values[max(0, after - 1)]), float(self.values[min(after, last)])


class LoggedPower:
    """Whether a log shows the supply under power, and at which mains voltage."""

    def __init__(self, bench: Bench, readings: Sequence[LoggedReading], nominal: Prediction) -> None:
        self._bench = bench
        self._volts = bench.mains.voltage
        self._least = powered_above(bench)
        self._readings = readings
        self._nominal = nominal
        self.channel = first_of(bench, "mains.voltage.rms")
        self._mains = Series.of(readings, self.channel)
        told = self._mains.values / self._volts
        self._was_believed = bool(np.any((told > _BELIEVED[0]) & (told < _BELIEVED[1])))
        self._flows = self._witnesses(_FLOWS)
        self._levels = self._witnesses(_LEVELS)
        self.came_on = self._find_power_on()

    def mains(self, time: float) -> float | None:
        """Return the mains voltage (V rms) at `time`, None where it was not measured or cannot be what was read."""
        volts = self._mains.at(time)
        return None if volts is None or self._is_doubted(time, volts) else volts

    def is_on(self, time: float) -> bool:
        """Return whether the supply is under power at `time`."""
        volts = self.mains(time)
        return volts is None or volts > self._least

    def _witnesses(self, beginnings: tuple[str, ...]) -> list[Series]:
        """Return the channels that tell of the power, as parts of what they read at nominal mains."""
        found = []
        for channel in self._bench.channel:
            expected = self._nominal.quantities.get(channel.quantity)
            tells = channel.quantity.startswith(beginnings) and channel.quantity.endswith(_TELL_BY_SIZE)
            if tells and expected is not None and abs(expected.value) > expected.uncertainty:
                own = Series.of(self._readings, channel)
                if len(own.times):
                    found.append(Series(own.times, np.abs(own.values / expected.value)))
        return found

    def _is_doubted(self, time: float, volts: float) -> bool:
        """Return whether the mains meter says what the supply denies."""
        told = volts / self._volts
        if _BELIEVED[0] < told < _BELIEVED[1] or not (self._flows or (self._levels and not self._was_believed)):
            return False
        sides = [_medians(group, time) for group in (self._flows, self._levels) if group]
        # Where it says that there are no mains, more than there should be is power all the more.
        most = _AS_POWERED[1] if volts > self._least else math.inf
        return all(_AS_POWERED[0] < part < most for side in sides for part in side)

    def _find_power_on(self) -> float | None:
        """Return when a cold supply was switched on, as far as the log shows it, else None."""
        on = self._mains.values > self._least
        if len(on) and not on[0]:
            return float(self._mains.times[int(np.argmax(on))]) if on.any() else None
        for channel in self._bench.channel:
            level = self._nominal.quantities.get(channel.quantity)
            own = [one.value for one in self._readings if one.channel == channel.name and math.isfinite(one.value)]
            if level is None or channel.quantity not in self._nominal.warm_up or len(own) < 3:
                continue
            rise = level.value - self._nominal.ambient
            if own[0] - self._nominal.ambient < _COLD_PART * rise and own[-1] - own[0] > _WARMED_BY:
                return self._readings[0].time
        return None


def _medians(group: Iterable[Series], time: float) -> tuple[float, float]:
    """Return the medians of several series before and after `time`: what changes between two readings is not known."""
    before, after = zip(*(one.beside(time) for one in group), strict=True)
    return median(before), median(after)


def first_of(bench: Bench, quantity: str) -> Channel | None:
    """Return the first channel of a quantity, None where there is none."""
    return next((channel for channel in bench.channel if channel.quantity == quantity), None)
