"""Whether the supply is powered: from a log of readings, after switching off, and in the words of a status.

From a log (`LoggedPower`): the mains voltage over time, whether it can be believed, when it was switched on. A mains
meter with a wrong range or ratio, or in the wrong place, may show nothing while everything else shows a powered supply.
A current or a power proves it: it stops when the power does. A voltage behind the rectifier may be stored charge, so it
counts only if the log never shows a plausible mains voltage.

After switching off (`PowerGone`): what flows from the mains is the best evidence; it must all but stop, since a
transformer without load draws little too. If nobody measures that, the output decides, provided it was clearly there
before: a shorted output is low with the power on. A mains voltmeter may be connected ahead of the switch, so it can
prove that the power is gone, but never that it is not.

In words: nothing here calls the power gone unless a meter showed it, and nothing calls the supply safe to touch.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import EventKind
from benchmon.prediction.result import Prediction
from benchmon.quantities import format_value
from benchmon.watch.conditions import Conditions, MeasuredConditions
from benchmon.watch.limits import Crossing, trip_crossed, warning_crossed
from benchmon.watch.plan import powered_above
from benchmon.watch.records import Event, Flag, Judgement, LoggedReading
from benchmon.watch.wording import past

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
        return None if volts is not None and volts <= self._least else Conditions(volts, self._ambient.at(time))


def _medians(group: Iterable[Series], time: float) -> tuple[float, float]:
    """Return the medians of several series before and after `time`: what changes between two readings is not known."""
    before, after = zip(*(one.beside(time) for one in group), strict=True)
    return median(before), median(after)


def first_of(bench: Bench, quantity: str) -> Channel | None:
    """Return the first channel of a quantity, None where there is none."""
    return next((channel for channel in bench.channel if channel.quantity == quantity), None)


_FROM_THE_MAINS = ("mains.current.rms", "mains.current.peak", "mains.power.active", "mains.power.apparent")
_OF_THE_MAINS = ("mains.voltage.rms",)
_OF_THE_SUPPLY: Mapping[str, float] = {
    "secondary.voltage.rms": 0.1,
    "secondary.current.rms": 0.1,
    "secondary.current.peak": 0.1,
    "diode.current.mean": 0.1,
    "output.power.mean": 0.5,
    "output.current.mean": 0.5,
    "output.current.rms": 0.5,
    "output.voltage.mean": 0.5,
    "output.voltage.rms": 0.5,
    "reservoir.voltage.mean": 0.5,
}
"""What tells of the supply's own side, and to which part it must have fallen: reservoirs hold their charge."""
_STOPPED, _NO_VOLTAGE = 0.02, 0.1
"""Parts of what it was to which what flows from the mains, and its voltage, must have fallen."""
_RISEN = 0.1
"""Part of what it was beyond where it must have fallen to, by which a reading has clearly risen again."""
_CLEARLY_THERE = 10.0
"""Times a meter's uncertainty above which its reading is clearly not zero."""


def is_of_the_power(channel: Channel) -> bool:
    """Return whether what `channel` reads comes from the mains through the supply, at once or out of its reservoirs."""
    return channel.quantity in _FROM_THE_MAINS or channel.quantity in _OF_THE_SUPPLY


class Power(StrEnum):
    """What the meters say of the power."""

    GONE = "gone"
    THERE = "there"
    WAITED_FOR = "waited for"
    UNSEEN = "unseen"


@dataclass(frozen=True, slots=True)
class PowerFinding:
    """What the meters say, and which one says it how: `line_current fell from 756.0 mA to 0.2 mA`.

    `fell` says whether there was something before that could fall.
    """

    power: Power
    words: str = ""
    fell: bool = False


