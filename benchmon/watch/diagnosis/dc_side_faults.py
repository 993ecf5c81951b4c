"""Faults from the rectifier to the load, as hypotheses: diodes, reservoir, the rest of the filter, the load.

Those of a fixed size come first; where the size is open, it is solved at one or more, a factor of two or three apart,
with a doubt that covers what lies between. Where sizes come from is said beside each; the rest is from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

from benchmon.bench import Bench, Capacitor, OpenLoad
from benchmon.bench.supply import Choke
from benchmon.prediction.circuit.diode import BOLTZMANN_PER_CHARGE, REFERENCE, ZERO_CELSIUS, junction_of
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.defects.wiring import Defects
from benchmon.watch.diagnosis.likelihood import USUAL
from benchmon.watch.diagnosis.meter_values import MeterValue, MeterValues
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


@dataclass(frozen=True)
class _Output:
    """One output: its `number`, the bench seen from it, and what follows the names of its parts, points and faults."""

    number: int
    bench: Bench
    suffix: str = ""
    words: str = ""

    def part(self, section: str, rest: str) -> str:
        """Return the name of one of its parts."""
        return f"{section}{self.suffix}.{rest}"


def _outputs(bench: Bench) -> tuple[_Output, ...]:
    """Return the outputs whose parts may differ: of two that are alike, the first stands for both."""
    first = _Output(1, bench)
    return (first, _Output(2, bench.seen_from_output_2(), "_2", " of output 2")) if bench.outputs_apart else (first,)


def _at_output_2(bench: Bench, diode: int) -> bool:
    """Return whether a diode feeds the second output, and can be told from those of the first."""
    if not bench.outputs_apart:
        return False
    return any(path.charges[1] and diode in path.diodes for path in bench.rectifier.topology.paths_apart)


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
        cause = "a diode of output 2 is open" if _at_output_2(bench, number) else "a diode is open"
        yield SuspectedFault(cause, remedy, USUAL, bench, defects=opened, correct=magnetised)
    for number in range(1, len(topology.diodes) + 1):
        shorted = Defects(shorted_diodes=frozenset({number}))
        cause = "a diode of output 2 is shorted" if _at_output_2(bench, number) else "a diode is shorted"
        yield while_the_fuse_holds(cause, "replace it, and test the others", bench, shorted)
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
    for number in range(1, count + 1):
        if bench.outputs_apart:
            which = f"the reservoir of output {number}"
            replace_it, joints = OFF + f"replace {which}", OFF + f"check the joints of {which}, then its capacitance"
            if number > 1:
                dry, opened = f"{which} has dried out to half", f"{which} is open"
        place = frozenset({number})
        yield SuspectedFault(dry, replace_it, USUAL / count, bench, defects=Defects(dry_reservoirs=place))
        open_one = Defects(open_reservoirs=place)
        # A multiplier's two halves are then charged unequally; a rail's two half waves stay alike.
        correct = magnetised if bench.rectifier.topology.capacitors else _as_solved
        yield SuspectedFault(
            opened, joints, USUAL / count, bench, defects=open_one, correct=correct, shape_doubt=_WAVE_LEFT_DOUBT
        )


def _as_solved(values: MeterValues) -> MeterValues:
    return values


def faults_of_the_load(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield loads that draw too much, too little or nothing; of two outputs, each by itself."""
    outputs = [output for output in _outputs(bench) if not (output.suffix and bench.rectifier.loads == "across")]
    for output in outputs:
        yield from _faults_of_a_load(bench, output, USUAL / len(outputs), alone=len(outputs) == 1)
    if len(outputs) > 1 and outputs[0].bench.load == outputs[1].bench.load:
        yield from _faults_of_both_loads(bench)


