"""Why readings disagree: causes ranked by their likelihood over all channels together.

Every cause predicts what each channel would read, with the uncertainties that the channels share (part values, mains,
ambient) and those that are a channel's own (its meter, and what any model misses). A cause's likelihood is the density
of all readings at once (Bayes), a t-distribution about what it predicts. "Nothing is wrong" and "none of these" compete
with the rest:

- Beforehand, nothing is wrong in nine of ten benches; all known meter faults and circuit faults share one half of the
  rest by their weights, and the other half is left for what is not known here.
- "None of these" is broad: one channel that reads anything, all that do, parts many times farther off than allowed, or
  readings that look much like a known cause and still miss it by several deviations.
- Two known causes at once are less likely beforehand than both by chance: mostly neither is true where none fits alone.
- Where every channel agrees by itself, no cause is named.

A temperature that still moves counts with the value it is heading for (`statement.steady_reading`). What the history of
the channels adds, and when "nothing wrong" is withheld, is in `statement`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.quantities import is_temperature
from benchmon.text import with_minus
from benchmon.watch.diagnosis.circuit_hypotheses import CircuitFaults, hypotheses_of_values_far_off
from benchmon.watch.diagnosis.likelihood import USUAL, Hypothesis, Observation, log_likelihoods
from benchmon.watch.diagnosis.meter_faults import meter_faults_of, meter_faults_on
from benchmon.watch.diagnosis.meter_values import MeterValue, MeterValues
from benchmon.watch.records import Explanation
from benchmon.watch.wording import value_words

__all__ = ["NONE_OF_THESE", "NOTHING_WRONG", "Explainer", "Explanation", "Observation"]

NOTHING_WRONG = "nothing wrong"
NONE_OF_THESE = "none of these"

PRIOR_NOTHING, PRIOR_KNOWN, PRIOR_UNKNOWN = 0.9, 0.05, 0.05
_LIKE_IT, _FACTOR = 0.1, 3.0
"""How often something unknown looks much like a known cause, of the cause's own weight; then all readings lie within so
many times their deviations of it."""

_LIKE_NOTHING = 0.01
"""How often, of sound benches, something unknown is hardly wrong."""

_PAIR = 0.1
"""Of what chance gives two causes at once: where no single cause fits, mostly neither of two known ones is true."""

_SHARPER = 2.0
"""The power to which odds between causes are taken: as they are, likelihoods between 0.5 and 0.9 are too modest, since
allowances hold for the worst supply and most are better. On the faults of twelve of the drawn supplies 60 to 72, 0.64
was right in 0.88 at a power of 1.4; the logarithmic score is best at 1.8, Brier's at 2.5, and both are flat between."""

_FAR_OFF = 8.0
_UNKNOWN_REMEDY = "look for a cause that is not in benchmon's list"

LEAST_SHARE, _LEAST_HANDED_ON = 5e-5, 1e-6
"""Causes below this likelihood are not worth stating; beside "nothing wrong" more are handed on, for where a channel
disagrees all the same, `statement` shares its likelihood among the others."""

_MAINS_WITHIN, _MAINS_SURELY_WITHIN = 0.4, 0.15
"""Parts by which a mains reading may be off and still be one, and be doubted no more than any other reading: a peak
taken for the rms is 0.41 too high."""

_GRID = 0.02
"""Mains voltages to solve for are these parts of the nominal one apart: to the nearest the slopes there lead."""


