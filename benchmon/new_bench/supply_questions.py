"""The questions about the supply under test."""

from __future__ import annotations

from benchmon.bench.topology import TOPOLOGIES
from benchmon.new_bench.asking import Question, ask_all, ask_choice, ask_text, ask_yes, between, say, title
from benchmon.new_bench.bench_text import TextSection, TomlValue
from benchmon.quantities import (
    APPARENT_POWER,
    CAPACITANCE,
    CURRENT,
    FRACTION,
    FREQUENCY,
    POWER,
    RESISTANCE,
    TEMPERATURE,
    THERMAL_RESISTANCE,
    VOLTAGE,
    parse_value,
)

_FUSES = (0.1, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10)
"""Rated currents of miniature fuse-links, A (IEC 60127-2)."""
_FUSE_FACTOR = 1.6
_REGULATION = ((20.0, "20 %"), (60.0, "12 %"), (150.0, "9 %"), (float("inf"), "6 %"))
"""Usual regulation of a transformer up to a rating in VA (from memory)."""
_SILICON: TomlValue = [["0.72 V", "0.1 A"], ["0.95 V", "3 A"]]
_SCHOTTKY: TomlValue = [["0.30 V", "0.1 A"], ["0.50 V", "3 A"]]

_MAINS = (
    Question(
        "voltage",
        "mains voltage",
        "every expected reading follows it; measure it without load",
        VOLTAGE,
        "230 V",
        "as measured without load",
        between(1, 1000),
    ),
    Question(
        "frequency",
        "mains frequency",
        "it sets the ripple and the period",
        FREQUENCY,
        "50 Hz",
        check=between(10, 1000),
    ),
    Question(
        "tolerance",
        "how far the mains may be off",
        "a channel that measures it narrows this; public mains may be 10 % off (EN 50160)",
        FRACTION,
        "6 %",
        "what the socket may differ by; a measured mains narrows it",
        between(0, 0.99),
    ),
)
_MEAN = Question("mean_current_rating", "rated mean current of one diode", "checked before power", CURRENT, "3 A")
_REVERSE = Question(
    "reverse_voltage_rating",
    "rated reverse voltage of one diode",
    "at high mains without load it sees the peak, in a centre tap twice that",
    VOLTAGE,
    "200 V",
)
_HEAT = Question(
    "thermal_resistance",
    "thermal resistance, junction to air",
    "dissipation times this is how much hotter than the air it gets",
    THERMAL_RESISTANCE,
    "18 K/W",
    "junction to the air, as mounted",
)
_CAPACITANCE = Question(
    "capacitance", "its capacitance", "the ripple is inversely proportional to it", CAPACITANCE, "4.7 mF"
)
_RATED = Question("voltage_rating", "its rated voltage", "checked at high mains without load", VOLTAGE, "40 V")
_LOADS = {
    "resistor": (
        Question("resistance", "its resistance", "measure it warm if you can", RESISTANCE, "10 Ω"),
        Question("power_rating", "its rated power", "checked at high mains", POWER, "100 W"),
    ),
    "current": (Question("current", "its current", "the supply must carry it all the time", CURRENT, "1 A"),),
    "open": (),
}
_AIR = Question(
    "temperature",
    "temperature of the air",
    "temperatures are expected from here on; a channel for ambient.temperature measures it",
    TEMPERATURE,
    "25 °C",
    check=between(-40, 80),
)


def ask_title() -> str:
    """Ask what the bench is called."""
    return ask_text("what is on the bench", "it stands on the screen, in reports and in the file's name", "my supply")


def ask_mains() -> TextSection:
    """Ask for the mains."""
    title("The mains")
    section = TextSection("[mains]")
    ask_all(section, *_MAINS)
    section.add("source_resistance", "0.4 Ω", "of the socket and the lead; a guess, measure it if peaks matter")
    return section


def ask_rectifier() -> TextSection:
    """Ask how the diodes are wired."""
    title("The rectifier")
    section = TextSection("[rectifier]")
    why = "it decides which winding conducts when, and what every diode carries"
    section.add("kind", ask_choice("how the diodes are wired", why, tuple(TOPOLOGIES), "bridge"))
    return section


