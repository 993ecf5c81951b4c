"""Forecasts of a channel, from what is known of its drift or of its heat."""

from __future__ import annotations

import math

from benchmon.bench import Channel
from benchmon.watch.drift import Drift
from benchmon.watch.heat import Outlook
from benchmon.watch.records import Forecast


def heat_forecast(channel: Channel, outlook: Outlook) -> Forecast:
    """Return where a temperature is heading: to its trip limit, or to its warning where it has no limit."""
    final = outlook.final
    ahead = outlook.to_limit if channel.trip_above is not None else outlook.to_warning
    is_reached = ahead is not None and math.isfinite(ahead.best)
    return Forecast(
        channel=channel.name,
        time=outlook.time,
        state=str(outlook.state),
        rate=outlook.rate,
        final=None if final is None else final.best,
        uncertainty=outlook.uncertainty,
        to_limit=ahead.best if ahead is not None and is_reached else None,
        earliest=None if ahead is None else ahead.low,
        latest=None if ahead is None else ahead.high,
    )


def drift_forecast(channel: Channel, drift: Drift, value: float, now: float) -> Forecast:
    """Return when a drift from `value` at `now` reaches the limit on its side, if there is one."""
    limit = channel.trip_above if drift.rate > 0 else channel.trip_below
    if limit is None or drift.rate == 0.0:
        return Forecast(channel.name, now, "drifting", drift.rate)
    fast, slow = sorted((drift.low, drift.high), key=abs, reverse=True)
    return Forecast(
        channel=channel.name,
        time=now,
        state="drifting",
        rate=drift.rate,
        to_limit=_until(limit - value, drift.rate),
        earliest=_until(limit - value, fast),
        latest=_until(limit - value, slow),
    )


def _until(distance: float, rate: float) -> float:
    return max(0.0, distance / rate) if distance * rate > 0 else math.inf if distance else 0.0
