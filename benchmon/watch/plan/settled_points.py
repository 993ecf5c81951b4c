"""What was read and predicted at the points of a sweep, how both are stored, and when readings stand still.

A reading stands still where it does not move by a quarter of its meter's accuracy, or by no more than its own scatter,
from the first half of a window to the second. Where something is expected of it, what is left of it beside that is
looked at, so that a mains that wanders holds up nothing.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from statistics import fmean, stdev

from benchmon.bench import Bench, Channel, Sweep, at_swept_output
from benchmon.quantities import CURRENT, RESISTANCE, VOLTAGE
from benchmon.text import duration
from benchmon.watch.records import Judgement

LONGEST_READINGS = 100_000
"""Characters of the readings in an event that are read back."""

SET_WITHIN = 0.05
"""Part of a value by which what is measured may differ for it to count as set, as for the mains of a step."""
_STAYS = 0.01
"""Part of a value by which the last readings of what is swept may differ while it counts as set (from memory)."""
_OPEN_BELOW = 0.05
"""Part of the least current of a sweep below which there is no load."""
_STILL = 0.25
"""Part of its meter's accuracy by which a mean may move within the window and still stand still (from memory)."""
_SCATTERS = 2.0
"""Standard errors by which two means of one value may differ: 95 of 100 do by less."""
_LEAST_READINGS = 4
"""Readings of which a window has two halves that can be compared."""
_PREDICTION_WITHIN = 15.0
"""Seconds for which expected values of a new load are waited for; a prediction takes a second or two."""

_MAINS = ("mains.voltage.rms",)
_VOLTS = ("output.voltage.mean", "output.voltage.rms")
_AMPERES = ("output.current.mean", "output.current.rms")
_NO_LONGER = 64


@dataclass(frozen=True, slots=True)
class SettledValue:
    """What a channel read at a point, and what was expected there, both expanded (k = 2), in the channel's unit."""

    value: float
    uncertainty: float
    expected: float | None = None
    expected_uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class PredictedCurves:
    """What was predicted for a sweep: for each quantity a value with its ± at each of its values, None where none is.

    `figures` are those of the whole sweep: name, value, expanded uncertainty, unit.
    """

    quantities: Mapping[str, Sequence[tuple[float, float] | None]] = field(default_factory=dict)
    figures: Sequence[tuple[str, float, float, str]] = ()


def encode_readings(readings: Mapping[str, SettledValue]) -> str:
    """Return what was read at a point as JSON.

    >>> encode_readings({"output": SettledValue(21.3, 0.1)})
    '{"output": [21.3, 0.1, null, null]}'
    """
    return json.dumps(
        {name: [_rounded(value) for value in asdict(one).values()] for name, one in readings.items()},
        ensure_ascii=False,
    )


