"""Sentences of drift and heat: how fast, since when, where it leads, and how long that takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchmon.bench import Channel
from benchmon.quantities import format_value
from benchmon.text import duration
from benchmon.watch.drift import Drift
from benchmon.watch.first_order import Interval
from benchmon.watch.heat import Outlook, State


def per_minute(rate: float, unit: str) -> str:
    """Return a rate given a second as one a minute, with sign and unit."""
    unit = "K" if unit == "°C" else unit
    return f"{'+' if rate >= 0 else '−'}{format_value(abs(60.0 * rate), unit, 3)} a minute"


@dataclass(frozen=True, slots=True)
class Band:
    """Where a reading stands: its value, and the expected one with half the width of its band."""

    value: float
    expected: float
    spread: float


def drift_sentence(channel: Channel, drift: Drift, band: Band, now: float) -> str:
    """Return rate, beginning and goal of a drift."""
    rate = f"{channel.name} has drifted by {per_minute(drift.rate, channel.unit)} for {duration(now - drift.since)}"
    return f"{rate} (since {drift.since:.0f} s); {_leads_to(channel, drift.rate, band)}"


def _leads_to(channel: Channel, rate: float, band: Band) -> str:
    edge = band.expected + math.copysign(band.spread, rate)
    warning, limit = (channel.warn_above, channel.trip_above) if rate > 0 else (channel.warn_below, channel.trip_below)
    goals: list[tuple[str, float | None]] = [
        ("leaves its expected band at", edge),
        ("passes its warning of", warning),
        ("reaches its limit of", limit),
    ]
    ahead = [
        f"{words} {format_value(goal, channel.unit)} in {duration((goal - band.value) / rate)}"
        for words, goal in goals
        if goal is not None and (goal - band.value) * rate > 0
    ]
    return "at this rate it " + " and ".join(ahead) if ahead else "it is outside its expected band already"


def junction_sentence(channel: Channel, case: float, junction: float, maximum: float) -> str:
    """Return what a case's temperature means for the junction."""
    return f"{channel.name} is at {case:.1f} °C, so the junction is near {junction:.0f} °C, above its {maximum:.0f} °C"


def outlook_sentence(channel: Channel, outlook: Outlook) -> str:
    """Return where a temperature is going: `will settle at 118 ± 6 °C, limit 105.0 °C, reached in about 3 min 40 s`."""
    name = channel.name
    if outlook.state is State.UNKNOWN:
        return f"{name}: cannot tell yet where it settles"
    if outlook.final is not None and outlook.uncertainty is not None:
        verb = "stays" if outlook.state is State.STEADY else "will settle"
        first = f"{name} {verb} at {outlook.final.best:.0f} ± {max(1.0, outlook.uncertainty):.0f} °C"
    else:
        way = "falls" if outlook.rate < 0 else "rises"
        first = f"{name} {way} by {abs(60.0 * outlook.rate):.1f} K a minute; cannot tell yet where it settles"
    parts = [first]
    for word, limit, ahead in (
        ("warning", channel.warn_above, outlook.to_warning),
        ("limit", channel.trip_above, outlook.to_limit),
    ):
        if limit is not None and ahead is not None:
            parts.append(f"{word} {limit:.1f} °C, {_reached(ahead)}")
    return ", ".join(parts)


def _reached(ahead: Interval) -> str:
    if math.isinf(ahead.best):
        return f"perhaps reached, in {duration(ahead.low)} at the earliest"
    late = duration(ahead.high) if math.isfinite(ahead.high) else "never"
    return f"reached in about {duration(ahead.best)} ({duration(ahead.low)} to {late})"


def runaway_sentence(channel: Channel, outlook: Outlook) -> str:
    """Return that a temperature rises faster than it may."""
    first = f"{channel.name} rises by {60.0 * outlook.rate:.1f} K a minute, ever faster or faster than expected at all"
    ahead = outlook.to_limit
    limit = "" if ahead is None else f"; limit {channel.trip_above:.1f} °C, {_reached(ahead)}"
    return f"{first}: thermal runaway, get ready to switch off{limit}"
