"""Finds what an answer of the watch says against itself: between its statements, and between a statement and a row.

It goes by the answer of `benchmon assess` (its JSON) and by the log it was given, and shares nothing with the watch.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from benchmon.bench import Bench, Channel
from benchmon.quantities import UNITS
from benchmon.watch.records import LoggedReading

ALL_CLEAR, UNKNOWN = "nothing wrong", "none of these"
_PREFIXES = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}
_UNITS = ("°C", "VA", "Hz", "V", "A", "W")
_SURE = 0.5
_GRID = 0.03
"""Part by which a sentence may differ from a row: a cause is worked out at mains up to 2 % from those of the row, and
goes by the median of the last seconds."""
_LINES = {"agrees": (0.0, 1.0), "questionable": (1.0, 1.5), "disagrees": (1.5, math.inf)}
_NUMBER = r"(?P<number>[-−+]?\d[\d.]*)(?: ?(?P<unit>[pnµmkMG]?(?:°C|VA|Hz|V|A|W)\b|%))?"
_READS = ("reads", "is at", "is still at", "stays at")


def contradictions_in(answer: Mapping[str, Any], bench: Bench, log: Iterable[LoggedReading] = ()) -> list[str]:
    """Return what contradicts in the answer of `assess` to the readings `log` (by time) of `bench`; [] is good."""
    found = [*_rows(answer), *_causes(answer), *_forecasts(answer, bench)]
    found += _statements(answer, {each.name: each for each in bench.channel}, tuple(log))
    return found


def _rows(answer: Mapping[str, Any]) -> Iterator[str]:
    for name, row in answer["channels"].items():
        en, verdict = row["en"], row["verdict"]
        if en is None or verdict == "unpredicted":
            if (en is None) is not (verdict == "unpredicted"):
                yield f"{name}: En {en} and {verdict}"
            continue
        low, high = _LINES[verdict]
        if not low - 1e-6 <= abs(en) <= high + 1e-6:
            yield f"{name}: En {en} and {verdict}"
        if row["value"] is not None and row["expected"] is not None and en * (row["value"] - row["expected"]) < 0:
            yield f"{name}: En {en} of {row['value']} against {row['expected']}"


def _causes(answer: Mapping[str, Any]) -> Iterator[str]:
    causes, rows = answer["explanations"], answer["channels"]
    if not causes:
        return
    if sum(one["likelihood"] for one in causes) > 1.001:
        yield "the likelihoods add up to more than 1"
    first = causes[0]
    odd = [name for name, row in rows.items() if row["verdict"] == "disagrees" or set(row["flags"]) - {"stale"}]
    if first["cause"] == ALL_CLEAR and odd:
        yield f"{ALL_CLEAR} {first['likelihood']:.2f} above {', '.join(odd)}"
    judged = [row["verdict"] for row in rows.values() if row["verdict"] != "unpredicted"]
    is_calm = judged and all(one == "agrees" for one in judged) and not any(row["flags"] for row in rows.values())
    if first["cause"] != ALL_CLEAR and first["likelihood"] >= _SURE and is_calm:
        yield f"{first['cause']} {first['likelihood']:.2f} where every channel agrees"
    for one in causes:
        if "no known cause is seen yet" in one["message"] and one["likelihood"] > _SURE:
            yield f"{one['cause']} {one['likelihood']:.2f} beside {one['message']!r}"


def _forecasts(answer: Mapping[str, Any], bench: Bench) -> Iterator[str]:
    for channel in bench.channel:
        row, limit = answer["channels"].get(channel.name), channel.trip_above
        if row is None or row["final"] is None or limit is None or "tripped" in row["flags"]:
            continue
        final, spread, ahead = row["final"]["value"], row["final"]["uncertainty"], row["time_to_limit_s"]
        passes = ahead is not None and math.isfinite(ahead)
        if passes and final + spread < limit:
            yield f"{channel.name}: passes {limit} in {ahead} s, and settles at {final} ± {spread}"
        if not passes and final - spread > limit:
            yield f"{channel.name}: settles at {final} ± {spread}, and never passes {limit}"


def _statements(
    answer: Mapping[str, Any], channels: Mapping[str, Channel], log: tuple[LoggedReading, ...]
) -> Iterator[str]:
    for one in answer["explanations"]:
        for name, row in answer["channels"].items():
            yield from _of_a_row(one["message"], channels[name], row["value"], row["expected"])
    latest: dict[str, float] = {}
    events = sorted(answer["events"], key=lambda event: event["time_s"])
    at = 0
    for event in events:
        while at < len(log) and log[at].time <= event["time_s"]:
            latest[log[at].channel] = log[at].value
            at += 1
        for name, value in latest.items():
            yield from _of_a_row(event["message"], channels[name], value, None)


def _of_a_row(message: str, channel: Channel, value: float | None, expected: float | None) -> Iterator[str]:
    """Yield how a sentence contradicts what `channel` reads (None: not known) and what is expected of it."""
    if value is None or not math.isfinite(value):
        return
    name, unit = re.escape(channel.name), UNITS[channel.quantity]
    verbs = "|".join(_READS)
    compared = r"(?P<ratio> of the expected| times the expected)?"
    for match in re.finditer(rf"(?<![\w-]){name} (?:{verbs}) (?:exactly )?{_NUMBER}{compared}", message):
        if match["ratio"]:
            part = float(match["number"].replace("−", "-")) / (100.0 if match["unit"] == "%" else 1.0)
            if expected and abs(part - value / expected) > _GRID * max(1.0, abs(part)):
                yield f"{message!r}, where {channel.name} reads {value} of {expected}"
            continue
        if unit and match["unit"] is None:
            yield f"{message!r} has a number without its unit"
            continue
        shown, digit = _value(match)
        if abs(shown - value) > digit + 2.0 * channel.accuracy.of(value) + _GRID * abs(value) * (unit != "°C"):
            yield f"{message!r}, where {channel.name} reads {value} {unit}"


def _value(match: re.Match[str]) -> tuple[float, float]:
    """Return the value that a sentence names, in SI, and its last digit."""
    text, unit = match["number"].replace("−", "-"), match["unit"] or ""
    if unit == "%":
        return float(text.rstrip(".")) / 100.0, 10.0 ** -len(text.partition(".")[2]) / 100.0
    base = next((one for one in _UNITS if unit.endswith(one)), "")
    scale = _PREFIXES[unit.removesuffix(base)]
    decimals = len(text.partition(".")[2])
    return float(text.rstrip(".")) * scale, 10.0**-decimals * scale
