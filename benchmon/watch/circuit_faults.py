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

_NEAR = 0.03
"""The part of its mains voltage by which a solved circuit may be away for its instants to fit another."""


class CircuitFaults:
    """The faults that a bench's circuit can have, solved at one mains voltage after another.

    What was solved first is kept, so that the same fault at a mains voltage near it starts from there.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._faults = list(faults_of(bench))
        self._sound: MeterValues | None = None
        self._solved: dict[int, MeterValues] = {}

    def right(self, mains_voltage: float) -> MeterValues:
        """Return what meters read without a fault, at `mains_voltage` (V rms). Raises `PredictionError`."""
        found = meter_values(self._bench, mains_voltage, near=_if_near(self._sound, mains_voltage))
        if _if_near(self._sound, mains_voltage) is None:
            self._sound = found
        return found

    def hypotheses(self, channels: Sequence[Channel], mains_voltage: float, right: MeterValues) -> list[Hypothesis]:
        """Return each fault of the circuit with what every channel reads then, at `mains_voltage` (V rms).

        `right` are the values without a fault. A variant that has no steady state is left out: there is nothing to
        compare with.
        """
        found = []
        for place, fault in enumerate(self._faults):
            try:
                values = right if fault.is_solved_as(self._bench) else self._values(place, fault, mains_voltage)
                values = fault.correct(values)
            except PredictionError:
                continue
            readings = {
                channel.name: _doubted(fault, value, right.of(channel.quantity))
                for channel in channels
                if (value := values.of(channel.quantity)) is not None
            }
            found.append(Hypothesis(fault.cause, fault.remedy, fault.weight, readings))
        return found

    def _values(self, place: int, fault: CircuitFault, mains_voltage: float) -> MeterValues:
        near = _if_near(self._solved.get(place), mains_voltage)
        values = meter_values(fault.bench, mains_voltage, fault.parts(mains_voltage), fault.defects, near)
        if near is None:
            self._solved[place] = values
        return values


def _if_near(values: MeterValues | None, mains_voltage: float) -> MeterValues | None:
    """Return `values` if they were solved at a mains voltage near this one."""
    if values is None or values.state is None:
        return None
    then = float(values.state.parts["mains.voltage"][0])
    return values if abs(mains_voltage / then - 1.0) <= _NEAR else None


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