class PowerGone:
    """Follows the readings of `channels` across a switching off. Times are seconds of one clock."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        told = {*_FROM_THE_MAINS, *_OF_THE_MAINS, *_OF_THE_SUPPLY}
        self._channels = {channel.name: channel for channel in channels if channel.quantity in told}
        self._before: dict[str, float] = {}
        self._after: dict[str, float] = {}
        self._low: set[str] = set()
        """The channels that have been low since it was switched off."""
        self._switched: float | None = None

    @property
    def channels(self) -> tuple[str, ...]:
        """The names of the channels that tell."""
        return tuple(self._channels)

    @property
    def period(self) -> float:
        """The longest period of the channels that tell, in seconds."""
        return max((channel.period for channel in self._channels.values()), default=0.0)

    def observe(self, channel: str, time: float, value: float | None) -> None:
        """Take a reading in its quantity's unit."""
        if channel not in self._channels or value is None or not math.isfinite(value):
            return
        if self._switched is None or time < self._switched:
            self._before[channel] = value
        else:
            self._after[channel] = value
            if self._is_off(self._channels[channel]):
                self._low.add(channel)

    def switched(self, time: float) -> None:
        """Say that the power was switched off at `time`; what was read before is what must fall."""
        self._before |= self._after
        self._after.clear()
        self._low.clear()
        self._switched = time

    def finding(self) -> PowerFinding:
        """Return what the meters say since the power was switched off."""
        flows = [channel for channel in self._channels.values() if channel.quantity in _FROM_THE_MAINS]
        if any(channel.name in self._before for channel in flows):
            return self._of(flows)
        voltages = [channel for channel in self._channels.values() if channel.quantity in _OF_THE_MAINS]
        mains = self._of(voltages)
        if mains.power is Power.GONE:
            return mains
        own = [channel for channel in self._channels.values() if channel.quantity in _OF_THE_SUPPLY]
        own = [channel for channel in own if self._was_clearly_there(channel)]
        if own:
            return self._of(own)
        waits = flows or mains.power is Power.WAITED_FOR
        return PowerFinding(Power.WAITED_FOR if waits else Power.UNSEEN)

    def back(self) -> str:
        """Return in words which reading has clearly risen since the power was seen to be gone, "" where none has.

        A meter that never fell, as one before the switch, tells nothing.
        """
        for name, channel in self._channels.items():
            if name not in self._low:
                continue
            before = abs(self._before.get(name, 0.0))
            value = abs(self._after.get(name, 0.0))
            clearly = value > max(_CLEARLY_THERE * channel.accuracy.absolute, (self._part(channel) + _RISEN) * before)
            if clearly and before > 0:
                return f"{name} is at {format_value(self._after[name], channel.unit)} again"
        return ""

    def _of(self, channels: Sequence[Channel]) -> PowerFinding:
        """Return what `channels` say together: the power is gone where all that have read since say so."""
        read = [channel for channel in channels if channel.name in self._after]
        if not read:
            return PowerFinding(Power.WAITED_FOR if channels else Power.UNSEEN)
        on = [channel for channel in read if not self._is_off(channel)]
        if on:
            now = format_value(self._after[on[0].name], on[0].unit)
            return PowerFinding(Power.THERE, f"{on[0].name} is still at {now}")
        fallen = next((channel for channel in read if self._was_clearly_there(channel)), None)
        return PowerFinding(Power.GONE, self._fall(fallen or read[0]), fallen is not None)

    def _is_off(self, channel: Channel) -> bool:
        return self._is_low(channel, self._part(channel))

    def _part(self, channel: Channel) -> float:
        """Return the part of what it was to which `channel` must fall where the power is gone."""
        if channel.quantity in _FROM_THE_MAINS:
            return _STOPPED
        return _NO_VOLTAGE if channel.quantity in _OF_THE_MAINS else _OF_THE_SUPPLY[channel.quantity]

    def _is_low(self, channel: Channel, part: float) -> bool:
        value = abs(self._after[channel.name])
        cannot_tell_from_zero = value <= channel.accuracy.of(value)
        return cannot_tell_from_zero or value <= part * abs(self._before.get(channel.name, 0.0))

    def _was_clearly_there(self, channel: Channel) -> bool:
        before = abs(self._before.get(channel.name, 0.0))
        return before > _CLEARLY_THERE * channel.accuracy.absolute and before > 0

    def _fall(self, channel: Channel) -> str:
        now = format_value(self._after[channel.name], channel.unit)
        before = self._before.get(channel.name)
        if before is None or abs(before) <= abs(self._after[channel.name]):
            return f"{channel.name} is at {now}"
        return f"{channel.name} fell from {format_value(before, channel.unit)} to {now}"


UNSEEN = "no channel shows whether the power is gone"
"""What the event of a switching off says where no meter could show it."""
_CHARGE = "charge may remain: measure before you touch"
_CLEARLY = {"V": 2.0, "A": 0.05, "W": 1.0}
"""What a meter must read at least to speak against one that shows no mains."""


