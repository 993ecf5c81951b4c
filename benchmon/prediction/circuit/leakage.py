"""What leakage takes from the volts of a reservoir without a load.

The circuit is solved for next to no current. A real reservoir leaks, and a voltmeter draws, some microamperes: of every
diode in the way this takes a drop that grows with the logarithm of the current, a tenth of a low mains.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from benchmon.bench import Bench, Capacitor
from benchmon.prediction.circuit.diode import BOLTZMANN_PER_CHARGE, REFERENCE, ZERO_CELSIUS, junction_of
from benchmon.quantities import at_second_output
from benchmon.standards import ELECTROLYTIC_LEAKS_IN, VOLTMETER_SIEMENS

LEAKAGE = "leakage of the reservoir"

_AT_THE_RESERVOIR = (
    *(f"reservoir.voltage.{how}" for how in ("mean", "rms", "peak", "valley")),
    "diode.voltage.reverse_peak",
)
_AT_THE_OUTPUT = tuple(f"output.voltage.{how}" for how in ("mean", "rms", "peak", "valley"))


def effects_of_leakage(bench: Bench, levels: Mapping[str, float]) -> dict[str, float]:
    """Return by how many volts leakage lowers each quantity at most, from the `levels` without any.

    Shockley's current, averaged over a period of any wave, is Is·(e^(−V/a)·m − 1) with m of that wave alone; so a
    current I lowers V by a·ln(1 + I/Is), where a = n·k·T/q of all diodes in the way. Nothing is returned of an output
    with a load, or with a regulator that draws a current of its own, which is larger.
    """
    outputs = [(bench, False)]
    if bench.rectifier.topology.has_two_outputs:
        outputs.append((bench.seen_from_output_2() if bench.outputs_apart else bench, True))
    return {name: drop for seen, is_second in outputs for name, drop in _at_output(seen, levels, is_second=is_second)}


def _at_output(bench: Bench, levels: Mapping[str, float], *, is_second: bool) -> Iterator[tuple[str, float]]:
    farads = sum(part.capacitance for part in bench.filter if isinstance(part, Capacitor))
    regulator = bench.regulator
    if bench.load.kind != "open" or farads == 0.0 or (regulator is not None and regulator.quiescent_current > 0.0):
        return
    saturation, emission, _ = junction_of(bench.diode)
    topology = bench.rectifier.topology
    in_the_way = max(topology.drops, topology.multiplies)
    slope = in_the_way * emission * BOLTZMANN_PER_CHARGE * (REFERENCE + ZERO_CELSIUS)
    siemens = farads / ELECTROLYTIC_LEAKS_IN + VOLTMETER_SIEMENS
    for first in (*_AT_THE_RESERVOIR, *(() if regulator is not None else _AT_THE_OUTPUT)):
        name = at_second_output(first) if is_second else first
        if name is not None and name in levels:
            volts = max(0.0, levels[name])
            yield name, min(volts, slope * math.log1p(siemens * volts / saturation))
