"""Faults of the circuit as hypotheses: what every channel reads with each, solved by the prediction engine."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.errors import PredictionError
from benchmon.watch.circuit_fault import CircuitFault
from benchmon.watch.dead_supply import faults_without_power
from benchmon.watch.hypothesis import Hypothesis
from benchmon.watch.meter_values import MeterValue, MeterValues, meter_values
from benchmon.watch.part_faults import faults_of_the_feed, faults_of_the_filter, faults_of_the_load
from benchmon.watch.rectifier_faults import faults_of_the_rectifier, faults_of_the_windings


def circuit_hypotheses(
    bench: Bench, channels: Sequence[Channel], mains_voltage: float, right: MeterValues
) -> list[Hypothesis]:
    """Return each fault of the circuit with what every channel reads then, at `mains_voltage` (V rms).

    `right` are the values without a fault. A variant that has no steady state is left out: there is nothing to compare
    with.
    """
    found = []
    for fault in faults_of(bench):
        try:
            values = fault.correct(right if fault.is_solved_as(bench) else _solved(fault, mains_voltage))
        except PredictionError:
            continue
        readings = {
            channel.name: _doubted(fault, value, right.of(channel.quantity))
            for channel in channels
            if (value := values.of(channel.quantity)) is not None
        }
        found.append(Hypothesis(fault.cause, fault.remedy, fault.weight, readings))
    return found


def _solved(fault: CircuitFault, mains_voltage: float) -> MeterValues:
    return meter_values(fault.bench, mains_voltage, fault.parts(mains_voltage), fault.defects)


def _doubted(fault: CircuitFault, value: MeterValue, right: MeterValue | None) -> MeterValue:
    """Return a reading with what a fault of unknown size and shape adds to its doubt."""
    if fault.size_doubt == fault.shape_doubt == 0.0:
        return value
    change = value.value - right.value if right is not None else value.value
    moves = np.append(value.moves, fault.size_doubt * change)
    return replace(value, moves=moves, own=math.hypot(value.own, fault.shape_doubt * change))


def faults_of(bench: Bench) -> Iterator[CircuitFault]:
    """Yield the faults that a bench's circuit can have."""
    yield from faults_of_the_rectifier(bench)
    yield from faults_of_the_filter(bench)
    yield from faults_of_the_load(bench)
    yield from faults_of_the_windings(bench)
    yield from faults_of_the_feed(bench)
    yield from faults_without_power(bench)
