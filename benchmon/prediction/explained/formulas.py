"""What handbooks give for a rectifier of ideal parts: one formula a quantity, with its numbers and its source.

Tables of single-phase rectifiers into a resistor are closed forms, found in any textbook of power electronics. Formulas
of a reservoir take its discharge as a straight line and its charge as lasting no time, so that the ripple is I/(2·f·C).
All were written down from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from benchmon.bench import Bench, Capacitor, Choke
from benchmon.prediction.circuit.usual_parts import ripple_passed_by
from benchmon.prediction.explained.handbook import Cascade, Handbook, SupplyNumbers, WorkStep, volts_text
from benchmon.quantities import UNITS, at_first_output, format_value
from benchmon.text import with_minus

TABLE = "table of single-phase rectifiers with ideal parts (closed form)"
PEAK_RECTIFIER = "peak rectifier: straight discharge (Sedra & Smith, Microelectronic Circuits; Millman & Halkias)"
CHOKE_INPUT = (
    "choke input: Fourier series of the rectified sine, first term (Millman & Halkias, Integrated Electronics)"
)
CASCADE = "cascade: charge balance with straight discharge (Kuffel, Zaengl & Kuffel, High Voltage Engineering, 2)"
CLOSED = "closed form"

USUAL_DROP, USUAL_HOT_DROP = 0.7, 0.9
"""Volts that handbooks take off for a silicon diode, and that turn its mean current into heat at the peaks."""


Formula = Callable[[SupplyNumbers], Handbook]


def handbook_of(bench: Bench, quantity: str, mains_voltage: float) -> Handbook:
    """Return what handbooks give for `quantity` of a bench at `mains_voltage` (V rms).

    Each of two outputs is a supply of its own there; what both draw together, or one load across both, is in none.
    """
    first = at_first_output(quantity)
    together = first.startswith("mains.") and bench.outputs_apart
    if together or bench.rectifier.loads == "across":
        return Handbook()
    if first != quantity:
        bench, quantity = bench.seen_from_output_2(), first
    supply = SupplyNumbers(bench, mains_voltage)
    for formulas in _families(supply):
        formula = formulas.get(quantity)
        if formula is not None:
            return formula(supply)
    return Handbook()


def _families(supply: SupplyNumbers) -> list[Mapping[str, Formula]]:
    """Return the tables of formulas that fit a supply, the most special one first."""
    found: list[Mapping[str, Formula]] = [_EVERYWHERE]
    if not supply.is_known:
        return found
    if supply.bench.regulator is not None:
        found.insert(0, _REGULATED)
    if supply.first is None and supply.bench.regulator is None and math.isfinite(supply.ohms):
        found.insert(0, _RESISTIVE)
    if isinstance(supply.first, Capacitor) and supply.passed() is not None:
        found += [_CASCADE] if supply.cascade is not None else []
        found.append(_CAPACITOR_INPUT if supply.bench.regulator is None else _RESERVOIR)
    if _is_plain_choke_input(supply):
        found.append(_CHOKE_INPUT)
    return found


def _is_plain_choke_input(supply: SupplyNumbers) -> bool:
    kinds = [part.kind for part in supply.bench.filter]
    fitting = kinds == ["choke", "capacitor"] and not supply.half and supply.bench.regulator is None
    return fitting and math.isfinite(supply.ohms)


def _celsius(degrees: float) -> str:
    return with_minus(f"{degrees:.0f} °C")


def _share(quantity: str, name: str, half: tuple[float, str], full: tuple[float, str]) -> Formula:
    """Return a formula that is a share of the peak: one for half wave, one for full wave, each with its symbol."""

    def formula(supply: SupplyNumbers) -> Handbook:
        part, symbol = half if supply.half else full
        unit = UNITS[quantity]
        if unit == "":
            return Handbook((WorkStep(name, symbol, part, ""),), TABLE)
        steps = supply.winding()
        volts = part * supply.peak
        steps.append(WorkStep(name, f"{symbol} × Vp = {part:.3f} × {volts_text(supply.peak)}", volts, "V"))
        rule = _with_drops(supply, part) if quantity.rpartition(".")[2] in ("mean", "rms", "peak") else None
        return Handbook(tuple(steps), TABLE, rule)

    return formula


def _with_drops(supply: SupplyNumbers, part: float, less: float = 0.0) -> WorkStep:
    drops = supply.topology.drops
    lost = drops * USUAL_DROP
    words = f"less {'two drops' if drops == 2 else 'a drop'} of {USUAL_DROP} V"
    formula = f"{part:.3f} × ({volts_text(supply.peak)} − {lost:.1f} V)"
    if less:
        formula = f"{supply.times} × ({volts_text(supply.peak)} − {lost:.1f} V) − {volts_text(less)}"
    return WorkStep(words, formula, part * (supply.peak - lost) - less, "V")


def _through(quantity: str, of: str) -> Formula:
    """Return the formula of a current through the load resistor, from that of the voltage `of`."""

    def formula(supply: SupplyNumbers) -> Handbook:
        volts = _RESISTIVE[of](supply)
        value = volts.result / supply.ohms
        step = WorkStep(_NAMES[quantity], f"{volts_text(volts.result)} / {format_value(supply.ohms, 'Ω')}", value, "A")
        return Handbook((*volts.steps, step), volts.source)

    return formula


def _of_resistive_load(quantity: str, half: float, full: float) -> Formula:
    """Return the formula of a diode's or winding's current into a resistor, as a part of the load's peak current."""

    def formula(supply: SupplyNumbers) -> Handbook:
        part = half if supply.half else full
        peak = supply.peak / supply.ohms
        steps = [
            *supply.winding(),
            WorkStep("Ip, peak current", f"Vp / {format_value(supply.ohms, 'Ω')}", peak, "A"),
            WorkStep(_NAMES[quantity], f"{part:.4g} × Ip", part * peak, "A"),
        ]
        return Handbook(tuple(steps), TABLE)

    return formula