class Explainer:
    """Explains the readings of one bench. What it computes for a mains voltage it keeps.

    Where the `mains_is_set_by_hand`, at a variable transformer, any reading of the mains can be true.
    """

    KEPT = 12

    def __init__(self, bench: Bench, *, mains_is_set_by_hand: bool = False) -> None:
        self._bench = bench
        self._believed = math.inf if mains_is_set_by_hand else _MAINS_WITHIN
        self._faults = CircuitFaults(bench)
        self._solved: dict[float, tuple[MeterValues, list[Hypothesis]]] = {}

    def prepare(self, observations: Sequence[Observation]) -> None:
        """Work out beforehand what takes long, for the mains voltage of `observations`. Raises `PredictionError`."""
        self._at(self._mains_of(observations))

    def explain(self, observations: Sequence[Observation]) -> list[Explanation]:
        """Return the causes of `observations`, the likeliest first; [] where nothing is predicted.

        Give settled readings only: a part that still warms up is not at its final temperature. Raises
        `PredictionError` where the bench itself cannot be solved.
        """
        tried = [self._explained(observations, volts) for volts in self._mains_to_try(observations)]
        return max(tried, key=lambda one: one[0])[1]

    def _explained(self, observations: Sequence[Observation], mains: float) -> tuple[float, list[Explanation]]:
        """Return the causes as `explain` does, solved at `mains` (V rms), and the score of the likeliest."""
        right, hypotheses = self._at(mains)
        usable = [one for one in observations if right.shown_at(one.channel) is not None and math.isfinite(one.value)]
        overloaded = [one.channel for one in observations if math.isinf(one.value)]
        if not usable:
            return 0.0, _overloads(overloaded, 1.0)
        nominal = {one.channel.name: right.shown_at(one.channel) for one in usable}
        expected = {name: value for name, value in nominal.items() if value is not None}
        scores = _scores(usable, expected, hypotheses)
        if max(scores, key=lambda scored: scored[1])[0].cause != NOTHING_WRONG:
            scores += _scores_of_pairs(usable, expected, hypotheses)
        best = max(score for _, score in scores)
        ranked = _ranked(scores, usable, expected, self._beside_the_mains(usable, expected))
        if overloaded and ranked[0].cause == NOTHING_WRONG:
            # The others fit, so only that meter's range needs explaining.
            return best, [*_overloads(overloaded, ranked[0].likelihood), *ranked[1:]]
        return best, ranked

    def _mains_to_try(self, observations: Sequence[Observation]) -> list[float]:
        """Return the mains voltages to solve for: near what is measured, and the bench's where that may be untrue."""
        nominal = self._bench.mains.voltage
        measured = self._mains_of(observations)
        return [measured, nominal] if abs(measured / nominal - 1.0) > _MAINS_SURELY_WITHIN else [measured]

    def _mains_of(self, observations: Sequence[Observation]) -> float:
        """Return the mains voltage to solve for first: near what is measured, where that can be true."""
        nominal = self._bench.mains.voltage
        for one in observations:
            if (
                one.channel.quantity == "mains.voltage.rms"
                and one.value > 0.0
                and abs(one.value / nominal - 1.0) < self._believed
            ):
                return nominal * _GRID * max(1, round(one.value / nominal / _GRID))
        return nominal

    def _beside_the_mains(
        self, usable: Sequence[Observation], expected: Mapping[str, MeterValue]
    ) -> Mapping[str, MeterValue]:
        """Return what the rows of the channels compare with: `expected`, but at the mains that are measured."""
        mains = next((one for one in usable if one.channel.quantity == "mains.voltage.rms"), None)
        if mains is None or abs(mains.value / self._bench.mains.voltage - 1.0) >= self._believed:
            return expected
        there = expected[mains.channel.name]
        if there.moves[-1] == 0.0:
            return expected
        off = (mains.value - there.value) / float(there.moves[-1])
        known = {name: value.with_the_last_known(off) for name, value in expected.items()}
        # The mains themselves are judged by what the bench file says.
        return known | {
            one.channel.name: expected[one.channel.name]
            for one in usable
            if one.channel.quantity == mains.channel.quantity
        }

    def _at(self, mains: float) -> tuple[MeterValues, list[Hypothesis]]:
        if mains not in self._solved:
            right = self._faults.right(mains)
            channels = self._bench.channel
            known = {one.name: value for one in channels if (value := right.shown_at(one)) is not None}
            found = [*meter_faults_of(channels, right), *self._faults.hypotheses(channels, mains, right)]
            found += hypotheses_of_values_far_off(self._bench, known, right)
            if len(self._solved) >= self.KEPT:
                self._solved.pop(next(iter(self._solved)))
            self._solved[mains] = (right, found)
        return self._solved[mains]


def _overloads(channels: Sequence[Channel], likelihood: float) -> list[Explanation]:
    """Return that meters show overload, where nothing else is wrong; `likelihood` is shared among them."""
    return [
        Explanation(
            f"{one.name}: the meter shows overload: its range is too low",
            likelihood / len(channels),
            f"{one.name} shows overload: its range is too low, or held by hand; select a higher range",
            (one.name,),
        )
        for one in channels
    ]


