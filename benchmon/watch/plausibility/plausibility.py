"""Plausibility: readings that cannot all be right, whatever the circuit.

Each rule's two sides are compared by the uncertainties of the readings in them, propagated to first order (JCGM
100:2008, 5.1). A rule is broken where the sides differ by more than twice the expanded uncertainty: four standard
deviations, so a healthy bench breaks one rule in about 16,000 by chance.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchmon.bench import Bench, Channel
from benchmon.quantities import UNITS, format_value
from benchmon.text import with_minus
from benchmon.watch.plausibility.rules import Rule, rules_of, slack_of
from benchmon.watch.wording import shown_unit, value_in_words

BROKEN_BEYOND = 2.0
IN_A_ROW = 3
"""A rule must be broken, or kept, in so many rounds of readings before it is an event."""

_STEP = 0.1
"""Part of a reading's uncertainty by which it is moved to see how the sides of a rule change."""

_AS_LARGE = 1e-9
"""Relative difference up to which two numbers are the same: rounding must not choose between equally exact meters."""

_ONE_OF_SEVERAL = {"diode": " (of one diode)", "secondary": " (of one winding)"}
"""What two meters on one quantity must share to be comparable, by the point of which a supply may have several."""


@dataclass(frozen=True, slots=True)
class MeasuredValue:
    """A channel's value, its expanded uncertainty, and its En against the prediction, None where there is none."""

    channel: str
    quantity: str
    value: float
    uncertainty: float
    en: float | None = None


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A broken rule: the channels in it, the likelier culprit, by how much (in expanded uncertainties), in words."""

    rule: str
    channels: tuple[str, ...]
    culprit: str
    excess: float
    message: str


def contradictions(bench: Bench, readings: Sequence[MeasuredValue], rules: Sequence[Rule]) -> list[Contradiction]:
    """Return the rules that `readings`, taken at about the same time, break: the worst first."""
    by_quantity: dict[str, list[MeasuredValue]] = defaultdict(list)
    for reading in readings:
        if math.isfinite(reading.value):
            by_quantity[reading.quantity].append(reading)
    best = {name: min(same, key=lambda one: one.uncertainty) for name, same in by_quantity.items()}
    found = [broken for rule in rules if (broken := _judged(bench, rule, best)) is not None]
    for same in by_quantity.values():
        found += [
            broken
            for index, one in enumerate(same)
            for other in same[index + 1 :]
            if (broken := _two_meters(one, other)) is not None
        ]
    return sorted(found, key=lambda broken: -broken.excess)


def _judged(bench: Bench, rule: Rule, best: Mapping[str, MeasuredValue]) -> Contradiction | None:
    if any(quantity not in best for quantity in rule.needs):
        return None
    inside = [best[quantity] for quantity in rule.needs]
    values = [reading.value for reading in inside]
    left, right = rule.sides(bench, *values)
    squares = (slack_of(rule, bench) * right) ** 2
    for index, reading in enumerate(inside):
        moved = [*values]
        moved[index] += _STEP * reading.uncertainty
        moved_left, moved_right = rule.sides(bench, *moved)
        squares += ((moved_left - moved_right - left + right) / _STEP) ** 2
    difference = abs(left - right) if rule.equal else left - right
    if not difference > BROKEN_BEYOND * math.sqrt(squares):
        return None
    excess = difference / math.sqrt(squares) if squares > 0 else math.inf
    sides = " against ".join(format_value(side, rule.side_unit, 3) for side in (left, right))
    return _contradiction(rule.name, rule.says, inside, excess, sides)


def _two_meters(one: MeasuredValue, other: MeasuredValue) -> Contradiction | None:
    spread = math.hypot(one.uncertainty, other.uncertainty)
    difference = abs(one.value - other.value)
    if not difference > BROKEN_BEYOND * spread:
        return None
    excess = difference / spread if spread > 0 else math.inf
    sides = " against ".join(_shown(each) for each in (one, other))
    says = f"two meters on one quantity{_ONE_OF_SEVERAL.get(one.quantity.partition('.')[0], '')} agree"
    return _contradiction("two meters on one quantity", says, [one, other], excess, sides)


def _shown(reading: MeasuredValue) -> str:
    return value_in_words(reading.value, shown_unit(reading.quantity, UNITS.get(reading.quantity, "")))


def _contradiction(name: str, says: str, inside: Sequence[MeasuredValue], excess: float, sides: str) -> Contradiction:
    culprit, why = _culprit(inside)
    shown = ", ".join(f"{reading.channel} {_shown(reading)}" for reading in inside)
    message = (
        f"{shown} cannot all be right: {says}, here {sides} "
        f"({_times(excess)} the uncertainty); {culprit} is the likelier culprit ({why})"
        if len(inside) > 1
        else f"{shown} cannot be right: {says}"
    )
    return Contradiction(name, tuple(reading.channel for reading in inside), culprit, excess, message)


def _times(excess: float) -> str:
    return "far more than" if excess > 100.0 else f"{excess:.1f} times"


def _culprit(inside: Sequence[MeasuredValue]) -> tuple[str, str]:
    """Return the likelier culprit and why: the one farthest from its prediction, else the least exact.

    Of several that are equally far or equally exact, it is the first in the order of the rule, or of the bench file.
    """
    predicted = [(reading, abs(reading.en)) for reading in inside if reading.en is not None]
    if predicted:
        worst = _largest(predicted)[0]
        if abs(worst.en or 0.0) > 1.0:
            return worst.channel, with_minus(f"En {worst.en:+.1f}")
    coarsest = _largest([(reading, reading.uncertainty / max(abs(reading.value), 1e-12)) for reading in inside])
    return coarsest[0].channel, "the least exact of them" if len(coarsest) == 1 else "no other is less exact"


def _largest(measured: Sequence[tuple[MeasuredValue, float]]) -> list[MeasuredValue]:
    """Return the readings with the largest number beside them, in their order."""
    largest = max(number for _, number in measured)
    return [reading for reading, number in measured if math.isclose(number, largest, rel_tol=_AS_LARGE)]


@dataclass(slots=True)
class _Round:
    """What a channel has read since the last look at the rules."""

    count: int = 0
    total: float = 0.0
    en: float | None = None

    def add(self, value: float, en: float | None) -> None:
        self.count += 1
        self.total += value
        self.en = en


@dataclass(slots=True)
class _Typed:
    """A value that a person typed, and in how many more rounds it counts."""

    time: float
    value: float
    en: float | None
    rounds: int = IN_A_ROW


class PlausibilityWatch:
    """Looks at the rules once a round: as soon as every live channel has read, and two seconds at least.

    Within a round each channel's readings are averaged, so that the moments at which meters read hardly matter. A value
    that a person types counts in the rounds that decide just after it, unless the supply changes: it is never compared
    with an average across a change. Where a person reads every meter, their values are averaged like any others.
    """

    ROUND_SECONDS = 2.0
    LATE = 3.0

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._rules = rules_of(bench)
        self._channels: dict[str, Channel] = {channel.name: channel for channel in bench.channel}
        by_hand = {channel.name for channel in bench.typed_channels}
        live = [channel for channel in bench.channel if channel.name not in by_hand] or bench.channel
        self._rounds = {channel.name: _Round() for channel in live}
        self._slowest = max((channel.period for channel in live), default=1.0)
        self._typed: dict[str, _Typed] = {}
        self._changed_at = -math.inf
        self._began: float | None = None
        self._runs: dict[tuple[str, tuple[str, ...]], int] = {}
        self._looked = 0
        self.broken: dict[tuple[str, tuple[str, ...]], Contradiction] = {}
        self.suspects: frozenset[str] = frozenset()
        """The channels that are the likelier culprits of what is broken now."""

    def update(self, channel: str, time: float, value: float, en: float | None) -> list[Contradiction]:
        """Take a finite reading; return the contradictions that begin with it."""
        if channel not in self._rounds:
            self._typed[channel] = _Typed(time, value, en)
            return []
        if self._began is None:
            self._began = time
        self._rounds[channel].add(value, en)
        waited = time - self._began
        if waited < self.ROUND_SECONDS:
            return []
        if waited < self.LATE * self._slowest and not all(one.count for one in self._rounds.values()):
            return []
        return self._look(time)

    def supply_changed(self, time: float) -> None:
        """Forget what was typed before `time` (s), when the supply changed, and what only that contradicts."""
        self._changed_at = time
        old = {name for name, typed in self._typed.items() if typed.time < time}
        self._typed = {name: typed for name, typed in self._typed.items() if name not in old}
        for key in [key for key in {**self.broken, **self._runs} if not self._rounds.keys() >= set(key[1])]:
            self.broken.pop(key, None)
            self._runs.pop(key, None)
        self._find_suspects()

    def finish(self) -> list[Contradiction]:
        """Look at what has been read since the last round; with fewer than three rounds, this one decides."""
        if not any(one.count for one in self._rounds.values()):
            return []
        return self._look(None)

    def _look(self, time: float | None) -> list[Contradiction]:
        readings = []
        for name, one in self._rounds.items():
            if one.count:
                channel, value = self._channels[name], one.total / one.count
                readings.append(MeasuredValue(name, channel.quantity, value, channel.accuracy.of(value), one.en))
                one.count, one.total = 0, 0.0
        readings += self._typed_readings()
        self._began = time
        self._looked += 1
        found = {(one.rule, one.channels): one for one in contradictions(self._bench, readings, self._rules)}
        needed = min(IN_A_ROW, self._looked) if time is None else IN_A_ROW
        return self._settle(found, {reading.channel for reading in readings}, needed)

    def _typed_readings(self) -> list[MeasuredValue]:
        """Return the typed values that count in the round that is over; none where the supply changed within it."""
        if self._began is not None and self._began < self._changed_at:
            return []
        found = []
        for name, typed in self._typed.items():
            if typed.rounds > 0:
                typed.rounds -= 1
                channel = self._channels[name]
                accuracy = channel.accuracy.of(typed.value)
                found.append(MeasuredValue(name, channel.quantity, typed.value, accuracy, typed.en))
        return found

    def _settle(
        self, found: dict[tuple[str, tuple[str, ...]], Contradiction], read: set[str], needed: int
    ) -> list[Contradiction]:
        begun = []
        # Not a set of keys: its order differs between two runs of the program, and so would that of the events.
        for key in dict.fromkeys([*found, *self._runs]):
            if not read.issuperset(key[1]):
                continue
            run = self._runs.get(key, 0)
            if key in found:
                self._runs[key] = run = max(run, 0) + 1
                if run >= needed and key not in self.broken:
                    begun.append(found[key])
                if key in self.broken or run >= needed:
                    self.broken[key] = found[key]
            else:
                self._runs[key] = run = min(run, 0) - 1
                if run <= -IN_A_ROW:
                    self.broken.pop(key, None)
                    del self._runs[key]
        self._find_suspects()
        return sorted(begun, key=lambda one: -one.excess)

    def _find_suspects(self) -> None:
        self.suspects = frozenset(one.culprit for one in self.broken.values())
