"""What every channel reads with each fault of the circuit, solved by the prediction engine or along its slopes.

A fault of `ac_side_faults` and `dc_side_faults` differs from the bench file in one way, and is solved. A value
that may be far off, either way and by any amount (`FAR_OFF`), follows the slopes of the sound circuit.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.parts import WINDING_RISE, WINDING_WARMTH, joined, parts_of
from benchmon.prediction.defects.wiring import Defects
from benchmon.quantities import at_first_output, is_temperature
from benchmon.signals.arrays import Floats
from benchmon.watch.diagnosis.ac_side_faults import ac_side_faults, ac_side_faults_of_open_size
from benchmon.watch.diagnosis.dc_side_faults import dc_side_faults, dc_side_faults_of_open_size
from benchmon.watch.diagnosis.likelihood import Hypothesis
from benchmon.watch.diagnosis.meter_values import (
    MeterValue,
    MeterValues,
    State,
    meter_values,
    values_like,
)
from benchmon.watch.diagnosis.suspected_fault import OFF, SuspectedFault


def faults_of(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield the faults of fixed size that a bench's circuit can have."""
    yield from dc_side_faults(bench)
    yield from ac_side_faults(bench)


def sized_faults_of(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield the faults of open size that a bench's circuit can have."""
    yield from dc_side_faults_of_open_size(bench)
    yield from ac_side_faults_of_open_size(bench)


_NEAR = 0.03
"""The part of its mains voltage by which a solved circuit may be away for its instants to fit another."""

_HOPELESS_WITHIN = 0.1
"""The part of the mains voltage within which a circuit of no steady state is not tried again: each takes seconds. From
memory."""


def told_apart(bench: Bench) -> Bench:
    """Return the bench with outputs whose parts are each off by themselves, where meters are at the second one."""
    at_second = any(at_first_output(channel.quantity) != channel.quantity for channel in bench.channel)
    return bench.with_outputs_apart() if at_second else bench


class CircuitFaults:
    """The faults that a bench's circuit can have, solved at one mains voltage after another.

    What was solved first is kept, so that the same fault at a mains voltage near it starts from there; so is what has
    no steady state, which is not tried again near it.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench = told_apart(bench)
        self._faults = [*faults_of(bench), *sized_faults_of(bench)]
        self._sound: State | None = None
        self._states: dict[tuple[int, ...], State] = {}
        self._hopeless: dict[int, float] = {}

    def right(self, mains_voltage: float) -> MeterValues:
        """Return what meters read without a fault, at `mains_voltage` (V rms). Raises `PredictionError`."""
        found = meter_values(self._bench, mains_voltage, near=_if_near(self._sound, mains_voltage))
        if _if_near(self._sound, mains_voltage) is None:
            self._sound = found.state
        return found

    def hypotheses(self, channels: Sequence[Channel], mains_voltage: float, right: MeterValues) -> list[Hypothesis]:
        """Return each fault of the circuit with what every channel reads then, at `mains_voltage` (V rms).

        `right` are the values without a fault. A variant that has no steady state is left out: there is nothing to
        compare with.
        """
        found = []
        solved = self._values(mains_voltage, right)
        for place, fault in enumerate(self._faults):
            if place not in solved:
                continue
            values = fault.correct(solved[place])
            drops = _larger_drops(values, right)
            readings = {
                channel.name: _doubted(fault, value, right.shown_at(channel), drops)
                for channel in channels
                if (value := values.shown_at(channel)) is not None
            }
            found.append(Hypothesis(fault.cause, fault.remedy, fault.weight, readings))
        return found

    def _values(self, mains_voltage: float, right: MeterValues) -> dict[int, MeterValues]:
        """Return by its place what meters read with each fault that has a steady state.

        Faults that are nothing but other values of one circuit's parts are solved at once.
        """
        found = {place: right for place, fault in enumerate(self._faults) if fault.is_solved_as(self._bench)}
        groups = defaultdict[tuple[int, Defects | None], list[int]](list)
        for place, fault in enumerate(self._faults):
            is_hopeless = abs(mains_voltage / self._hopeless.get(place, math.inf) - 1.0) <= _HOPELESS_WITHIN
            if place not in found and not is_hopeless:
                groups[id(fault.bench), fault.defects].append(place)
        for places in groups.values():
            try:
                found |= self._values_together(places, mains_voltage, right)
            except PredictionError:
                for place in places:
                    found |= self._values_alone(place, mains_voltage, right)
        return found

    def _values_alone(self, place: int, mains_voltage: float, right: MeterValues) -> dict[int, MeterValues]:
        try:
            return self._values_together([place], mains_voltage, right)
        except PredictionError:
            self._hopeless[place] = mains_voltage
            return {}

    def _values_together(self, places: list[int], mains_voltage: float, right: MeterValues) -> dict[int, MeterValues]:
        name, faults = tuple(places), [self._faults[place] for place in places]
        parts = [fault.parts(mains_voltage) for fault in faults]
        near = _if_near(self._states.get(name), mains_voltage)
        values, state = values_like(right, faults[0].bench, joined(parts), faults[0].defects, near)
        for row, fault in enumerate(faults):
            if _idles(values[row], right):
                # What the core takes is no part of the load's current: each unknown is solved for.
                values[row] = meter_values(fault.bench, mains_voltage, parts[row], fault.defects)
        if near is None:
            self._states[name] = state
        return dict(zip(places, values, strict=True))


_IDLES = 0.7
"""The part of its line current below which what a supply takes is much its core's."""


def _idles(values: MeterValues, right: MeterValues) -> bool:
    amperes, before = (one.quantities["mains.current.rms"].value for one in (values, right))
    return amperes < _IDLES * before


def _if_near(state: State | None, mains_voltage: float) -> State | None:
    """Return `state` if it was solved at a mains voltage near this one."""
    then = math.inf if state is None else float(state.parts["mains.voltage"][0])
    return state if abs(mains_voltage / then - 1.0) <= _NEAR else None


_ANY_SHAPE = 0.04
"""Of what any fault changes, the part by which a real one may differ from the one that is solved (from memory)."""


_DROPS = (
    "mains.source_resistance",
    "transformer.primary_resistance",
    "transformer.secondary_resistance",
    "transformer.leakage_inductance",
)
_LARGEST_DROP = 3.0
"""Unknowns that volts drop across, and by how much more at most."""


_MOST_WARMED, _RISE_DOUBT = 2.0, 0.4
"""By how much more current at most windings are warmed for long, as a fuse melts; and the part of their rise by which
it may be off."""


def _larger_drops(values: MeterValues, right: MeterValues) -> Floats:
    """Return by how much more each unknown moves readings where more current flows, (k,): resistances drop more."""
    amperes, before = (one.quantities["secondary.current.rms"].value for one in (values, right))
    more = min(max(1.0, amperes / before if before > 0.0 else 1.0), _LARGEST_DROP)
    warmed = min(more, _MOST_WARMED)
    # What warm copper adds to a drop grows as the current's cube, for its heat grows as the square. Of a fault that is
    # seen at once the windings may still be as warm as without it.
    rise = warmed**3 * math.hypot(1.0, (1.0 - warmed**-2) / _RISE_DOUBT)
    factors = {WINDING_RISE: rise, WINDING_WARMTH: warmed**3} | dict.fromkeys(_DROPS, more)
    return np.array([factors.get(name, 1.0) for name in values.unknowns])


def _doubted(fault: SuspectedFault, value: MeterValue, right: MeterValue | None, drops: Floats) -> MeterValue:
    """Return a reading with what a fault of unknown size and shape adds to its doubt, and larger `drops`."""
    change = value.value - right.value if right is not None else value.value
    moves = value.moves.copy()
    count = min(len(moves), len(drops))
    moves[:count] *= drops[:count]
    moves = np.append(moves, fault.size_doubt * change)
    return replace(value, moves=moves, own=math.hypot(value.own, math.hypot(_ANY_SHAPE, fault.shape_doubt) * change))


@dataclass(frozen=True)
class ValueFarOff:
    """An unknown, the cause that it stands for, the remedy, its weight, and how far it may then be (k = 1).

    `size` is relative to the unknown's value if `relative`, else in its unit. `doubt` is the part of a reading's
    movement by which a straight line may miss it. `most_likely` is by how much it is off most likely, as `size` is.
    `also` is by how many times as far others may be off.
    """

    unknown: str
    cause: str
    remedy: str
    weight: float
    size: float
    relative: bool = True
    doubt: float = 0.03
    most_likely: float = 0.0
    also: Mapping[str, float] = field(default_factory=dict)


FAR_OFF = (
    ValueFarOff(
        "mains.voltage",
        "the mains is outside its tolerance",
        "set the mains, or put its voltage into the bench file",
        8.0,
        0.12,
        doubt=0.0,
    ),
    ValueFarOff(
        "transformer.primary_resistance",
        "the primary circuit has another resistance: a bad joint, a thin lead",
        OFF + "check joints and leads of the primary circuit",
        1.0,
        0.4,
    ),
    ValueFarOff(
        "diode.thermal_resistance",
        "the diode is cooled worse than it should be",
        # Reverse leakage shows by little but its heat, so it has no cause of its own.
        "look for a fan that has stopped, blocked air or a loose heat sink; a diode whose reverse leakage grows as it "
        "warms looks the same; switch off before it gets hot",
        5.0,
        0.6,
        most_likely=1.2,
        # Where the draught is gone, the windings get hotter too, and copper's resistance grows.
        also={"transformer.primary_resistance": 4.0, "transformer.secondary_resistance": 4.0},
    ),
    ValueFarOff(
        "diode.thermal_resistance",
        "the diode has next to no cooling",
        "switch off; look for a heat sink that is loose or missing",
        2.5,
        1.6,
        most_likely=3.5,
        also={"transformer.primary_resistance": 4.0, "transformer.secondary_resistance": 4.0},
    ),
    ValueFarOff(
        "diode.thermal_resistance",
        "the diode is cooled better than it should be",
        "look for a draught or a fan that the bench file does not know",
        1.0,
        0.2,
        most_likely=-0.4,
    ),
    ValueFarOff(
        "ambient.temperature", "the air is not as warm as the bench says", "set [ambient], or wait", 1.5, 12.0, False
    ),
    ValueFarOff(
        # A room in summer, or the air beside other equipment.
        "ambient.temperature",
        "the air is not as warm as the bench says",
        "set [ambient], or find what warms the air there",
        3.5,
        7.0,
        False,
        most_likely=16.0,
    ),
    ValueFarOff("load.resistance", "the load is not what it should be", OFF + "measure the load", 2.0, 0.2),
    ValueFarOff("load.current", "the load is not what it should be", "set the load once more", 2.0, 0.2),
    ValueFarOff(
        "load_2.resistance", "the load of output 2 is not what it should be", OFF + "measure the load", 2.0, 0.2
    ),
    ValueFarOff("load_2.current", "the load of output 2 is not what it should be", "set the load once more", 2.0, 0.2),
    ValueFarOff(
        "capacitance",
        "the reservoir has not the capacitance it should have",
        OFF + "measure the reservoir",
        1.0,
        0.4,
    ),
    ValueFarOff(
        "filter_2.0.capacitance",
        "the reservoir of output 2 has not the capacitance it should have",
        OFF + "measure the reservoir",
        1.0,
        0.4,
    ),
)


_SHOWN_BY_HEAT = ("diode.thermal_resistance", "ambient.temperature")
"""Unknowns that no other channel shows well enough where no temperature is read."""


def hypotheses_of_values_far_off(bench: Bench, known: Mapping[str, MeterValue], right: MeterValues) -> list[Hypothesis]:
    """Return each unknown that may be far off, with what every channel reads then; `known` are the right readings."""
    names = list(right.unknowns)
    parts = parts_of(told_apart(bench))
    warm = frozenset(one.name for one in bench.channel if is_temperature(one.quantity) and one.name in known)
    found = []
    for one in FAR_OFF:
        unknown = next((name for name in names if name == one.unknown or name.endswith(f".{one.unknown}")), None)
        if unknown is None or right.unknowns[unknown] == 0.0 or (one.unknown in _SHOWN_BY_HEAT and not warm):
            continue
        level = abs(float(parts[unknown][0])) if one.relative else 1.0
        row = names.index(unknown)
        factors = np.ones(len(names))
        factors[row] = max(1.0, one.size * level / right.unknowns[unknown])
        for name, factor in one.also.items():
            factors[names.index(name)] = factor
        steps = one.most_likely * level / right.unknowns[unknown]
        readings = {name: _moved(value, factors, row, steps, one.doubt) for name, value in known.items()}
        shown_by = warm if one.unknown in _SHOWN_BY_HEAT else frozenset()
        found.append(Hypothesis(one.cause, one.remedy, one.weight, readings, shown_by=shown_by))
    return found


def _moved(value: MeterValue, factors: Floats, row: int, steps: float, doubt: float) -> MeterValue:
    """Return a reading where the unknown of `row` is `steps` standard uncertainties off, and all doubts are larger."""
    moves, shift = value.moves * factors, steps * float(value.moves[row])
    missed = doubt * math.hypot(float(moves[row]), shift)
    return MeterValue(value.value + shift, moves, math.hypot(value.own, missed))
