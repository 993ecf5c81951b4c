"""What lies ahead of the latest readings, in words for a glance: which limit is passed, and in how long."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from benchmon.bench import Channel
from benchmon.quantities import format_value
from benchmon.text import coarse, duration
from benchmon.watch.records import Explanation, Forecast

STALE_AFTER = 120.0
"""Seconds after which a forecast that nothing has renewed says no more when a limit is passed."""

LIKELY = 0.5
"""The likelihood from which on a cause is told at a glance."""

NOTHING_WRONG, NONE_OF_THESE = "nothing wrong", "none of these"
"""Answers of the explanation that name no cause."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is known beyond the latest readings at `now` (session seconds): the course of channels, and causes."""

    now: float = 0.0
    forecasts: Mapping[str, Forecast] = field(default_factory=dict)
    causes: Sequence[Explanation] = ()

    @property
    def likely_cause(self) -> Explanation | None:
        """Return the likeliest cause, None where none is more likely than not."""
        first = self.causes[0] if self.causes else None
        return (
            None
            if first is None or first.likelihood < LIKELY or first.cause in (NOTHING_WRONG, NONE_OF_THESE)
            else first
        )

    def seconds_to_limit(self, channel: str) -> float | None:
        """Return in how many seconds a channel passes its trip limit, never below 0; None where it is not known to."""
        forecast = self.forecasts.get(channel)
        if forecast is None or forecast.to_limit is None or not math.isfinite(forecast.to_limit):
            return None
        gone = self.now - forecast.time
        return None if gone > forecast.to_limit + STALE_AFTER else max(0.0, forecast.to_limit - gone)

    def surely_passes(self, channel: str) -> bool:
        """Return whether every course that the readings allow passes the limit."""
        forecast = self.forecasts.get(channel)
        return forecast is not None and forecast.latest is not None and math.isfinite(forecast.latest)

    def limit_words(self, channel: Channel) -> str:
        """Return that a channel is heading for its limit, "" if it is not; see `limit_words`."""
        return limit_words(channel, self.seconds_to_limit(channel.name), surely=self.surely_passes(channel.name))


def limit_words(channel: Channel, left: float | None, *, surely: bool) -> str:
    """Return that a channel passes its limit in `left` seconds: `will pass 105.0 °C in about 3 min 40 s`.

    "" where it has no limit, or `left` is None. `surely` is whether it does on every course.
    """
    limit = channel.trip_above if channel.trip_above is not None else channel.trip_below
    if left is None or limit is None:
        return ""
    return f"{'will' if surely else 'may'} pass {format_value(limit, channel.unit)} {about(left)}"


def about(seconds: float) -> str:
    """Return how long something takes, no finer than it is known: `in about 3 min 40 s`, `within seconds`."""
    return "within seconds" if seconds < 5 else f"in about {duration(coarse(seconds))}"
