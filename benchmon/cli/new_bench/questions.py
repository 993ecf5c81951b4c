"""The questions of `benchmon new`: the supply under test, instruments, channels and the plan."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace

from pydantic import BaseModel, ValidationError

from benchmon.bench import (
    Ambient,
    Bench,
    Capacitor,
    Channel,
    CurrentLoad,
    Diode,
    Fuse,
    Instrument,
    Mains,
    Rectifier,
    ResistorLoad,
    Step,
    Transformer,
)
from benchmon.bench.fields import parse_accuracy
from benchmon.bench.topology import TOPOLOGIES
from benchmon.cli.new_bench.bench_text import TextSection, TomlValue, toml
from benchmon.cli.new_bench.prompts import (
    Check,
    Question,
    ask_all,
    ask_choice,
    ask_text,
    ask_value,
    ask_yes,
    meaning,
    say,
    title,
)
from benchmon.errors import BadInput
from benchmon.instruments.connection_test import Tried
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.registry import driver_names, load_driver
from benchmon.instruments.templates import Template, TemplateKey
from benchmon.instruments.types import Port
from benchmon.quantities import (
    APPARENT_POWER,
    CURRENT,
    KINDS_BY_UNIT,
    POINTS,
    UNITS,
    VOLTAGE,
    format_value,
    is_temperature,
    parse_value,
)
from benchmon.standards import FUSE_RATINGS, USUAL_REGULATION
from benchmon.text import one_line

_ACCURACIES = {"V": "0.5 % + 20 mV", "A": "1 % + 5 mA", "W": "1 % + 0.5 W", "°C": "2 K"}
_OTHER_ADDRESS = "another address"
_SOMETHING_ELSE = Template("something else", "something else: choose a driver by its name", "", "instruments")

Fits = Callable[[Sequence[TextSection], Sequence[TextSection]], str]
"""Takes the sections of instruments and channels and returns why they do not fit together, "" where they do."""
Read = Callable[[Sequence[TextSection], Sequence[TextSection]], Sequence[Tried]]
"""Takes the same, reads the last instrument once, and returns what came of it."""


def ask_instruments(
    ports: Sequence[Port], templates: Sequence[Template], fits: Fits, read: Read
) -> tuple[list[TextSection], list[TextSection]]:
    """Ask for instruments with their channels; return the sections of both.

    `ports` are those that were found, `templates` are offered; `fits` returns why instruments and channels do not fit
    together, and `read` reads the last instrument once.
    """
    title("The instruments")
    places = [port for port in ports if port.address]
    for port in places:
        say(one_line(f"{port.address}  {port.words}", 110))
    if not places:
        say("Nothing was found by itself; addresses are typed in.")
    say("Mains quantities are measured through a meter made for it, never with bare leads.")
    instruments: list[TextSection] = []
    channels: list[TextSection] = []
    question, why = (
        "is there an instrument to read?",
        "a meter without an interface counts too: its readings are typed in",
    )
    while ask_yes(question, why, default=not instruments):
        while True:
            section, own = _ask_whole_instrument(ports, templates, instruments, channels, fits)
            if _may_stay(section, [*instruments, section], [*channels, *own], read):
                break
        instruments.append(section)
        channels += own
        question, why = "another instrument?", "there may be any number"
    return instruments, channels


def _may_stay(
    section: TextSection, instruments: Sequence[TextSection], channels: Sequence[TextSection], read: Read
) -> bool:
    """Read an instrument once, if it is there, and return whether it may stay as it was described."""
    why = "the number shows at once whether address, function and unit are right; the power may be off"
    if section.value("driver") == "hand" or not ask_yes("is it connected, to be read once now?", why, default=True):
        return True
    rows = read(instruments, channels)
    for row in rows:
        shown = format_value(row.value, row.unit) if row.value is not None else row.words
        say(one_line(f"{row.channel or row.instrument}: {'' if row.ok else 'NO, '}{shown}"))
    if all(row.ok for row in rows):
        return ask_yes("does the meter itself show the same?", "no asks for this instrument again", default=True)
    return ask_yes("keep it all the same?", "the file can be changed later; no asks for it again", default=True)


def _ask_whole_instrument(
    ports: Sequence[Port],
    templates: Sequence[Template],
    instruments: Sequence[TextSection],
    channels: Sequence[TextSection],
    fits: Fits,
) -> tuple[TextSection, list[TextSection]]:
    """Ask for an instrument and its channels; what does not fit is explained and asked again."""
    while True:
        section, template = _ask_instrument(ports, templates, [each.value("name") for each in instruments])
        own: list[TextSection] = []
        why = "a channel is one quantity that it reads"
        while not own or ask_yes("another channel of this instrument?", why, default=False):
            channel = _ask_channel(section, template, [each.value("name") for each in (*channels, *own)])
            problem = fits([*instruments, section], [*channels, *own, channel])
            if not problem:
                own.append(channel)
                continue
            say(f"That does not fit together: {problem}")
            if not own:
                say("Please start again with the instrument.")
                break
        if own:
            return section, own


def _ask_instrument(
    ports: Sequence[Port], templates: Sequence[Template], taken: Sequence[str]
) -> tuple[TextSection, Template]:
    section = TextSection("[[instrument]]")
    names = f"meter {len(taken) + 1}"
    section.add("name", ask_text("its name", meaning(Instrument, "name"), names, _new_name(taken)))
    template = _ask_template(ports, [*templates, _SOMETHING_ELSE])
    if template.page:
        say(f"`benchmon manual {template.page}` has more about such meters.")
    if template.extra:
        say(f"Its driver needs a library more: pip install 'benchmon[{template.extra}]'.")
    driver = load_driver(template.driver)
    section.add("driver", template.driver)
    if template.driver != "hand":
        section.add("address", _ask_address(list(template.fitting(ports)), template, driver))
    for key in _keys(template.instrument, driver.settings_model, known=("address",)):
        section.add(key.key, _answer(key, driver.settings_model, ""))
    return section, template


def _ask_template(ports: Sequence[Port], templates: Sequence[Template]) -> Template:
    """Ask what kind of meter it is; the usual answer is one that answered."""
    answers = (each for each in templates if any(port.identity for port in each.fitting(ports)))
    usual = next(answers, templates[0])
    why = "by what you see on the meter, its plugs and its manual"
    chosen = ask_choice("what you see on it", why, [each.seen for each in templates], usual.seen)
    template = next(each for each in templates if each.seen == chosen)
    if template.driver:
        return template
    name = ask_choice("its driver", meaning(Instrument, "driver"), driver_names(), "scpi")
    return next((each for each in templates if each.driver == name), replace(template, driver=name))


def _ask_address(found: Sequence[Port], template: Template, driver: type[AnyDriver]) -> str:
    choices = [one_line(f"{port.address}  {port.words}", 110) for port in found]
    if choices:
        answering = next((choices[at] for at, port in enumerate(found) if port.identity), choices[0])
        chosen = ask_choice("its address", "these were found", [*choices, _OTHER_ADDRESS], answering)
        if chosen in choices:
            return found[choices.index(chosen)].address
    return ask_text(
        "its address",
        meaning(driver.settings_model, "address"),
        template.address or None,
        _fits("address", driver.settings_model),
    )


def _ask_channel(instrument: TextSection, template: Template, taken: Sequence[str]) -> TextSection:
    quantity = _ask_quantity()
    unit, driver = UNITS[quantity], load_driver(template.driver)
    section = TextSection("[[channel]]")
    usual = quantity.replace(".", " ").replace("_", " ").removesuffix(" mean").removesuffix(" rms")
    section.add("name", ask_text("name of the channel", meaning(Channel, "name"), usual, _new_name(taken)))
    section.add("instrument", instrument.value("name"))
    section.add("quantity", quantity)
    for key in _keys(template.channel, driver.channel_model):
        section.add(key.key, _answer(key, driver.channel_model, quantity))
    usual = _ACCURACIES.get(unit, "2 %")
    accuracy = ask_text("its accuracy", meaning(Channel, "accuracy"), usual, _is_accuracy(unit))
    section.add("accuracy", accuracy, "a part of the reading plus a fixed amount")
    ask_all(section, Question(Channel, "period", "time between readings", template.period))
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
    warn = ask_value("warn above", meaning(Channel, "warn_above"), KINDS_BY_UNIT[unit], "80 °C")
    least = parse_value(warn, KINDS_BY_UNIT[unit])

    def is_higher(limit: float) -> str:
        return "" if limit >= least else f"must not be below the warning of {warn}"

    trip = ask_value(
        "switch off above",
        meaning(Channel, "trip_above"),
        KINDS_BY_UNIT[unit],
        "105 °C",
        is_higher,
    )
    section.add("warn_above", warn)
    section.add("trip_above", trip)


def _keys(offered: Sequence[TemplateKey], model: type[BaseModel], known: Sequence[str] = ()) -> Sequence[TemplateKey]:
    """Return the keys of a template, and those that the driver requires besides."""
    there = {*known, *(key.key for key in offered)}
    required = [field.alias or name for name, field in model.model_fields.items() if field.is_required()]
    return [*offered, *(TemplateKey(key) for key in required if key not in there)]


def _answer(key: TemplateKey, model: type[BaseModel], quantity: str) -> TomlValue:
    usual = key.usual(quantity)
    why = meaning(model, key.key) or "The driver requires it."
    shown = None if usual is None else usual if isinstance(usual, str) else toml(usual)
    return _as_toml(ask_text(key.key, why, shown, _fits(key.key, model)))


def _as_toml(text: str) -> TomlValue:
    """Return a whole number, or a list of them, as such, everything else as text."""
    if re.fullmatch(r"\[ *-?[0-9]{1,9}(?: *, *-?[0-9]{1,9})* *\]", text, re.ASCII):
        return [int(number) for number in text[1:-1].split(",")]
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
        return "is in use already; every name must be different" if name in taken else ""

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
    """Ask whether the supply is powered on in stages, and return the steps. `load` is the load as a step names it."""
    title("The plan")
    why = "with a variable transformer a mistake shows at a tenth of the voltage, before it does harm"
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
    step.add("needs", list(needs), meaning(Step, "needs").removesuffix("."))
    return step


_FUSE_FACTOR = 1.6
_SILICON: TomlValue = [["0.72 V", "0.1 A"], ["0.95 V", "3 A"]]
_SCHOTTKY: TomlValue = [["0.30 V", "0.1 A"], ["0.50 V", "3 A"]]

_MAINS = (
    Question(Mains, "voltage", "mains voltage", "230 V"),
    Question(Mains, "frequency", "mains frequency", "50 Hz"),
    Question(Mains, "tolerance", "tolerance of the mains voltage", "6 %"),
)
_MEAN = Question(Diode, "mean_current_rating", "rated mean current of one diode", "3 A")
_REVERSE = Question(Diode, "reverse_voltage_rating", "rated reverse voltage of one diode", "200 V")
_HEAT = Question(Diode, "thermal_resistance", "thermal resistance, junction to ambient", "18 K/W")
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
_AMBIENT = Question(Ambient, "temperature", "ambient temperature", "25 °C")


def ask_title() -> str:
    """Ask what the bench is called."""
    return ask_text("what is on the bench", meaning(Bench, "title"), "my supply")


def ask_mains() -> TextSection:
    """Ask for the mains."""
    title("The mains")
    section = TextSection("[mains]")
    ask_all(section, *_MAINS)
    section.add("source_resistance", "0.4 Ω", "a guess; measure it if the peaks of the line current matter")
    section.hints.append(("voltage_thd", "3 %", "once the distortion of this socket is known"))
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
        Question(Transformer, "regulation", "regulation: by how much the voltage rises without load", usual),
    )
    point = [volts or "230 V", "25 mA", "2 W"]
    section.hints.append(("no_load", [point], "once volts, amperes and watts without load are measured"))
    section.hints.append(("short_circuit", ["12 V", "0.3 A", "3 W"], "once they are with the secondaries shorted"))
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
    why = "with it the junction temperature is predicted, not only measured"
    if ask_yes("is its thermal resistance known?", why, default=False):
        ask_all(section, _HEAT)
        section.add("thermal_time_constant", "40 s", "a guess for a small diode")
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
    """Ask for the ambient temperature."""
    title("The ambient temperature")
    section = TextSection("[ambient]")
    ask_all(section, _AMBIENT)
    return section
