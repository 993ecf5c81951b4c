"""The questions about instruments, channels and the plan."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from pydantic import BaseModel, ValidationError

from benchmon.bench import Channel, Instrument, Step
from benchmon.bench.values import parse_accuracy
from benchmon.errors import BadInput
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.ports import Port
from benchmon.instruments.registry import driver_names, load_driver
from benchmon.new_bench.asking import (
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
from benchmon.new_bench.bench_text import TextSection, TomlValue
from benchmon.quantities import KINDS_BY_UNIT, POINTS, UNITS, is_temperature, parse_value
from benchmon.text import one_line

_NEEDED = {"scpi": ((), ("query",)), "serial_lines": (("pattern",), ("group",))}
"""What a driver can hardly do without though it does not insist: keys of an instrument, and of a channel."""
_EXAMPLES = {
    "pattern": r"(?P<value>[-+]?[0-9.]+)",
    "group": "value",
    "address": "TCPIP::192.0.2.5::5025::SOCKET",
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
    section.add("name", ask_text("its name", meaning(Instrument, "name"), names, _new_name(taken)))
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
        else ask_choice("how it is spoken to", meaning(Instrument, "driver"), driver_names(), "scpi")
    )
    driver = load_driver(name)
    section.add("driver", name)
    if port:
        section.add("address", port.address)
    elif name != "hand":
        why = meaning(driver.settings_model, "address")
        section.add("address", ask_text("its address", why, _EXAMPLES["address"] if name == "scpi" else None))
    for key in _keys(driver.settings_model, _NEEDED.get(name, ((), ()))[0], known=("address",)):
        section.add(key, _ask_key(key, driver.settings_model, ""))
    return section, driver


def _ask_channel(instrument: TextSection, driver: type[AnyDriver], taken: Sequence[str]) -> TextSection:
    quantity = _ask_quantity()
    unit = UNITS[quantity]
    section = TextSection("[[channel]]")
    usual = quantity.replace(".", " ").replace("_", " ").removesuffix(" mean").removesuffix(" rms")
    section.add("name", ask_text("name of the channel", meaning(Channel, "name"), usual, _new_name(taken)))
    section.add("instrument", instrument.value("name"))
    section.add("quantity", quantity)
    for key in _keys(driver.channel_model, _NEEDED.get(instrument.value("driver"), ((), ()))[1]):
        section.add(key, _ask_key(key, driver.channel_model, quantity))
    usual = _ACCURACIES.get(unit, "2 %")
    accuracy = ask_text("its accuracy", meaning(Channel, "accuracy"), usual, _is_accuracy(unit))
    section.add("accuracy", accuracy, "a part of the reading plus a fixed amount")
    usual = "60 s" if instrument.value("driver") == "hand" else "1 s"
    ask_all(section, Question(Channel, "period", "time between readings", usual))
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


def _keys(model: type[BaseModel], needed: Sequence[str], known: Sequence[str] = ()) -> list[str]:
    """Return the keys to ask for: those that the driver insists on, and those it can hardly do without."""
    required = [field.alias or name for name, field in model.model_fields.items() if field.is_required()]
    return [key for key in dict.fromkeys([*required, *needed]) if key not in known]


def _ask_key(key: str, model: type[BaseModel], quantity: str) -> TomlValue:
    default = _EXAMPLES.get(key)
    if key == "query":
        default = next((query for ending, query in _QUERIES if quantity.endswith(ending)), None)
    why = meaning(model, key) or "The driver needs it."
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
    step.add("needs", list(needs), meaning(Step, "needs").removesuffix("."))
    return step
