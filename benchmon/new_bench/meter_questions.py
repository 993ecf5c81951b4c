"""Every question about meters, each described once, and how answers and the bench file become each other.

A meter's questions are called `meter.1.address`, those of its channels `channel.1.2.quantity`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from functools import lru_cache

from pydantic import BaseModel, ValidationError

from benchmon.bench import Channel, Instrument
from benchmon.bench.fields import field_of, parse_accuracy, why_not
from benchmon.bench.measurement import PERIOD_BY_HAND
from benchmon.bench.topology import TOPOLOGIES
from benchmon.errors import BadInput
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.registry import driver_names, load_driver
from benchmon.instruments.templates import TEMPLATES, Template, TemplateKey
from benchmon.new_bench.bench_text import BenchText, TextSection, TomlValue, toml
from benchmon.new_bench.questions import (
    Asked,
    Check,
    Question,
    as_toml,
    as_words,
    meaning,
    numbers_of,
    ratio,
    reason_of,
)
from benchmon.quantities import (
    BETA,
    DURATION,
    FREQUENCY,
    KINDS_BY_UNIT,
    NUMBER,
    POINTS,
    UNITS,
    Kind,
    is_temperature,
    parse_value,
)
from benchmon.text import one_line

_ACCURACIES = {"V": "0.5 % + 20 mV", "A": "1 % + 5 mA", "W": "1 % + 0.5 W", "°C": "2 K"}
_SCOPE_ACCURACIES = {"V": "3 % + 80 mV", "A": "3 % + 80 mA"}
"""Of peaks and ripple on a screen of eight bits over ten volts or amperes, a noise of two digits; from memory."""
_SOMETHING_ELSE = Template("something else", "something else: choose a driver by its name", "", "instruments")
_TRUE_RMS, _AVERAGING = "true rms", "the mean, scaled for sines"
DIRECT = "none"
_ABSENT = "none"
"""The answer to what a supply has not."""
READS, ONLY_SWITCHES = "quantities", "nothing: it only switches the power"
_MORE, _NO_MORE = "below", "nothing"
NO_LIMIT, _NOT_GIVEN, _NO_CORRECTION = "no limit", "not given", "none"
_MORE_KEYS = ("serial", "calibrated", "zero", "gain", "bandwidth", "warn_below", "trip_below")
"""Keys of a channel that are asked for where a person wants to give more of it."""
_LIMITS = ("warn_below", "trip_below", "warn_above", "trip_above")


@lru_cache(maxsize=64)
def driver_of(name: str) -> type[AnyDriver]:
    """Return a driver. What is installed is looked through once: questions are asked for again with every answer."""
    return load_driver(name)


def driver_in(asked: Asked, meter: int) -> str:
    """Return the name of a meter's driver."""
    seen = asked[f"meter.{meter}.seen"]
    template = next((each for each in TEMPLATES if each.seen == seen), _SOMETHING_ELSE)
    return template.driver or asked[f"meter.{meter}.driver"]


def ask_meters(asked: Asked) -> None:
    """Ask for every meter that there is an answer for, and for its channels."""
    taken, names = set[str](), set[str]()
    for meter in numbers_of(asked.given, "meter"):
        template = _ask_meter(asked, meter, taken)
        reads = asked[f"meter.{meter}.reads"] != ONLY_SWITCHES
        for channel in (numbers_of(asked.given, f"channel.{meter}") or [1]) if reads else ():
            _ask_channel(asked, (meter, channel), template, names)


