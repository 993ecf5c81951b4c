"""What is known of a supply that was switched off, or has no mains, and in which words it is told.

Nothing here says that the power is gone, unless a meter showed it; and nothing says that it is safe to touch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import EventKind
from benchmon.quantities import format_value
from benchmon.watch.limits import Crossing, trip_crossed, warning_crossed
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