def _scores(
    usable: Sequence[Observation], expected: Mapping[str, MeterValue], hypotheses: Sequence[Hypothesis]
) -> list[tuple[Hypothesis, float]]:
    """Return each hypothesis with the logarithm of prior × likelihood."""
    known = _judged(hypotheses, expected)
    total = sum(one.prior for one in known)
    weighed = [(Hypothesis(NOTHING_WRONG, "", 1.0, expected), PRIOR_NOTHING)]
    weighed += [(one, PRIOR_KNOWN * one.prior / total) for one in known]
    like_it = [(_unnamed(one), _LIKE_IT * prior) for one, prior in weighed[1:]]
    like_it.append((_unnamed(weighed[0][0]), _LIKE_NOTHING))
    weighed += [(one, PRIOR_UNKNOWN * one.prior) for one in _broad(usable, expected)]
    return _scored(weighed, usable, expected) + _scored(like_it, usable, expected, _FACTOR)


def _unnamed(one: Hypothesis) -> Hypothesis:
    """Return something unknown that looks much like a hypothesis."""
    return replace(one, cause=NONE_OF_THESE, remedy=_UNKNOWN_REMEDY)


def _scores_of_pairs(
    usable: Sequence[Observation], expected: Mapping[str, MeterValue], hypotheses: Sequence[Hypothesis]
) -> list[tuple[Hypothesis, float]]:
    """Return pairs of hypotheses, each as likely beforehand as both known causes at once."""
    pairs = double_faults(usable, _judged(hypotheses, expected), expected)
    return _scored([(one, _PAIR * PRIOR_KNOWN**2 * one.prior) for one in pairs], usable, expected)


def _judged(hypotheses: Sequence[Hypothesis], expected: Mapping[str, MeterValue]) -> list[Hypothesis]:
    """Return those hypotheses that can be judged: none at a channel that is silent, or that only silent ones show."""
    read = set(expected)
    seen = [one for one in hypotheses if not one.shown_by or not read.isdisjoint(one.shown_by)]
    return [one for one in seen if read.issuperset(one.channels)]


_HURTS = ("power.active", "power.mean", "current.rms", "current.mean", "current.peak", "temperature.case")
"""Quantities that show power where it hurts; a distortion or a power factor does not."""


_HURTS_FROM = 1.25
"""Times what is expected from which on a power or a current hurts."""


def _shows_power(usable: Sequence[Observation], expected: Mapping[str, MeterValue]) -> bool:
    """Return whether a reading of power, current or temperature is clearly more than expected."""
    for one in usable:
        right = expected[one.channel.name]
        if one.channel.quantity.endswith(_HURTS):
            spread = math.hypot(one.channel.accuracy.of(one.value), 2.0 * float(np.linalg.norm(right.moves)))
            most = right.value if is_temperature(one.channel.quantity) else _HURTS_FROM * right.value
            if one.value > most + spread:
                return True
    return False


def _scored(
    weighed: Sequence[tuple[Hypothesis, float]],
    usable: Sequence[Observation],
    expected: Mapping[str, MeterValue],
    width: float = 1.0,
) -> list[tuple[Hypothesis, float]]:
    if not weighed:
        return []
    likelihoods = log_likelihoods(usable, [one.readings for one, _ in weighed], expected, width=width)
    return [(one, math.log(prior) + float(log)) for (one, prior), log in zip(weighed, likelihoods, strict=True)]


def _broad(usable: Sequence[Observation], expected: Mapping[str, MeterValue]) -> list[Hypothesis]:
    """Return the ways in which something unknown may be wrong; their priors sum to 1."""
    remedy = _UNKNOWN_REMEDY
    single = [
        Hypothesis(
            NONE_OF_THESE,
            remedy,
            0.25 / len(usable),
            {name: value for name, value in expected.items() if name != one.channel.name},
            (one.channel.name,),
        )
        for one in usable
    ]
    far = {name: MeterValue(v.value, _FAR_OFF * v.moves, _FAR_OFF * v.own) for name, v in expected.items()}
    return [*single, Hypothesis(NONE_OF_THESE, remedy, 0.375, {}), Hypothesis(NONE_OF_THESE, remedy, 0.375, far)]