def ask_transformer(mains: TextSection, rectifier: str) -> TextSection:
    """Ask for the transformer by the figures on its label."""
    title("The transformer")
    section = TextSection("[transformer]")
    why = "a wrong tap is a common mistake; look at the label"
    volts = mains.value("voltage")
    ask_all(section, Question("primary_voltage", "voltage of the primary tap", why, VOLTAGE, volts))
    windings, connection = _ask_windings(rectifier)
    section.add("secondaries", windings)
    section.add("connection", connection, "how the two windings are joined" if windings == 2 else "")
    why = "rated voltage, regulation and this give the windings' resistance"
    ask_all(section, Question("rating", "rating of all windings together", why, APPARENT_POWER, "120 VA"))
    size = parse_value(section.value("rating"), APPARENT_POWER)
    usual = next(words for most, words in _REGULATION if size <= most)
    why, more = "small transformers have more", "... and this much more without load; the resistances follow from it"
    rated = ("rated_voltage", "voltage of one winding at full load", "the label's")
    ask_all(
        section,
        Question(*rated, VOLTAGE, "18 V", "one winding at full load ..."),
        Question("regulation", "how much more without load", why, FRACTION, usual, more, between(0.001, 0.9)),
    )
    return section


def _ask_windings(rectifier: str) -> tuple[int, str]:
    if TOPOLOGIES[rectifier].is_tapped:
        say(f"A {rectifier} takes two windings in series, with the tap between them.")
        return 2, "series"
    choices = ("one winding", "two windings in parallel", "two windings in series")
    why = "in parallel they have half the resistance, in series twice the voltage"
    chosen = ask_choice("secondary windings in use", why, choices, choices[0])
    return (1, "single") if chosen == choices[0] else (2, chosen.rpartition(" ")[2])


def ask_fuse(transformer: TextSection) -> TextSection | None:
    """Ask for the primary fuse, if there is one."""
    title("The fuse")
    if not ask_yes("is there a fuse in the primary?", "without one nothing clears a short circuit", default=True):
        return None
    rating = parse_value(transformer.value("rating"), APPARENT_POWER)
    amperes = rating / parse_value(transformer.value("primary_voltage"), VOLTAGE)
    usual = next((size for size in _FUSES if size >= _FUSE_FACTOR * amperes), _FUSES[-1])
    section = TextSection("[fuse]")
    why = f"the inrush is checked against it; {_FUSE_FACTOR:g} times the rated {amperes:.2g} A is usual"
    ask_all(section, Question("rating", "rating of the fuse", why, CURRENT, f"{usual:g} A"))
    why = "a transformer's inrush blows a fast one"
    section.add("speed", ask_choice("its speed", why, ("time-lag", "fast"), "time-lag"))
    return section


def ask_diode() -> TextSection:
    """Ask for one diode of the rectifier."""
    title("The diodes")
    kinds = ("silicon", "Schottky", "two points of its forward curve, from the data sheet")
    chosen = ask_choice("kind of diode", "its forward drop lowers the output and heats it", kinds, "silicon")
    section = TextSection("[diode]", "one diode; better than a kind are points from its own data sheet")
    section.add("forward", {kinds[0]: _SILICON, kinds[1]: _SCHOTTKY}.get(chosen) or _ask_points())
    ask_all(section, _MEAN, _REVERSE)
    why = "with it the temperature is expected, not only measured"
    if ask_yes("is its thermal resistance known?", why, default=False):
        ask_all(section, _HEAT)
        section.add("thermal_time_constant", "40 s", "how quickly it warms; a guess for a small one")
    section.add("max_junction", "150 °C", "the usual limit of silicon; see its data sheet")
    return section


def _ask_points() -> TomlValue:
    points: list[TomlValue] = []
    for words, volts, amperes in (("a small", "0.72 V", "0.1 A"), ("a large", "0.95 V", "3 A")):
        why = "read both points off the same curve, at 25 °C"
        current = Question("", f"{words} forward current", why, CURRENT, amperes).ask()
        points.append([Question("", f"forward voltage at {current}", why, VOLTAGE, volts).ask(), current])
    return points


def ask_filter() -> list[TextSection]:
    """Ask for the reservoir. Chokes and further sections are left to the file's comments."""
    title("The reservoir")
    why = "it lifts the output to nearly the peak, and turns the line current into pulses"
    if not ask_yes("is there a reservoir capacitor?", why, default=True):
        return []
    section = TextSection("[[filter]]", "the reservoir; resistors, chokes and more capacitors follow in order")
    section.add("kind", "capacitor")
    ask_all(section, _CAPACITANCE)
    section.add("tolerance", "20 %", "of an ordinary electrolytic")
    section.add("esr", "30 mΩ", "a guess; its data sheet tells")
    ask_all(section, _RATED)
    return [section]


def ask_load() -> TextSection:
    """Ask for the load."""
    title("The load")
    section = TextSection("[load]")
    why = "a resistor follows the voltage, an electronic load holds its current, open is no load"
    section.add("kind", ask_choice("kind of load", why, tuple(_LOADS), "resistor"))
    ask_all(section, *_LOADS[section.value("kind")])
    return section


def ask_ambient() -> TextSection:
    """Ask for the air."""
    title("The air")
    section = TextSection("[ambient]")
    ask_all(section, _AIR)
    return section
