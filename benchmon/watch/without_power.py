"""What is known of a supply that was switched off, or has no mains, and in which words it is told.

Nothing here says that the power is gone, unless a meter showed it; and nothing says that it is safe to touch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import EventKind
from benchmon.quantities import format_value
from benchmon.watch.limits import trip_crossed, warning_crossed
from benchmon.watch.plan import powered_above
from benchmon.watch.power_gone import is_of_the_power
from benchmon.watch.records import Event, Flag, Judgement
from benchmon.watch.wording import past

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