def _ask_meter(asked: Asked, meter: int, taken: set[str]) -> Template:
    asked.group(f"Meter {meter}")
    here = f"meter.{meter}"
    choices = tuple(template.seen for template in (*TEMPLATES, _SOMETHING_ELSE))
    why = "By what you see on the meter, its plugs and its manual; `benchmon manual instruments` has more."
    answering = (each for each in TEMPLATES if any(port.identity for port in each.fitting(asked.ports)))
    usual = next(answering, TEMPLATES[0]).seen
    seen = asked.ask(Question(f"{here}.seen", "what you see on it", why, usual, choices=choices))
    template = next((each for each in TEMPLATES if each.seen == seen), _SOMETHING_ELSE)
    if not template.driver:
        drivers = tuple(driver_names())
        chosen = asked.ask(
            Question(f"{here}.driver", "its driver", meaning(Instrument, "driver"), "scpi", choices=drivers)
        )
        template = next((each for each in TEMPLATES if each.driver == chosen), replace(template, driver=chosen))
    why = f"{meaning(Instrument, 'name')} `benchmon manual {template.page}` has more about such meters."
    name = asked.ask(Question(f"{here}.name", "its name", why, f"meter {meter}", check=new_name(taken)))
    taken.add(name)
    try:
        driver = driver_of(template.driver)
    except BadInput:
        return template
    model = driver.settings_model
    if template.driver != "hand":
        more = (
            f" Its driver needs a library more: pip install '.[{template.extra}]' in the clone of benchmon."
            if template.extra
            else ""
        )
        found = list(template.fitting(asked.ports))
        offers = tuple((port.address, one_line(port.words, 110)) for port in found)
        usual = next((port.address for port in found if port.identity), found[0].address if found else template.address)
        asked.ask(
            Question(
                f"{here}.address", "its address", meaning(model, "address") + more, usual,
                check=_fits("address", model), offers=offers,
            )
        )  # fmt: skip
    if driver.switch_model is not None:
        why = "A relay in the mains, or a supply that can be switched, may read nothing; a trip then only switches it."
        asked.ask(Question(f"{here}.reads", "it reads", why, READS, choices=(READS, ONLY_SWITCHES)))
    if _is_of_file(asked, meter):
        template = replace(template, instrument=(), channel=())
    for key in _keys(asked, f"{here}.key", template.instrument, model, known=("address",)):
        asked.ask(_driver_question(f"{here}.key", key, model, ""))
    return template


def _is_of_file(asked: Asked, meter: int) -> bool:
    """Return whether a meter stands in the bench file already, with the keys that it needs."""
    here = f"meter.{meter}"
    return f"{here}.of_file" in asked.given and asked.given.get(f"{here}.seen") == asked.given[f"{here}.of_file"]


def _ask_channel(asked: Asked, place: tuple[int, int], template: Template, names: set[str]) -> None:
    here = f"channel.{place[0]}.{place[1]}"
    asked.group(f"Meter {place[0]}, channel {place[1]}")
    usual_point = "ambient" if template.driver in ("thermal_picture", "value_file") else "output"
    why = "The point of the circuit. Mains quantities are measured through a meter made for it, never with bare leads."
    has_two = TOPOLOGIES[asked["rectifier.kind"]].has_two_outputs
    there = {"ntc": asked["ntc.r25"], "regulator": asked["regulator.output_voltage"]}
    absent = {point for point, value in there.items() if value == _ABSENT and asked.given.get(f"{here}.point") != point}
    points = tuple(point for point in POINTS if point not in absent and (has_two or not point.endswith("_2")))
    point = asked.ask(Question(f"{here}.point", "where it measures", why, usual_point, choices=points))
    whats = tuple(quantity.removeprefix(f"{point}.") for quantity in UNITS if quantity.startswith(f"{point}."))
    # A scope is there for what a multimeter does not show.
    is_scope = any(key.key == "wave" for key in template.channel)
    first = "voltage.ripple" if is_scope else "voltage.mean"
    usual = first if first in whats else whats[0]
    why = "rms is of the whole wave, mean is what a DC range reads, ac_rms what an AC-coupled range reads."
    what = asked.ask(Question(f"{here}.what", "what it reads", why, usual, choices=whats))
    quantity = f"{point}.{what}"
    unit, driver = UNITS[quantity], driver_of(template.driver)
    usual = quantity.replace(".", " ").replace("_", " ").removesuffix(" mean").removesuffix(" rms")
    if usual in names:
        usual = f"{usual} {place[0]}"
    why = meaning(Channel, "name")
    names.add(asked.ask(Question(f"{here}.name", "name of the channel", why, usual, check=new_name(names))))
    for key in _keys(asked, f"{here}.key", template.channel, driver.channel_model):
        asked.ask(_driver_question(f"{here}.key", key, driver.channel_model, quantity))
    if unit in ("V", "A") and not driver.by_hand:
        why = 'What stands between: a clamp "100 mV/A", a shunt "10 mΩ", a probe "10:1"; readings are multiplied by it.'
        check = _is_read(ratio, unit)
        asked.ask(Question(f"{here}.ratio", "clamp, shunt or probe", why, without=DIRECT, check=check, of_unit=True))
    if unit in ("V", "A") and what.endswith("rms"):
        why = (
            "The manual of a meter says whether it shows true rms; a simple one averages, and is right for sines only."
        )
        choices = (_TRUE_RMS, _AVERAGING)
        asked.ask(Question(f"{here}.responds", "it responds to", why, _TRUE_RMS, choices=choices))
    why, usual = meaning(Channel, "accuracy"), (_ACCURACIES | (_SCOPE_ACCURACIES if is_scope else {})).get(unit, "2 %")
    check = _is_read(parse_accuracy, unit)
    asked.ask(Question(f"{here}.accuracy", "its accuracy", why, usual, check=check, of_unit=True))
    period, why = field_of(Channel, "period"), meaning(Channel, "period")
    asked.ask(
        Question(
            f"{here}.period", "time between readings", why, template.period, kind=DURATION,
            check=lambda text: why_not(period, parse_value(text, DURATION)),
        )
    )  # fmt: skip
    is_hot = is_temperature(quantity) and quantity != "ambient.temperature"
    if is_hot:
        _ask_limits(asked, here, KINDS_BY_UNIT[unit], ("80 °C", "105 °C"), likely=(30.0, 250.0))
    why = "Serial number and calibration of the meter, corrections from that, its bandwidth, and other limits."
    if (
        asked.ask(Question(f"{here}.more", "more of its meter and limits", why, _NO_MORE, choices=(_NO_MORE, _MORE)))
        == _MORE
    ):
        _ask_more(asked, here, unit, with_limits=not is_hot)


