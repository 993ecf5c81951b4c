"""What to know before power is applied, in plain words: what the numbers of this bench mean for the person at it.

Cautions.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from benchmon.bench import Bench, Capacitor, ResistorLoad
from benchmon.prediction.ratings.margins import Margin, fuse_heating, gate_i2t, winding_heat
from benchmon.prediction.ratings.stored_energy import Stored, bleed_time, stored
from benchmon.prediction.ratings.worst_case import HIGH, NORMAL, WorstCase
from benchmon.quantities import format_value
from benchmon.standards import METAL_HARMLESS, METAL_PAINFUL, TOUCHABLE_AC, TOUCHABLE_DC

NEAR = 0.2
"""A margin below this is worth a word: parts are best kept 20 % under their ratings (a rule of thumb)."""

DISCHARGED = 5.0
"""Volts below which a capacitor leaves little to spark, weld or harm a part."""

_HOT_LOAD = 2.0
_WORTH_SAYING = 0.01


def cautions_of(stress: WorstCase, margins: Sequence[Margin]) -> list[str]:
    """Return the cautions for a bench: first what breaks a limit, then shock, energy, heat, and what is not known."""
    return [
        *_broken(margins),
        *_mains(stress),
        *_probes(stress.bench),
        *_touchable(stress),
        *_stored(stress),
        *_hot(stress),
        *_protection(stress),
        *_surge(stress),
        *_fuse(stress),
        *_transformer(stress),
        *_near(margins),
        *_unknown(stress.bench),
    ]


def _say(value: float, unit: str) -> str:
    return format_value(value, unit, 3)


def _broken(margins: Sequence[Margin]) -> Iterator[str]:
    broken = [margin.name for margin in margins if not margin.ok]
    if broken:
        yield f"Do not switch on as it is: past its limit is {', '.join(broken)}."


def _mains(stress: WorstCase) -> Iterator[str]:
    yield (
        "Mains voltage kills. Everything up to the transformer's secondary, fuse and inrush limiter included, is live "
        "while the plug is in: unplug and measure before you touch, and do not work alone."
    )
    yield (
        "Local electrical codes decide how this supply must be earthed, fused and enclosed and who may work on it; "
        "where they ask for a licensed person, get one. No list replaces that."
    )
    if stress.bench.mains.tolerance == 0.0:
        yield (
            "The bench file gives the mains no tolerance, so every margin is at exactly "
            f"{_say(stress.bench.mains.voltage, 'V')}; public mains may be 10 % higher or lower (EN 50160)."
        )


def _probes(bench: Bench) -> Iterator[str]:
    yield (
        f"The ground clip of an earthed oscilloscope is a wire to earth. {bench.rectifier.topology.earth} Never clip "
        "an earthed probe on the winding's side of the rectifier while the output is earthed too, by a second probe, a "
        "meter or the load: earth then shorts winding and diodes. Use a differential probe there."
    )
    yield (
        "Never connect an earthed probe to the mains side. An isolation transformer in front of the supply keeps one "
        "fault from becoming a short, but a residual-current device no longer protects you behind it, and an earthed "
        "probe undoes the isolation."
    )


def _touchable(stress: WorstCase) -> Iterator[str]:
    """Say where the secondary side itself is past what is safe to touch."""
    bench = stress.bench
    topology = bench.rectifier.topology
    ends = 2 if topology.is_tapped or bench.transformer.connection == "series" else 1
    direct = len(topology.rails) * max(stress.worst_of_all("output.voltage.peak"), stored(stress).volts)
    winding = ends * stress.worst_of_all("secondary.voltage.rms")
    if direct > TOUCHABLE_DC or winding > TOUCHABLE_AC:
        yield (
            f"The secondary side is not safe to touch either: up to {_say(direct, 'V')} after the rectifier and "
            f"{_say(winding, 'V')} rms before it; safe are {TOUCHABLE_DC:.0f} V d.c. and {TOUCHABLE_AC:.0f} V rms "
            "(class ES1 of IEC 62368-1, from memory)."
        )


def _stored(stress: WorstCase) -> Iterator[str]:
    """Say how much energy the capacitors hold without load at high mains, and how long the load takes to drain it."""
    held = stored(stress)
    if held.farads > 0.0:
        yield f"The capacitors hold up to {_say(held.joules, 'J')} at {_say(held.volts, 'V')}. " + _drain(stress, held)


def _drain(stress: WorstCase, held: Stored) -> str:
    times = []
    for level, why in ((TOUCHABLE_DC, "safe to touch"), (DISCHARGED, "little left to spark")):
        seconds = bleed_time(stress.bench, held.farads, held.volts, level)
        if seconds is None:
            return (
                "Nothing bleeds them: with the load off they stay charged for minutes to days. Fit a bleeder or "
                "discharge them through a resistor, never a screwdriver, and measure before you touch."
            )
        if held.volts > level:
            times.append(f"{_time(seconds)} below {level:.0f} V ({why})")
    if not times:
        return f"That is below {DISCHARGED:.0f} V, with little to spark; still never short them."
    return (
        f"After power off the load brings them in {' and in '.join(times)}; with the load off nothing does, so "
        "measure before you touch and discharge through a resistor, never a screwdriver."
    )


def _time(seconds: float) -> str:
    return "less than 10 ms" if seconds < 0.01 else f"about {_say(seconds, 's')}"


def _hot(stress: WorstCase) -> Iterator[str]:
    names = {
        "diode.temperature.case": "a diode's case",
        "regulator.temperature.junction": "the regulator's junction",
        "ntc.temperature": "the inrush limiter",
    }
    found = {name: stress.worst(key) for key, name in names.items() if key in stress.loaded.quantities}
    hot = [f"{name} {celsius:.0f} °C" for name, celsius in found.items() if celsius > METAL_HARMLESS]
    if hot:
        yield (
            f"Hot at high mains: {', '.join(hot)}. Metal held for a few seconds is harmless up to "
            f"{METAL_HARMLESS:.0f} °C, painful up to {METAL_PAINFUL:.0f} °C and burns above (IEC 62368-1, from "
            "memory). Parts stay hot after power off; an inrush limiter that is still hot does not limit the next "
            "switch-on."
        )
    elif stress.bench.ntc is not None:
        yield "An inrush limiter that is still warm limits the next switch-on less: let it cool for a few minutes."
    watts = stress.worst("load.power.mean")
    if isinstance(stress.bench.load, ResistorLoad) and watts > _HOT_LOAD:
        yield (
            f"The load turns up to {_say(watts, 'W')} into heat. A power resistor near its rating is well above "
            "100 °C (a rule of thumb): mount it in free air, on nothing that burns, and keep fingers and leads off."
        )


def _protection(stress: WorstCase) -> Iterator[str]:
    if stress.bench.fuse is None:
        yield (
            "The bench file has no fuse: nothing interrupts a shorted diode, capacitor or winding before it burns. Put "
            "a fuse with the right breaking capacity in the primary circuit."
        )
    yield (
        "benchmon is no protective device: it watches, and what it switches off it may switch off late or never. Fuse, "
        "earth and enclosure must make the supply safe without it."
    )


def _surge(stress: WorstCase) -> Iterator[str]:
    surge, core = stress.surge, stress.core
    started = "not within" if surge.time_to_90 is None else "after"
    seconds = surge.time_to_90 or surge.half_cycles * 0.5 / stress.bench.mains.frequency
    yield (
        f"At the worst moment of switching on, the line peaks at {_say(surge.line_peak, 'A')} with "
        f"{_say(surge.surge_i2t, 'A²s')}, and the supply has 90 % of its voltage {started} {_say(seconds, 's')}."
    )
    if core.peak is None or core.i2t is None:
        yield (
            "How much the transformer itself draws at switch-on cannot be bounded: the primary circuit has no "
            "resistance in the bench file. Give primary_resistance or source_resistance."
        )
        return
    fuse = stress.bench.fuse
    melts = fuse is not None and fuse.melting_i2t is not None and core.i2t > fuse.melting_i2t
    blows = " That is past the fuse's melting I²t: at an unlucky moment it may blow for no other reason."
    yield (
        f"A saturated core may add, as an estimate from above, a peak of {_say(core.peak, 'A')} and "
        f"{_say(core.i2t, 'A²s')}: flux doubled on top of 80 % remanence, limited only by the primary circuit's "
        f"{_say(core.resistance, 'Ω')}. Toroids come near it, stacked cores stay well below.{blows if melts else ''}"
    )


def _transformer(stress: WorstCase) -> Iterator[str]:
    primary, secondary = winding_heat(stress)
    if primary + secondary > _WORTH_SAYING:
        yield (
            f"At high mains the windings turn {_say(primary, 'W')} (primary) and {_say(secondary, 'W')} (secondary) "
            "into heat; no rating for that is known, so watch the transformer's temperature."
        )
    yield from _warm_copper(stress)
    if not stress.bench.filter or not isinstance(stress.bench.filter[0], Capacitor):
        return
    winding = float(stress.loaded.quantities["secondary.current.rms"][HIGH])
    load = float(stress.loaded.quantities["output.current.mean"][HIGH])
    who = "each winding carries" if stress.bench.transformer.secondaries == 2 else "the winding carries"
    if stress.bench.transformer.connection == "parallel":
        winding, who = 2.0 * winding, "both windings together carry"
    if load > 1e-6 * winding:
        yield (
            f"A capacitor input takes its current in short pulses: {who} {_say(winding, 'A')} rms for a load of "
            f"{_say(load, 'A')}. Choose the transformer by the rms current, not by the load's watts."
        )


def _warm_copper(stress: WorstCase) -> Iterator[str]:
    """Say how far warm windings let the output fall: predictions are for the bench file's resistances as they stand."""
    if stress.warm_copper is None:
        return
    celsius = float(stress.loaded.quantities["transformer.temperature"][NORMAL])
    cold, warm = (solved.quantities["output.voltage.mean"][0] for solved in (stress.loaded, stress.warm_copper))
    # A regulator keeps its output whatever the windings do: what is left of the difference then is rounding.
    fall = float(cold - warm)
    if fall > 1e-4 * float(cold):
        yield (
            f"Windings may settle at about {celsius:.0f} °C (an estimate from the rating). If the bench file's "
            f"resistances were measured cold, the output is then {_say(fall, 'V')} lower than predicted."
        )