def _faults_of_both_loads(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield two loads of one kind that are both other ones than the file says."""
    if bench.load.kind == "open":
        return
    is_resistor = bench.load.kind == "resistor"
    parts = [f"{point}.{'resistance' if is_resistor else 'current'}" for point in ("load", "load_2")]
    remedy = OFF + "measure both loads"
    for words, times in (("twice", 2.0), ("half of", 0.5)):
        factor = 1.0 / times if is_resistor else times
        cause = f"both loads draw {words} what they should"
        yield SuspectedFault(cause, remedy, USUAL / 2.0, bench, dict.fromkeys(parts, factor))


_OTHER_LOADS = ((4.0, "more", 0.3), (0.3, "less", 0.15), (0.1, "less", 0.04))
"""Times what a load should draw, and the part of that change by which it may be off: up to the next size."""

_OTHER_DECADE = OFF + "measure the load: a resistor of ten times the value looks much the same"


def _faults_of_a_load(bench: Bench, output: _Output, weight: float, *, alone: bool) -> Iterator[SuspectedFault]:
    load, of_it = output.bench.load, f"the load{output.words}"
    if load.kind == "open":
        return
    part = output.part("load", "resistance" if load.kind == "resistor" else "current")
    twice, half = (0.5, 2.0) if load.kind == "resistor" else (2.0, 0.5)
    remedy = OFF + "measure the load"
    yield SuspectedFault(f"{of_it} draws twice what it should", remedy, weight, bench, {part: twice})
    yield SuspectedFault(f"{of_it} draws half of what it should", remedy, weight, bench, {part: half})
    for size, words, doubt in _OTHER_LOADS:
        factor = 1.0 / size if load.kind == "resistor" else size
        cause = f"{of_it} draws far {words} than it should"
        yield SuspectedFault(cause, _OTHER_DECADE, weight / 2.0, bench, {part: factor}, size_doubt=doubt)
    nothing: dict[str, object] = {f"load{output.suffix}": OpenLoad(kind="open")}
    if not output.suffix and not alone and bench.load_2 is None:
        nothing["load_2"] = bench.load
    yield SuspectedFault(
        f"{of_it} is not connected",
        OFF + "connect the load",
        weight,
        bench.model_copy(update=nothing),
        correct=_almost_no_current if alone else partial(_no_current_at, output),
        shape_doubt=_NOTHING_LEFT_DOUBT,
    )


def _no_current_at(output: _Output, values: MeterValues) -> MeterValues:
    """Return the values where hardly anything flows at one of two outputs: there drops hang on leakage."""
    points = (output.part("output", "voltage"), output.part("reservoir", "voltage"))
    return replace(values, quantities={**values.quantities, **_leaking(values, points)})


def _leaking(values: MeterValues, points: tuple[str, ...]) -> dict[str, MeterValue]:
    return {
        name: replace(value, own=(_STRAY_DROP if name.endswith(_WAVY) else _LEAKING_DROP) * abs(value.value))
        for name, value in values.quantities.items()
        if name.startswith(points)
    }


def _almost_no_current(values: MeterValues) -> MeterValues:
    """Return the values where hardly anything flows: drops hang on leakage, the line's wave on the iron."""
    points = ("output.voltage", "reservoir.voltage", "output_2.voltage", "reservoir_2.voltage")
    voltages = _leaking(values, points)
    absent = values.absent | {"mains.current.thd", "mains.current.crest_factor", "mains.displacement_factor"}
    return replace(values, quantities={**values.quantities, **voltages}, absent=absent)


_WORN_ESR, _WORN_LEFT = (0.2, 0.6, 1.8), (0.25, 0.08, 0.025)
"""Sizes of a worn reservoir that are solved: its ESR as a part of its reactance at the ripple, and the part that is
left of its capacitance."""

_PAIR = 2
"""So many reservoirs are solved with one of them worn; of three, each would take seconds."""


def worn_reservoirs(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield a reservoir with much series resistance, or with little of its capacitance; of several, each or one."""
    outputs, count = _outputs(bench), bench.rectifier.topology.first_capacitors
    is_one_of_several = count > 1 and not bench.outputs_apart
    for output in outputs:
        for index in _capacitors(output.bench)[:1]:
            weight = USUAL / len(_WORN_ESR) / (2 if is_one_of_several else len(outputs))
            words = "each reservoir" if is_one_of_several else f"the reservoir{output.words}"
            yield from _worn(bench, output, index, weight, words)
            if is_one_of_several and count == _PAIR:
                yield from _one_worn_of_two(bench, index, weight)


_MEASURE_ESR = OFF + "measure the reservoir's ESR; replace it, and look at its joints"
_READ_CAPACITANCE = OFF + "measure the reservoir; read what is printed on it"
_HIGH_ESR = "has a high series resistance (ESR)"
_LITTLE_LEFT = "has lost most of its capacitance, or a much smaller one is fitted"


def _worn(bench: Bench, output: _Output, index: int, weight: float, of_it: str) -> Iterator[SuspectedFault]:
    # An ageing electrolytic loses its electrolyte: its ESR grows to many times, near the reactance at the ripple.
    reactance = _ripple_reactance(output.bench, index)
    for size in _WORN_ESR:
        yield SuspectedFault(
            f"{of_it} {_HIGH_ESR}",
            _MEASURE_ESR,
            weight,
            bench,
            added={output.part("filter", f"{index}.esr"): size * reactance},
            size_doubt=BETWEEN,
        )
    for left in _WORN_LEFT:
        yield SuspectedFault(
            f"{of_it} {_LITTLE_LEFT}",
            _READ_CAPACITANCE,
            weight,
            bench,
            {output.part("filter", f"{index}.capacitance"): left},
            size_doubt=0.5 * BETWEEN,
            shape_doubt=0.1,
        )


def _one_worn_of_two(bench: Bench, index: int, weight: float) -> Iterator[SuspectedFault]:
    """Yield one worn reservoir of two that are alike: the one that a meter is at, or the other."""
    words = "one of the two reservoirs"
    esr = float(parts_of(bench)[f"filter.{index}.esr"][0])
    for number in (1, 2):
        place = frozenset({number})
        for size in _WORN_ESR[1:2] if esr > 0.0 else ():
            factors = (1.0, 1.0 + size * _ripple_reactance(bench, index) / esr)
            defects = Defects(dry_reservoirs=place, left_when_dry=factors)
            yield SuspectedFault(
                f"{words} {_HIGH_ESR}", _MEASURE_ESR, weight, bench, defects=defects, size_doubt=BETWEEN
            )
        for left in _WORN_LEFT[:2]:
            yield SuspectedFault(
                f"{words} {_LITTLE_LEFT}",
                _READ_CAPACITANCE,
                weight / 2.0,
                bench,
                defects=Defects(dry_reservoirs=place, left_when_dry=(left, 1.0)),
                size_doubt=0.5 * BETWEEN,
                shape_doubt=0.1,
            )


def _ripple_reactance(bench: Bench, index: int) -> float:
    part = bench.filter[index]
    assert isinstance(part, Capacitor)  # noqa: S101 - that is what was looked for
    return 1.0 / (2.0 * math.pi * 2.0 * bench.mains.frequency * part.capacitance)


def other_filters(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield second capacitors and chokes that are none any more."""
    for output in _outputs(bench):
        yield from _other_filter(bench, output)


def _other_filter(bench: Bench, output: _Output) -> Iterator[SuspectedFault]:
    for index in _capacitors(output.bench)[1:]:
        for left, words in ((1e-4, "is open"), (0.3, "has dried out")):
            yield SuspectedFault(
                f"the second capacitor{output.words} {words}",
                OFF + "check its joints, then its capacitance",
                USUAL / 2.0,
                bench,
                {output.part("filter", f"{index}.capacitance"): left},
                size_doubt=0.0 if left < 0.1 else BETWEEN,
                shape_doubt=0.05,
            )
    for index, part in enumerate(output.bench.filter):
        if isinstance(part, Choke):
            # Between shorted turns only the air's part of the inductance is left.
            yield SuspectedFault(
                f"the choke{output.words} is shorted",
                OFF + "measure the choke's inductance and resistance",
                USUAL / 2.0,
                bench,
                {output.part("filter", f"{index}.inductance"): 0.01},
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
