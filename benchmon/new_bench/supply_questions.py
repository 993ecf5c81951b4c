"""The questions about the supply under test."""

from __future__ import annotations

from benchmon.bench import (
    Ambient,
    Bench,
    Capacitor,
    CurrentLoad,
    Diode,
    Fuse,
    Mains,
    Rectifier,
    ResistorLoad,
    Transformer,
)
from benchmon.bench.topology import TOPOLOGIES
from benchmon.new_bench.asking import Question, ask_all, ask_choice, ask_text, ask_value, ask_yes, meaning, say, title
from benchmon.new_bench.bench_text import TextSection, TomlValue
from benchmon.quantities import APPARENT_POWER, CURRENT, VOLTAGE, parse_value
from benchmon.standards import FUSE_RATINGS, USUAL_REGULATION

_FUSE_FACTOR = 1.6
_SILICON: TomlValue = [["0.72 V", "0.1 A"], ["0.95 V", "3 A"]]
_SCHOTTKY: TomlValue = [["0.30 V", "0.1 A"], ["0.50 V", "3 A"]]

_MAINS = (
    Question(Mains, "voltage", "mains voltage", "230 V"),
    Question(Mains, "frequency", "mains frequency", "50 Hz"),
    Question(Mains, "tolerance", "how far the mains may be off", "6 %"),
)
_MEAN = Question(Diode, "mean_current_rating", "rated mean current of one diode", "3 A")
_REVERSE = Question(Diode, "reverse_voltage_rating", "rated reverse voltage of one diode", "200 V")
_HEAT = Question(Diode, "thermal_resistance", "thermal resistance, junction to air", "18 K/W")
_CAPACITANCE = Question(Capacitor, "capacitance", "its capacitance", "4.7 mF")
_RATED = Question(Capacitor, "voltage_rating", "its rated voltage", "40 V")
_LOADS = {
    "resistor": (
        Question(ResistorLoad, "resistance", "its resistance", "10 Ω"),
        Question(ResistorLoad, "power_rating", "its rated power", "100 W"),
    ),
    "current": (Question(CurrentLoad, "current", "its current", "1 A"),),
    "open": (),
}
_AIR = Question(Ambient, "temperature", "temperature of the air", "25 °C")


def ask_title() -> str:
    """Ask what the bench is called."""
    return ask_text("what is on the bench", meaning(Bench, "title"), "my supply")


def ask_mains() -> TextSection:
    """Ask for the mains."""
    title("The mains")
    section = TextSection("[mains]")
    ask_all(section, *_MAINS)
    section.add("source_resistance", "0.4 Ω", "a guess; measure it if the peaks of the line current matter")
    return section


def ask_rectifier() -> TextSection:
    """Ask how the diodes are wired."""
    title("The rectifier")
    section = TextSection("[rectifier]")
    why = meaning(Rectifier, "kind")
    section.add("kind", ask_choice("how the diodes are wired", why, tuple(TOPOLOGIES), "bridge"))
    return section


def ask_transformer(mains: TextSection, rectifier: str) -> TextSection:
    """Ask for the transformer by the figures on its label."""
    title("The transformer")
    section = TextSection("[transformer]")
    volts = mains.value("voltage")
    ask_all(section, Question(Transformer, "primary_voltage", "voltage of the primary tap", volts))
    windings, connection = _ask_windings(rectifier)
    section.add("secondaries", windings)
    section.add("connection", connection, meaning(Transformer, "connection").removesuffix(".") if windings == 2 else "")
    ask_all(section, Question(Transformer, "rating", "rating of all windings together", "120 VA"))
    size = parse_value(section.value("rating"), APPARENT_POWER)
    usual = next(words for most, words in USUAL_REGULATION if size <= most)
    ask_all(
        section,
        Question(Transformer, "rated_voltage", "voltage of one winding at full load", "18 V"),
        Question(Transformer, "regulation", "how much more without load", usual),
    )
    return section


def _ask_windings(rectifier: str) -> tuple[int, str]:
    if TOPOLOGIES[rectifier].is_tapped:
        say(f"A {rectifier} takes two windings in series, with the tap between them.")
        return 2, "series"
    choices = ("one winding", "two windings in parallel", "two windings in series")
    chosen = ask_choice("secondary windings in use", meaning(Transformer, "connection"), choices, choices[0])
    return (1, "single") if chosen == choices[0] else (2, chosen.rpartition(" ")[2])


def ask_fuse(transformer: TextSection) -> TextSection | None:
    """Ask for the primary fuse, if there is one."""
    title("The fuse")
    if not ask_yes("is there a fuse in the primary?", "without one nothing clears a short circuit", default=True):
        return None
    rating = parse_value(transformer.value("rating"), APPARENT_POWER)
    amperes = rating / parse_value(transformer.value("primary_voltage"), VOLTAGE)
    usual = next((size for size in FUSE_RATINGS if size >= _FUSE_FACTOR * amperes), FUSE_RATINGS[-1])
    section = TextSection("[fuse]")
    more = f"The primary is rated {amperes:.2g} A."
    ask_all(section, Question(Fuse, "rating", "rating of the fuse", f"{usual:g} A", more))
    section.add("speed", ask_choice("its speed", meaning(Fuse, "speed"), ("time-lag", "fast"), "time-lag"))
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
    section.add("max_junction", "150 °C", "usual for silicon; see its data sheet")
    return section


def _ask_points() -> TomlValue:
    points: list[TomlValue] = []
    for words, volts, amperes in (("a small", "0.72 V", "0.1 A"), ("a large", "0.95 V", "3 A")):
        why = "read both points off the same curve, at 25 °C"
        current = ask_value(f"{words} forward current", why, CURRENT, amperes, _above_zero)
        points.append([ask_value(f"forward voltage at {current}", why, VOLTAGE, volts, _above_zero), current])
    return points


def _above_zero(number: float) -> str:
    return "" if number > 0 else "must be above 0"


def ask_filter() -> list[TextSection]:
    """Ask for the reservoir. Chokes and further sections are left to the file's comments."""
    title("The reservoir")
    why = "it lifts the output to nearly the peak, and turns the line current into pulses"
    if not ask_yes("is there a reservoir capacitor?", why, default=True):
        return []
    section = TextSection("[[filter]]", "the reservoir; resistors, chokes and more capacitors follow in order")
    section.add("kind", "capacitor")
    ask_all(section, _CAPACITANCE)
    section.add("tolerance", "20 %", "usual for an electrolytic")
    section.add("esr", "30 mΩ", "a guess; see its data sheet")
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