def _resistive_power(quantity: str) -> Formula:
    def formula(supply: SupplyNumbers) -> Handbook:
        rms = _RESISTIVE["output.voltage.rms"](supply)
        value = rms.result**2 / supply.ohms * len(supply.topology.rails if quantity.startswith("mains") else (0,))
        step = WorkStep(_NAMES[quantity], f"{volts_text(rms.result)}² / {format_value(supply.ohms, 'Ω')}", value, "W")
        return Handbook((*rms.steps, step), TABLE)

    return formula


def _reverse_peak(supply: SupplyNumbers) -> Handbook:
    held = isinstance(supply.first, Capacitor)
    twice = supply.topology.is_tapped or bool(supply.topology.capacitors) or (supply.half and held)
    formula = f"{'2 × ' if twice else ''}{volts_text(supply.peak)}"
    step = WorkStep("reverse peak of one diode", formula, supply.peak * (2.0 if twice else 1.0), "V")
    return Handbook((*supply.winding(), step), TABLE)


def _mean(supply: SupplyNumbers) -> Handbook:
    if supply.cascade is not None:
        return _cascade_mean(supply, supply.cascade)
    current, ripple = supply.reservoir_ripple()
    steps = [*supply.winding(), current, ripple]
    half = ripple.value / 2.0
    level = supply.times * supply.peak - supply.times * half
    formula = f"{supply.times} × (Vp − Vr/2)" if supply.times > 1 else "Vp − Vr/2"
    lost = supply.series_ohms * current.value
    if lost:
        formula += f" − I × {format_value(supply.series_ohms, 'Ω')}"
    steps.append(WorkStep("mean", formula, level - lost, "V"))
    rule = _with_drops(supply, float(supply.times), supply.times * half + lost)
    return Handbook(tuple(steps), PEAK_RECTIFIER, rule)


def _cascade_mean(supply: SupplyNumbers, cascade: Cascade) -> Handbook:
    current, charge = supply.charge_volts()
    lost, drop = cascade.mean * charge.value, supply.series_ohms * current.value
    formula = f"{supply.times} × Vp − {cascade.mean:g} × q/C"
    formula += f" − I × {format_value(supply.series_ohms, 'Ω')}" if drop else ""
    level = WorkStep("mean", formula, supply.times * supply.peak - lost - drop, "V")
    rule = _with_drops(supply, float(supply.times), lost + drop)
    return Handbook((*supply.winding(), current, charge, level), CASCADE, rule)