def _ranked(
    scores: Sequence[tuple[Hypothesis, float]],
    usable: Sequence[Observation],
    expected: Mapping[str, MeterValue],
    in_the_rows: Mapping[str, MeterValue],
) -> list[Explanation]:
    """Return the causes by likelihood; ways that have the same cause count together.

    Their sentences compare with what is `in_the_rows` beside them.
    """
    top = max(score for _, score in scores)
    weights: dict[str, float] = {}
    best: dict[str, tuple[float, Hypothesis]] = {}
    for one, score in scores:
        weights[one.cause] = weights.get(one.cause, 0.0) + math.exp(score - top)
        if one.cause not in best or score > best[one.cause][0]:
            best[one.cause] = (score, one)
    weights = {cause: weight**_SHARPER for cause, weight in weights.items()}
    total = sum(weights.values())
    order = sorted(weights, key=lambda cause: -weights[cause])
    least = _LEAST_HANDED_ON if order[0] == NOTHING_WRONG else LEAST_SHARE
    return [
        _explanation(best[cause][1], weights[cause] / total, usable, expected, in_the_rows)
        for place, cause in enumerate(order)
        if place < 1 or weights[cause] / total >= least
    ]


def _explanation(
    one: Hypothesis,
    likelihood: float,
    usable: Sequence[Observation],
    expected: Mapping[str, MeterValue],
    in_the_rows: Mapping[str, MeterValue],
) -> Explanation:
    """Return a hypothesis as an explanation: its evidence, then its advice."""
    if one.cause == NOTHING_WRONG:
        message = "the readings agree with the prediction and with each other: nothing needs explaining"
        return Explanation(one.cause, likelihood, message, one.channels)
    evidence, shown = _worst_shown(one, usable, in_the_rows)
    advice = _advice(one, is_powerful=_shows_power(usable, expected))
    return Explanation(one.cause, likelihood, f"{shown}: {advice}", one.channels, evidence, advice)


def _advice(one: Hypothesis, *, is_powerful: bool) -> str:
    """Return the cause and its remedy in words; "at once" only where readings show power where it hurts."""
    if one.cause == NONE_OF_THESE:
        odd = f"no known cause fits, and {one.channels[0]} is the odd one" if one.channels else ""
        return f"{odd or 'no known cause explains all readings together'}; {one.remedy}"
    cause = one.cause.removeprefix(f"{one.channels[0]}: ") if len(one.channels) == 1 else one.cause
    return f"{cause}; {one.remedy if is_powerful else one.remedy.replace(' at once', '')}"


_NEXT_TO_NOTHING = 0.02
"""Part of the expected value below which a reading counts as none."""
_SEVERAL = 2.0
"""From so many times the expected value on, a ratio is no longer given in per cent."""
_FAR_TIMES = 50.0
"""Times the expected value beyond which both are given and no ratio; of the other sign, from `_SEVERAL` times on."""


def _worst_shown(one: Hypothesis, usable: Sequence[Observation], expected: Mapping[str, MeterValue]) -> tuple[str, str]:
    """Return the channel whose reading speaks loudest for a cause, and how that reading compares with the expected."""
    inside = [reading for reading in usable if not one.channels or reading.channel.name in one.channels] or usable

    def loudness(reading: Observation) -> float:
        right = expected[reading.channel.name]
        spread = math.hypot(reading.channel.accuracy.of(right.value) / 2.0, float(np.linalg.norm(right.moves)))
        return abs(reading.value - right.value) / max(spread, 1e-300)

    worst = max(inside, key=loudness)
    right, channel = expected[worst.channel.name].value, worst.channel
    what = channel.quantity.rpartition(".")[2].replace("_", " ")
    # A ratio says something of a factor; next to nothing, or a temperature, is better shown as it is.
    is_far = not _NEXT_TO_NOTHING * abs(right) <= abs(worst.value) <= _FAR_TIMES * abs(right)
    is_far = is_far or (worst.value * right < 0.0 and abs(worst.value) >= _SEVERAL * abs(right))
    if is_far or abs(right) <= channel.accuracy.of(0.0) or is_temperature(channel.quantity):
        shown, meant = value_words(channel, worst.value), value_words(channel, right)
        if worst.read is not None:
            now = value_words(channel, worst.read)
            return channel.name, f"{channel.name} reads {now} and is heading for {shown}, expected to settle at {meant}"
        return channel.name, f"{channel.name} reads {shown}, expected {meant}"
    ratio = worst.value / right
    part = f"{ratio:.3g} times" if ratio >= _SEVERAL else with_minus(f"{100 * ratio:.3g} % of")
    return channel.name, f"{channel.name} reads {part} the expected {what}"