def _near(margins: Sequence[Margin]) -> Iterator[str]:
    near = [margin.name for margin in margins if margin.ok and margin.margin < NEAR]
    advice = "Margins are to the full ratings. Keep 20 % below them (a rule of thumb), and more in hot enclosures"
    yield f"{advice}{'; nearer than that is ' + ', '.join(near) if near else ''}."


def _unknown(bench: Bench) -> Iterator[str]:
    missing = list(_missing(bench))
    if missing:
        yield f"Not checked, because the bench file does not say: {', '.join(missing)}. Add them from the data sheets."


def _missing(bench: Bench) -> Iterator[str]:
    diode = bench.diode
    for key in ("mean_current_rating", "surge_current_rating", "reverse_voltage_rating"):
        if getattr(diode, key) is None:
            yield f"diode.{key}"
    if diode.max_junction is None or diode.thermal_resistance is None:
        yield "diode.thermal_resistance with max_junction"
    for index, part in enumerate(bench.filter):
        if isinstance(part, Capacitor):
            yield from (
                f"filter[{index + 1}].{key}"
                for key in ("voltage_rating", "ripple_current_rating")
                if getattr(part, key) is None
            )
    if bench.transformer.rating is None:
        yield "transformer.rating"
    if isinstance(bench.load, ResistorLoad) and bench.load.power_rating is None:
        yield "load.power_rating"
    if bench.ntc is not None and bench.ntc.max_current is None:
        yield "ntc.max_current"
    regulator = bench.regulator
    if regulator is not None and (regulator.max_junction is None or regulator.thermal_resistance is None):
        yield "regulator.thermal_resistance with max_junction"


def _fuse(stress: WorstCase) -> Iterator[str]:
    """Say what is not known of the fuse's surge where neither its data sheet nor IEC 60127-2 gives a limit."""
    fuse = stress.bench.fuse
    if fuse is None or fuse.melting_i2t is not None:
        return
    heat = _say(fuse_heating(stress), "A²s")
    if gate_i2t(fuse, stress.surge.line_peak) is None:
        yield (
            f"Whether the fuse bears the {heat} of switching on is not known: its surge is stronger than any gate of "
            "IEC 60127-2. Give fuse.melting_i2t from its data sheet."
        )
    else:
        yield (
            f"The fuse's limit of I²t is the least that IEC 60127-2 asks of a {fuse.speed} fuse (from memory); give "
            "fuse.melting_i2t from its data sheet for the true one."
        )


CAUTIONS = (
    "Mains voltage kills, and a reservoir stays charged after switching off. Test behind an isolating transformer,",
    "one earthed probe ground at most, hot parts out of reach; local rules and licensed practice go first.",
    "benchmon only watches: it is no protective device.",
)
"""The usual cautions, in three lines."""