def _output_ripple(supply: SupplyNumbers) -> Handbook:
    passed = supply.passed()
    steps = supply.reservoir_ripple()
    ripple = steps[-1]
    if supply.cascade is not None and supply.cascade.ripple != supply.cascade.waves:
        times = supply.cascade.ripple
        steps[-1] = WorkStep("ripple at the output", f"{times:g} × q/C", times * steps[-2].value, "V")
    if passed is not None and passed[1]:
        steps.append(WorkStep("ripple at the output", f"{passed[1]} × Vr", passed[0] * ripple.value, "V"))
    return Handbook(tuple(steps), PEAK_RECTIFIER if supply.cascade is None else CASCADE)


def _from_mean_and_ripple(name: str, formula: str, of: Callable[[float, float], float], unit: str = "V") -> Formula:
    """Return a formula that follows from the mean and the ripple at the output."""

    def found(supply: SupplyNumbers) -> Handbook:
        mean, ripple = _mean(supply), _output_ripple(supply)
        steps = [*mean.steps, *(step for step in ripple.steps if step not in mean.steps)]
        steps.append(WorkStep(name, formula, of(mean.result, ripple.result), unit))
        return Handbook(tuple(steps), PEAK_RECTIFIER)

    return found


def _reservoir(name: str, formula: str, of: Callable[[float, float], float]) -> Formula:
    """Return a formula that follows from the peak of the winding and the ripple of one reservoir."""

    def found(supply: SupplyNumbers) -> Handbook:
        steps = [*supply.winding(), *supply.reservoir_ripple()]
        return Handbook(
            (*steps, WorkStep(name, formula, of(supply.peak, steps[-1].value), "V")),
            PEAK_RECTIFIER,
            _with_drops(supply, 1.0) if name == "peak" else None,
        )

    return found


def _of_cascade(name: str, below: Callable[[Cascade], float]) -> Formula:
    """Return the formula of a level of the metered capacitor, which lies so many times q/C below its peaks."""

    def found(supply: SupplyNumbers) -> Handbook:
        cascade = supply.cascade
        if cascade is None:
            return Handbook()
        current, charge = supply.charge_volts()
        lost, times = below(cascade), f"{cascade.held} × " if cascade.held > 1 else ""
        formula = f"{times}Vp − {lost:g} × q/C" if lost else f"{times}Vp"
        level = WorkStep(name, formula, cascade.held * supply.peak - lost * charge.value, "V")
        return Handbook((*supply.winding(), current, charge, level), CASCADE)

    return found


def _triangle(supply: SupplyNumbers) -> float:
    """Return rms over peak to peak of the ripple: of a saw-tooth, or of a sine behind a further section."""
    return 1.0 / (2.0 * math.sqrt(3.0)) if len(supply.bench.filter) == 1 else 1.0 / (2.0 * math.sqrt(2.0))


def _ac_rms(supply: SupplyNumbers) -> Handbook:
    ripple = _output_ripple(supply)
    symbol = "Vr / (2·√3)" if len(supply.bench.filter) == 1 else "ripple / (2·√2)"
    return Handbook(
        (*ripple.steps, WorkStep("rms of the AC part", symbol, _triangle(supply) * ripple.result, "V")), PEAK_RECTIFIER
    )


def _ripple_factor(supply: SupplyNumbers) -> Handbook:
    mean, ac = _mean(supply), _ac_rms(supply)
    steps = [*mean.steps, *(step for step in ac.steps if step not in mean.steps)]
    value = ac.result / mean.result if mean.result else 0.0
    return Handbook((*steps, WorkStep("ripple factor", "AC part / mean", value, "")), PEAK_RECTIFIER)


def _diode_mean(supply: SupplyNumbers) -> Handbook:
    current = supply.current()
    share = supply.topology.ripple_order if not supply.topology.capacitors else 1
    formula = f"I / {share}" if share > 1 else "I"
    return Handbook((current, WorkStep("mean of one diode", formula, current.value / share, "A")), CLOSED)


def _diode_peak(supply: SupplyNumbers) -> Handbook:
    current, ripple = supply.reservoir_ripple()
    steps = [*supply.winding(), current, ripple]
    if ripple.value == 0.0:
        return Handbook((current, WorkStep("peak of one diode", "without load", 0.0, "A")), CLOSED)
    half = supply.charges == 1
    root = math.sqrt((2.0 if half else 0.5) * supply.peak / ripple.value)
    formula = f"I × (1 + 2π × √({'2·Vp/Vr' if half else 'Vp/(2·Vr)'}))"
    steps.append(WorkStep("peak of one diode", formula, current.value * (1.0 + 2.0 * math.pi * root), "A"))
    return Handbook(tuple(steps), PEAK_RECTIFIER)


