"""Margin of each part to its ratings in the worst case of the bench."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from benchmon.bench import Bench, Capacitor, Fuse, ResistorLoad
from benchmon.prediction.circuit import trace_measures as m
from benchmon.prediction.ratings.worst_case import HIGH, LOW, WorstCase, capacitor_current, capacitor_voltage
from benchmon.prediction.thermal.rated_rise import heating_currents
from benchmon.signals.arrays import Floats
from benchmon.standards import FUSE_GATE_RATINGS, FUSE_GATES


@dataclass(frozen=True, slots=True)
class Margin:
    """A value with its limit, both in `unit`; `ok` is whether the value is within the limit.

    `margin` is 1 − value/limit for an upper limit, and (value − limit)/max(value, limit) for a lower one: a fraction,
    negative if the limit is exceeded. Temperatures are in °C.
    """

    name: str
    value: float
    limit: float
    unit: str
    margin: float
    ok: bool


def below(name: str, value: float, limit: float, unit: str) -> Margin:
    """Return the margin of a value with the upper limit `limit`."""
    margin = 1.0 - value / limit if limit > 0.0 else (limit - value) / max(abs(limit), 1.0)
    return Margin(name, value, limit, unit, margin, value <= limit)


def above(name: str, value: float, limit: float, unit: str) -> Margin:
    """Return the margin of a value with the lower limit `limit`."""
    return Margin(name, value, limit, unit, (value - limit) / max(abs(value), abs(limit), 1e-12), value >= limit)


def margins_of(worst_case: WorstCase) -> list[Margin]:
    """Return the margin of every rating that the bench file gives.

    Parts that the whole supply has once, such as the fuse, and the diodes have that of the output where it is less.
    """
    first = _seen_from_first(worst_case)
    if worst_case.second is None:
        return first
    second = {margin.name: margin for margin in _seen_from_first(worst_case.second)}
    own = [name for name in second if name.startswith(("capacitor", "load", "regulator"))]
    if worst_case.bench.rectifier.loads == "across":
        own = [name for name in own if not name.startswith("load")]
    shared = [
        min(margin, second[margin.name], key=lambda each: each.margin)
        if margin.name in second and margin.name not in own
        else margin
        for margin in first
    ]
    return [*shared, *(replace(second[name], name=f"{name} of output 2") for name in own)]


def _seen_from_first(worst_case: WorstCase) -> list[Margin]:
    found = [
        *_diode(worst_case),
        *_capacitors(worst_case),
        *_fuse(worst_case),
        *_limiter(worst_case),
        *_transformer(worst_case),
    ]
    return [*found, *_load(worst_case), *_regulator(worst_case)]


def _diode(worst_case: WorstCase) -> Iterator[Margin]:
    diode = worst_case.bench.diode
    if diode.mean_current_rating is not None:
        yield below("diode mean current", worst_case.largest("diode.current.mean"), diode.mean_current_rating, "A")
    if diode.surge_current_rating is not None:
        yield below("diode surge current", worst_case.surge.diode_peak, diode.surge_current_rating, "A")
    if diode.reverse_voltage_rating is not None:
        reverse = worst_case.largest_at_any_load("diode.voltage.reverse_peak")
        yield below("diode reverse voltage", reverse, diode.reverse_voltage_rating, "V")
    if diode.max_junction is not None and diode.thermal_resistance is not None:
        hottest = worst_case.largest("diode.temperature.junction")
        yield below("diode junction temperature", hottest, diode.max_junction, "°C")


def _capacitors(worst_case: WorstCase) -> Iterator[Margin]:
    for index, part in enumerate(worst_case.bench.filter):
        if not isinstance(part, Capacitor):
            continue
        if part.voltage_rating is not None:
            volts = max(highest_voltage(worst_case, index), worst_case.surge.capacitor_peaks.get(index, 0.0))
            yield below(f"capacitor {index + 1} voltage", volts, part.voltage_rating, "V")
        if part.ripple_current_rating is not None:
            ripple = float(np.max(capacitor_current(worst_case.loaded, index)))
            yield below(f"capacitor {index + 1} ripple current", ripple, part.ripple_current_rating, "A")


def highest_voltage(worst_case: WorstCase, index: int) -> float:
    """Return the highest steady volts on the filter's capacitor `index`, with and without load.

    Of a multiplier's capacitors, those of the first one of the filter, it is the one that has most.
    """
    solved = (worst_case.loaded, worst_case.unloaded)
    return max(float(np.max(capacitor_voltage(state, index))) for state in solved)


def _fuse(worst_case: WorstCase) -> Iterator[Margin]:
    fuse = worst_case.bench.fuse
    if fuse is None:
        return
    yield below("fuse current", worst_case.largest("mains.current.rms"), fuse.rating, "A")
    surge = fuse_heating(worst_case)
    if fuse.melting_i2t is not None:
        yield below("fuse surge I²t", surge, fuse.melting_i2t, "A²s")
        return
    least = gate_i2t(fuse, worst_case.surge.line_peak)
    if least is not None:
        yield below("fuse surge I²t (least by IEC 60127-2)", surge, least, "A²s")


def fuse_heating(worst_case: WorstCase) -> float:
    """Return the I²t that the fuse must withstand at switch-on, A²s, at the worst closing angle.

    The square of its rating, which the fuse carries continuously, is subtracted for each past half period but not
    within one. So a short surge counts with its full I²t, and a long one below the rating does not count.
    """
    half_period = 0.5 / worst_case.bench.mains.frequency
    carried = worst_case.bench.fuse.rating**2 * half_period if worst_case.bench.fuse else 0.0
    heat = worst = np.zeros(len(worst_case.surge.line_i2t))
    for pulse in worst_case.surge.line_i2t.T:
        worst = np.maximum(worst, heat + pulse)
        heat = np.maximum(heat + pulse - carried, 0.0)
    return float(np.max(worst))


def gate_i2t(fuse: Fuse, peak: float) -> float | None:
    """Return the least I²t, A²s, that a fuse to IEC 60127-2 withstands in a surge of `peak` amperes, or None.

    From the gates of pre-arcing times (see `FUSE_GATES`): a time-lag fuse withstands 10·In for 20 ms, so 2·In² A²s; a
    fast one 4·In for 10 ms, so 0.16·In² A²s. Returns None for other ratings and for currents above the gate, which the
    standard does not cover.
    """
    multiple, seconds = FUSE_GATES[fuse.speed]
    if not FUSE_GATE_RATINGS[0] <= fuse.rating <= FUSE_GATE_RATINGS[1] or peak > np.sqrt(2.0) * multiple * fuse.rating:
        return None
    return float((multiple * fuse.rating) ** 2 * seconds)


def _limiter(worst_case: WorstCase) -> Iterator[Margin]:
    ntc = worst_case.bench.ntc
    if ntc is not None and ntc.max_current is not None:
        yield below("inrush limiter current", worst_case.largest("mains.current.rms"), ntc.max_current, "A")


def _transformer(worst_case: WorstCase) -> Iterator[Margin]:
    if worst_case.bench.transformer.rating is not None:
        rating = worst_case.bench.transformer.rating
        yield below("transformer apparent power", winding_load(worst_case), rating, "VA")


def winding_load(worst_case: WorstCase) -> float:
    """Return the apparent power of the secondary, VA: rms current of one winding × its voltage × number of windings.

    Rms current heats the windings, and a capacitor input makes it much larger than the load current. The voltage is
    that at full load, as in the rating. All windings count, because an unused one does not add its share of the rating
    to the other.
    """
    transformer, amperes = worst_case.bench.transformer, worst_case.largest("secondary.current.rms")
    if worst_case.second is not None:
        amperes = (amperes + worst_case.second.largest("secondary.current.rms")) / 2.0
    return amperes * transformer.full_load_voltage * transformer.secondaries


def _load(worst_case: WorstCase) -> Iterator[Margin]:
    load = worst_case.bench.load
    if isinstance(load, ResistorLoad) and load.power_rating is not None:
        yield below("load power", worst_case.largest("load.power.mean"), load.power_rating, "W")


def _regulator(worst_case: WorstCase) -> Iterator[Margin]:
    regulator = worst_case.bench.regulator
    if regulator is None:
        return
    yield above("regulator headroom", float(headroom(worst_case)[LOW]), regulator.dropout, "V")
    if regulator.max_junction is not None and regulator.thermal_resistance is not None:
        hottest = worst_case.largest("regulator.temperature.junction")
        yield below("regulator junction temperature", hottest, regulator.max_junction, "°C")


def headroom(worst_case: WorstCase) -> Floats:
    """Return the voltage, (b,), between the set output of the regulator and the valley of its input."""
    traces = worst_case.loaded.equilibrium.traces
    return (
        -m.peak_of(-traces["regulator.input"], traces.angle)
        - worst_case.loaded.equilibrium.parts["regulator.output_voltage"]
    )


def winding_heat(worst_case: WorstCase) -> tuple[float, float]:
    """Return the copper loss, watts, of the primary and of all secondary windings at high mains."""
    transformer, quantities = worst_case.bench.transformer, worst_case.loaded.quantities
    line = quantities["mains.current.rms"]
    growth = float(np.broadcast_to(worst_case.loaded.equilibrium.parts.copper_growth, line.shape)[HIGH])
    primary = float(line[HIGH]) ** 2 * transformer.primary_resistance * growth
    windings = windings_used(worst_case.bench)
    amperes = heating_currents(worst_case.loaded.equilibrium.traces)["secondary.current.rms"]
    secondary = float(amperes[HIGH]) ** 2 * transformer.secondary_resistance * windings
    return primary, secondary * growth


def windings_used(bench: Bench) -> int:
    """Return how many secondary windings carry current."""
    return bench.rectifier.topology.windings(bench.transformer.connection)
