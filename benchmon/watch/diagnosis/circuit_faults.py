"""Circuit faults as hypotheses: what every channel would read with each, solved by the prediction engine.

A fault is a bench, parts or defects that differ from the bench file in one way: diodes and windings (each solved as a
branch of its own), parts of filter and load that are missing or have another size, another primary tap, another mains,
or no power at all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from benchmon.bench import Bench, Capacitor, Channel, OpenLoad
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.no_load import no_load_of
from benchmon.prediction.circuit.parts import harmonic_part
from benchmon.prediction.defects.wiring import Defects
from benchmon.watch.diagnosis.likelihood import Hypothesis
from benchmon.watch.diagnosis.meter_faults import COMMON, RARE, USUAL
from benchmon.watch.diagnosis.meter_values import MeterValue, MeterValues, meter_values
from benchmon.watch.diagnosis.sized_faults import sized_faults_of
from benchmon.watch.diagnosis.suspected_fault import OFF, SuspectedFault

_COLD = {"diode.thermal_resistance": 0.0}
"""While a fuse still holds, nothing has settled: how warm anything is by then is not asked."""

_BRIEF = 0.1 * RARE
"""A fuse holds a short for moments, and few readings are of those; each of several diodes may be the one."""


def faults_of_the_rectifier(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield open and shorted diodes, each one the measured one or not, and half-wave wiring."""
    topology = bench.rectifier.topology
    remedy = OFF + "test each diode and its joints"
    if len(topology.diodes) == 1:
        shorted = Defects(shorted_diodes=frozenset({1}))
        remedy = OFF + "replace the diode and a damaged reservoir"
        yield SuspectedFault("the diode is shorted", remedy, USUAL, bench, defects=shorted)
        return
    if topology.is_tapped:
        remedy += " and its half of the winding"
    for number in topology.told_apart:
        opened = Defects(open_diodes=frozenset({number}))
        cause = "a diode is open"
        yield SuspectedFault(cause, remedy, USUAL, bench, defects=opened, correct=_magnetised)
    for number in range(1, len(topology.diodes) + 1):
        shorted = Defects(shorted_diodes=frozenset({number}))
        yield _while_the_fuse_holds("a diode is shorted", "replace it, and test the others", bench, shorted)
    missing, wires = topology.wired_as_half_wave
    # Of two diodes, one left is an open one.
    if topology.repeats_after_half and len(topology.diodes) > 2:
        cause = "the rectifier is wired as half-wave instead of full-wave"
        half = Defects(open_diodes=missing, shorted_diodes=wires)
        wiring = OFF + "check the wiring of the rectifier"
        yield SuspectedFault(cause, wiring, USUAL, bench, defects=half, correct=_magnetised)


_MAGNETISED = {
    "mains.current.rms": 0.3,
    "mains.current.peak": 0.3,
    "mains.power.apparent": 0.3,
    "mains.power_factor": -0.3,
    "mains.displacement_factor": -0.3,
}
_MAGNETISED_SHAPE = {"mains.current.thd": 0.15, "mains.current.crest_factor": 0.15, "mains.power.active": 0.08}
"""Parts by which readings differ from core to core where half waves magnetise it: a gap of a hair decides that.

More current goes with a lower power factor; how the wave's shape follows is open.
"""


def _magnetised(values: MeterValues) -> MeterValues:
    """Return the values with what is not known of a core that the rectifier magnetises one way."""
    quantities = {}
    for name, value in values.quantities.items():
        together = np.append(value.moves, _MAGNETISED.get(name, 0.0) * value.value)
        alone = math.hypot(value.own, (0.05 if name in _MAGNETISED else _MAGNETISED_SHAPE.get(name, 0.0)) * value.value)
        quantities[name] = replace(value, moves=together, own=alone)
    return replace(values, quantities=quantities)


def _while_the_fuse_holds(cause: str, remedy: str, bench: Bench, defects: Defects) -> SuspectedFault:
    """Return a short that is read before the fuse melts, which is seldom."""
    return SuspectedFault(
        f"{cause}, and the fuse still holds",
        "switch off at once, let capacitors discharge, " + remedy,
        _BRIEF,
        bench,
        _COLD,
        defects=defects,
        correct=_without_temperatures,
    )


def _without_temperatures(values: MeterValues) -> MeterValues:
    warm = {name for name in values.quantities if "temperature" in name and not name.startswith("ambient")}
    return replace(values, absent=values.absent | warm)


