"""Whether the supply is powered: mains that goes and comes, after switching off, and in the words of a status.

After switching off (`PowerGone`): what flows from the mains is the best evidence; it must all but stop, since a
transformer without load draws little too. If nobody measures that, the output decides, provided it was clearly there
before: a shorted output is low with the power on. A mains voltmeter may be connected ahead of the switch, so it can
prove that the power is gone, but never that it is not.

In words: nothing here calls the power gone unless a meter showed it, and nothing calls the supply safe to touch.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import EventKind
from benchmon.quantities import at_second_output, format_value
from benchmon.text import duration
from benchmon.watch.limits import Crossing, trip_crossed, warning_crossed
from benchmon.watch.plan import powered_above
from benchmon.watch.records import Event, Flag, Judgement
from benchmon.watch.wording import from_to, past

_FROM_THE_MAINS = ("mains.current.rms", "mains.current.peak", "mains.power.active", "mains.power.apparent")
_OF_THE_MAINS = ("mains.voltage.rms",)
_AT_ONE_OUTPUT: dict[str, float] = {
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
_OF_THE_SUPPLY: Mapping[str, float] = _AT_ONE_OUTPUT | {
    second: part for quantity, part in _AT_ONE_OUTPUT.items() if (second := at_second_output(quantity))
}
"""Quantities of the supply itself that show power, and to which part they must fall: reservoirs hold charge."""
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
    """What the meters show, and the reading that shows it: `line_current fell from 756.0 mA to 0.2 mA`.

    `was_present` is whether that meter read clearly more than nothing before.
    """

    power: Power
    words: str = ""
    was_present: bool = False


class PowerGone:
    """Follows the readings of `channels` across a switching off. Times are seconds of one clock."""

    def __init__(self, channels: Sequence[Channel]) -> None:
        quantities = {*_FROM_THE_MAINS, *_OF_THE_MAINS, *_OF_THE_SUPPLY}
        self._channels = {channel.name: channel for channel in channels if channel.quantity in quantities}
        self._before: dict[str, float] = {}
        self._after: dict[str, float] = {}
        self._low: set[str] = set()
        """The channels that have been low since it was switched off."""
        self._switched: float | None = None

    @property
    def channels(self) -> tuple[str, ...]:
        """The names of the channels that show power."""
        return tuple(self._channels)

    @property
    def period(self) -> float:
        """The longest period of those channels, in seconds."""
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

    def returned(self) -> str:
        """Return in words which reading has clearly risen since the power was seen to be gone, "" where none has.

        A meter that never fell, such as one before the switch, shows nothing.
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
        now, before = self._after[channel.name], self._before.get(channel.name)
        if before is None or abs(before) <= abs(now):
            return f"{channel.name} is at {format_value(now, channel.unit)}"
        return f"{channel.name} fell from {from_to(before, now, channel.unit)}"


_DIP, _DIP_OVER, _LONGEST_DIP = 0.7, 0.9, 60.0
"""Parts of the mains voltage below which a reading is a dip, and above which it is over; seconds that it may last."""
_SEEN_AT_THE_SUPPLY = ("secondary.voltage.rms", "reservoir.voltage.mean", "output.voltage.mean", "output.voltage.rms")
_ALL_BUT_GONE, _BACK_AGAIN = 0.1, 0.5
"""Parts of what a reading was to which it falls without mains, and above which it is back."""
_CLEARLY_ABOVE = 1.2
"""Times the voltage under which there is no mains, above which it is back."""
_BEFORE = 6
"""Readings of which the highest is what it was before."""


class MainsInterruptions:
    """Finds that the mains is gone or back, or dips, from every single reading. Give them in the order of their times.

    A meter of the mains voltage shows it; without one what flows from the mains; without that the supply's own
    voltages, which a fault may take away too, and the event says so.
    """

    def __init__(self, bench: Bench) -> None:
        self._followed: dict[str, _Followed] = {}
        self.change(bench)

    def change(self, bench: Bench) -> None:
        """Go by another description of the same channels; what was seen so far is kept."""
        groups = (_OF_THE_MAINS, _FROM_THE_MAINS, _SEEN_AT_THE_SUPPLY)
        found = ([each for each in bench.channel if each.quantity in quantities] for quantities in groups)
        channels = next((group for group in found if group), [])
        self._followed = {each.name: self._followed.get(each.name) or _Followed(each) for each in channels}
        for each in channels:
            self._followed[each.name].change(each, powered_above(bench))

    def update(self, channel: str, time: float, value: float) -> list[Event]:
        """Take a finite reading at `time` (session seconds); return the events it causes."""
        followed = self._followed.get(channel)
        return [] if followed is None else followed.update(time, value)


