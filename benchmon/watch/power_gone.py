"""Whether the power is gone after it was switched off, as the meters on the supply tell.

What flows from the mains tells best: it must all but stop, since a transformer without load draws little too. Where
nobody measures that, what the supply gives out tells, if it was clearly there before: a shorted output is low with the
power on. A mains voltmeter may stand before the switch, so it proves that the power is gone, and never that it is not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from benchmon.bench import Channel
from benchmon.quantities import format_value

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
class Finding:
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

    def finding(self) -> Finding:
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
        return Finding(Power.WAITED_FOR if waits else Power.UNSEEN)

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

    def _of(self, channels: Sequence[Channel]) -> Finding:
        """Return what `channels` say together: the power is gone where all that have read since say so."""
        read = [channel for channel in channels if channel.name in self._after]
        if not read:
            return Finding(Power.WAITED_FOR if channels else Power.UNSEEN)
        on = [channel for channel in read if not self._is_off(channel)]
        if on:
            now = format_value(self._after[on[0].name], on[0].unit)
            return Finding(Power.THERE, f"{on[0].name} is still at {now}")
        fallen = next((channel for channel in read if self._was_clearly_there(channel)), None)
        return Finding(Power.GONE, self._fall(fallen or read[0]), fallen is not None)

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
