"""The questions about instruments, channels and the plan.

The questions about the supply under test.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from pydantic import BaseModel, ValidationError

from benchmon.bench.fields import parse_accuracy
from benchmon.cli.new_bench.bench_text import TextSection, TomlValue
from benchmon.cli.new_bench.prompts import (
    Check,
    Question,
    ask_all,
    ask_choice,
    ask_text,
    ask_value,
    ask_yes,
    between,
    say,
    title,
)
from benchmon.errors import BadInput, one_line
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.registry import driver_names, load_driver
from benchmon.instruments.types import Port
from benchmon.quantities import (
    APPARENT_POWER,
    CAPACITANCE,
    CURRENT,
    DURATION,
    FRACTION,
    FREQUENCY,
    KINDS_BY_UNIT,
    POINTS,
    POWER,
    RESISTANCE,
    TEMPERATURE,
    THERMAL_RESISTANCE,
    UNITS,
    VOLTAGE,
    is_temperature,
    parse_value,
)

_NEEDED = {"scpi": ((), ("query",)), "serial_lines": (("pattern",), ("group",))}
"""What a driver can hardly do without though it does not insist: keys of an instrument, and of a channel."""
_EXAMPLES = {
    "pattern": r"(?P<value>[-+]?[0-9.]+)",
    "group": "value",
    "address": "TCPIP::192.0.2.5::5025::SOCKET",
}
_REASONS = {
    "query": "the question that makes the meter answer with this reading",
    "pattern": "a regular expression with named groups that the meter's line fits",
    "group": "which named group of the pattern this reading is",
}
_QUERIES = (
    (".voltage.mean", "MEASure:VOLTage:DC?"),
    (".current.mean", "MEASure:CURRent:DC?"),
    (".voltage.ac_rms", "MEASure:VOLTage:AC?"),
    (".voltage.rms", "MEASure:VOLTage:AC?"),
    (".current.rms", "MEASure:CURRent:AC?"),
    (".frequency", "MEASure:FREQuency?"),
    ("temperature", "MEASure:TEMPerature?"),
    ("temperature.case", "MEASure:TEMPerature?"),
)
_ACCURACIES = {"V": "0.5 % + 20 mV", "A": "1 % + 5 mA", "W": "1 % + 0.5 W", "°C": "2 K"}
_OTHER = "another address"

Fits = Callable[[Sequence[TextSection], Sequence[TextSection]], str]
"""Takes the sections of instruments and channels and returns why they do not go together, "" where they do."""


def ask_instruments(ports: Sequence[Port], fits: Fits) -> tuple[list[TextSection], list[TextSection]]:
    """Ask for instruments with their channels; return the sections of both.

    `ports` are those that were found; `fits` tells why instruments and channels do not go together.
    """
    title("The instruments")
    say("Mains quantities are measured through a meter made for it, never with bare leads.")
    instruments: list[TextSection] = []
    channels: list[TextSection] = []
    question, why = "is there an instrument to read?", "a meter without an interface counts: what it shows is typed in"
    while ask_yes(question, why, default=not instruments):
        section, own = _ask_whole_instrument(ports, instruments, channels, fits)
        instruments.append(section)
        channels += own
        question, why = "another instrument?", "as many as there are"
    return instruments, channels


def _ask_whole_instrument(
    ports: Sequence[Port], instruments: Sequence[TextSection], channels: Sequence[TextSection], fits: Fits
) -> tuple[TextSection, list[TextSection]]:
    """Ask for an instrument and its channels; what does not fit is told, and asked again."""
    while True:
        section, driver = _ask_instrument(ports, [each.value("name") for each in instruments])
        own: list[TextSection] = []
        why = "a channel is one quantity that it reads"
        while not own or ask_yes("another channel of this instrument?", why, default=False):
            channel = _ask_channel(section, driver, [each.value("name") for each in (*channels, *own)])
            problem = fits([*instruments, section], [*channels, *own, channel])
            if not problem:
                own.append(channel)
                continue
            say(f"That does not go together: {problem}")
            if not own:
                say("Once more, from the instrument on.")
                break
        if own:
            return section, own


def _ask_instrument(ports: Sequence[Port], taken: Sequence[str]) -> tuple[TextSection, type[AnyDriver]]:
    section = TextSection("[[instrument]]")
    names = f"meter {len(taken) + 1}"
    section.add("name", ask_text("its name", "how the screen and the events call it", names, _new_name(taken)))
    # An interface (VISA's INTFC) leads to instruments and is none itself.
    found = [port for port in ports if port.address and not port.problem and not port.address.endswith("::INTFC")]
    choices = [f"{port.address}  {port.identity or port.description}".strip() for port in found]
    chosen = _OTHER
    if choices:
        chosen = ask_choice("where it is", "these were found; see `benchmon ports`", [*choices, _OTHER], choices[0])
    port = found[choices.index(chosen)] if chosen in choices else None
    name = (
        port.driver
        if port
        else ask_choice("how it is spoken to", "the driver; README says which is for what", driver_names(), "scpi")
    )
    driver = load_driver(name)
    section.add("driver", name)
    if port:
        section.add("address", port.address)
    elif name != "hand":
        why = "a VISA resource name, a serial port, a file or a URL, as README has it for this driver"
        section.add("address", ask_text("its address", why, _EXAMPLES["address"] if name == "scpi" else None))
    for key in _keys(driver.settings_model, _NEEDED.get(name, ((), ()))[0], known=("address",)):
        section.add(key, _ask_key(key, driver.settings_model, ""))
    return section, driver


def _ask_channel(instrument: TextSection, driver: type[AnyDriver], taken: Sequence[str]) -> TextSection:
    quantity = _ask_quantity()
    unit = UNITS[quantity]
    section = TextSection("[[channel]]")
    usual = quantity.replace(".", " ").replace("_", " ").removesuffix(" mean").removesuffix(" rms")
    section.add("name", ask_text("name of the channel", "how its row is called", usual, _new_name(taken)))
    section.add("instrument", instrument.value("name"))
    section.add("quantity", quantity)
    for key in _keys(driver.channel_model, _NEEDED.get(instrument.value("driver"), ((), ()))[1]):
        section.add(key, _ask_key(key, driver.channel_model, quantity))
    why = "how exact the meter is, from its data sheet: without it no verdict can be earned"
    accuracy = ask_text("its accuracy", why, _ACCURACIES.get(unit, "2 %"), _is_accuracy(unit))
    section.add("accuracy", accuracy, "a part of the reading plus a fixed amount")
    why, check = "three of them without a reading count as silence", between(0.01, 86_400)
    usual = "60 s" if instrument.value("driver") == "hand" else "1 s"
    ask_all(section, Question("period", "time between readings", why, DURATION, usual, check=check))
    if is_temperature(quantity) and quantity != "ambient.temperature":
        _ask_limits(section, unit)
    return section


def _ask_quantity() -> str:
    point = ask_choice("where it measures", "the point of the circuit", POINTS, "output")
    whats = [quantity.removeprefix(f"{point}.") for quantity in UNITS if quantity.startswith(f"{point}.")]
    why = "rms is of the whole wave, mean what a DC range reads, ac_rms what an AC-coupled range reads"
    usual = "voltage.mean" if "voltage.mean" in whats else whats[0]
    return f"{point}.{ask_choice('what it reads', why, whats, usual) if len(whats) > 1 else whats[0]}"


def _ask_limits(section: TextSection, unit: str) -> None:
    warn = ask_value("warn above", "a warning asks you to look", KINDS_BY_UNIT[unit], "80 °C")
    least = parse_value(warn, KINDS_BY_UNIT[unit])

    def is_higher(limit: float) -> str:
        return "" if limit >= least else f"must not be below the warning of {warn}"

    trip = ask_value(
        "switch off above",
        "the limit asks you to switch off; it stays for the session",
        KINDS_BY_UNIT[unit],
        "105 °C",
        is_higher,
    )
    section.add("warn_above", warn)
    section.add("trip_above", trip)


def _keys(model: type[BaseModel], needed: Sequence[str], known: Sequence[str] = ()) -> list[str]:
    """Return the keys to ask for: those that the driver insists on, and those it can hardly do without."""
    required = [field.alias or name for name, field in model.model_fields.items() if field.is_required()]
    return [key for key in dict.fromkeys([*required, *needed]) if key not in known]


def _ask_key(key: str, model: type[BaseModel], quantity: str) -> TomlValue:
    default = _EXAMPLES.get(key)
    if key == "query":
        default = next((query for ending, query in _QUERIES if quantity.endswith(ending)), None)
    why = _REASONS.get(key, "the driver needs it; README says what it means")
    return _as_toml(ask_text(key, why, default, _fits(key, model)))


def _as_toml(text: str) -> TomlValue:
    """Return a whole number as one, everything else as text."""
    digits = text.removeprefix("-")
    return int(text) if digits.isdecimal() and digits.isascii() and len(digits) < 16 else text


def _fits(key: str, model: type[BaseModel]) -> Check:
    """Return a check that the driver's own model takes an answer for one key."""

    def check(text: str) -> str:
        try:
            model.model_validate({key: _as_toml(text)})
        except ValidationError as problem:
            own = [error for error in problem.errors() if error["loc"][:1] == (key,) and error["type"] != "missing"]
            return one_line(own[0]["msg"]) if own else ""
        return ""

    return check