def was_seen_off(switching: Event | None) -> bool:
    """Return whether a meter has shown that the power is gone, and none that it is back."""
    return switching is not None and switching.kind == EventKind.SWITCHED_OFF and UNSEEN not in switching.message


def lead_of_a_trip(switching: Event | None, otherwise: str) -> str:
    """Return the words before a limit that was passed: what has been done about it, or is to be done."""
    if switching is None or switching.kind == EventKind.SWITCH_OFF_FAILED:
        return otherwise
    if switching.kind == EventKind.SWITCHING_OFF:
        return "Switching off"
    if switching.kind == EventKind.POWER_IS_BACK:
        return f"{otherwise}, the power is back"
    return "Switched off" if was_seen_off(switching) else "Told to switch off, look whether it is"


def in_words(switching: Event) -> str:
    """Return how a switching off stands that nothing else must be told before."""
    if switching.kind == EventKind.SWITCHING_OFF:
        return f"Switching off, not seen to be off yet: {switching.message}"
    if was_seen_off(switching):
        return f"Switched off: {switching.message}; {_CHARGE}"
    return f"Told to switch off, not seen to be off: {switching.message}"


def mains_off(bench: Bench, latest: Mapping[str, Judgement]) -> Channel | None:
    """Return the channel that reads the mains, where that shows none and nothing is predicted; else None."""
    for channel in bench.channel:
        if channel.quantity == "mains.voltage.rms":
            judgement = latest.get(channel.name)
            value = _value(judgement)
            shows_none = value is not None and value <= powered_above(bench)
            return channel if shows_none and judgement is not None and judgement.expected is None else None
    return None


def speaks_for_power(bench: Bench, latest: Mapping[str, Judgement]) -> Channel | None:
    """Return the first channel whose reading cannot be without power or stored charge, None where none is so."""
    for channel in bench.channel:
        value = _value(latest.get(channel.name))
        if value is not None and is_of_the_power(channel) and abs(value) > _least(channel):
            return channel
    return None


def mains_off_in_words(mains: Channel, value: float | None, against: tuple[Channel, float | None] | None) -> str:
    """Return that `mains` reads none, at `value` (V), and which channel with its value speaks `against` it."""
    at = f"{mains.name} is at {format_value(value, mains.unit)}"
    if against is None:
        return f"No mains: {at}; {_CHARGE}"
    other, reads = against
    there = f"{other.name} is at {format_value(reads, other.unit)}"
    return f"{at}, yet {there}: stored charge, or the power is on and a lead of {mains.name} is off"


def is_without_power(bench: Bench, latest: Mapping[str, Judgement], switching: Event | None) -> bool:
    """Return whether meters have shown that the supply has no power, and none speaks against it."""
    if was_seen_off(switching):
        return True
    return mains_off(bench, latest) is not None and speaks_for_power(bench, latest) is None


def is_low_without_power(channel: Channel, judgement: Judgement, *, off: bool) -> bool:
    """Return whether `channel` is only below its warning, as all is that has no power; `off` says that it has none."""
    if not off or judgement.value is None or Flag.TRIPPED in judgement.flags:
        return False
    crossing = warning_crossed(channel, judgement.value)
    return crossing is not None and not crossing.above


def still_past(channel: Channel, judgement: Judgement) -> bool:
    """Return whether a channel is above its warning though the power is gone."""
    crossing = None if judgement.value is None else _crossing(channel, judgement.value)
    return crossing is not None and crossing.above


def past_words(channel: Channel, value: float | None) -> str:
    """Return how a channel at `value` (its unit) is past a limit, or where it stands."""
    crossing = None if value is None else _crossing(channel, value)
    if value is None or crossing is None:
        return f"{channel.name} was past its warning"
    return past(channel, value, crossing)


def _crossing(channel: Channel, value: float) -> Crossing | None:
    return trip_crossed(channel, value) or warning_crossed(channel, value)


def _least(channel: Channel) -> float:
    return max(_CLEARLY.get(channel.unit, math.inf), 10 * channel.accuracy.of(0.0))


def _value(judgement: Judgement | None) -> float | None:
    value = None if judgement is None else judgement.value
    return value if value is not None and math.isfinite(value) else None
