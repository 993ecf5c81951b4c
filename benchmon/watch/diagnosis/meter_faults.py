"""Mistakes of measurement: what a channel reads when its meter, range, ratio or lead is not as the bench file says."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from benchmon.bench import Channel
from benchmon.quantities import is_temperature
from benchmon.text import with_minus
from benchmon.watch.diagnosis.likelihood import COMMON, RARE, USUAL, Hypothesis
from benchmon.watch.diagnosis.meter_values import QUANTITY_KINDS, Detector, MeterValue, MeterValues

_SAME = 0.003
_RANGE_DOUBT = 0.06
"""The part of itself or of its change by which a reading on a wrong range may be off: its accuracy is not known."""

_RANGE_OFFSET = 0.01
"""The part of what should be read by which such a reading may be off though it should be zero (from memory)."""

_PICKED_UP = 0.002
"""The part of what should be read that open leads pick up, from memory: millivolts of tens of volts."""

_NOT_CONNECTED = "the meter is not connected, or its own fuse has blown"
_TOO_SMALL = "a unit prefix is 1000 times too small"
_LOOK_AT_LEADS = "look at its leads, its own fuse and the unit on its display, and take what it should measure for live"

_MILLI, _SEEN_FROM_NOTHING = 0.001, 0.5
"""What a wrong prefix leaves of a reading, and the part of that which an offset may be for it to be seen."""

_TOO_MUCH, _TOO_MUCH_DOUBT = 1.12, 0.07
"""What a meter whose reference sinks with its battery shows of the truth, and how far that may be off (k = 1)."""

_WRONG_WAYS: Mapping[Detector, tuple[tuple[Detector, str, str, float], ...]] = {
    Detector.RMS: (
        (Detector.AC_RMS, "the meter is on its AC range", "select AC+DC", COMMON),
        (Detector.MEAN, "the meter is on its DC range", "select AC+DC, true rms", COMMON),
        (
            Detector.RECTIFIED,
            "the meter is average-responding and calibrated for sines (1.1107 × rectified mean)",
            "use a true-rms meter",
            USUAL,
        ),
        (
            Detector.AC_RECTIFIED,
            "the meter is on its AC range",
            "select AC+DC, on a true-rms meter: this one responds to the average",
            USUAL,
        ),
        (Detector.PEAK, "the peak is taken for the rms", "select rms", USUAL),
    ),
    Detector.MEAN: (
        (Detector.AC_RMS, "the meter is on its AC range", "select DC", COMMON),
        (Detector.RMS, "the meter is on AC+DC and reads the rms", "select DC", COMMON),
        (Detector.AC_RECTIFIED, "the meter is on its AC range", "select DC", USUAL),
        (Detector.PEAK, "the peak is taken for the mean", "select the mean, or DC", USUAL),
    ),
    Detector.AC_RMS: (
        (Detector.MEAN, "the meter is on its DC range", "select AC", COMMON),
        (Detector.RMS, "the meter is on AC+DC and reads the rms of the whole wave", "select AC, without DC", USUAL),
        (
            Detector.AC_RECTIFIED,
            "the meter is average-responding and calibrated for sines (1.1107 × rectified mean of the AC part)",
            "use a true-rms meter",
            USUAL,
        ),
        (Detector.RIPPLE, "peak to peak is taken for rms", "select rms", USUAL),
    ),
    Detector.RIPPLE: (
        (Detector.AC_RMS, "the rms of the ripple is taken for peak to peak", "select peak to peak", COMMON),
        (Detector.MEAN, "the meter is on its DC range", "select peak to peak", USUAL),
        (Detector.PEAK, "the peak is taken for peak to peak", "select peak to peak", USUAL),
    ),
    Detector.PEAK: (
        (Detector.RMS, "the rms is taken for the peak", "select peak", COMMON),
        (Detector.MEAN, "the meter is on its DC range", "select peak", USUAL),
        (Detector.RIPPLE, "peak to peak is taken for the peak", "select peak", USUAL),
    ),
    Detector.VALLEY: (
        (Detector.MEAN, "the meter is on its DC range", "select the lowest value", USUAL),
        (Detector.PEAK, "the peak is taken for the valley", "select the lowest value", USUAL),
    ),
}

_SIGNED = (".mean", ".active", "power_factor", ".peak", ".valley", "displacement_factor")


def meter_faults_of(channels: Sequence[Channel], right: MeterValues) -> list[Hypothesis]:
    """Return every mistake at one channel, or between two, with what all channels read then.

    `right` are the values of the circuit as it should be. A mistake that would change nothing is left out.
    """
    known = {channel.name: value for channel in channels if (value := right.shown_at(channel)) is not None}
    by_name = {channel.name: channel for channel in channels if channel.name in known}
    found = []
    for name, channel in by_name.items():
        for value, cause, remedy, weight in _at_one_channel(channel, known[name], right):
            if not _is_same(channel, value, known[name]):
                readings = {**known, name: value}
                found.append(Hypothesis(f"{name}: {cause}", remedy, weight, readings, (name,)))
    for one, other in combinations(by_name.values(), 2):
        swapped = _swapped(one, other, known)
        if swapped is not None:
            found.append(swapped)
    return found


def _is_same(channel: Channel, value: MeterValue, right: MeterValue) -> bool:
    near = _SAME * abs(right.value) + 0.5 * channel.accuracy.of(right.value)
    return abs(value.value - right.value) <= near


def _at_one_channel(
    channel: Channel, right: MeterValue, values: MeterValues
) -> Iterator[tuple[MeterValue, str, str, float]]:
    """Yield what the channel reads, the cause, the remedy and the weight of each mistake."""
    if is_temperature(channel.quantity):
        yield from _of_a_temperature(channel, right, values)
        return
    way = QUANTITY_KINDS.get(channel.quantity)
    trace, ways = ("", ()) if way is None else (way[0], _WRONG_WAYS[way[1]])
    shows_nothing = False
    for kind, cause, remedy, weight in ways:
        value = values.waves.get((trace, kind))
        if value is None or (kind is Detector.AC_RECTIFIED and _has_no_mean(values, trace)):
            continue
        # A DC range shows nothing of what alternates, nor an AC range of what is smooth: a meter that is not connected
        # reads as much, and is no cause of its own then.
        is_nothing = kind in (Detector.MEAN, Detector.AC_RMS) and abs(value.value) <= _PICKED_UP * abs(right.value)
        shows_nothing |= is_nothing
        doubt = _RANGE_DOUBT * min(abs(value.value - right.value), abs(value.value))
        doubt = max(doubt, _RANGE_OFFSET * abs(right.value))
        also = f"; if that is selected, {_LOOK_AT_LEADS}" if is_nothing else ""
        yield replace(value, own=math.hypot(value.own, doubt)), cause, remedy + also, weight
    yield from meter_faults_on(channel, right, may_be_unconnected=not shows_nothing)


def meter_faults_on(
    channel: Channel, value: MeterValue, *, may_be_unconnected: bool = True
) -> Iterator[tuple[MeterValue, str, str, float]]:
    """Yield the mistakes that act on whatever `channel` should read: its `value` then, the cause, remedy and weight.

    A meter that is not connected is one of them only if it `may_be_unconnected`.
    """
    if is_temperature(channel.quantity):
        return
    if may_be_unconnected and channel.unit not in ("", "Hz"):
        nothing = MeterValue(0.0, np.zeros_like(value.moves), _PICKED_UP * abs(value.value))
        cause = _NOT_CONNECTED if _sees_a_thousandth(channel, value) else f"{_NOT_CONNECTED}, or {_TOO_SMALL}"
        yield nothing, cause, _LOOK_AT_LEADS, USUAL
    if channel.quantity.endswith(_SIGNED):
        yield value.scaled(-1.0), "its polarity is reversed", "swap the leads, or turn the clamp round", COMMON
    yield from _of_a_ratio(channel, value)


def _sees_a_thousandth(channel: Channel, right: MeterValue) -> bool:
    """Return whether a meter can tell a thousandth of what it should read from nothing."""
    return channel.accuracy.of(0.0) < _SEEN_FROM_NOTHING * _MILLI * abs(right.value)


def _has_no_mean(values: MeterValues, trace: str) -> bool:
    """Return whether a wave is as good as alternating only, so that AC coupling changes nothing."""
    return abs(values.waves[trace, Detector.MEAN].value) <= _SAME * values.waves[trace, Detector.RMS].value


def _of_a_ratio(channel: Channel, right: MeterValue) -> Iterator[tuple[MeterValue, str, str, float]]:
    if channel.unit == "Hz":
        return
    high = right.scaled(_TOO_MUCH)
    high = replace(high, own=math.hypot(high.own, _TOO_MUCH_DOUBT * right.value))
    remedy = "replace its battery, then compare it with another meter"
    yield high, "the meter reads too much by itself: a weak battery, or lost calibration", remedy, 2.0 * USUAL
    low = right.scaled(2.0 - _TOO_MUCH)
    low = replace(low, own=math.hypot(low.own, _TOO_MUCH_DOUBT * right.value))
    remedy = "clean and press its leads and plugs, then compare it with another meter"
    yield low, "the meter reads too little by itself: a bad contact of its leads, or lost calibration", remedy, RARE
    if channel.unit == "":
        yield right.scaled(100.0), "per cent are taken for a fraction", "divide by 100 (scale = 0.01)", USUAL
        yield right.scaled(0.01), "a fraction is taken for per cent", "multiply by 100 (scale = 100)", USUAL
        return
    yield from _in_decibels(right)
    probe = "clamp" if channel.unit == "A" else "probe"
    factors = {10.0: "10 times too large", 0.1: "10 times too small"}
    for factor, words in factors.items():
        yield right.scaled(factor), f"the {probe}'s ratio is {words}", f"set the {probe}'s ratio, or scale", USUAL
    prefixes = {1000.0: "a unit prefix is 1000 times too large"}
    if _sees_a_thousandth(channel, right):
        prefixes[_MILLI] = _TOO_SMALL
    for factor, cause in prefixes.items():
        yield right.scaled(factor), cause, "check the prefix of the unit on the display", RARE
    if channel.scale not in (1.0, 10.0, 0.1):
        ratio = with_minus(f"{channel.scale:g}")
        for factor, words in ((channel.scale, "applied twice"), (1.0 / channel.scale, "not applied")):
            remedy = "set the ratio in one place only: meter or bench file"
            yield right.scaled(factor), f"the declared ratio of {ratio} is {words}", remedy, COMMON


def _in_decibels(right: MeterValue) -> Iterator[tuple[MeterValue, str, str, float]]:
    """Yield what a meter shows that gives the level of a voltage or current in decibels of its unit."""
    if right.value <= 0.0:
        return
    a_part = 20.0 / math.log(10.0) / right.value
    level = MeterValue(20.0 * math.log10(right.value), a_part * right.moves, a_part * right.own)
    yield level, "decibels are taken for the unit", "switch the display from dB to the unit", RARE


def _of_a_temperature(
    channel: Channel, right: MeterValue, values: MeterValues
) -> Iterator[tuple[MeterValue, str, str, float]]:
    # Seldom, and nothing to believe before it is excluded that the part is hot.
    weight = 0.1 * RARE
    yield right.scaled(1.8, 32.0), "degrees Fahrenheit are taken for Celsius", "set the thermometer to °C", weight
    air = values.of("ambient.temperature")
    if air is not None and channel.quantity != "ambient.temperature":
        yield air, "the probe is not on the part and reads the air", "switch off, then fix the probe", USUAL


def _swapped(one: Channel, other: Channel, known: Mapping[str, MeterValue]) -> Hypothesis | None:
    if one.unit != other.unit:
        return None
    first, second = known[one.name], known[other.name]
    if _is_same(one, second, first) and _is_same(other, first, second):
        return None
    weight = RARE if one.instrument != other.instrument else USUAL
    if not math.isfinite(first.value + second.value):
        return None
    readings = {**known, one.name: second, other.name: first}
    cause = f"{one.name} and {other.name}: the two channels are swapped"
    return Hypothesis(
        cause, "swap their leads, or their entries in the bench file", weight, readings, (one.name, other.name)
    )
