"""The conditions of a log of readings: mains voltage and ambient over time, and whether the supply had power.

A mains meter with a wrong range or ratio, or in the wrong place, may show nothing while everything else shows a powered
supply. A current or a power proves it: it stops when the power does. A voltage behind the rectifier may be stored
charge, so it counts only if the log never shows a plausible mains voltage.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from benchmon.bench import Bench, Channel
from benchmon.prediction.result import Prediction
from benchmon.prediction.winding_temperature import WINDINGS, MeasuredWindings
from benchmon.watch.conditions import Conditions, MeasuredConditions
from benchmon.watch.plan import powered_above
from benchmon.watch.records import LoggedReading

_COLD_PART, _WARMED_BY = 0.3, 2.0
_BELIEVED = (0.4, 1.6)
_AS_POWERED = (0.5, 1.6)
"""Parts of the nominal mains voltage that are believed by themselves, and of a nominal reading that shows power."""

_FLOWS = ("mains.current.", "mains.power.", "secondary.current.", "diode.current.")
_LEVELS = ("output.voltage.", "output.power.", "output.current.", "reservoir.voltage.")
_TELL_BY_SIZE = ("rms", "mean", "active", "apparent", "peak")

_FEWEST, _PERIODS = 10, 1.5
"""Readings of a channel, and periods between them in the median, with which it is read as a recorder reads it."""


@dataclass(frozen=True)
class Series:
    """A channel over time: `times` that rise, and as many `values`; there may be none."""

    times: Sequence[float]
    values: Sequence[float]

    @property
    def finite(self) -> Series:
        """The readings that are numbers."""
        if all(map(math.isfinite, self.values)):
            return self
        known = [(time, value) for time, value in zip(self.times, self.values, strict=True) if math.isfinite(value)]
        return Series([time for time, _ in known], [value for _, value in known])

    @property
    def pace(self) -> float:
        """The median time between two readings, infinite where there are less than three."""
        if len(self.times) < 3:
            return math.inf
        return median(later - former for former, later in zip(self.times, self.times[1:], strict=False))

    def at(self, time: float) -> float | None:
        """Return the value at `time`, between readings in proportion; None where there are none."""
        if not self.times:
            return None
        after = bisect_right(self.times, time)
        if after in (0, len(self.times)):
            return self.values[max(0, after - 1)]
        part = (time - self.times[after - 1]) / (self.times[after] - self.times[after - 1])
        return self.values[after - 1] + part * (self.values[after] - self.values[after - 1])

    def beside(self, time: float) -> tuple[float, float]:
        """Return the reading at `time` or before it and that after it, the nearest twice at an end."""
        after, last = bisect_right(self.times, time), len(self.times) - 1
        return self.values[max(0, after - 1)], self.values[min(after, last)]


_NOTHING = Series((), ())


def series_of(readings: Iterable[LoggedReading]) -> dict[str, Series]:
    """Return the readings of each channel that was read, by rising time."""
    found: dict[str, tuple[list[float], list[float]]] = {}
    for one in readings:
        times, values = found.setdefault(one.channel, ([], []))
        times.append(one.time)
        values.append(one.value)
    return {name: Series(times, values) for name, (times, values) in found.items()}


class LoggedPower:
    """Whether a log that begins at `began` shows the supply under power, and at which mains, by its channels `read`."""

    def __init__(self, bench: Bench, read: Mapping[str, Series], nominal: Prediction, began: float) -> None:
        self._bench, self._nominal, self._began = bench, nominal, began
        self._volts, self._least = bench.mains.voltage, powered_above(bench)
        self._read = {name: series.finite for name, series in read.items()}
        self.channel = first_of(bench, "mains.voltage.rms")
        self._mains = _NOTHING if self.channel is None else self._read.get(self.channel.name, _NOTHING)
        self._was_believed = any(_BELIEVED[0] < volts / self._volts < _BELIEVED[1] for volts in self._mains.values)
        self._flows = self._witnesses(_FLOWS)
        self._levels = self._witnesses(_LEVELS)
        self.came_on = self._find_power_on()

    def mains(self, time: float) -> float | None:
        """Return the mains voltage (V rms) at `time`, None where it was not measured or cannot be what was read."""
        volts = self._mains.at(time)
        return None if volts is None or self.is_doubted(time, volts) else volts

    def is_doubted(self, time: float, volts: float) -> bool:
        """Return whether the mains meter shows `volts` which the supply denies."""
        told = volts / self._volts
        if _BELIEVED[0] < told < _BELIEVED[1] or not (self._flows or (self._levels and not self._was_believed)):
            return False
        sides = [_medians(group, time) for group in (self._flows, self._levels) if group]
        # Where it says that there are no mains, more than there should be is power all the more.
        most = _AS_POWERED[1] if volts > self._least else math.inf
        return all(_AS_POWERED[0] < part < most for side in sides for part in side)

    def _witnesses(self, beginnings: tuple[str, ...]) -> list[Series]:
        """Return the channels that tell of the power, as parts of what they read at nominal mains."""
        found = []
        for channel in self._bench.channel:
            expected, own = self._nominal.quantities.get(channel.quantity), self._read.get(channel.name, _NOTHING)
            tells = channel.quantity.startswith(beginnings) and channel.quantity.endswith(_TELL_BY_SIZE)
            if tells and own.times and expected is not None and abs(expected.value) > expected.uncertainty:
                found.append(Series(own.times, [abs(value / expected.value) for value in own.values]))
        return found

    def _find_power_on(self) -> float | None:
        """Return when a cold supply was switched on, as far as the log shows it, else None."""
        if self._mains.times and self._mains.values[0] <= self._least:
            both = zip(self._mains.times, self._mains.values, strict=True)
            return next((time for time, volts in both if volts > self._least), None)
        for channel in self._bench.channel:
            level, own = self._nominal.quantities.get(channel.quantity), self._read.get(channel.name, _NOTHING).values
            if level is None or channel.quantity not in self._nominal.warm_up or len(own) < 3:
                continue
            rise = level.value - self._nominal.ambient
            if own[0] - self._nominal.ambient < _COLD_PART * rise and own[-1] - own[0] > _WARMED_BY:
                return self._began
        return None


class LoggedConditions:
    """The conditions of a whole log, whose readings are given one after the other, by time.

    A log that keeps a recorder's pace is taken as a recorder would: smoothed, each reading by what was known then. One
    by hand has long pauses, and often the meters one after the other: there the conditions lie between the readings
    before and after, and the supply counts as settled from the first line on unless the log shows it switched on, or
    warming up from cold. In both, a mains meter that the supply denies is not believed (see `LoggedPower`); a recorder
    cannot know that, as it takes readings from both sides of a moment.
    """

    def __init__(self, bench: Bench, readings: Sequence[LoggedReading], nominal: Prediction) -> None:
        self.began = readings[0].time if readings else 0.0
        self.read = series_of(readings)
        of_bench = {channel.name: channel for channel in bench.channel}
        self.keeping_pace = frozenset(
            name
            for name, own in self.read.items()
            if len(own.times) >= _FEWEST and own.pace <= _PERIODS * of_bench[name].period
        )
        self._power = LoggedPower(bench, self.read, nominal, self.began)
        self._least = powered_above(bench)
        air = first_of(bench, "ambient.temperature")
        self._ambient = _NOTHING if air is None else self.read.get(air.name, _NOTHING).finite
        self._transformer = first_of(bench, WINDINGS)
        copper = None if self._transformer is None else self.read.get(self._transformer.name)
        self._windings = _NOTHING if copper is None else copper.finite
        self._meters = [one.name for one in (self._power.channel, air) if one is not None and one.name in self.read]
        self._measured = MeasuredConditions(bench, began=self.began, read=self.read) if self._is_continuous() else None
        self._is_denied = False
        self._latest: tuple[float, Conditions | None] = (math.nan, None)

    @property
    def power_on(self) -> float | None:
        """When a cold supply was switched on (seconds of the log); None while it is off, or where it has long been on.

        A supply that a log finds on has long been so: nothing that is not measured warms up.
        """
        is_known = self._measured is None or self._is_denied or self._power.came_on is None
        return self._power.came_on if is_known or self._measured is None else self._measured.power_on

    @property
    def was_on(self) -> bool:
        """Whether the supply was found on: nothing shows it being switched on, or cold."""
        return self._power.came_on is None

    def observe(self, channel: str, time: float, value: float | None) -> None:
        """Take a reading."""
        if self._measured is None:
            return
        if self._power.channel is not None and channel == self._power.channel.name and value is not None:
            self._is_denied = math.isfinite(value) and self._power.is_doubted(time, value)
            if self._is_denied:
                return
        self._measured.observe(channel, time, value)

    def now(self, time: float) -> Conditions | None:
        """Return what to predict for at `time`, None where the supply is not powered or that is not known yet."""
        if self._measured is None:
            if time != self._latest[0]:
                self._latest = (time, self._between(time))
            return self._latest[1]
        return self._measured.without_mains(time) if self._is_denied else self._measured.now(time)

    def warm_for(self, channel: Channel, time: float, prediction: Prediction) -> float | None:
        """Return for how long (s) a cold supply must have been on for `channel` to be as now; None is long."""
        if self._measured is None or self._is_denied or self._measured.power_on is None:
            return None if self._power.came_on is None else max(0.0, time - self._power.came_on)
        return self._measured.warm_for(channel, time, prediction)

    def _is_continuous(self) -> bool:
        """Return whether mains, ambient and most other channels were read as often as a recorder reads them."""
        most = 2 * len(self.keeping_pace) > len(self.read)
        return most and self.keeping_pace.issuperset(self._meters)

    def _between(self, time: float) -> Conditions | None:
        volts = self._power.mains(time)
        if volts is not None and volts <= self._least:
            return None
        celsius = self._windings.at(time)
        windings = None
        if celsius is not None and self._transformer is not None:
            windings = MeasuredWindings(celsius, self._transformer.accuracy.of(celsius))
        return Conditions(volts, self._ambient.at(time), windings=windings)


def _medians(group: Iterable[Series], time: float) -> tuple[float, float]:
    """Return the medians of several series before and after `time`: what changes between two readings is not known."""
    before, after = zip(*(one.beside(time) for one in group), strict=True)
    return median(before), median(after)


def first_of(bench: Bench, quantity: str) -> Channel | None:
    """Return the first channel of a quantity, None where there is none."""
    return next((channel for channel in bench.channel if channel.quantity == quantity), None)
