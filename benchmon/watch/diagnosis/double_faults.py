"""Two known causes at once: a circuit fault beside a meter fault, or two meter faults.

Channels that fit worst are first left out, one beside each fault or two beside a healthy circuit; only where that fits
best are their meter faults tried. A ratio, a prefix or a polarity acts on whatever the circuit gives, so beside a
circuit fault it applies to what that fault makes the channel read; a wrong range would need the waves of the faulty
circuit and is not tried.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from benchmon.watch.diagnosis.likelihood import Hypothesis, Observation, log_likelihoods
from benchmon.watch.diagnosis.meter_faults import USUAL, meter_faults_on
from benchmon.watch.diagnosis.meter_values import MeterValue

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
    open_one = {other: told for other, told in fault.readings.items() if other != name}
    yield _pair(fault, Hypothesis(f"{name}: {_OTHERWISE}", _OTHERWISE_REMEDY, USUAL, open_one, (name,)))


def _of_two_meters(first: Sequence[Hypothesis], second: Sequence[Hypothesis], name: str) -> Iterator[Hypothesis]:
    for one in first:
        for other in second:
            yield _pair(one, replace(other, readings={**one.readings, name: other.readings[name]}))


def _pair(one: Hypothesis, other: Hypothesis) -> Hypothesis:
    """Return both at once; `other` has the readings that both together give."""
    cause, remedy = f"{one.cause}; {other.cause}", f"{one.remedy}; {other.remedy}"
    return Hypothesis(cause, remedy, one.prior * other.prior, other.readings, (*one.channels, *other.channels))