_LOOKED_INTO = 6
"""How many faults with a channel left out, and pairs of channels, are looked into."""

_OTHERWISE = "reads wrong besides"
_OTHERWISE_REMEDY = "look for a second cause at that meter"


def double_faults(
    usable: Sequence[Observation], hypotheses: Sequence[Hypothesis], expected: Mapping[str, MeterValue]
) -> list[Hypothesis]:
    """Return the pairs of `hypotheses` that are worth comparing with `usable`; priors are those of both by chance.

    `expected` is what each channel reads where nothing is wrong, by name. Priors of `hypotheses` are weights.
    """
    if len(usable) < 4:
        return []  # what is left would explain nothing
    total = sum(one.prior for one in hypotheses)
    mistakes = {one.channel.name: list[Hypothesis]() for one in usable}
    for one in hypotheses:
        if len(one.channels) == 1 and one.channels[0] in mistakes:
            mistakes[one.channels[0]].append(one)
    found: list[Hypothesis] = []
    faults = [one for one in hypotheses if not one.channels]
    every = range(len(usable))
    for fault, (odd,) in _best(usable, [(one, (at,)) for one in faults for at in every], expected):
        found += _beside_a_fault(fault, usable[odd])
    sound = Hypothesis("", "", 1.0, expected)
    for _, (first, second) in _best(usable, [(sound, pair) for pair in combinations(every, 2)], expected):
        name = usable[second].channel.name
        found += _of_two_meters(mistakes[usable[first].channel.name], mistakes[name], name)
    return [replace(pair, prior=pair.prior / total**2) for pair in found]


def _best(
    usable: Sequence[Observation],
    cases: Sequence[tuple[Hypothesis, tuple[int, ...]]],
    expected: Mapping[str, MeterValue],
) -> list[tuple[Hypothesis, tuple[int, ...]]]:
    """Return the few of `cases`, a hypothesis and the places of channels that spoil it, that fit best without those."""
    if not cases:
        return []
    left_out = np.zeros((len(cases), len(usable)), bool)
    for row, (_, odd) in zip(left_out, cases, strict=True):
        row[list(odd)] = True
    logs = log_likelihoods(usable, [one.readings for one, _ in cases], expected, left_out)
    scores = logs + np.array([math.log(one.prior) for one, _ in cases])
    return [cases[at] for at in np.argsort(-scores)[:_LOOKED_INTO]]


def _beside_a_fault(fault: Hypothesis, odd: Observation) -> Iterator[Hypothesis]:
    name, value = odd.channel.name, fault.readings.get(odd.channel.name)
    if value is None:
        return
    for wrong, cause, remedy, weight in meter_faults_on(odd.channel, value):
        yield _pair(fault, Hypothesis(f"{name}: {cause}", remedy, weight, {**fault.readings, name: wrong}, (name,)))
    open_one = {other: reading for other, reading in fault.readings.items() if other != name}
    yield _pair(fault, Hypothesis(f"{name}: {_OTHERWISE}", _OTHERWISE_REMEDY, USUAL, open_one, (name,)))


def _of_two_meters(first: Sequence[Hypothesis], second: Sequence[Hypothesis], name: str) -> Iterator[Hypothesis]:
    for one in first:
        for other in second:
            yield _pair(one, replace(other, readings={**one.readings, name: other.readings[name]}))


def _pair(one: Hypothesis, other: Hypothesis) -> Hypothesis:
    """Return both at once; `other` has the readings that both together give."""
    cause, remedy = f"{one.cause}; {other.cause}", f"{one.remedy}; {other.remedy}"
    return Hypothesis(cause, remedy, one.prior * other.prior, other.readings, (*one.channels, *other.channels))