def _new_name(taken: Sequence[str]) -> Check:
    def check(name: str) -> str:
        if not name or name != one_line(name, 40):
            return "must be printable, not empty and at most 40 characters long"
        return "is taken already; every name must be its own" if name in taken else ""

    return check


def _is_accuracy(unit: str) -> Check:
    def check(text: str) -> str:
        try:
            parse_accuracy(text, unit)
        except BadInput as problem:
            return f"{text!r} {problem}"
        return ""

    return check


def ask_plan(mains: str, channels: Sequence[TextSection], load: str) -> list[TextSection]:
    """Ask whether the power comes in stages, and return the steps. `load` is the load as a step names it."""
    title("The plan")
    why = "with a variable transformer a mistake shows at a tenth of the voltage, before it can do harm"
    if not channels or not ask_yes("power on in stages, by a variable transformer?", why, default=True):
        return []
    needs = [channel.value("name") for channel in channels if not is_temperature(channel.value("quantity"))][:3]
    volts = parse_value(mains, KINDS_BY_UNIT["V"])
    rows = (
        ("a tenth of the mains, no load", f"{volts / 10:.3g} V", "open", "20 s"),
        ("half the mains, no load", f"{volts / 2:.3g} V", "open", "20 s"),
        ("full mains, no load", f"{volts:.4g} V", "open", "1 min"),
        ("load on", f"{volts:.4g} V", load, "2 min"),
        ("soak", f"{volts:.4g} V", load, "30 min"),
    )
    return [_step(*row, needs) for row in rows]


def _step(name: str, mains: str, load: str, hold: str, needs: Sequence[str]) -> TextSection:
    step = TextSection("[[step]]")
    step.add("name", name)
    step.add("mains", mains)
    step.add("load", load or None)
    step.add("hold", hold)
    step.add("needs", list(needs), "these must agree before going on")
    return step


RECTIFIERS = ("bridge", "centre tap", "half wave", "split rail", "full-wave doubler")
_TWO_WINDINGS = ("centre tap", "split rail")
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
    section.add("kind", ask_choice("how the diodes are wired", why, RECTIFIERS, "bridge"))
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
    if rectifier in _TWO_WINDINGS:
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
