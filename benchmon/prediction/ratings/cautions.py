"""Cautions before power is applied: what the figures of this bench mean for the operator, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmon.bench import Bench, Capacitor, CurrentLoad, FilterPart, Load, Regulator, ResistorLoad
from benchmon.findings import FindingKind, findings_of_readings, wording_of
from benchmon.prediction.predict import findings_of
from benchmon.prediction.ratings.margins import Margin, fuse_heating, gate_i2t, highest_voltage, winding_heat
from benchmon.prediction.ratings.worst_case import HIGH, LOW, NORMAL, WorstCase
from benchmon.quantities import UNITS, Expected, format_value
from benchmon.standards import (
    INSULATION_STANDS,
    METAL_HARMLESS,
    METAL_PAINFUL,
    PUBLIC_SUPPLY_VARIES,
    TOUCHABLE_AC,
    TOUCHABLE_DC,
)


@dataclass(frozen=True)
class StoredEnergy:
    """Energy of all capacitors in joules, and at one output the capacitance in farads and the highest voltage.

    Of a cascade `farads` is what the load discharges at last, which is more than at first.
    """

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
        alike = 1 if worst_case.second else len(topology.rails)
        joules += 0.5 * part.capacitance * high**2 * sum(share**2 for share in peaks) * alike
        # Those that do not feed the output discharge into it through the diodes, once it has fallen below them.
        behind = sum(not capacitor.feeds for capacitor in inner)
        farads += part.capacitance * (1 + behind if behind else 1.0 / len(feeding))
        volts = max(volts, high * sum(feeding))
    return StoredEnergy(joules, farads, volts)


def all_stored_energy(worst_case: WorstCase) -> StoredEnergy:
    """Return the energy stored at all outputs, with the capacitance and the voltage that the load sees."""
    held = stored_energy(worst_case)
    if worst_case.second is None:
        return held
    other = stored_energy(worst_case.second)
    joules = held.joules + other.joules
    if worst_case.bench.rectifier.loads == "each":
        return replace(held, joules=joules)
    farads = held.farads * other.farads / ((held.farads + other.farads) or 1.0)
    return StoredEnergy(joules, farads, held.volts + other.volts)


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


NEAR = 0.2
"""A margin below this is mentioned: parts should be kept 20 % below their ratings (a rule of thumb)."""

DISCHARGED = 5.0
"""Volts below which a capacitor has too little energy to spark, weld or damage a part."""

_HOT_LOAD = 2.0
"""Watts above which a load resistor gets too hot to touch."""

_NOTABLE_LOSS = 0.01
"""Watts of copper loss above which it is mentioned."""


def cautions_of(worst_case: WorstCase, margins: Sequence[Margin]) -> list[str]:
    """Return the cautions for a bench: first exceeded limits, then shock, energy, heat, and what is not known."""
    return [
        *_broken(margins),
        *_mains(worst_case),
        *_probes(worst_case.bench),
        *_touchable(worst_case),
        *_stored(worst_case),
        *_hot(worst_case),
        *_protection(worst_case),
        *_surge(worst_case),
        *_fuse(worst_case),
        *_transformer(worst_case),
        *_found(worst_case),
        *_near(margins),
        *_unknown(worst_case.bench),
    ]


def _value(value: float, unit: str) -> str:
    return format_value(value, unit, 3)


def _broken(margins: Sequence[Margin]) -> Iterator[str]:
    broken = [margin.name for margin in margins if not margin.ok]
    if broken:
        yield f"Do not switch on as it is: beyond the limit: {', '.join(broken)}."


def _mains(worst_case: WorstCase) -> Iterator[str]:
    yield (
        "Mains voltage kills. Everything up to the transformer's secondary, fuse and inrush limiter included, is live "
        "while it is plugged in: unplug and measure before you touch, and do not work alone."
    )
    yield (
        "Local electrical codes decide how this supply must be earthed, fused and enclosed and who may work on it; "
        "if they require a licensed person, get one. No list replaces that."
    )
    if worst_case.bench.mains.tolerance == 0.0:
        yield (
            "The bench file gives the mains no tolerance, so every margin is at exactly "
            f"{_value(worst_case.bench.mains.voltage, 'V')}; public mains may be "
            f"{100 * PUBLIC_SUPPLY_VARIES:.0f} % higher or lower (EN 50160)."
        )


def _probes(bench: Bench) -> Iterator[str]:
    yield (
        f"The ground clip of an earthed oscilloscope is a wire to earth. {_earth(bench)} Never clip "
        "an earthed probe on the winding's side of the rectifier while the output is earthed too, by a second probe, a "
        "meter or the load: earth then shorts winding and diodes. Use a differential probe there."
    )
    yield (
        "Never connect an earthed probe to the mains side. An isolation transformer in front of the supply keeps one "
        "fault from becoming a short, but a residual-current device no longer protects you behind it, and an earthed "
        "probe undoes the isolation."
    )


def _earth(bench: Bench) -> str:
    """Return which part of the winding and of the outputs may be earthed."""
    own = bench.rectifier.topology.earth
    if bench.rectifier.topology.second_winding is None:
        return own
    joined = {
        "isolated": "Its two outputs share nothing: earth one of them, and the other still floats.",
        "plus and minus": "Only where its two outputs meet may both share one earth.",
        "stacked": "Its upper output stands on the lower one: earthing the returns of both shorts the lower output.",
    }
    return f"{own} {joined[bench.rectifier.outputs]}"


def _touchable(worst_case: WorstCase) -> Iterator[str]:
    """Warn if the secondary side exceeds the voltages that are safe to touch."""
    bench = worst_case.bench
    topology = bench.rectifier.topology
    ends = 2 if topology.is_tapped or bench.transformer.connection == "series" else 1
    isolated = topology.second_winding is not None and bench.rectifier.outputs == "isolated"
    highest = [
        max(each.largest_at_any_load("output.voltage.peak"), all_stored_energy(each).volts)
        for each in (worst_case, worst_case.second or worst_case)
    ]
    joined = topology.has_two_outputs and not isolated and bench.rectifier.loads == "each"
    direct = sum(highest) if joined else max(highest)
    winding = ends * worst_case.largest_at_any_load("secondary.voltage.rms")
    if direct > TOUCHABLE_DC or winding > TOUCHABLE_AC:
        yield (
            f"The secondary side is not safe to touch either: up to {_value(direct, 'V')} after the rectifier and "
            f"{_value(winding, 'V')} rms before it; the limits are {TOUCHABLE_DC:.0f} V d.c. and "
            f"{TOUCHABLE_AC:.0f} V rms (class ES1 of IEC 62368-1, from memory)."
        )


def _stored(worst_case: WorstCase) -> Iterator[str]:
    """State the energy of the capacitors without load at high mains, and the time in which the load discharges them."""
    held = all_stored_energy(worst_case)
    if held.farads > 0.0:
        second = worst_case.second if worst_case.bench.rectifier.loads == "each" else None
        volts = _value(held.volts, "V")
        if second is None:
            yield f"The capacitors hold up to {_value(held.joules, 'J')} at {volts}. {_drain(worst_case, held)}"
            return
        other = stored_energy(second)
        yield (
            f"The capacitors hold up to {_value(held.joules, 'J')}, at {volts} and, of output 2, at "
            f"{_value(other.volts, 'V')}. Output 1: {_drain(worst_case, held)} Output 2: {_drain(second, other)}"
        )


def _drain(worst_case: WorstCase, held: StoredEnergy) -> str:
    times = []
    for level, why in ((TOUCHABLE_DC, "safe to touch"), (DISCHARGED, "too little to spark")):
        seconds = bleed_time(worst_case.bench, held.farads, held.volts, level)
        if seconds is None:
            return (
                "Nothing bleeds them: they stay charged for minutes to days. Fit a bleeder or "
                "discharge them through a resistor, never a screwdriver, and measure before you touch."
            )
        if held.volts > level:
            times.append(f"{_time(seconds)} below {level:.0f} V ({why})")
    if not times:
        return f"That is below {DISCHARGED:.0f} V, too little to spark; still never short them."
    return (
        f"After power-off the load discharges them in {' and in '.join(times)}; without the load nothing does, so "
        "measure before you touch and discharge through a resistor, never a screwdriver."
    )


def _time(seconds: float) -> str:
    return "less than 10 ms" if seconds < 0.01 else f"about {_value(seconds, 's')}"


def _hot(worst_case: WorstCase) -> Iterator[str]:
    names = {
        "diode.temperature.case": "a diode's case",
        "regulator.temperature.junction": "the regulator's junction",
        "regulator_2.temperature.junction": "the junction of the regulator of output 2",
        "ntc.temperature": "the inrush limiter",
    }
    found = {name: worst_case.largest(key) for key, name in names.items() if key in worst_case.loaded.quantities}
    hot = [f"{name} {celsius:.0f} °C" for name, celsius in found.items() if celsius > METAL_HARMLESS]
    if hot:
        yield (
            f"Hot at high mains: {', '.join(hot)}. Metal held for a few seconds is harmless up to "
            f"{METAL_HARMLESS:.0f} °C, painful up to {METAL_PAINFUL:.0f} °C and burns above (IEC 62368-1, from "
            "memory). Parts stay hot after power off; an inrush limiter that is still hot does not limit the next "
            "switch-on."
        )
    elif worst_case.bench.ntc is not None:
        yield "An inrush limiter that is still warm limits the next switch-on less: let it cool for a few minutes."
    yield from _hot_load(worst_case, "")
    if worst_case.second is not None and worst_case.bench.rectifier.loads == "each":
        yield from _hot_load(worst_case.second, " of output 2")


def _hot_load(worst_case: WorstCase, where: str) -> Iterator[str]:
    watts = worst_case.largest("load.power.mean")
    if isinstance(worst_case.bench.load, ResistorLoad) and watts > _HOT_LOAD:
        yield (
            f"The load{where} dissipates up to {_value(watts, 'W')}. A power resistor near its rating is well above "
            "100 °C (a rule of thumb): mount it in free air, on nothing flammable, and keep fingers and leads away "
            "from it."
        )


def _protection(worst_case: WorstCase) -> Iterator[str]:
    if worst_case.bench.fuse is None:
        yield (
            "The bench file has no fuse: nothing interrupts a shorted diode, capacitor or winding before it burns. Put "
            "a fuse with the right breaking capacity in the primary circuit."
        )
    yield (
        "benchmon is no protective device: it monitors, and may switch off late or never. Fuse, earth and enclosure "
        "must make the supply safe without it."
    )


def _surge(worst_case: WorstCase) -> Iterator[str]:
    surge, core = worst_case.surge, worst_case.core
    started = "not within" if surge.time_to_90 is None else "after"
    seconds = surge.time_to_90 or surge.half_cycles * 0.5 / worst_case.bench.mains.frequency
    yield (
        f"At the worst moment of switch-on, the line current peaks at {_value(surge.line_peak, 'A')} with "
        f"{_value(surge.surge_i2t, 'A²s')}, and the supply reaches 90 % of its voltage {started} "
        f"{_value(seconds, 's')}."
    )
    if core.peak is None or core.i2t is None:
        yield (
            "The inrush current of the transformer itself cannot be bounded: the primary circuit has no resistance in "
            "the bench file. Give primary_resistance or source_resistance."
        )
        return
    fuse = worst_case.bench.fuse
    melts = fuse is not None and fuse.melting_i2t is not None and core.i2t > fuse.melting_i2t
    blows = " That is beyond the fuse's melting I²t: at an unlucky moment it may blow without any fault."
    yield (
        f"With a saturated core the line current may peak, by an upper estimate, at {_value(core.peak, 'A')}, with "
        f"{_value(core.i2t, 'A²s')}: flux doubled on top of 80 % remanence, limited only by the primary circuit's "
        f"{_value(core.resistance, 'Ω')}. Toroids come close to it, "
        f"stacked cores stay well below.{blows if melts else ''}"
    )


def _transformer(worst_case: WorstCase) -> Iterator[str]:
    primary, secondary = winding_heat(worst_case)
    if primary + secondary > _NOTABLE_LOSS:
        yield (
            f"At high mains the windings dissipate {_value(primary, 'W')} (primary) and {_value(secondary, 'W')} "
            "(secondary); no rating for that is known, so watch the transformer's temperature."
        )
    yield from _warm_copper(worst_case)
    yield from _magnetised(worst_case)
    if not worst_case.bench.filter or not isinstance(worst_case.bench.filter[0], Capacitor):
        return
    winding = float(worst_case.loaded.quantities["secondary.current.rms"][HIGH])
    load = float(worst_case.loaded.quantities["output.current.mean"][HIGH])
    carrier = "each winding carries" if worst_case.bench.transformer.secondaries == 2 else "the winding carries"
    if worst_case.bench.transformer.connection == "parallel":
        winding, carrier = 2.0 * winding, "both windings together carry"
    if load > 1e-6 * winding:
        yield (
            f"A capacitor input draws its current in short pulses: {carrier} {_value(winding, 'A')} rms for a load of "
            f"{_value(load, 'A')}. Choose the transformer by the rms current, not by the power of the load."
        )


def _found(worst_case: WorstCase) -> Iterator[str]:
    """State what the circuit does at normal and at low mains that a table of readings does not say."""
    bench, loaded = worst_case.bench, worst_case.loaded
    for at, where in ((NORMAL, ""), (LOW, "At low mains: ")):
        expected = {name: Expected(float(value[at]), 0.0, UNITS[name]) for name, value in loaded.quantities.items()}
        found = findings_of_readings(bench, expected) if at else findings_of(bench, expected, loaded)
        # A half wave has a caution of its own.
        half_wave = bench.rectifier.kind == "half wave"
        found = [one for one in found if not (half_wave and one.kind is FindingKind.CORE_SATURATED)]
        if found:
            yield from (where + wording_of(finding) for finding in found)
            return


def _magnetised(worst_case: WorstCase) -> Iterator[str]:
    """Warn that the direct current of a half wave magnetises the core."""
    if worst_case.bench.rectifier.kind != "half wave":
        return
    line = float(worst_case.loaded.quantities["mains.current.rms"][NORMAL])
    mean = float(worst_case.loaded.quantities["diode.current.mean"][NORMAL])
    yield (
        "A half wave magnetises the core: no direct current passes a transformer, so the mean current of "
        f"{_value(mean, 'A')} saturates it in one direction. The line current is then {_value(line, 'A')} rms with "
        "even harmonics, and the primary heats up more than the load explains. Choose a transformer two to three times "
        "as large (a rule of thumb), or a bridge; one without an air gap, as a toroid, suffers most."
    )


def _warm_copper(worst_case: WorstCase) -> Iterator[str]:
    """State the drop of the output with warm windings: predictions use the resistances of the bench file unchanged."""
    if worst_case.warm_copper is None:
        return
    celsius = float(worst_case.loaded.quantities["transformer.temperature"][NORMAL])
    cold, warm = (solved.quantities["output.voltage.mean"][0] for solved in (worst_case.loaded, worst_case.warm_copper))
    # A regulator holds its output, and the difference is then only rounding.
    fall = float(cold - warm)
    if fall > 1e-4 * float(cold):
        place = f"at about {celsius:.0f}" if celsius <= INSULATION_STANDS else f"far above {INSULATION_STANDS:.0f}"
        yield (
            f"Windings may settle {place} °C (an estimate from the rating). If the resistances in the "
            f"bench file were measured cold, the output is then {_value(fall, 'V')} lower than predicted."
        )


def _near(margins: Sequence[Margin]) -> Iterator[str]:
    near = [margin.name for margin in margins if margin.ok and margin.margin < NEAR]
    advice = "Margins are to the full ratings. Keep 20 % below them (a rule of thumb), and more in hot enclosures"
    yield f"{advice}{'; closer than that: ' + ', '.join(near) if near else ''}."


def _unknown(bench: Bench) -> Iterator[str]:
    missing = list(_missing(bench))
    if missing:
        yield f"Not checked, because the bench file has no {', '.join(missing)}. Add them from the data sheets."


def _missing(bench: Bench) -> Iterator[str]:
    diode = bench.diode
    for key in ("mean_current_rating", "surge_current_rating", "reverse_voltage_rating"):
        if getattr(diode, key) is None:
            yield f"diode.{key}"
    if diode.max_junction is None or diode.thermal_resistance is None:
        yield "diode.thermal_resistance with max_junction"
    if bench.transformer.rating is None:
        yield "transformer.rating"
    if bench.ntc is not None and bench.ntc.max_current is None:
        yield "ntc.max_current"
    yield from _missing_at("", bench.filter, bench.regulator, bench.load)
    second = None if bench.regulator_2 is None else bench.second_regulator
    yield from _missing_at("_2", bench.filter_2 or (), second, bench.load_2)


def _missing_at(
    output: str, parts: Sequence[FilterPart], regulator: Regulator | None, load: Load | None
) -> Iterator[str]:
    for index, part in enumerate(parts):
        if isinstance(part, Capacitor):
            yield from (
                f"filter{output}[{index + 1}].{key}"
                for key in ("voltage_rating", "ripple_current_rating")
                if getattr(part, key) is None
            )
    if isinstance(load, ResistorLoad) and load.power_rating is None:
        yield f"load{output}.power_rating"
    if regulator is not None and (regulator.max_junction is None or regulator.thermal_resistance is None):
        yield f"regulator{output}.thermal_resistance with max_junction"


def _fuse(worst_case: WorstCase) -> Iterator[str]:
    """Warn if the I²t limit of the fuse is not from its data sheet."""
    fuse = worst_case.bench.fuse
    if fuse is None or fuse.melting_i2t is not None:
        return
    heat = _value(fuse_heating(worst_case), "A²s")
    if gate_i2t(fuse, worst_case.surge.line_peak) is None:
        yield (
            f"Whether the fuse withstands the {heat} of switch-on is not known: the surge exceeds every gate of "
            "IEC 60127-2. Give fuse.melting_i2t from its data sheet."
        )
    else:
        yield (
            f"The I²t limit of the fuse is the least that IEC 60127-2 requires of a {fuse.speed} fuse (from memory); "
            "give fuse.melting_i2t from its data sheet for the true one."
        )


def usual_cautions(bench: Bench | None) -> tuple[str, ...]:
    """Return the usual cautions, a sentence each; that of stored charge only if `bench` (None: unknown) has any."""
    stores = bench is None or bench.reservoir is not None
    kills = "Mains voltage kills" + (", and a reservoir stays charged after switching off" if stores else "")
    return (
        f"{kills}.",
        "Test behind an isolating transformer, with one earthed probe ground at most and hot parts out of reach.",
        "Local rules and licensed practice go first.",
        "benchmon only watches: it is no protective device.",
    )