def _diode_power(supply: SupplyNumbers) -> Handbook:
    mean = _diode_mean(supply) if isinstance(supply.first, Capacitor) else _RESISTIVE["diode.current.mean"](supply)
    rule = WorkStep(
        f"{USUAL_HOT_DROP} V times its mean current",
        f"{USUAL_HOT_DROP} V × {format_value(mean.result, 'A')}",
        USUAL_HOT_DROP * mean.result,
        "W",
    )
    return Handbook((WorkStep("heat of an ideal diode", "none", 0.0, "W"),), CLOSED, rule)


def _load_current(supply: SupplyNumbers) -> Handbook:
    return Handbook((*supply.winding(), supply.current()), PEAK_RECTIFIER)


def _load_power(supply: SupplyNumbers) -> Handbook:
    mean = _mean(supply)
    current = supply.current()
    return Handbook((*mean.steps, WorkStep("power", "mean × I", mean.result * current.value, "W")), PEAK_RECTIFIER)


def _regulated(supply: SupplyNumbers) -> Handbook:
    regulator = supply.bench.regulator
    if regulator is None:
        return Handbook()
    return Handbook((WorkStep("output of the regulator", "given", regulator.output_voltage, "V"),), CLOSED)


def _regulated_ripple(supply: SupplyNumbers) -> Handbook:
    regulator = supply.bench.regulator
    if regulator is None or not isinstance(supply.first, Capacitor) or supply.passed() is None:
        return Handbook()
    before = _output_ripple(supply)
    passed = ripple_passed_by(regulator)
    decibels = -20.0 * math.log10(passed) if passed else math.inf
    step = WorkStep("behind the regulator", f"ripple × 10^(−{decibels:.0f}/20)", passed * before.result, "V")
    return Handbook((*before.steps, step), PEAK_RECTIFIER)


def _headroom(supply: SupplyNumbers) -> Handbook:
    regulator = supply.bench.regulator
    if regulator is None or not isinstance(supply.first, Capacitor) or supply.passed() is None:
        return Handbook()
    valley = _CAPACITOR_INPUT["output.voltage.valley"](supply)
    step = WorkStep(
        "headroom", f"valley − {volts_text(regulator.output_voltage)}", valley.result - regulator.output_voltage, "V"
    )
    drops = supply.topology.drops * USUAL_DROP * supply.times
    rule = WorkStep(
        f"less {drops:.1f} V of drops", f"{volts_text(step.value)} − {drops:.1f} V", step.value - drops, "V"
    )
    return Handbook((*valley.steps, step), PEAK_RECTIFIER, rule)


def _regulator_power(supply: SupplyNumbers) -> Handbook:
    regulator = supply.bench.regulator
    if regulator is None or not isinstance(supply.first, Capacitor):
        return Handbook()
    mean, current = _mean(supply), supply.current()
    across = mean.result - regulator.output_voltage
    step = WorkStep("heat", f"(mean − {volts_text(regulator.output_voltage)}) × I", across * current.value, "W")
    return Handbook((*mean.steps, step), PEAK_RECTIFIER)


def _regulator_junction(supply: SupplyNumbers) -> Handbook:
    regulator, power = supply.bench.regulator, _regulator_power(supply)
    if regulator is None or regulator.thermal_resistance is None or power.value is None:
        return Handbook()
    ambient, ohms = supply.bench.ambient.temperature, regulator.thermal_resistance
    formula = f"{_celsius(ambient)} + {ohms:g} K/W × heat"
    return Handbook((*power.steps, WorkStep("junction", formula, ambient + ohms * power.value, "°C")), PEAK_RECTIFIER)


def _diode_junction(supply: SupplyNumbers) -> Handbook:
    heat, ohms = _diode_power(supply).rule, supply.bench.diode.thermal_resistance
    if heat is None or ohms is None:
        return Handbook()
    ambient = supply.bench.ambient.temperature
    formula = f"{_celsius(ambient)} + {ohms:g} K/W × {format_value(heat.value, 'W')}"
    rule = WorkStep(f"{USUAL_HOT_DROP} V times mean current", formula, ambient + ohms * heat.value, "°C")
    return Handbook((WorkStep("an ideal diode stays at ambient", "given", ambient, "°C"),), CLOSED, rule)