def faults_of_the_windings(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield windings in series that should be in parallel, the other way round, and reversed ones."""
    topology, transformer = bench.rectifier.topology, bench.transformer
    wiring = OFF + "check the connection of the windings"
    turned = Defects(reversed_windings=frozenset({2}))
    if topology.is_tapped and len(topology.rails) == 1:
        cause = "one winding is reversed: both halves conduct at once"
        yield SuspectedFault(cause, wiring, USUAL, bench, defects=turned, correct=_magnetised)
    elif topology.is_tapped:
        cause = "one winding is reversed: each rail is charged once a period"
        yield SuspectedFault(cause, wiring, USUAL, bench, defects=turned)
    elif transformer.secondaries == 2:
        other = "parallel" if transformer.connection == "series" else "series"
        changed = bench.model_copy(update={"transformer": transformer.model_copy(update={"connection": other})})
        meant = {"single": "alone"}.get(transformer.connection, f"in {transformer.connection}")
        yield SuspectedFault(f"the windings are in {other} instead of {meant}", wiring, COMMON, changed)
        if transformer.connection == "parallel":
            cause = "one winding is reversed: the two short each other"
            yield _while_the_fuse_holds(cause, "check the connection of the windings", bench, turned)


_DISCONNECTED = 1e-4
"""What is left of a capacitance that bears no ripple any more."""

_LEAKING_DROP = 0.015
_NOTHING_LEFT_DOUBT = 0.005
"""Of what flows into a load, the part that may be left without one: a capacitor's leakage, in short pulses."""

_WAVE_LEFT_DOUBT = 0.01
"""Of what an open reservoir changes, the part that leads and windings without it may change besides: a valley of
nearly zero is no exact figure."""

_MORE_DISTORTION = 0.1
"""Beyond the 8 % that public mains may have (EN 50160, 4.2.5): up to there the prediction allows for it."""


def faults_of_the_filter(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield what befalls the first capacitor; where there are two of it, each may be the one."""
    index = next((at for at, part in enumerate(bench.filter) if isinstance(part, Capacitor)), None)
    if index is None:
        return
    dry, opened = "the reservoir has dried out to half", "the reservoir is open"
    replace_it, joints = OFF + "replace the reservoir", OFF + "check the reservoir's joints, then its capacitance"
    count = bench.rectifier.topology.first_capacitors
    if count == 1:
        capacitance, esr = f"filter.{index}.capacitance", f"filter.{index}.esr"
        yield SuspectedFault(dry, replace_it, USUAL, bench, {capacitance: 0.5, esr: 2.0})
        yield SuspectedFault(opened, joints, USUAL, bench, {capacitance: _DISCONNECTED}, shape_doubt=_WAVE_LEFT_DOUBT)
        return
    for place in (frozenset({number}) for number in range(1, count + 1)):
        yield SuspectedFault(dry, replace_it, USUAL / count, bench, defects=Defects(dry_reservoirs=place))
        yield SuspectedFault(opened, joints, USUAL / count, bench, defects=Defects(open_reservoirs=place))


def faults_of_the_load(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield loads that draw too much, too little or nothing."""
    if bench.load.kind == "open":
        return
    part = "load.resistance" if bench.load.kind == "resistor" else "load.current"
    twice, half = (0.5, 2.0) if bench.load.kind == "resistor" else (2.0, 0.5)
    remedy = OFF + "measure the load"
    yield SuspectedFault("the load draws twice what it should", remedy, USUAL, bench, {part: twice})
    yield SuspectedFault("the load draws half of what it should", remedy, USUAL, bench, {part: half})
    nothing = bench.model_copy(update={"load": OpenLoad(kind="open")})
    yield SuspectedFault(
        "the load is not connected",
        OFF + "connect the load",
        USUAL,
        nothing,
        correct=_almost_no_current,
        shape_doubt=_NOTHING_LEFT_DOUBT,
    )


def _almost_no_current(values: MeterValues) -> MeterValues:
    """Return the values where hardly anything flows: drops hang on leakage, the line's wave on the iron."""
    voltages = {
        name: replace(value, own=_LEAKING_DROP * abs(value.value))
        for name, value in values.quantities.items()
        if name.startswith(("output.voltage", "reservoir.voltage"))
    }
    absent = values.absent | {"mains.current.thd", "mains.current.crest_factor", "mains.displacement_factor"}
    return replace(values, quantities={**values.quantities, **voltages}, absent=absent)


def faults_of_the_feed(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield a wrong primary tap and a distorted mains."""
    volts = "transformer.open_circuit_voltage"
    tap = OFF + "check which primary tap the mains is on"
    for factor, words, weight in (
        (1.0 / 1.1, "10 % too high", USUAL),
        (1.0 / 0.9, "10 % too low", USUAL),
        (2.0, "half the mains voltage (115 V for 230 V)", RARE),
        (0.5, "twice the mains voltage (230 V for 115 V)", RARE),
    ):
        yield SuspectedFault(f"the primary tap is for {words}", tap, weight, bench, {volts: factor})
    # Mains that feed many rectifiers are flat at the top: a third harmonic in phase, a fifth against it, or both. A
    # fifth in phase makes it pointed. How much there is of which is not known.
    both = _MORE_DISTORTION / 2.0**0.5
    for harmonics in ({3: _MORE_DISTORTION}, {5: -_MORE_DISTORTION}, {5: _MORE_DISTORTION}, {3: both, 5: -both}):
        yield SuspectedFault(
            "the mains wave is distorted",
            "look at the wave of the mains; try another socket",
            COMMON,
            bench,
            added={harmonic_part(order, "sin"): part for order, part in harmonics.items()},
            size_doubt=0.35,
            shape_doubt=0.2,
        )


_IDLE_DOUBT = 0.4


def faults_without_power(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield what leaves a supply without power."""
    yield SuspectedFault(
        "no current flows into the supply: the fuse has blown, or the primary circuit is open",
        OFF + "test diodes, reservoir and windings for the short that blew the fuse before replacing it",
        USUAL,
        bench,
        correct=lambda values: _dead(values, _off),
    )
    yield SuspectedFault(
        "there is no mains voltage",
        "check the socket, the switch and the plug",
        USUAL,
        bench,
        correct=lambda values: _dead(values, _off, powered=False),
    )
    also = ", or one of the two windings in series is reversed" if bench.transformer.connection == "series" else ""
    yield SuspectedFault(
        f"nothing comes from the rectifier: its feed is open{also}",
        OFF + "check windings and rectifier",
        USUAL,
        bench,
        correct=lambda values: _dead(values, lambda name, value: _idle(bench, name, value)),
    )


def _off(name: str, value: MeterValue) -> MeterValue | None:
    """Return what a quantity before the rectifier reads where nothing flows, None where it has no meaning."""
    return None if name.endswith(("factor", "thd", "frequency")) else value.scaled(0.0)


def _idle(bench: Bench, name: str, value: MeterValue) -> MeterValue | None:
    """Return what a quantity before the rectifier reads where only the transformer idles."""
    transformer = bench.transformer
    level = bench.mains.voltage / transformer.primary_voltage
    usual = no_load_of(transformer)
    current, loss = level * usual.current, level**2 * usual.loss
    apparent = level * current * transformer.primary_voltage
    known = {"mains.current.rms": current, "mains.power.active": loss, "mains.power.apparent": apparent}
    if name in known:
        return MeterValue(known[name], np.zeros_like(value.moves), _IDLE_DOUBT * known[name])
    return value.scaled(0.0) if name.startswith("secondary.current") else None


def _dead(
    values: MeterValues, before: Callable[[str, MeterValue], MeterValue | None], *, powered: bool = True
) -> MeterValues:
    """Return the values without any direct voltage; `before` tells those at the mains and the windings."""
    quantities, absent = dict(values.quantities), set(values.absent)
    for name, value in values.quantities.items():
        now: MeterValue | None = value
        if "temperature" in name:
            now = values.quantities["ambient.temperature"]
        elif name.startswith(("mains.", "secondary.")):
            now = value if powered and name in ("mains.voltage.rms", "mains.frequency") else before(name, value)
        else:
            now = None if "factor" in name or "frequency" in name else value.scaled(0.0)
        if now is None:
            absent.add(name)
        else:
            quantities[name] = now
    return replace(values, quantities=quantities, absent=frozenset(absent))


_NEAR = 0.03
"""The part of its mains voltage by which a solved circuit may be away for its instants to fit another."""


class CircuitFaults:
    """The faults that a bench's circuit can have, solved at one mains voltage after another.

    What was solved first is kept, so that the same fault at a mains voltage near it starts from there.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._faults = [*faults_of(bench), *sized_faults_of(bench)]
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
                values = right if fault.is_solved_as(self._bench) else self._values(place, fault, mains_voltage, right)
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

    def _values(self, place: int, fault: SuspectedFault, mains_voltage: float, right: MeterValues) -> MeterValues:
        near = _if_near(self._solved.get(place), mains_voltage)
        parts = fault.parts(mains_voltage)
        values = meter_values(fault.bench, mains_voltage, parts, fault.defects, near=near, like=right)
        if _line_current(values) < _IDLES * _line_current(right):
            # What the core takes is no part of the load's current: each unknown is solved for.
            values = meter_values(fault.bench, mains_voltage, parts, fault.defects, near=values)
        if near is None:
            self._solved[place] = values
        return values


_IDLES = 0.6
"""The part of its line current below which what a supply takes is much its core's."""


def _line_current(values: MeterValues) -> float:
    return values.quantities["mains.current.rms"].value


def _if_near(values: MeterValues | None, mains_voltage: float) -> MeterValues | None:
    """Return `values` if they were solved at a mains voltage near this one."""
    if values is None or values.state is None:
        return None
    then = float(values.state.parts["mains.voltage"][0])
    return values if abs(mains_voltage / then - 1.0) <= _NEAR else None


_ANY_SHAPE = 0.04
"""Of what any fault changes, the part by which a real one may differ from the one that is solved (from experience)."""


def _doubted(fault: SuspectedFault, value: MeterValue, right: MeterValue | None) -> MeterValue:
    """Return a reading with what a fault of unknown size and shape adds to its doubt."""
    change = value.value - right.value if right is not None else value.value
    moves = np.append(value.moves, fault.size_doubt * change)
    return replace(value, moves=moves, own=math.hypot(value.own, math.hypot(_ANY_SHAPE, fault.shape_doubt) * change))


def faults_of(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield the faults that a bench's circuit can have."""
    yield from faults_of_the_rectifier(bench)
    yield from faults_of_the_filter(bench)
    yield from faults_of_the_load(bench)
    yield from faults_of_the_windings(bench)
    yield from faults_of_the_feed(bench)
    yield from faults_without_power(bench)
