"""A channel's limits: a warning that comes and goes, and a trip that stays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchmon.bench import Channel


@dataclass(frozen=True, slots=True)
class Crossing:
    """A limit that a reading has passed: its name and value, and whether the reading is above it."""

    name: Literal["warning", "limit"]
    limit: float
    above: bool


def warning_crossed(channel: Channel, value: float) -> Crossing | None:
    """Return the warning limit that `value` has passed, or None."""
    return _crossed("warning", value, channel.warn_above, channel.warn_below)


def trip_crossed(channel: Channel, value: float) -> Crossing | None:
    """Return the trip limit that `value` has passed, or None.

    An overrange display (±inf) is beyond every limit of its side: a broken thermocouple trips, since it cannot be
    distinguished from a fire.
    """
    return _crossed("limit", value, channel.trip_above, channel.trip_below)


class TripLatch:
    """Finds each crossing of the trip limits of one channel once: noise at a limit is no second crossing.

    A crossing counts again after a reading clearly inside the limits, and after the limits were changed.
    """

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._is_armed = True

    def change(self, channel: Channel) -> None:
        """Go by another description of the channel; other trip limits count at the next reading."""
        limits = (self._channel.trip_above, self._channel.trip_below)
        self._is_armed = self._is_armed or limits != (channel.trip_above, channel.trip_below)
        self._channel = channel

    def update(self, value: float) -> Crossing | None:
        """Take a reading; return the crossing if it is a new one."""
        crossing = trip_crossed(self._channel, value)
        if crossing is None:
            self._is_armed = self._is_armed or is_clear_of_trip(self._channel, value)
            return None
        was_armed, self._is_armed = self._is_armed, False
        return crossing if was_armed else None


def is_clear_of_trip(channel: Channel, value: float) -> bool:
    """Return whether `value` lies inside the trip limits by the meter's accuracy there, at least."""
    return _is_clear(channel, value, channel.trip_above, channel.trip_below)


def is_clear_of_warning(channel: Channel, value: float) -> bool:
    """Return whether `value` lies inside the warning limits by the meter's accuracy there, at least."""
    return _is_clear(channel, value, channel.warn_above, channel.warn_below)


def _is_clear(channel: Channel, value: float, above: float | None, below: float | None) -> bool:
    is_below = above is None or value <= above - channel.accuracy.of(above)
    return is_below and (below is None or value >= below + channel.accuracy.of(below))


def has_limits(channel: Channel) -> bool:
    """Return whether the channel guards something, so that its silence matters."""
    limits = (channel.warn_above, channel.trip_above, channel.warn_below, channel.trip_below)
    return any(limit is not None for limit in limits)


def _crossed(
    name: Literal["warning", "limit"], value: float, above: float | None, below: float | None
) -> Crossing | None:
    if above is not None and value > above:
        return Crossing(name, above, above=True)
    if below is not None and value < below:
        return Crossing(name, below, above=False)
    return None