def _ask_limits(
    asked: Asked, here: str, kind: Kind, usual: tuple[str, str], likely: tuple[float, float] | None = None
) -> None:
    why = meaning(Channel, "warn_above")
    warn = asked.ask(Question(f"{here}.warn_above", "warn above", why, usual[0], NO_LIMIT, kind, likely=likely))

    def is_higher(text: str) -> str:
        if warn == NO_LIMIT or parse_value(text, kind) >= parse_value(warn, kind):
            return ""
        return f"must not be below the warning of {warn}"

    why = meaning(Channel, "trip_above")
    asked.ask(
        Question(
            f"{here}.trip_above", "switch off above", why, usual[1], NO_LIMIT, kind, likely=likely, check=is_higher,
        )
    )  # fmt: skip


def _ask_more(asked: Asked, here: str, unit: str, *, with_limits: bool) -> None:
    kind, difference = KINDS_BY_UNIT[unit], BETA if unit == "°C" else KINDS_BY_UNIT[unit]
    if with_limits:
        _ask_limits(asked, here, kind, ("", ""))
    asked.ask(Question(f"{here}.warn_below", "warn below", meaning(Channel, "warn_below"), "", NO_LIMIT, kind))
    asked.ask(Question(f"{here}.trip_below", "switch off below", meaning(Channel, "trip_below"), "", NO_LIMIT, kind))
    asked.ask(Question(f"{here}.serial", "serial number of the meter", meaning(Channel, "serial"), "", _NOT_GIVEN))
    asked.ask(
        Question(
            f"{here}.calibrated", "calibrated on", meaning(Channel, "calibrated"), "", _NOT_GIVEN,
            check=_is_date, as_toml=_as_date,
        )
    )  # fmt: skip
    asked.ask(
        Question(f"{here}.zero", "what it shows at zero", meaning(Channel, "zero"), "", _NO_CORRECTION, difference)
    )
    gain = field_of(Channel, "gain")
    asked.ask(
        Question(
            f"{here}.gain", "correction of its gain", meaning(Channel, "gain"), "", _NO_CORRECTION, NUMBER,
            check=lambda text: why_not(gain, parse_value(text, NUMBER)), as_toml=float,
        )
    )  # fmt: skip
    if unit in ("V", "A"):
        why, band = meaning(Channel, "bandwidth"), field_of(Channel, "bandwidth")
        asked.ask(
            Question(
                f"{here}.bandwidth", "its bandwidth", why, "", _NOT_GIVEN, FREQUENCY,
                check=lambda text: why_not(band, parse_value(text, FREQUENCY)),
            )
        )  # fmt: skip


