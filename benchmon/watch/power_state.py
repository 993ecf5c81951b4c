"""Whether the power is gone after it was switched off, as the meters on the supply tell.

What flows from the mains tells best: it must all but stop, since a transformer without load draws little too. Where
nobody measures that, what the supply gives out tells, if it was clearly there before: a shorted output is low with the
power on. A mains voltmeter may stand before the switch, so it proves that the power is gone, and never that it is not.

What is known of a supply that was switched off, or has no mains, and in which words it is told.

Nothing here says that the power is gone, unless a meter showed it; and nothing says that it is safe to touch.

What a log of readings tells of the power: the mains voltage over time, whether it is to be believed, when it came.

A mains meter on a wrong range, with a wrong ratio or in another's place may show nothing where everything else shows a
supply under power. What flows proves it: it stops when the power does. A voltage behind the rectifier may be a charge
that is left, so it counts only where the log never shows the mains as they should be.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median
from typing import Any

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import EventKind
from benchmon.prediction.result import Prediction
from benchmon.quantities import format_value
from benchmon.report.logged_readings import LoggedReading
from benchmon.watch.limits import trip_crossed, warning_crossed
from benchmon.watch.plan import powered_above
from benchmon.watch.records import Event, Flag, Judgement
from benchmon.watch.wording import past

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


def mains_off_in_words(bench: Bench, latest: Mapping[str, Judgement], mains: Channel) -> tuple[bool, str]:
    """Return whether something speaks against `mains`, which reads none, and a sentence for it."""
    shown = f"{mains.name} is at {format_value(_value(latest.get(mains.name)), mains.unit)}"
    for channel in bench.channel:
        value = _value(latest.get(channel.name))
        if value is not None and is_of_the_power(channel) and abs(value) > _least(channel):
            there = f"{channel.name} is at {format_value(value, channel.unit)}"
            return True, f"{shown}, yet {there}: stored charge, or the power is on and a lead of {mains.name} is off"
    return False, f"No mains: {shown}; {_CHARGE}"


def is_without_power(bench: Bench, latest: Mapping[str, Judgement], switching: Event | None) -> bool:
    """Return whether meters have shown that the supply has no power, and none speaks against it."""
    if was_seen_off(switching):
        return True
    mains = mains_off(bench, latest)
    return mains is not None and not mains_off_in_words(bench, latest, mains)[0]


def is_low_without_power(channel: Channel, judgement: Judgement, *, off: bool) -> bool:
    """Return whether `channel` is only below its warning, as all is that has no power; `off` says that it has none."""
    if not off or judgement.value is None or Flag.TRIPPED in judgement.flags:
        return False
    crossing = warning_crossed(channel, judgement.value)
    return crossing is not None and not crossing.above


def still_past(channel: Channel, judgement: Judgement) -> str:
    """Return that a channel is past its warning though the power is gone, "" where it is not above it."""
    if judgement.value is None:
        return ""
    crossing = trip_crossed(channel, judgement.value) or warning_crossed(channel, judgement.value)
    return past(channel, judgement.value, crossing) if crossing is not None and crossing.above else ""


def _least(channel: Channel) -> float:
    return max(_CLEARLY.get(channel.unit, math.inf), 10 * channel.accuracy.of(0.0))


def _value(judgement: Judgement | None) -> float | None:
    value = None if judgement is None else judgement.value
    return value if value is not None and math.isfinite(value) else None


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