class _Followed:
    """One meter that shows whether there is mains: its last readings with mains, and since when there is none."""

    def __init__(self, channel: Channel) -> None:
        self._channel, self._least = channel, 0.0
        self._lately: deque[float] = deque(maxlen=_BEFORE)
        self._gone_since: float | None = None
        self._dip: tuple[float, float, float] | None = None
        """When a dip began, the reading before it, and the lowest one in it."""

    @property
    def _is_of_the_mains(self) -> bool:
        return self._channel.quantity in _OF_THE_MAINS

    def change(self, channel: Channel, powered_above: float) -> None:
        self._channel = channel
        self._least = powered_above if self._is_of_the_mains else _CLEARLY_THERE * channel.accuracy.absolute

    def update(self, time: float, value: float) -> list[Event]:
        value = abs(value)
        # A meter that averages may fall in two readings.
        before = max(self._lately, default=None)
        if self._gone_since is not None and before is not None:
            if not self._is_back(value, before):
                return []
            lasted, self._gone_since = time - self._gone_since, None
            self._lately.clear()
            self._lately.append(value)
            words = f"{self._channel.name} is at {format_value(value, self._channel.unit)} again"
            return [self._event(time, EventKind.MAINS_BACK, f"{words}, after {_seconds(lasted)}")]
        if before is not None and self._is_gone(value, before):
            self._gone_since, self._dip = time, None
            return [self._event(time, EventKind.MAINS_GONE, f"{self._fell(before, value)}: {self._meaning()}")]
        if value > self._least:
            self._lately.append(value)
        return [] if before is None or not self._is_of_the_mains else self._dips(time, value, before)

    def _is_gone(self, value: float, before: float) -> bool:
        if self._is_of_the_mains:
            return value <= self._least
        part = _STOPPED if self._channel.quantity in _FROM_THE_MAINS else _ALL_BUT_GONE
        return value <= part * before or value <= self._channel.accuracy.of(value)

    def _is_back(self, value: float, before: float) -> bool:
        return value > (_CLEARLY_ABOVE * self._least if self._is_of_the_mains else _BACK_AGAIN * before)

    def _dips(self, time: float, value: float, before: float) -> list[Event]:
        """Return the event of a dip of the mains voltage that is over with this reading."""
        if self._dip is None:
            if value < _DIP * before:
                self._dip = (time, before, value)
            return []
        since, level, lowest = self._dip
        self._dip = (since, level, min(lowest, value))
        if time - since > _LONGEST_DIP:
            self._dip = None  # it was turned down
        elif value > _DIP_OVER * level:
            self._dip = None
            words = f"{self._fell(level, lowest)} and was back after {_seconds(time - since)}"
            return [self._event(time, EventKind.MAINS_DIP, words)]
        return []

    def _fell(self, before: float, value: float) -> str:
        return f"{self._channel.name} fell from {from_to(before, value, self._channel.unit)}"

    def _meaning(self) -> str:
        if self._is_of_the_mains:
            return "the mains is gone"
        if self._channel.quantity in _FROM_THE_MAINS:
            return "no power is drawn; the mains is gone, or a fuse or lead is open"
        return "the mains is gone, or a fault takes its place"

    def _event(self, time: float, kind: EventKind, message: str) -> Event:
        return Event(time, self._channel.name, kind, message)


def _seconds(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 60 else duration(seconds)


_CHARGE = "charge may remain: measure before you touch"
_CLEARLY = {"V": 2.0, "A": 0.05, "W": 1.0}
"""What a meter must read at least to speak against one that shows no mains."""


def was_seen_off(switching: Event | None) -> bool:
    """Return whether a meter has shown that the power is gone, and none that it is back."""
    if switching is None or switching.kind != EventKind.SWITCHED_OFF or switching.details is None:
        return False
    return switching.details.seen_off is True


def lead_of_a_trip(switching: Event | None, otherwise: str) -> str:
    """Return the words before a limit that was passed: what has been done about it, or is to be done."""
    if switching is None or switching.kind == EventKind.SWITCH_OFF_FAILED:
        return otherwise
    if switching.kind == EventKind.SWITCHING_OFF:
        return "Switching off"
    if switching.kind == EventKind.POWER_IS_BACK:
        return f"{otherwise}, the power is back"
    return "Switched off" if was_seen_off(switching) else "Commanded to switch off, look whether it is"


def in_words(switching: Event) -> str:
    """Return the state of a switching off in words, where nothing graver comes before it."""
    if switching.kind == EventKind.SWITCHING_OFF:
        return f"Switching off, not seen to be off yet: {switching.message}"
    if was_seen_off(switching):
        return f"Switched off: {switching.message}; {_CHARGE}"
    return f"Commanded to switch off, not seen to be off: {switching.message}"


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
    """Return whether `channel` is below its warning only because the supply has no power, which `off` says."""
    if not off or judgement.value is None or Flag.TRIPPED in judgement.flags:
        return False
    crossing = warning_crossed(channel, judgement.value)
    return crossing is not None and not crossing.above


def still_past(channel: Channel, judgement: Judgement) -> bool:
    """Return whether a channel is above its warning though the power is gone."""
    crossing = None if judgement.value is None else _crossing(channel, judgement.value)
    return crossing is not None and crossing.above


def past_words(channel: Channel, value: float | None) -> str:
    """Return how a channel at `value` (its unit) is past a limit, or that it was past its warning."""
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
