"""Energy stored in the capacitors after power-off, and the time in which the load discharges them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench, Capacitor, CurrentLoad, ResistorLoad
from benchmon.prediction.ratings.margins import highest_voltage
from benchmon.prediction.ratings.worst_case import WorstCase


@dataclass(frozen=True)
class StoredEnergy:
    """Energy of all capacitors in joules, and at one output the capacitance in farads and the highest voltage."""

    joules: float
    farads: float
    volts: float


def stored_energy(worst_case: WorstCase) -> StoredEnergy:
    """Return the energy stored in the capacitors in the worst case: high mains, no load."""
    bench, joules, farads, volts = worst_case.bench, 0.0, 0.0, 0.0
    topology = bench.rectifier.topology
    for index, part in enumerate(bench.filter):
        if not isinstance(part, Capacitor):
            continue
        high = highest_voltage(worst_case, index)
        inner = topology.capacitors if index == 0 else ()
        # Of a multiplier's capacitors the one with most has `high`, and those that feed the output are in series.
        peaks = [capacitor.peaks / max(one.peaks for one in inner) for capacitor in inner] or [1.0]
        feeding = [part for part, capacitor in zip(peaks, inner, strict=False) if capacitor.feeds] or [1.0]
        joules += 0.5 * part.capacitance * high**2 * sum(share**2 for share in peaks) * len(topology.rails)
        farads += part.capacitance / len(feeding)
        volts = max(volts, high * sum(feeding))
    return StoredEnergy(joules, farads, volts)


def bleed_time(bench: Bench, farads: float, volts: float, level: float) -> float | None:
    """Return the seconds in which the load alone discharges `farads` from `volts` to `level`, None if it never does.

    A resistor takes R·C·ln(V0/V), a constant current C·(V0 − V)/I. A regulator draws a constant current until it drops
    out. Series parts of the filter are neglected: they are small compared with the load.

    >>> from types import SimpleNamespace
    >>> round(bleed_time(SimpleNamespace(regulator=None, load=ResistorLoad(kind="resistor", resistance=100.0)),
    ...                  1e-3, 27.18281828, 10.0), 6)
    0.1
    """
    if volts <= level:
        return 0.0
    if bench.regulator is None:
        return _through_load(bench, farads, volts, level)
    regulator, load = bench.regulator, bench.load
    amperes = regulator.quiescent_current
    amperes += load.current if isinstance(load, CurrentLoad) else 0.0
    amperes += regulator.output_voltage / load.resistance if isinstance(load, ResistorLoad) else 0.0
    if amperes <= 0.0:
        return None
    if not isinstance(load, ResistorLoad):
        return farads * (volts - level) / amperes
    knee = min(max(regulator.output_voltage + regulator.dropout, level), volts)
    rest = _through_load(bench, farads, knee, level)
    return None if rest is None else farads * (volts - knee) / amperes + rest


def _through_load(bench: Bench, farads: float, volts: float, level: float) -> float | None:
    if isinstance(bench.load, ResistorLoad):
        return bench.load.resistance * farads * float(np.log(volts / level))
    return farads * (volts - level) / bench.load.current if isinstance(bench.load, CurrentLoad) else None