def _rounded(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(f"{value:.7g}")


def decode_readings(stored: str | None) -> dict[str, SettledValue]:
    """Return what was read at a point; what makes no sense is left out."""
    found = {}
    for name, values in _object(stored).items():
        match values:
            case [int() | float() as value, int() | float() as own, int() | float() as wanted, int() | float() as its]:
                found[name] = SettledValue(float(value), float(own), float(wanted), float(its))
            case [int() | float() as value, int() | float() as own, *_]:
                found[name] = SettledValue(float(value), float(own))
    return found


def encode_predicted(predicted: PredictedCurves) -> str:
    """Return predicted curves as JSON."""
    rows = {
        name: [None if one is None else [_rounded(one[0]), _rounded(one[1])] for one in values]
        for name, values in predicted.quantities.items()
    }
    return json.dumps({"quantities": rows, "figures": [list(one) for one in predicted.figures]}, ensure_ascii=False)


def decode_predicted(stored: str | None) -> PredictedCurves:
    """Return predicted curves; what makes no sense is left out."""
    found, quantities, figures = _object(stored), {}, []
    rows = found.get("quantities")
    for name, values in rows.items() if isinstance(rows, dict) else ():
        if isinstance(values, list):
            quantities[str(name)] = [_pair(one) for one in values]
    rest = found.get("figures")
    for one in rest if isinstance(rest, list) else ():
        match one:
            case [str(name), int() | float() as value, int() | float() as its, str(unit)]:
                figures.append((name, float(value), float(its), unit))
    return PredictedCurves(quantities, figures)


def _pair(stored: object) -> tuple[float, float] | None:
    match stored:
        case [int() | float() as value, int() | float() as its]:
            return float(value), float(its)
    return None


def _object(stored: str | None) -> dict[str, object]:
    if stored is None or len(stored) > LONGEST_READINGS:
        return {}
    try:
        found = json.loads(stored)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


@dataclass(frozen=True, slots=True)
class _Read:
    time: float
    value: float
    expected: float | None
    expected_uncertainty: float | None


def _shows(sweep: Sweep) -> list[tuple[str, ...]]:
    """Return the quantities that show what is swept, of each group the first that is measured; ohms need two groups."""
    if sweep.kind is VOLTAGE:
        return [_MAINS]
    groups = (_VOLTS, _AMPERES) if sweep.kind is RESISTANCE else (_AMPERES,)
    return [tuple(at_swept_output(sweep.over, name) for name in group) for group in groups]


class SettlingReadings:
    """The readings of a bench since a value of a sweep was set; times are session seconds."""

    def __init__(self, bench: Bench) -> None:
        self._read: dict[str, deque[_Read]] = {}
        self._since = 0.0
        self.change(bench)

    def change(self, bench: Bench) -> None:
        """Go by another description of the same channels."""
        self._channels = {channel.name: channel for channel in bench.channel}
        self._by_hand = {channel.name for channel in bench.typed_channels}

    def begin(self, since: float) -> None:
        """Forget what was read before `since`."""
        self._read, self._since = {}, since

    def observe(self, judgement: Judgement) -> None:
        """Take a judgement; a reading without a finite value ends the stretch that may stand still."""
        if judgement.time < self._since:
            return
        if judgement.value is None or not math.isfinite(judgement.value):
            self._read.pop(judgement.channel, None)
            return
        read = _Read(judgement.time, judgement.value, judgement.expected, judgement.expected_uncertainty)
        self._read.setdefault(judgement.channel, deque(maxlen=_NO_LONGER * 16)).append(read)

    def measured(self, sweep: Sweep, now: float) -> float | None:
        """Return where the meters show what is swept to stand (SI), None where no meter shows it or none has read."""
        means = [self._mean_of(group, now, sweep.hold) for group in _shows(sweep)]
        if sweep.kind is not RESISTANCE:
            return means[0]
        volts, amperes = means
        if volts is None or amperes is None:
            return None
        return math.inf if abs(amperes) <= self._accuracy_of(_shows(sweep)[1], amperes) else volts / amperes

    def is_shown(self, sweep: Sweep) -> bool:
        """Return whether meters that are read by themselves show what is swept."""
        return all(self._first_of(group) is not None for group in _shows(sweep))

    def is_set(self, sweep: Sweep, wanted: float, now: float) -> bool:
        """Return whether the meters show a wanted value (SI) and stand still at it."""
        for group in _shows(sweep):
            channel = self._first_of(group)
            if channel is None or not self._stays(channel, now):
                return False
        at = self.measured(sweep, now)
        if at is None:
            return False
        quantities = _shows(sweep)[-1]
        if sweep.kind is CURRENT and wanted == 0.0:
            return abs(at) <= self._accuracy_of(quantities, at) + _OPEN_BELOW * min(v for v in sweep.values if v > 0.0)
        if math.isinf(wanted) or math.isinf(at):
            return wanted == at
        own = self._accuracy_of(quantities, at) if sweep.kind is not RESISTANCE else 0.0
        return abs(at - wanted) <= SET_WITHIN * wanted + own

    def lacks(self, sweep: Sweep, now: float) -> list[str]:
        """Return what keeps a point from being taken, each in a few words; [] where nothing."""
        found, waited = [], self._waited_for(sweep)
        for channel in waited:
            moves = self._movement(channel, now, sweep.hold)
            if moves and (channel.name in sweep.needs or self._read.get(channel.name)):
                found.append(moves)
        if not any(self._read.get(channel.name) for channel in waited):
            found.append("no meter has been read since it was set")
        has_none = all(one.expected is None for read in self._read.values() for one in read)
        if not found and has_none and now - self._since < _PREDICTION_WITHIN:
            found.append("its prediction is still being made")
        return found

    def values(self, sweep: Sweep, now: float) -> dict[str, SettledValue]:
        """Return what each channel read over the window, with the meter's accuracy and its scatter together.

        Those of the output come first.
        """
        found = {}
        for name, channel in sorted(
            self._channels.items(), key=lambda one: not one[1].quantity.startswith(("output.", "output_2."))
        ):
            read = self._window(channel, now, sweep.hold)
            if read:
                found[name] = _settled(channel, read)
        return found

    def _waited_for(self, sweep: Sweep) -> list[Channel]:
        """Return the channels that must stand still: no temperatures and no typed ones, unless the sweep needs them.

        The mains moves as it likes, unless it is swept: what is expected follows it.
        """
        return [
            channel
            for channel in self._channels.values()
            if channel.name in sweep.needs
            or not (
                channel.name in self._by_hand
                or ".temperature" in f".{channel.quantity}"
                or (channel.quantity.startswith("mains.voltage") and sweep.over != "mains.voltage")
            )
        ]

    def _window(self, channel: Channel, now: float, hold: float) -> list[_Read]:
        length = math.inf if channel.name in self._by_hand else max(hold, _LEAST_READINGS * channel.period)
        return [one for one in self._read.get(channel.name, ()) if one.time > now - length]

    def _movement(self, channel: Channel, now: float, hold: float) -> str:
        """Return why a channel does not stand still, "" where it does."""
        read = self._window(channel, now, hold)
        if channel.name in self._by_hand:
            return "" if read else f"{channel.name} is to be typed in"
        length = max(hold, _LEAST_READINGS * channel.period)
        if not read:
            return f"{channel.name} gives no reading"
        stood = now - self._read[channel.name][0].time
        if stood < length - channel.period or len(read) < _LEAST_READINGS:
            return f"{channel.name} must stand still for another {duration(max(1.0, math.ceil(length - stood)))}"
        return f"{channel.name} still moves" if not _stands_still(channel, read) else ""

    def _stays(self, channel: Channel, now: float) -> bool:
        """Return whether the last readings of a channel lie together, so that nobody is turning it."""
        read = [one.value for one in self._window(channel, now, 0.0)]
        if len(read) < _LEAST_READINGS:
            return False
        return max(read) - min(read) <= _STAYS * abs(read[-1]) + channel.accuracy.of(read[-1])

    def _first_of(self, quantities: Iterable[str]) -> Channel | None:
        return next(
            (
                channel
                for quantity in quantities
                for channel in self._channels.values()
                if channel.quantity == quantity and channel.name not in self._by_hand
            ),
            None,
        )

    def _mean_of(self, quantities: Iterable[str], now: float, hold: float) -> float | None:
        channel = self._first_of(quantities)
        read = [] if channel is None else self._window(channel, now, min(hold, _LEAST_READINGS * channel.period))
        return fmean(one.value for one in read) if read else None

    def _accuracy_of(self, quantities: Iterable[str], value: float) -> float:
        channel = self._first_of(quantities)
        return 0.0 if channel is None else channel.accuracy.of(value)


def _settled(channel: Channel, read: Sequence[_Read]) -> SettledValue:
    value = fmean(one.value for one in read)
    scatter = _SCATTERS * stdev(one.value for one in read) / math.sqrt(len(read)) if len(read) > 1 else 0.0
    known = [one for one in read if one.expected is not None and one.expected_uncertainty is not None]
    expected = fmean(one.expected or 0.0 for one in known) if known else None
    beside = fmean(one.expected_uncertainty or 0.0 for one in known) if known else None
    return SettledValue(value, math.hypot(channel.accuracy.of(value), scatter), expected, beside)


def _stands_still(channel: Channel, read: Sequence[_Read]) -> bool:
    is_expected = all(one.expected is not None for one in read)
    rests = [one.value - (one.expected or 0.0) if is_expected else one.value for one in read]
    half = len(rests) // 2
    before, after = rests[:half], rests[half:]
    moved = abs(fmean(after) - fmean(before))
    allowed = _STILL * channel.accuracy.of(fmean(one.value for one in read))
    scatter = math.hypot(*(stdev(part) / math.sqrt(len(part)) if len(part) > 1 else 0.0 for part in (before, after)))
    return moved <= max(allowed, _SCATTERS * scatter)
