"""Faults of filter, load, primary tap and mains: parts that are missing, or another size than the file says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from benchmon.bench import Bench, Capacitor, OpenLoad
from benchmon.prediction.defects import Defects
from benchmon.watch.circuit_fault import OFF, CircuitFault
from benchmon.watch.meter_values import MeterValues
from benchmon.watch.mistakes import RARE, USUAL

_DISCONNECTED = 1e-4
"""What is left of a capacitance that bears no ripple any more."""

_LEAKING_DROP = 0.015
_NOTHING_LEFT_DOUBT = 0.005
"""Of what flows into a load, the part that may be left without one: a capacitor's leakage, in short pulses."""

_WAVE_LEFT_DOUBT = 0.01
"""Of what an open reservoir changes, the part that leads and windings without it may change besides: a valley of
nearly zero is no exact figure."""

_MORE_DISTORTION = 0.08


def faults_of_the_filter(bench: Bench) -> Iterator[CircuitFault]:
    """Yield what befalls the first capacitor; where there are two of it, each may be the one."""
    index = next((at for at, part in enumerate(bench.filter) if isinstance(part, Capacitor)), None)
    if index is None:
        return
    dry, opened = "the reservoir has dried out to half", "the reservoir is open"
    replace_it, joints = OFF + "replace the reservoir", OFF + "check the reservoir's joints, then its capacitance"
    count = bench.rectifier.topology.first_capacitors
    if count == 1:
        capacitance, esr = f"filter.{index}.capacitance", f"filter.{index}.esr"
        yield CircuitFault(dry, replace_it, USUAL, bench, {capacitance: 0.5, esr: 2.0})
        yield CircuitFault(opened, joints, USUAL, bench, {capacitance: _DISCONNECTED}, shape_doubt=_WAVE_LEFT_DOUBT)
        return
    for place in (frozenset({number}) for number in range(1, count + 1)):
        yield CircuitFault(dry, replace_it, USUAL / count, bench, defects=Defects(dry_reservoirs=place))
        yield CircuitFault(opened, joints, USUAL / count, bench, defects=Defects(open_reservoirs=place))


def faults_of_the_load(bench: Bench) -> Iterator[CircuitFault]:
    """Yield loads that draw too much, too little or nothing."""
    if bench.load.kind == "open":
        return
    part = "load.resistance" if bench.load.kind == "resistor" else "load.current"
    twice, half = (0.5, 2.0) if bench.load.kind == "resistor" else (2.0, 0.5)
    remedy = OFF + "measure the load"
    yield CircuitFault("the load draws twice what it should", remedy, USUAL, bench, {part: twice})
    yield CircuitFault("the load draws half of what it should", remedy, USUAL, bench, {part: half})
    nothing = bench.model_copy(update={"load": OpenLoad(kind="open")})
    yield CircuitFault(
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


def faults_of_the_feed(bench: Bench) -> Iterator[CircuitFault]:
    """Yield a wrong primary tap and a distorted mains."""
    volts = "transformer.open_circuit_voltage"
    tap = OFF + "check which primary tap the mains is on"
    for factor, words, weight in (
        (1.0 / 1.1, "10 % too high", USUAL),
        (1.0 / 0.9, "10 % too low", USUAL),
        (2.0, "half the mains voltage (115 V for 230 V)", RARE),
        (0.5, "twice the mains voltage (230 V for 115 V)", RARE),
    ):
        yield CircuitFault(f"the primary tap is for {words}", tap, weight, bench, {volts: factor})
    # Mains that feed many rectifiers are flat at the top: a third harmonic in phase, a fifth against it, or both. A
    # fifth in phase makes it pointed. How much there is of which is not known.
    both = _MORE_DISTORTION / 2.0**0.5
    for harmonics in ({3: _MORE_DISTORTION}, {5: -_MORE_DISTORTION}, {5: _MORE_DISTORTION}, {3: both, 5: -both}):
        yield CircuitFault(
            "the mains wave is distorted",
            "look at the wave of the mains; try another socket",
            USUAL,
            bench,
            added={f"mains.harmonic.{order}": part for order, part in harmonics.items()},
            size_doubt=0.6,
            shape_doubt=0.2,
        )
