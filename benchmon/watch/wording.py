"""The watch's words for a channel's values, with numbers and units, and its sentences about limits and verdicts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from benchmon.bench import Channel
from benchmon.quantities import PREFIXES, Expected, format_value, is_temperature
from benchmon.text import one_line, with_minus
from benchmon.watch.limits import Crossing, warning_crossed
from benchmon.watch.records import Flag, Judgement, Verdict
from benchmon.watch.verdict import en_as_text

PAST_WARNING = "past warning"
"""What a person reads where the contract says `hot`, and the side is not known."""

PER_CENT = "%"


def with_uncertainty(value: float, uncertainty: float, unit: str) -> str:
    """Return value ± uncertainty with one unit, both to the second digit of the uncertainty (JCGM 100:2008, 7.2.6).

    The unit may be "%". Temperatures have one decimal at most.

    >>> with_uncertainty(22.1384, 0.2119, "V"), with_uncertainty(81.23, 15.2, "%"), with_uncertainty(-0.02, 0.001, "W")
    ('22.14 ± 0.21 V', '81 ± 15 %', '−20.0 ± 1.0 mW')
    >>> with_uncertainty(233.1, 118.0, "V"), with_uncertainty(5.0, 0.0996, "A")
    ('230 ± 120 V', '5.00 ± 0.10 A')
    """
    if not (math.isfinite(value) and math.isfinite(uncertainty)):
        return f"{format_value(value, unit)} ± {format_value(uncertainty, unit)}"
    power = _power_of(max(abs(value), abs(uncertainty)), unit)
    scaled, spread = value / 10.0**power, abs(uncertainty) / 10.0**power
    digits = min(6, decimals_of(spread)) if spread else 3
    if unit == "°C":
        digits = min(digits, 1)
    numbers = (f"{round(number, digits):.{max(0, digits)}f}" for number in (scaled, spread))
    return with_minus(f"{' ± '.join(numbers)} {PREFIXES[power]}{unit}".rstrip())


def decimals_of(uncertainty: float) -> int:
    """Return the decimals that show two significant digits of an `uncertainty`, which is not 0.

    They are negative where it ends left of the point.

    >>> decimals_of(0.21), decimals_of(0.0996), decimals_of(118.0)
    (2, 2, -1)
    """
    return 1 - int(f"{abs(uncertainty):.1e}".partition("e")[2])


_HOTTER_THAN_ANY_PART = 500.0
"""°C above which an expected temperature is not worth its digits: the part has failed before, from experience."""


def shown_unit(quantity: str, unit: str) -> str:
    """Return the unit that a quantity is shown in: per cent for a distortion, else `unit`."""
    return PER_CENT if quantity.endswith(".thd") else unit


def value_in_words(value: float | None, unit: str, digits: int = 4) -> str:
    """Return a value with its unit, which is that of `shown_unit`: `22.14 V`, of 1.269 `126.9 %`."""
    if unit == PER_CENT and value is not None and math.isfinite(value):
        return with_minus(f"{100.0 * value:.{digits}g} %")
    return format_value(value, unit, digits)


def value_with_uncertainty(value: float, uncertainty: float | None, unit: str) -> str:
    """Return a value with its expanded uncertainty, where that is known; the unit is that of `shown_unit`."""
    if uncertainty is None or not math.isfinite(uncertainty):
        return value_in_words(value, unit)
    factor = 100.0 if unit == PER_CENT else 1.0
    return with_uncertainty(factor * value, factor * uncertainty, unit)


def value_words(channel: Channel, value: float | None) -> str:
    """Return a value of a channel as `value_in_words` does."""
    return value_in_words(value, shown_unit(channel.quantity, channel.unit))


def expected_words(channel: Channel, value: float, uncertainty: float) -> str:
    """Return what is expected of a channel as `value_with_uncertainty` does."""
    return value_with_uncertainty(value, uncertainty, shown_unit(channel.quantity, channel.unit))


def expected_in_words(expected: Expected, quantity: str) -> str:
    """Return what is expected of a `quantity` with its uncertainty, or with its two limits where it has such."""
    unit = shown_unit(quantity, expected.unit)
    if unit == "°C" and expected.value > _HOTTER_THAN_ANY_PART:
        return f"over {_HOTTER_THAN_ANY_PART:.0f} °C"
    if expected.low is None or expected.high is None:
        return value_with_uncertainty(expected.value, expected.uncertainty, unit)
    limits = (expected.value, expected.low, expected.high)
    value, low, high = (value_in_words(each, unit, 3) if each else f"0 {unit}".rstrip() for each in limits)
    return f"{value}, {low} to {high}"


def from_to(before: float, after: float, unit: str) -> str:
    """Return two readings of one meter with the same prefix and decimals: `756.0 mA to 0.2 mA`.

    >>> from_to(230.1, 0.31, "V"), from_to(0.756, 0.00021, "A"), from_to(0.0, 0.0, "W")
    ('230.1 V to 0.3 V', '756.0 mA to 0.2 mA', '0.000 W to 0.000 W')
    """
    if not (math.isfinite(before) and math.isfinite(after)):
        return f"{format_value(before, unit)} to {format_value(after, unit)}"
    largest = max(abs(before), abs(after))
    power = _power_of(largest, unit)
    whole = math.floor(math.log10(largest / 10.0**power)) if largest else 0
    decimals = 1 if unit == "°C" else max(0, 3 - whole)
    shown = (f"{value / 10.0**power:.{decimals}f} {PREFIXES[power]}{unit}".rstrip() for value in (before, after))
    return with_minus(" to ".join(shown))


def _power_of(largest: float, unit: str) -> int:
    """Return the power of ten of the prefix that fits the largest of some values."""
    power = 0 if unit in ("", PER_CENT, "°C") or largest == 0 else 3 * math.floor(math.log10(largest) / 3)
    return min(max(power, min(PREFIXES)), max(PREFIXES))


def reading_words(channel: Channel, value: float) -> str:
    """Return what a channel shows: `vout is at 22.14 V`, or that its display is over range."""
    if math.isinf(value):
        return f"{channel.name} shows {'over' if value > 0 else 'under'} range"
    return f"{channel.name} is at {value_words(channel, value)}"


def past(channel: Channel, value: float, crossing: Crossing) -> str:
    """Return how a reading passed a limit: `diode_case is at 97.3 °C, above its limit of 90.0 °C`."""
    side = "above" if crossing.above else "below"
    return f"{reading_words(channel, value)}, {side} its {crossing.name} of {value_words(channel, crossing.limit)}"


def trip_sentence(channel: Channel, value: float, crossing: Crossing) -> str:
    """Return what is reported when a reading trips."""
    return f"{past(channel, value, crossing)}: tripped; switch off"


def warned(channel: Channel, value: float | None = None) -> str:
    """Return in a word or two on which side a channel is past its warning: `hot`, `high`, `low`.

    It is `PAST_WARNING` where neither `value` nor the channel's limits show the side.
    """
    crossing = None if value is None else warning_crossed(channel, value)
    above = crossing.above if crossing is not None else channel.warn_above is not None
    if crossing is None and (channel.warn_above is None) is (channel.warn_below is None):
        return PAST_WARNING
    if above:
        return "hot" if is_temperature(channel.quantity) else "high"
    return "low"


def flag_words(flags: Iterable[Flag], channel: Channel, value: float | None = None) -> list[str]:
    """Return `flags` as a person reads them, sorted: what the contract calls hot may be a voltage that is low."""
    return sorted(warned(channel, value) if flag is Flag.HOT else str(flag) for flag in flags)


def likelihood_in_words(likelihood: float) -> str:
    """Return a likelihood, 0 to 1, in whole per cent; what is over 99 % or under 1 % is never called certain.

    >>> likelihood_in_words(0.874), likelihood_in_words(0.9996), likelihood_in_words(0.002)
    ('87 %', 'over 99 %', 'under 1 %')
    """
    if likelihood > 0.99:
        return "over 99 %"
    return "under 1 %" if likelihood < 0.01 else f"{100 * likelihood:.0f} %"


def verdict_sentence(channel: Channel, judgement: Judgement, verdict: Verdict) -> str:
    """Return how a reading compares with what was expected; `verdict` is that of the last readings in a row.

    Where the latest one alone has another, both are named, so that its En contradicts no verdict.
    """
    expected = expected_words(channel, judgement.expected or 0.0, judgement.expected_uncertainty or 0.0)
    en = en_as_text(judgement.en or 0.0, 1)
    alone = "" if judgement.verdict in (verdict, Verdict.UNPREDICTED) else f"{judgement.verdict}; with those before it "
    reads = value_words(channel, judgement.value)
    return f"{channel.name} reads {reads}, expected {expected} (En {en}): {alone}{verdict}"


def stale_sentence(channel: Channel, silence: float, problem: str) -> str:
    """Return that a channel has not been heard of for `silence` seconds."""
    why = f"; last word: {one_line(problem, 160)}" if problem else ""
    due = f"{channel.period:.3g} s"
    return f"{channel.name} has given no usable reading for {silence:.3g} s, due every {due}: stale{why}"


def problem_sentence(channel: Channel, problem: str) -> str:
    """Return that an instrument answered without a usable number."""
    return f"{channel.name} gave no usable reading: {one_line(problem, 200) or 'it is not a number'}"


def overrange_sentence(channel: Channel, value: float) -> str:
    """Return that a display shows overrange."""
    return f"{reading_words(channel, value)}: the range is too small, or a lead or probe is open"


_REMEDIES = {
    "mains harmonics": "give [mains] harmonics or wave, or measure mains.voltage.thd",
    "leakage inductance": "give [transformer] leakage_inductance or short_circuit",
    "mains source resistance": "give [mains] source_resistance",
    "winding temperature": "give [transformer] resistance_temperature and rating",
    "no-load current": "give [transformer] no_load points",
    "no-load loss": "give [transformer] no_load points",
    "how the core saturates": "give two [transformer] no_load points or more",
}
"""What to give in the bench file for each contribution that may be missing there."""


def unspecified_sentence(unspecified: Sequence[tuple[str, float]]) -> str:
    """Return that an uncertainty is wide since the bench file leaves something out, and what to give; "" for nothing.

    `unspecified` is what is missing, each with its share of the variance, the largest first.

    >>> unspecified_sentence([("mains harmonics", 0.94), ("leakage inductance", 0.03)])
    'mains harmonics not given, so the ± is wide; give [mains] harmonics or wave, or measure mains.voltage.thd'
    """
    if not unspecified:
        return ""
    largest = unspecified[0][1]
    named = [label for label, share in unspecified if share >= largest / 3.0]
    remedies = dict.fromkeys(
        _REMEDIES.get(label, "give [[filter]] esr" if label.endswith("ESR") else "") for label in named
    )
    advice = "; ".join(one for one in remedies if one)
    return f"{', '.join(named)} not given, so the ± is wide{f'; {advice}' if advice else ''}"
