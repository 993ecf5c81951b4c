"""The watch's sentences about the course of a channel: how it drifts, where it settles, when it passes a limit."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

from benchmon.bench import Channel
from benchmon.quantities import PREFIXES
from benchmon.text import about, clock, coarse, duration
from benchmon.watch.drift.drift import FAR, Drift
from benchmon.watch.heating.heating import Outlook, State
from benchmon.watch.heating.rise_fit import Interval
from benchmon.watch.wording import PER_CENT, value_words


def per_minute(drift: Drift, unit: str) -> str:
    """Return a drift's rate, given a second, as one a minute: with sign and unit, no finer than it is known."""
    unit, rate = "K" if unit == "°C" else unit, 60.0 * drift.rate
    doubt = 30.0 * abs(drift.high - drift.low)
    digits = 2 if 0.0 < doubt < 0.1 * abs(rate) else 1
    sign = "+" if rate >= 0 else "−"
    return f"{sign}{_rounded(abs(rate), unit, digits)} a minute"


def _rounded(value: float, unit: str, digits: int) -> str:
    """Return a value with so many significant digits and no more, a ratio in per cent: `0.35 %`, `2 mV`, `120 mV`."""
    if unit == "":
        value, unit = 100.0 * value, PER_CENT
    if value == 0.0 or not math.isfinite(value):
        return f"0 {unit}"
    place = 10.0 ** (math.floor(math.log10(value)) + 1 - digits)
    value = round(value / place) * place
    power = 0 if unit in (PER_CENT, "K") else min(max(3 * math.floor(math.log10(value) / 3 + 1e-9), -12), 9)
    scaled = value / 10.0**power
    decimals = max(0, digits - 1 - math.floor(math.log10(scaled) + 1e-9))
    return f"{scaled:.{min(decimals, 6)}f} {PREFIXES[power]}{unit}"


@dataclass(frozen=True, slots=True)
class BandPosition:
    """A reading and its band: its value, the expected one, and half the width of the band, in one unit.

    `time` is that of the reading (s).
    """

    value: float
    expected: float
    spread: float
    time: float = 0.0


def drift_sentence(channel: Channel, drift: Drift, band: BandPosition, now: float, *, flattens: bool = False) -> str:
    """Return rate, beginning and goal of a drift; one that `flattens` has no other goal than where it settles."""
    lasts = duration(coarse(now - drift.since))
    first = f"{channel.name} has drifted by about {per_minute(drift, channel.unit)} for {lasts}"
    goal = "its course settles within what is expected" if flattens else _leads_to(channel, drift.rate, band)
    return f"{first} (since {clock(drift.since)}); {goal}"


def mains_meter_drift_sentence(channel: Channel, drift: Drift, witnesses: Collection[str], now: float) -> str:
    """Return that the mains meter itself seems to drift, which channels show it, and what to check."""
    shown = " and ".join(sorted(witnesses)) if len(witnesses) < 3 else f"{len(witnesses)} channels"
    lasts = f"for {duration(coarse(now - drift.since))} (since {clock(drift.since)})"
    # A joint that grows between the meter and the transformer lowers everything behind it, as a meter does that climbs.
    check = "check this meter and the joints from it to the transformer" if drift.rate > 0.0 else "check this meter"
    return (
        f"{channel.name} has drifted by about {per_minute(drift, channel.unit)} {lasts}, which nothing that the mains "
        f"feed follows, as {shown} show: {check}"
    )


def _leads_to(channel: Channel, rate: float, band: BandPosition) -> str:
    edge = band.expected + math.copysign(band.spread, rate)
    if (edge - band.value) * rate <= 0:
        return "it is outside its expected band already"
    warning, limit = (channel.warn_above, channel.trip_above) if rate > 0 else (channel.warn_below, channel.trip_below)
    goals: list[tuple[str, float | None]] = [
        ("leaves its expected band at", edge),
        ("passes its warning of", warning),
        ("reaches its limit of", limit),
    ]
    ahead = [
        f"{words} {value_words(channel, goal)} {about((goal - band.value) / rate)}"
        for words, goal in goals
        if goal is not None and 0 < (goal - band.value) / rate <= FAR
    ]
    return "at this rate it " + " and ".join(ahead) if ahead else "it stays within what is expected for hours"


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
    soonest = duration(coarse(ahead.low))
    if math.isinf(ahead.best):
        return f"may be reached in {soonest} at the earliest, or never"
    late = duration(coarse(ahead.high)) if math.isfinite(ahead.high) else "never"
    return f"reached {about(ahead.best)} ({soonest} to {late})"


def rises_again_sentence(channel: Channel, outlook: Outlook, settled: Interval | None) -> str:
    """Return that a temperature that had `settled` rises again, and what to look at."""
    before = "" if settled is None else f" had settled near {settled.best:.0f} °C and"
    return (
        f"{channel.name}{before} rises again, by {60.0 * outlook.rate:.1f} K a minute, beyond what mains and moving "
        "air explain: look at its cooling and its load"
    )


def runaway_sentence(channel: Channel, outlook: Outlook) -> str:
    """Return that a temperature rises faster than it may."""
    first = f"{channel.name} rises by {60.0 * outlook.rate:.1f} K a minute, ever faster or beyond all that is expected"
    ahead = outlook.to_limit
    limit = "" if ahead is None else f"; limit {channel.trip_above:.1f} °C, {_reached(ahead)}"
    return f"{first}: thermal runaway, get ready to switch off{limit}"