def _choke_mean(supply: SupplyNumbers) -> Handbook:
    whole = supply.ohms + supply.series_ohms
    mean = 2.0 / math.pi * supply.peak
    steps = [
        *supply.winding(),
        WorkStep("mean of the rectified sine", "2/π × Vp = 0.637 × Vp", mean, "V"),
        WorkStep(
            "mean",
            f"× R/(R + {format_value(supply.series_ohms, 'Ω')}), R = {format_value(supply.ohms, 'Ω')}",
            mean * supply.ohms / whole,
            "V",
        ),
    ]
    return Handbook(tuple(steps), CHOKE_INPUT, _with_drops(supply, 2.0 / math.pi * supply.ohms / whole))


def _choke_ripple(supply: SupplyNumbers) -> Handbook:
    choke, capacitor = supply.bench.filter
    if not isinstance(choke, Choke) or not isinstance(capacitor, Capacitor):
        return Handbook()
    first = 8.0 / (3.0 * math.pi) * supply.peak
    omega = 4.0 * math.pi * supply.frequency
    passed = 1.0 / abs(omega**2 * choke.inductance * capacitor.capacitance - 1.0)
    steps = [
        *supply.winding(),
        WorkStep("second harmonic, peak to peak", "2 × 4/(3π) × Vp", first, "V"),
        WorkStep("ripple", "× 1/(ω²LC − 1), ω of twice the mains", first * passed, "V"),
    ]
    return Handbook(tuple(steps), CHOKE_INPUT)


def _given(name: str, of: Callable[[SupplyNumbers], float], unit: str) -> Formula:
    return lambda supply: Handbook((WorkStep(name, "given", of(supply), unit),), CLOSED)


def _frequency(supply: SupplyNumbers) -> Handbook:
    value = supply.pulses * supply.frequency
    formula = f"{supply.pulses} × {format_value(supply.frequency, 'Hz')}"
    return Handbook((WorkStep("frequency of the ripple", formula, value, "Hz"),), CLOSED)


def _winding_voltage(supply: SupplyNumbers) -> Handbook:
    one = supply.bench.transformer.ratio * supply.mains
    formula = f"{volts_text(supply.mains)} × {supply.bench.transformer.ratio:.4g}, the ratio of turns"
    return Handbook((WorkStep("one winding without load", formula, one, "V"),), CLOSED)


_NAMES = {
    "output.current.mean": "mean current",
    "output.current.rms": "rms current",
    "output.power.mean": "power",
    "load.power.mean": "power",
    "mains.power.active": "power of the load",
    "diode.current.mean": "mean of one diode",
    "diode.current.rms": "rms of one diode",
    "diode.current.peak": "peak of one diode",
    "secondary.current.peak": "peak of the winding",
    "secondary.current.rms": "rms of the winding",
}

_ROOT = math.sqrt(2.0)
_RESISTIVE: Mapping[str, Formula] = {
    "output.voltage.mean": _share("output.voltage.mean", "mean", (1.0 / math.pi, "1/π"), (2.0 / math.pi, "2/π")),
    "output.voltage.rms": _share("output.voltage.rms", "rms", (0.5, "1/2"), (1.0 / _ROOT, "1/√2")),
    "output.voltage.ac_rms": _share(
        "output.voltage.ac_rms",
        "rms of the AC part",
        (math.sqrt(0.25 - 1.0 / math.pi**2), "√(1/4 − 1/π²)"),
        (math.sqrt(0.5 - 4.0 / math.pi**2), "√(1/2 − 4/π²)"),
    ),
    "output.voltage.peak": _share("output.voltage.peak", "peak", (1.0, "1"), (1.0, "1")),
    "output.voltage.ripple": _share("output.voltage.ripple", "peak to peak", (1.0, "1"), (1.0, "1")),
    "output.voltage.valley": _share("output.voltage.valley", "valley", (0.0, "0"), (0.0, "0")),
    "output.voltage.form_factor": _share(
        "output.voltage.form_factor",
        "form factor",
        (math.pi / 2.0, "π/2"),
        (math.pi / (2.0 * _ROOT), "π/(2·√2)"),
    ),
    "output.voltage.ripple_factor": _share(
        "output.voltage.ripple_factor",
        "ripple factor",
        (math.sqrt(math.pi**2 / 4.0 - 1.0), "√(π²/4 − 1)"),
        (math.sqrt(math.pi**2 / 8.0 - 1.0), "√(π²/8 − 1)"),
    ),
    "output.current.mean": _through("output.current.mean", "output.voltage.mean"),
    "output.current.rms": _through("output.current.rms", "output.voltage.rms"),
    "output.power.mean": _resistive_power("output.power.mean"),
    "load.power.mean": _resistive_power("load.power.mean"),
    "mains.power.active": _resistive_power("mains.power.active"),
    "diode.current.mean": _of_resistive_load("diode.current.mean", 1.0 / math.pi, 1.0 / math.pi),
    "diode.current.rms": _of_resistive_load("diode.current.rms", 0.5, 0.5),
    "diode.current.peak": _of_resistive_load("diode.current.peak", 1.0, 1.0),
    "secondary.current.peak": _of_resistive_load("secondary.current.peak", 1.0, 1.0),
    "diode.power.mean": _diode_power,
    "diode.temperature.junction": _diode_junction,
}
"""Into a resistor, without a filter."""

