"""Faults from the rectifier to the load, as hypotheses: diodes, reservoir, the rest of the filter, the load.

Those of a fixed size come first; where the size is open, it is solved at one or more, a factor of two or three apart,
with a doubt that covers what lies between. Where sizes come from is said beside each; the rest is from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from benchmon.bench import Bench, Capacitor, OpenLoad
from benchmon.bench.supply import Choke
from benchmon.prediction.circuit.diode import BOLTZMANN_PER_CHARGE, REFERENCE, ZERO_CELSIUS, junction_of
from benchmon.prediction.defects.wiring import Defects
from benchmon.watch.diagnosis.likelihood import USUAL
from benchmon.watch.diagnosis.meter_values import MeterValues
from benchmon.watch.diagnosis.suspected_fault import BETWEEN, OFF, SuspectedFault, magnetised, while_the_fuse_holds


def dc_side_faults(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield the faults of fixed size behind the windings."""
    yield from faults_of_the_rectifier(bench)
    yield from faults_of_the_filter(bench)
    yield from faults_of_the_load(bench)


def dc_side_faults_of_open_size(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield the faults behind the windings whose size is open."""
    yield from worn_reservoirs(bench)
    yield from other_filters(bench)
    yield from other_diodes(bench)


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
        yield SuspectedFault(cause, remedy, USUAL, bench, defects=opened, correct=magnetised)
    for number in range(1, len(topology.diodes) + 1):
        shorted = Defects(shorted_diodes=frozenset({number}))
        yield while_the_fuse_holds("a diode is shorted", "replace it, and test the others", bench, shorted)
    missing, wires = topology.wired_as_half_wave
    # Of two diodes, one left is an open one.
    if topology.repeats_after_half and len(topology.diodes) > 2:
        cause = "the rectifier is wired as half-wave instead of full-wave"
        half = Defects(open_diodes=missing, shorted_diodes=wires)
        wiring = OFF + "check the wiring of the rectifier"
        yield SuspectedFault(cause, wiring, USUAL, bench, defects=half, correct=magnetised)


_DISCONNECTED = 1e-4
"""What is left of a capacitance that bears no ripple any more."""


_LEAKING_DROP = 0.015


_STRAY_DROP, _WAVY = 0.08, ("ripple", "ac_rms", "valley")
"""Without a reservoir, what leads and meters hold and take fills the valleys where nothing else loads them."""

_NOTHING_LEFT_DOUBT = 0.005
"""Of what flows into a load, the part that may be left without one: a capacitor's leakage, in short pulses."""


_WAVE_LEFT_DOUBT = 0.01
"""Of what an open reservoir changes, the part that leads and windings without it may change besides: a valley of
nearly zero is no exact figure."""


def faults_of_the_filter(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield faults of the first capacitor; where there are two of it, each may be the one."""
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
        open_one = Defects(open_reservoirs=place)
        yield SuspectedFault(opened, joints, USUAL / count, bench, defects=open_one, correct=magnetised)


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
        name: replace(value, own=(_STRAY_DROP if name.endswith(_WAVY) else _LEAKING_DROP) * abs(value.value))
        for name, value in values.quantities.items()
        if name.startswith(("output.voltage", "reservoir.voltage"))
    }
    absent = values.absent | {"mains.current.thd", "mains.current.crest_factor", "mains.displacement_factor"}
    return replace(values, quantities={**values.quantities, **voltages}, absent=absent)


def worn_reservoirs(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield a reservoir with much series resistance, or with little of its capacitance."""
    index = _capacitors(bench)[:1]
    if not index or bench.rectifier.topology.first_capacitors > 1:
        return
    part = bench.filter[index[0]]
    assert isinstance(part, Capacitor)  # noqa: S101 - that is what was looked for
    # An ageing electrolytic loses its electrolyte: its ESR grows to many times, near the reactance at the ripple.
    reactance = 1.0 / (2.0 * math.pi * 2.0 * bench.mains.frequency * part.capacitance)
    for size in (0.2, 0.6, 1.8):
        yield SuspectedFault(
            "the reservoir has a high series resistance (ESR)",
            OFF + "measure the reservoir's ESR; replace it, and look at its joints",
            USUAL / 3.0,
            bench,
            added={f"filter.{index[0]}.esr": size * reactance},
            size_doubt=BETWEEN,
        )
    for left in (0.25, 0.08, 0.025):
        yield SuspectedFault(
            "the reservoir has lost most of its capacitance, or a much smaller one is fitted",
            OFF + "measure the reservoir; read what is printed on it",
            USUAL / 3.0,
            bench,
            {f"filter.{index[0]}.capacitance": left},
            size_doubt=0.5 * BETWEEN,
            shape_doubt=0.1,
        )


def other_filters(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield second capacitors and chokes that are none any more."""
    for index in _capacitors(bench)[1:]:
        for left, words in ((1e-4, "is open"), (0.3, "has dried out")):
            yield SuspectedFault(
                f"the second capacitor {words}",
                OFF + "check its joints, then its capacitance",
                USUAL / 2.0,
                bench,
                {f"filter.{index}.capacitance": left},
                size_doubt=0.0 if left < 0.1 else BETWEEN,
                shape_doubt=0.05,
            )
    for index, part in enumerate(bench.filter):
        if isinstance(part, Choke):
            # Between shorted turns only the air's part of the inductance is left.
            yield SuspectedFault(
                "the choke is shorted",
                OFF + "measure the choke's inductance and resistance",
                USUAL / 2.0,
                bench,
                {f"filter.{index}.inductance": 0.01},
                shape_doubt=0.1,
            )


def other_diodes(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield diodes of another type than the file's."""
    saturation, emission, _ = junction_of(bench.diode)
    drop = emission * BOLTZMANN_PER_CHARGE * (REFERENCE + ZERO_CELSIUS) * math.log(1.0 / saturation)
    # A Schottky diode drops some 0.35 V less than silicon at the same current: a thousand times the saturation current.
    words, factor = ("Schottky instead of silicon", 1e3) if drop > 0.55 else ("silicon instead of Schottky", 1e-3)
    yield SuspectedFault(
        f"the diodes are of another type, as {words}",
        OFF + "read what is printed on the diodes",
        USUAL / 2.0,
        bench,
        {"diode.saturation_current": factor},
        size_doubt=0.3,
    )


def _capacitors(bench: Bench) -> list[int]:
    return [index for index, part in enumerate(bench.filter) if isinstance(part, Capacitor)]