def _as_date(text: str) -> TomlValue:
    return date.fromisoformat(text)


def _is_date(text: str) -> str:
    try:
        date.fromisoformat(text)
    except ValueError:
        return "write the date like 2026-03-01"
    return ""


def _keys(
    asked: Asked, prefix: str, offered: Sequence[TemplateKey], model: type[BaseModel], known: Sequence[str] = ()
) -> Iterator[TemplateKey]:
    """Give the keys of a template, those that the driver requires besides, and those that are answered already."""
    yield from offered
    there = {*known, *(key.key for key in offered)}
    for name, described in model.model_fields.items():
        key = described.alias or name
        if key not in there and (described.is_required() or f"{prefix}.{key}" in asked.given):
            yield TemplateKey(key)


def _driver_question(prefix: str, key: TemplateKey, model: type[BaseModel], quantity: str) -> Question:
    usual = key.usual(quantity)
    name, check = f"{prefix}.{key.key}", _fits(key.key, model)
    section, _, inner = key.key.partition(".")
    why = meaning(model, section) or "The driver requires it."
    if inner:
        words = f"{why} Its {inner}: what stands in the answer, in order, with commas; - for what does not matter."
        shown = ", ".join(map(str, usual)) if isinstance(usual, Sequence) else ""
        return Question(name, f"fields of its {inner}", words, shown, check=check, as_toml=as_words)
    shown = "" if usual is None else usual if isinstance(usual, str) else toml(usual)
    return Question(name, key.key, why, shown, check=check, as_toml=as_toml)


def _fits(key: str, model: type[BaseModel]) -> Check:
    """Return a check that the driver's own model takes an answer for one key."""

    def check(text: str) -> str:
        section, _, inner = key.partition(".")
        try:
            model.model_validate({section: {inner: as_words(text)} if inner else as_toml(text)})
        except ValidationError as problem:
            return reason_of(problem, section)
        return ""

    return check


def new_name(taken: set[str]) -> Check:
    """Return a check that a name may be one, and is none of those `taken`."""
    others = frozenset(taken)

    def check(name: str) -> str:
        if not name or name != one_line(name, 40):
            return "must be printable, not empty and at most 40 characters long"
        return "is in use already; every name must be different" if name in others else ""

    return check


def _is_read(read: Callable[[str, str], object], unit: str) -> Check:
    """Return a check that `read` takes an answer for a quantity in `unit`."""

    def check(text: str) -> str:
        try:
            read(text, unit)
        except BadInput as problem:
            return f"{text!r} {problem}"
        return ""

    return check


def places_of(text: BenchText) -> dict[str, TextSection]:
    """Return the sections of meters, and after them of channels, by what the names of their questions begin with."""
    meters = {f"meter.{number}": section for number, section in enumerate(text.all("instrument"), 1)}
    channels = dict[str, TextSection]()
    for place, meter in meters.items():
        own = [each for each in text.all("channel") if each.content.get("instrument") == meter.content.get("name")]
        of_meter = place.partition(".")[2]
        channels |= {f"channel.{of_meter}.{number}": each for number, each in enumerate(own, 1)}
    return meters | channels


def meter_answers(text: BenchText) -> dict[str, str]:
    """Return the answers that the instruments and channels of a bench file hold."""
    found = dict[str, str]()
    for here, section in places_of(text).items():
        if here.startswith("channel."):
            is_by_hand = found[f"meter.{here.split('.')[1]}.driver"] == "hand"
            found |= _channel_answers(here, section, PERIOD_BY_HAND if is_by_hand else 1.0)
            continue
        driver = str(section.content.get("driver", ""))
        found |= {f"{here}.name": str(section.content.get("name", ""))}
        found[f"{here}.seen"] = found[f"{here}.of_file"] = _template_of(
            driver, str(section.content.get("address", ""))
        ).seen
        found[f"{here}.driver"] = driver
        found |= {f"{here}.address": str(section.content["address"])} if "address" in section.content else {}
        found |= {f"{here}.key.{key}": words for key, words in _plain(section) if key not in Instrument.model_fields}
    for here in [each for each in places_of(text) if each.startswith("meter.")]:
        has_channels = any(name.startswith(f"channel.{here.partition('.')[2]}.") for name in found)
        found[f"{here}.reads"] = READS if has_channels else ONLY_SWITCHES
    return found


