"""Faults of diodes and windings, each solved with every diode and every winding for itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from benchmon.bench import Bench
from benchmon.prediction.defects import Defects
from benchmon.watch.circuit_fault import OFF, CircuitFault
from benchmon.watch.meter_values import MeterValues
from benchmon.watch.mistakes import COMMON, RARE, USUAL

_COLD = {"diode.thermal_resistance": 0.0}
"""While a fuse still holds, nothing has settled: how warm anything is by then is not asked."""

_BRIEF = 0.1 * RARE
"""A fuse holds a short for moments, and few readings are of those; each of several diodes may be the one."""


def faults_of_the_rectifier(bench: Bench) -> Iterator[CircuitFault]:
    """Yield open and shorted diodes, each one the measured one or not, and half-wave wiring."""
    topology = bench.rectifier.topology
    remedy = OFF + "test each diode and its joints"
    if len(topology.diodes) == 1:
        shorted = Defects(shorted_diodes=frozenset({1}))
        remedy = OFF + "replace the diode and a damaged reservoir"
        yield CircuitFault("the diode is shorted", remedy, USUAL, bench, defects=shorted)
        return
    if topology.is_tapped:
        remedy += " and its half of the winding"
    for number in topology.told_apart:
        opened = Defects(open_diodes=frozenset({number}))
        yield CircuitFault("a diode is open", remedy, USUAL, bench, defects=opened)
    for number in range(1, len(topology.diodes) + 1):
        shorted = Defects(shorted_diodes=frozenset({number}))
        yield _while_the_fuse_holds("a diode is shorted", "replace it, and test the others", bench, shorted)
    missing, wires = topology.wired_as_half_wave
    # Of two diodes, one left is an open one.
    if topology.repeats_after_half and len(topology.diodes) > 2:
        cause = "the rectifier is wired as half-wave instead of full-wave"
        half = Defects(open_diodes=missing, shorted_diodes=wires)
        yield CircuitFault(cause, OFF + "check the wiring of the rectifier", USUAL, bench, defects=half)


def _while_the_fuse_holds(cause: str, remedy: str, bench: Bench, defects: Defects) -> CircuitFault:
    """Return a short that is read before the fuse melts, which is seldom."""
    return CircuitFault(
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


def faults_of_the_windings(bench: Bench) -> Iterator[CircuitFault]:
    """Yield windings in series that should be in parallel, the other way round, and reversed ones."""
    topology, transformer = bench.rectifier.topology, bench.transformer
    wiring = OFF + "check the connection of the windings"
    turned = Defects(reversed_windings=frozenset({2}))
    if topology.is_tapped and len(topology.rails) == 1:
        cause = "one winding is reversed: both halves conduct at once"
        yield CircuitFault(cause, wiring, USUAL, bench, defects=turned)
    elif topology.is_tapped:
        cause = "one winding is reversed: each rail is charged once a period"
        yield CircuitFault(cause, wiring, USUAL, bench, defects=turned)
    elif transformer.secondaries == 2:
        other = "parallel" if transformer.connection == "series" else "series"
        changed = bench.model_copy(update={"transformer": transformer.model_copy(update={"connection": other})})
        meant = {"single": "alone"}.get(transformer.connection, f"in {transformer.connection}")
        yield CircuitFault(f"the windings are in {other} instead of {meant}", wiring, COMMON, changed)
        if transformer.connection == "parallel":
            cause = "one winding is reversed: the two short each other"
            yield _while_the_fuse_holds(cause, "check the connection of the windings", bench, turned)