_RESERVOIR: Mapping[str, Formula] = {
    "reservoir.voltage.mean": _reservoir("mean", "Vp − Vr/2", lambda peak, ripple: peak - ripple / 2.0),
    "reservoir.voltage.peak": _reservoir("peak", "Vp", lambda peak, _: peak),
    "reservoir.voltage.valley": _reservoir("valley", "Vp − Vr", lambda peak, ripple: peak - ripple),
    "reservoir.voltage.ripple": lambda supply: Handbook(tuple(supply.reservoir_ripple()), PEAK_RECTIFIER),
    "diode.current.mean": _diode_mean,
    "diode.current.peak": _diode_peak,
    "diode.power.mean": _diode_power,
    "diode.temperature.junction": _diode_junction,
}
"""What holds behind a reservoir, whatever follows it."""

_CAPACITOR_INPUT: Mapping[str, Formula] = {
    **_RESERVOIR,
    "output.voltage.mean": _mean,
    "output.voltage.rms": _from_mean_and_ripple("rms", "as the mean, the ripple being small", lambda mean, _: mean),
    "output.voltage.ripple": _output_ripple,
    "output.voltage.ac_rms": _ac_rms,
    "output.voltage.ripple_factor": _ripple_factor,
    "output.voltage.peak": _from_mean_and_ripple("peak", "mean + ripple/2", lambda mean, ripple: mean + ripple / 2.0),
    "output.voltage.valley": _from_mean_and_ripple(
        "valley", "mean − ripple/2", lambda mean, ripple: mean - ripple / 2.0
    ),
    "output.voltage.form_factor": _given("form factor", lambda _: 1.0, ""),
    "output.current.mean": _load_current,
    "output.current.rms": _load_current,
    "output.power.mean": _load_power,
    "load.power.mean": _load_power,
}
"""Behind a reservoir without a regulator."""

_CASCADE: Mapping[str, Formula] = {
    "reservoir.voltage.mean": _of_cascade("mean", lambda cascade: cascade.falls + cascade.waves / 2.0),
    "reservoir.voltage.peak": _of_cascade("peak", lambda cascade: cascade.falls),
    "reservoir.voltage.valley": _of_cascade("valley", lambda cascade: cascade.falls + cascade.waves),
    "diode.current.peak": lambda _: Handbook(),
}
"""Of a cascade, whose capacitors do not all hold the peak of the winding."""

_REGULATED: Mapping[str, Formula] = {
    "output.voltage.mean": _regulated,
    "output.voltage.rms": _regulated,
    "output.voltage.ripple": _regulated_ripple,
    "regulator.voltage.headroom": _headroom,
    "regulator.power.mean": _regulator_power,
    "regulator.temperature.junction": _regulator_junction,
}

_CHOKE_INPUT: Mapping[str, Formula] = {"output.voltage.mean": _choke_mean, "output.voltage.ripple": _choke_ripple}

_EVERYWHERE: Mapping[str, Formula] = {
    "mains.voltage.rms": _given("mains voltage", lambda supply: supply.mains, "V"),
    "mains.frequency": _given("mains frequency", lambda supply: supply.frequency, "Hz"),
    "secondary.voltage.rms": _winding_voltage,
    "diode.voltage.reverse_peak": _reverse_peak,
    "output.voltage.frequency": _frequency,
    "ambient.temperature": _given("ambient", lambda supply: supply.bench.ambient.temperature, "°C"),
}