def _template_of(driver: str, address: str) -> Template:
    fitting = [each for each in TEMPLATES if each.driver == driver]
    near = [each for each in fitting if each.ports and address.startswith(each.ports)]
    return next(iter(near or fitting), _SOMETHING_ELSE)


def _channel_answers(here: str, section: TextSection, usual_period: float) -> dict[str, str]:
    content = section.content
    point, _, what = str(content.get("quantity", "")).partition(".")
    found = {f"{here}.name": str(content.get("name", "")), f"{here}.point": point, f"{here}.what": what}
    unit_of_value = UNITS.get(f"{point}.{what}", "")
    units = {"period": "s", "accuracy": "", "gain": "", "bandwidth": "Hz", "zero": unit_of_value.replace("°C", "K")}
    for key in ("accuracy", "period", "warn_above", "trip_above", *_MORE_KEYS):
        if key in content:
            value, unit = content[key], units.get(key, unit_of_value)
            is_number = isinstance(value, int | float) and not isinstance(value, bool)
            found[f"{here}.{key}"] = f"{value:g} {unit}".strip() if is_number else one_line(value)
    found.setdefault(f"{here}.period", f"{usual_period:g} s")
    found |= {f"{here}.{key}": NO_LIMIT for key in _LIMITS if key not in content}
    is_hot = point != "ambient" and is_temperature(f"{point}.{what}")
    more = (*_MORE_KEYS, *(() if is_hot else ("warn_above", "trip_above")))
    found[f"{here}.more"] = _MORE if any(key in content for key in more) else _NO_MORE
    for key, words in (("serial", _NOT_GIVEN), ("calibrated", _NOT_GIVEN), ("bandwidth", _NOT_GIVEN)):
        found.setdefault(f"{here}.{key}", words)
    found.setdefault(f"{here}.zero", _NO_CORRECTION)
    found.setdefault(f"{here}.gain", _NO_CORRECTION)
    per = "A/V" if UNITS.get(f"{point}.{what}") == "A" else ":1"
    found[f"{here}.ratio"] = f"{float(content['scale']):g} {per}".replace(" :", ":") if "scale" in content else DIRECT
    found[f"{here}.responds"] = _AVERAGING if content.get("responds") == "mean" else _TRUE_RMS
    return found | {f"{here}.key.{key}": words for key, words in _plain(section) if key not in Channel.model_fields}


def _plain(section: TextSection) -> Iterator[tuple[str, str]]:
    """Give the keys whose values a person can type in one line."""
    for key, value in section.content.items():
        if isinstance(value, str | int | float) and not isinstance(value, bool):
            yield key, one_line(value, 500)
        elif isinstance(value, list) and value and all(type(each) is int for each in value):
            yield key, toml(value)


def write_meters(text: BenchText, asked: Asked, before: Asked | None) -> None:
    """Put meters and channels into the text of a bench file; what is as in `before` stays as it is."""
    former = before.given if before else {}
    sections = places_of(text)
    gone = set[str]()
    for here, section in list(sections.items()):
        if f"{here}.name" not in asked.values:
            gone.add(str(section.content.get("name")))
            text.remove(section)
            del sections[here]
    renamed = dict[str, str]()
    meters = numbers_of(asked.values, "meter")
    for meter in meters:
        here = f"meter.{meter}"
        _rename(renamed, former, asked, here)
        sections[here] = _write_meter(text, asked, here, sections.get(here), former)
    for meter in meters:
        for number in numbers_of(asked.values, f"channel.{meter}"):
            here = f"channel.{meter}.{number}"
            _rename(renamed, former, asked, here)
            last = text.all("channel")
            where = sections.get(here) or text.add("channel", many=True, after=last[-1] if last else None)
            _write_channel(where, asked, here, asked[f"meter.{meter}.name"], former)
    for section in text.sections:
        if section.section in ("switch_off", "step", "sweep"):
            _name_again(section, renamed, gone)


