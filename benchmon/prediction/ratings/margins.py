"""How far each part is from its ratings in the worst state of the bench."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench, Capacitor, Fuse, ResistorLoad
from benchmon.prediction.circuit import trace_measures as m
from benchmon.prediction.ratings.worst_case import HIGH, LOW, WorstCase, capacitor_current, capacitor_voltage
from benchmon.signals.arrays import Floats
from benchmon.standards import FUSE_GATE_RATINGS, FUSE_GATES


@dataclass(frozen=True, slots=True)
class Margin:
    """A value beside its limit, both in `unit`; `ok` tells whether it keeps it.

    `margin` is 1 − value/limit for what must stay below its limit, and (value − limit)/the larger of both for what
    must stay above: a part of one, negative where the limit is broken. Temperatures count in °C.
    """

    name: str
    value: float
    limit: float
    unit: str
    margin: float
    ok: bool


def below(name: str, value: float, limit: float, unit: str) -> Margin:
    """Return the margin of a value that must not pass `limit`."""
    part = 1.0 - value / limit if limit > 0.0 else (limit - value) / max(abs(limit), 1.0)
    return Margin(name, value, limit, unit, part, value <= limit)


def above(name: str, value: float, limit: float, unit: str) -> Margin:
    """Return the margin of a value that must not fall under `limit`."""
    return Margin(name, value, limit, unit, (value - limit) / max(abs(value), abs(limit), 1e-12), value >= limit)


def margins_of(stress: WorstCase) -> list[Margin]:
    """Return the margin of every rating that the bench file gives."""
    found = [*_diode(stress), *_capacitors(stress), *_fuse(stress), *_limiter(stress), *_transformer(stress)]
    return [*found, *_load(stress), *_regulator(stress)]


def _diode(stress: WorstCase) -> Iterator[Margin]:
    diode = stress.bench.diode
    if diode.mean_current_rating is not None:
        yield below("diode mean current", stress.worst("diode.current.mean"), diode.mean_current_rating, "A")
    if diode.surge_current_rating is not None:
        yield below("diode surge current", stress.surge.diode_peak, diode.surge_current_rating, "A")
    if diode.reverse_voltage_rating is not None:
        reverse = stress.worst_of_all("diode.voltage.reverse_peak")
        yield below("diode reverse voltage", reverse, diode.reverse_voltage_rating, "V")
    if diode.max_junction is not None and diode.thermal_resistance is not None:
        hottest = stress.worst("diode.temperature.junction")
        yield below("diode junction temperature", hottest, diode.max_junction, "°C")


def _capacitors(stress: WorstCase) -> Iterator[Margin]:
    for index, part in enumerate(stress.bench.filter):
        if not isinstance(part, Capacitor):
            continue
        if part.voltage_rating is not None:
            volts = max(highest_voltage(stress, index), stress.surge.capacitor_peaks.get(index, 0.0))
            yield below(f"capacitor {index + 1} voltage", volts, part.voltage_rating, "V")
        if part.ripple_current_rating is not None:
            ripple = float(np.max(capacitor_current(stress.loaded, index)))
            yield below(f"capacitor {index + 1} ripple current", ripple, part.ripple_current_rating, "A")


def highest_voltage(stress: WorstCase, index: int) -> float:
    """Return the highest steady volts on the filter's capacitor `index`, with and without load.

    Of a multiplier's capacitors, those of the first one of the filter, it is the one that has most.
    """
    solved = (stress.loaded, stress.unloaded)
    inner = stress.bench.rectifier.topology.capacitors if index == 0 else ()
    peaks = max((capacitor.peaks / inner[0].peaks for capacitor in inner), default=1.0)
    return peaks * max(float(np.max(capacitor_voltage(state, index))) for state in solved)


def _fuse(stress: WorstCase) -> Iterator[Margin]:
    fuse = stress.bench.fuse
    if fuse is None:
        return
    yield below("fuse current", stress.worst("mains.current.rms"), fuse.rating, "A")
    surge = fuse_heating(stress)
    if fuse.melting_i2t is not None:
        yield below("fuse surge I²t", surge, fuse.melting_i2t, "A²s")
        return
    least = gate_i2t(fuse, stress.surge.line_peak)
    if least is not None:
        yield below("fuse surge I²t (least by IEC 60127-2)", surge, least, "A²s")


def fuse_heating(stress: WorstCase) -> float:
    """Return the A²s that the fuse must bear at switch-on, over the worst closing angle.

    What the fuse carries for ever, its rating squared, is taken off each past half period; within one nothing is: so
    it is the I²t of the pulse for a short surge, and no alarm for a long one that the fuse carries.
    """
    half_period = 0.5 / stress.bench.mains.frequency
    carried = stress.bench.fuse.rating**2 * half_period if stress.bench.fuse else 0.0
    heat = worst = np.zeros(len(stress.surge.line_i2t))
    for pulse in stress.surge.line_i2t.T:
        worst = np.maximum(worst, heat + pulse)
        heat = np.maximum(heat + pulse - carried, 0.0)
    return float(np.max(worst))


def gate_i2t(fuse: Fuse, peak: float) -> float | None:
    """Return the least A²s that a fuse to IEC 60127-2 bears in a surge of `peak` amperes, None where none is promised.

    From the gates of pre-arcing times (see `FUSE_GATES`): a time-lag fuse bears 10·In for 20 ms, so 2·In²
    A²s; a fast one 4·In for 10 ms, so 0.16·In² A²s. Stronger currents than the gate's are not covered.
    """
    multiple, seconds = FUSE_GATES[fuse.speed]
    if not FUSE_GATE_RATINGS[0] <= fuse.rating <= FUSE_GATE_RATINGS[1] or peak > np.sqrt(2.0) * multiple * fuse.rating:
        return None
    return float((multiple * fuse.rating) ** 2 * seconds)


def _limiter(stress: WorstCase) -> Iterator[Margin]:
    ntc = stress.bench.ntc
    if ntc is not None and ntc.max_current is not None:
        yield below("inrush limiter current", stress.worst("mains.current.rms"), ntc.max_current, "A")


def _transformer(stress: WorstCase) -> Iterator[Margin]:
    if stress.bench.transformer.rating is not None:
        rating = stress.bench.transformer.rating
        yield below("transformer apparent power", winding_load(stress), rating, "VA")


def winding_load(stress: WorstCase) -> float:
    """Return the VA that load the windings: rms amperes of one × its volts × the number of windings.

    Windings heat by rms current, which a capacitor input makes much larger than the load's. Volts are the rated ones,
    or unloaded ones where only those are known. A winding left unused does not lend its share of the rating.
    """
    transformer = stress.bench.transformer
    volts = transformer.rated_voltage or transformer.open_circuit_voltage
    return stress.worst("secondary.current.rms") * volts * transformer.secondaries


def _load(stress: WorstCase) -> Iterator[Margin]:
    load = stress.bench.load
    if isinstance(load, ResistorLoad) and load.power_rating is not None:
        yield below("load power", stress.worst("load.power.mean"), load.power_rating, "W")


def _regulator(stress: WorstCase) -> Iterator[Margin]:
    regulator = stress.bench.regulator
    if regulator is None:
        return
    yield above("regulator headroom", float(headroom(stress)[LOW]), regulator.dropout, "V")
    if regulator.max_junction is not None and regulator.thermal_resistance is not None:
        hottest = stress.worst("regulator.temperature.junction")
        yield below("regulator junction temperature", hottest, regulator.max_junction, "°C")


def headroom(stress: WorstCase) -> Floats:
    """Return the volts, (b,), from the regulator's set output to the valley of its input."""
    traces = stress.loaded.warm.traces
    return -m.peak_of(-traces["regulator.input"], traces.angle) - stress.loaded.warm.parts["regulator.output_voltage"]


def winding_heat(stress: WorstCase) -> tuple[float, float]:
    """Return the watts that the primary and all secondary windings turn into heat at high mains."""
    transformer, quantities = stress.bench.transformer, stress.loaded.quantities
    primary = float(quantities["mains.current.rms"][HIGH]) ** 2 * transformer.primary_resistance
    windings = windings_used(stress.bench)
    secondary = float(quantities["secondary.current.rms"][HIGH]) ** 2 * transformer.secondary_resistance * windings
    return primary, secondary


def windings_used(bench: Bench) -> int:
    """Return how many secondary windings carry current."""
    return bench.rectifier.topology.windings(bench.transformer.connection)