def _name_again(section: TextSection, renamed: Mapping[str, str], gone: Collection[str]) -> None:
    """Put names that changed into a section that refers to meters and channels, and take those away that are gone."""
    instrument = section.content.get("instrument")
    if isinstance(instrument, str) and instrument in renamed:
        section.set("instrument", renamed[instrument])
    if section.section == "sweep" and instrument in gone:
        for key in ("instrument", "set", "off"):
            section.remove(key)
    for key in ("needs", "zero"):
        names = section.content.get(key, ())
        if (renamed.keys() | set(gone)) & set(names):
            section.set(key, [renamed.get(name, name) for name in names if name not in gone])


def _rename(renamed: dict[str, str], former: Mapping[str, str], asked: Asked, here: str) -> None:
    old, new = former.get(f"{here}.name"), asked[f"{here}.name"]
    if old and old != new:
        renamed[old] = new


def _changed(asked: Asked, former: Mapping[str, str], name: str) -> bool:
    return name not in former or former[name] != asked[name]


def _write_meter(
    text: BenchText, asked: Asked, here: str, section: TextSection | None, former: Mapping[str, str]
) -> TextSection:
    is_new = section is None
    if section is None:
        before = text.all("instrument")
        section = text.add("instrument", many=True, after=before[-1] if before else None)
    driver = driver_in(asked, int(here.rpartition(".")[2]))
    if section.content.get("driver", driver) != driver:
        for key, _ in list(_plain(section)):
            section.remove(key)
    section.set("name", asked[f"{here}.name"])
    section.set("driver", driver)
    for question in asked:
        key = question.name.removeprefix(f"{here}.").removeprefix("key.")
        if not question.name.startswith(f"{here}.") or key in ("name", "seen", "driver", "reads"):
            continue
        if is_new or (question.name in asked.given and _changed(asked, former, question.name)):
            answer, confirmed = asked[question.name], not question.is_figure or question.name in asked.given
            section.set(key, question.as_toml(answer) if question.as_toml else answer, confirmed=confirmed)
    return section


def _write_channel(section: TextSection, asked: Asked, here: str, meter: str, former: Mapping[str, str]) -> None:
    quantity = f"{asked[f'{here}.point']}.{asked[f'{here}.what']}"
    section.set("name", asked[f"{here}.name"])
    section.set("instrument", meter)
    section.set("quantity", quantity)
    asked_keys = {question.name.removeprefix(f"{here}.key.") for question in asked}
    for key in [key for key in section.content if f"{here}.key.{key}" in former and key not in asked_keys]:
        section.remove(key)
    if _changed(asked, former, f"{here}.more") and asked[f"{here}.more"] == _NO_MORE:
        for key in (*_MORE_KEYS, "warn_above", "trip_above"):
            section.remove(key)
    for question in asked:
        name = question.name
        is_key = name.startswith(f"{here}.") and name.rpartition(".")[2] not in ("name", "point", "what", "more")
        if is_key and _changed(asked, former, name):
            _write_key(section, asked, question, name.removeprefix(f"{here}.").removeprefix("key."), quantity)


def _write_key(section: TextSection, asked: Asked, question: Question, key: str, quantity: str) -> None:
    answer, confirmed = asked[question.name], question.name in asked.given
    if key == "ratio":
        _write_ratio(section, answer, UNITS[quantity])
    elif key == "responds":
        if answer == _AVERAGING:
            section.set("responds", "mean")
        else:
            section.remove("responds")
    elif answer == question.without and answer:
        section.remove(key)
    elif answer or section.has(key):
        comment = "a part of the reading plus a fixed amount" if key == "accuracy" else ""
        is_doubtful = key in ("accuracy", *_LIMITS)
        value = question.as_toml(answer) if question.as_toml else answer
        section.set(key, value, comment, confirmed=confirmed or not is_doubtful)


def _write_ratio(section: TextSection, answer: str, unit: str) -> None:
    if answer == DIRECT:
        section.remove("scale")
        return
    factor = ratio(answer, unit)
    section.set("scale", int(factor) if factor.is_integer() else factor, f"{answer}")
