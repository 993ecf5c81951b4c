"""The questions about the test: how the power comes on, what a trip switches off, and sweeps; and their sections.

They are called `plan.stages`, `step.1.hold`, `switch.meter`, `switch.key.coil`, `sweep.1.over`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Container, Mapping, Sequence
from contextlib import suppress
from typing import Any

from pydantic import BaseModel, ValidationError

from benchmon.bench import Step, Sweep, SwitchOff
from benchmon.bench.fields import field_of
from benchmon.bench.sweep import SWEPT
from benchmon.bench.topology import TOPOLOGIES, RectifierKind
from benchmon.errors import BadInput
from benchmon.instruments.types import LoadSettings, SwitchSettings
from benchmon.new_bench.bench_text import BenchText, TextSection, TomlValue
from benchmon.new_bench.meter_questions import driver_in, driver_of, new_name
from benchmon.new_bench.questions import (
    LONGEST,
    Asked,
    Check,
    ModelKeys,
    Question,
    as_lists,
    as_toml,
    as_typed,
    meaning,
    numbers_of,
    reason_of,
    spelt,
)
from benchmon.quantities import VOLTAGE, parse_value
from benchmon.text import one_line

_STAGED, _AT_ONCE, _KEEP = "in stages, by a variable transformer", "at once, without steps", "by the steps in the file"
_ONE_BY_ONE = "by steps of your own, one by one"
_NO_STEP, _AS_BEFORE, _NONE = "no more", "as before", "none"
_MOST_STEPS = 40
_USUAL_STEPS = (
    ("a tenth of the mains, no load", 0.1, "open", "20 s"),
    ("half the mains, no load", 0.5, "open", "20 s"),
    ("full mains, no load", 1.0, "open", "1 min"),
    ("load on", 1.0, "", "2 min"),
    ("soak", 1.0, "", "30 min"),
)
"""The usual steps of a power-on (from memory): name, part of the mains, load ("" for that of the bench file), hold."""
_NOTHING, _UNUSED = "nothing by itself", "not used"
_NO_SWEEP = "no sweep"
_MOST_SWEEPS = 9
_USUAL_VALUES = {
    "load.current": "open, 0.2 A, 0.5 A, 1 A",
    "load.resistance": "open, 47 Ω, 22 Ω, 10 Ω",
    "load_2.current": "open, 0.2 A, 0.5 A, 1 A",
    "load_2.resistance": "open, 47 Ω, 22 Ω, 10 Ω",
    "mains.voltage": "207 V, 220 V, 230 V, 241 V, 253 V",
}
_USUAL_NAMES = {
    "load.current": "load",
    "load.resistance": "load",
    "load_2.current": "load of output 2",
    "load_2.resistance": "load of output 2",
    "mains.voltage": "mains",
}


def is_of_test(name: str) -> bool:
    """Return whether the question called `name` is about the test rather than supply and meters."""
    return name.partition(".")[0] in ("plan", "step", "switch", "sweep")


def ask_test(asked: Asked) -> None:
    """Ask what a trip switches off, whether the supply is powered on in stages, and for sweeps."""
    _ask_switch(asked)
    asked.group("Plan")
    why = "With a variable transformer a mistake shows at a tenth of the voltage, before it does harm."
    keeps = asked.given.get("plan.stages") == _KEEP or asked.given.get("plan.there") == "yes"
    choices = (*([_KEEP] if keeps else []), _STAGED, _AT_ONCE, _ONE_BY_ONE)
    if asked.ask(Question("plan.stages", "the power comes on", why, choices[0], choices=choices)) == _ONE_BY_ONE:
        _ask_steps(asked, is_new=not keeps)
    _ask_sweeps(asked)


def _usual_steps(asked: Asked) -> list[tuple[str, str, str, str]]:
    """Return the usual steps: name, mains, load ("" where there is none) and hold."""
    volts = parse_value(asked["mains.voltage"], VOLTAGE)
    load = asked["load.resistance"]
    return [(name, f"{volts * part:.4g} V", own or load, hold) for name, part, own, hold in _USUAL_STEPS]


def _channels(asked: Asked) -> list[str]:
    """Return the names of the questions for the names of channels."""
    return [name for name in asked.values if re.fullmatch(r"channel\.\d+\.\d+\.name", name)]


def _usual_needs(asked: Asked) -> list[str]:
    """Return the channels that usual steps need: the first three that read no temperature."""
    channels = _channels(asked)
    points = {name: asked[f"{name.removesuffix('.name')}.what"] for name in channels}
    return [asked[name] for name in channels if "temperature" not in points[name]][:3]


def _ask_steps(asked: Asked, *, is_new: bool) -> None:
    """Ask for the steps one by one; those that are not in the file yet begin as the usual ones."""
    usual, needs = _usual_steps(asked) if is_new else [], ", ".join(_usual_needs(asked))
    channels = {asked[name] for name in _channels(asked)}
    last = max([len(usual), *numbers_of(asked.given, "step")])
    taken: set[str] = set()
    for number in range(1, min(last + 1, _MOST_STEPS) + 1):
        asked.group(f"Step {number}")
        here = f"step.{number}"
        name, mains, load, hold = usual[number - 1] if number <= len(usual) else ("", "", "", "20 s")
        why = "Name of the step; it begins when the one before it is confirmed."
        own = asked.ask(Question(f"{here}.name", "its name", why, name, _NO_STEP, check=new_name(taken)))
        if own == _NO_STEP:
            continue
        taken.add(own)
        keys = ModelKeys(here, Step)
        asked.ask(keys.value("mains", "mains to set", mains, without=_AS_BEFORE))
        asked.ask(_of_step(here, "load", "load to connect", load, _AS_BEFORE, str))
        if _has_second_load(asked):
            asked.ask(_of_step(here, "load_2", "load of output 2", "", _AS_BEFORE, str))
        asked.ask(keys.value("hold", "it lasts at least", hold))
        asked.ask(_of_step(here, "needs", "channels that must agree", needs, _NONE, _words, names=channels))
        more = (
            'Such as "insulation, unit MΩ, at least 2 MΩ, note 500 V DC; earth, unit mΩ, at most 100 mΩ; look at it".'
        )
        asked.ask(_of_step(here, "record", "a person records", "", "nothing", _as_records, more=more))
        asked.ask(_of_step(here, "zero", "channels whose leads are shorted", "", _NONE, _words, names=channels))


def _has_second_load(asked: Asked) -> bool:
    """Return whether the second of two outputs has a load of its own, or may have one in a step."""
    rectifier: RectifierKind = asked["rectifier.kind"]  # type: ignore[assignment]
    return TOPOLOGIES[rectifier].has_two_outputs and asked["rectifier.loads"] != "across"


def _of_step(  # noqa: PLR0917 - as the table of questions above has them
    here: str,
    key: str,
    words: str,
    usual: str,
    without: str,
    read: Callable[[str], TomlValue],
    *,
    names: Container[str] | None = None,
    more: str = "",
) -> Question:
    """Return the question for a key of a step; with `names` every word of the answer must be among them."""

    def check(text: str) -> str:
        unknown = [one for one in _words(text) if one not in names] if names is not None else []
        if unknown:
            return f"there is no channel {unknown[0]}"
        try:
            Step.model_validate({"name": "step", key: read(text)})
        except (ValidationError, BadInput) as problem:
            return reason_of(problem) if isinstance(problem, ValidationError) else str(problem)
        return ""

    why = f"{meaning(Step, key)} {more}".strip()
    return Question(f"{here}.{key}", words, why, usual or without, without, check=check, as_toml=read)


def _words(text: str) -> list[str]:
    return [part.strip() for part in text.split(",")]


def _as_records(text: str) -> list[dict[str, str]]:
    """Return what a person types of values to record. Raises `BadInput` for a part that is none.

    >>> _as_records("insulation, unit MΩ, at least 2 MΩ; look at it")
    [{'name': 'insulation', 'unit': 'MΩ', 'at_least': '2 MΩ'}, {'name': 'look at it'}]
    """
    found = []
    for entry in text.split(";"):
        name, *parts = (part.strip() for part in entry.split(","))
        record = {"name": name}
        for part in parts:
            words = next((one for one in _OF_A_RECORD if part.startswith(f"{one} ")), None)
            if words is None:
                raise BadInput(f"{part!r} does not begin with {', '.join(_OF_A_RECORD)}")
            record[words.replace(" ", "_")] = part.removeprefix(words).strip()
        found.append(record)
    return found


_OF_A_RECORD = ("unit", "at least", "at most", "note", "meter", "calibrated")


def _records_typed(records: Sequence[Mapping[str, Any]]) -> str:
    """Return values to record as a person types them."""
    return "; ".join(
        ", ".join(value if key == "name" else f"{key.replace('_', ' ')} {value}" for key, value in record.items())
        for record in ({"name": one.get("name", "")} | dict(one) for one in records)
    )


def _switch_model_of(driver: str) -> type[SwitchSettings] | None:
    try:
        return driver_of(driver).switch_model
    except BadInput:
        return None


def _ask_switch(asked: Asked) -> None:
    """Ask for the switch, where a meter has a driver that can switch."""
    models = {
        f"meter {number}": _switch_model_of(driver_in(asked, number)) for number in numbers_of(asked.values, "meter")
    }
    # One in the file whose driver is not installed stays.
    there = asked.given.get("switch.meter")
    known = {name: model for name, model in models.items() if model is not None or name == there}
    if not known:
        return
    asked.group("Switch")
    why = "It is a convenience and no protection: keep a switch within reach. `benchmon manual switching-off` has more."
    chosen = asked.ask(Question("switch.meter", "a trip switches off by", why, _NOTHING, choices=(_NOTHING, *known)))
    model = known.get(chosen)
    if model is None:
        return
    for key, field in model.model_fields.items():
        name, check = field.alias or key, _fits_switch(model, field.alias or key)
        without = "" if field.is_required() else _UNUSED
        usual = _USUAL_SWITCH.get(name, "")
        question = Question(
            f"switch.key.{name}", name, field.description or "", usual, without, check=check, as_toml=_as_toml
        )
        asked.ask(question)


_USUAL_SWITCH = {"command": "OUTP OFF", "value": "0"}
"""Usual keys of a switch that every one of its kind needs."""


def _as_toml(text: str) -> TomlValue:
    found = as_toml(text)
    if isinstance(found, str) and re.fullmatch(r"[a-z]+(?: *, *[0-9]+)+", text):
        return as_lists(text)[0]
    return found


def _fits_switch(model: type[BaseModel], key: str) -> Check:
    """Return a check that a switch takes an answer for one key."""

    def check(text: str) -> str:
        try:
            model.model_validate({key: _as_toml(text)})
        except ValidationError as problem:
            return reason_of(problem, key)
        return ""

    return check


def _ask_sweeps(asked: Asked) -> None:
    last = max(numbers_of(asked.given, "sweep"), default=0)
    for number in range(1, min(last + 1, _MOST_SWEEPS) + 1):
        here = f"sweep.{number}"
        asked.group("Sweeps")
        why = f"{meaning(Sweep, 'over')} `benchmon predict --sweep` then has every quantity at each value."
        words = "a sweep over" if number == 1 else "another sweep over"
        swept = [over for over in SWEPT if _has_second_load(asked) or not over.startswith("load_2.")]
        over = asked.ask(Question(f"{here}.over", words, why, _NO_SWEEP, choices=(_NO_SWEEP, *swept)))
        if over == _NO_SWEEP:
            continue
        usual = _USUAL_NAMES[over] if number == 1 else f"{_USUAL_NAMES[over]} {number}"
        taken = {asked[f"sweep.{other}.name"] for other in range(1, number)}
        asked.ask(Question(f"{here}.name", "its name", meaning(Sweep, "name"), usual, check=new_name(taken)))
        check = _fits_sweep(over)
        asked.ask(
            Question(
                f"{here}.values", "its values", meaning(Sweep, "values"), _USUAL_VALUES[over], check=check,
                as_toml=_as_values,
            )
        )  # fmt: skip
        asked.ask(ModelKeys(here, Sweep).value("hold", "readings stand still for", "5 s"))
        if over != "mains.voltage":
            _ask_load(asked, here)


def _ask_load(asked: Asked, here: str) -> None:
    """Ask what sets the load of a sweep, where a meter has a driver that can."""
    models = {
        f"meter {number}": _load_model_of(driver_in(asked, number)) for number in numbers_of(asked.values, "meter")
    }
    there = asked.given.get(f"{here}.instrument")
    known = {name: model for name, model in models.items() if model is not None or name == there}
    if not known:
        return
    why = (
        "What sets the load: a person, or an instrument that this program may command. `benchmon manual plan` has more."
    )
    chosen = asked.ask(Question(f"{here}.instrument", "its load is set by", why, _PERSON, choices=(_PERSON, *known)))
    model = known.get(chosen)
    if model is None:
        return
    is_text = field_of(model, "set").annotation is str
    for key, words in (("set", "what sets it"), ("off", "what releases it")):
        usual = _USUAL_COMMANDS[key] if is_text else _USUAL_REGISTERS[key]
        read: Callable[[str], TomlValue] = str if is_text else _as_table
        described = field_of(model, key).description or ""
        asked.ask(Question(f"{here}.{key}", words, described, usual, check=_fits_load(model, key, read), as_toml=read))


_PERSON = "a person"
_USUAL_COMMANDS = {"set": "CURR {value};INP ON", "off": "INP OFF"}
_USUAL_REGISTERS = {"set": "register 0, factor 1000, coil 0", "off": "coil 0, value 0"}


def _load_model_of(driver: str) -> type[LoadSettings] | None:
    try:
        return driver_of(driver).load_model
    except BadInput:
        return None


def _fits_load(model: type[BaseModel], key: str, read: Callable[[str], TomlValue]) -> Check:
    usual = _USUAL_COMMANDS if read is str else _USUAL_REGISTERS
    whole = {one: read(text) for one, text in usual.items()}

    def check(text: str) -> str:
        try:
            model.model_validate(whole | {key: read(text)})
        except ValidationError as problem:
            return reason_of(problem)
        except BadInput as problem:
            return str(problem)
        return ""

    return check


def _as_table(text: str) -> dict[str, TomlValue]:
    """Return a table as it is typed. Raises `BadInput`.

    >>> _as_table("register 2, factor 0.1, coil 0")
    {'register': 2, 'factor': 0.1, 'coil': 0}
    """
    found: dict[str, TomlValue] = {}
    for part in text.split(","):
        key, _, value = part.strip().partition(" ")
        if not key or not value.strip():
            raise BadInput('must be keys with their values, such as "register 2, factor 1000"')
        whole = as_toml(value.strip())
        with suppress(ValueError):
            whole = float(value) if isinstance(whole, str) else whole
        found[key] = whole
    return found


def _as_values(text: str) -> TomlValue:
    return [part.strip() for part in text.split(",") if part.strip()]


def _fits_sweep(over: str) -> Check:
    def check(text: str) -> str:
        try:
            Sweep.model_validate({"name": "sweep", "over": over, "values": _as_values(text)})
        except ValidationError as problem:
            return reason_of(problem)
        except BadInput as problem:
            return str(problem)
        return ""

    return check


def answers_about_test(text: BenchText) -> dict[str, str]:
    """Return the answers that the steps, the switch and the sweeps of a bench file hold."""
    found = {"plan.stages": _KEEP, "plan.there": "yes"} if text.all("step") else {"plan.stages": _AT_ONCE}
    for number, step in enumerate(text.all("step"), 1):
        found |= {f"step.{number}.{key}": _step_typed(key, value) for key, value in step.content.items()}
    names = [meter.content.get("name") for meter in text.all("instrument")]
    switch = text.first("switch_off")
    if switch is not None:
        at = names.index(switch.content["instrument"])
        found["switch.meter"] = f"meter {at + 1}"
        model = _switch_model_of(str(text.all("instrument")[at].content.get("driver")))
        for key, field in model.model_fields.items() if model is not None else ():
            value = switch.content.get(field.alias or key, _UNUSED)
            found[f"switch.key.{field.alias or key}"] = _typed(value)
    for number, sweep in enumerate(text.all("sweep"), 1):
        there = {"hold": "5 s"} | sweep.content
        found |= {f"sweep.{number}.{key}": _typed(there.get(key, "")) for key in ("over", "name", "values", "hold")}
        if "instrument" in sweep.content:
            found |= {f"sweep.{number}.{key}": _typed(there.get(key, "")) for key in ("set", "off")}
            found[f"sweep.{number}.instrument"] = f"meter {names.index(sweep.content['instrument']) + 1}"
    return found


def _step_typed(key: str, value: Any) -> str:
    if key == "record":
        return one_line(_records_typed(value), LONGEST)
    return one_line(", ".join(value), LONGEST) if isinstance(value, list) else spelt(Step, key, value)


def _typed(value: Any) -> str:
    if isinstance(value, dict):
        return one_line(", ".join(f"{key} {part}" for key, part in value.items()), LONGEST)
    return as_typed(value) if isinstance(value, list) else one_line(value, 500)


def write_test(text: BenchText, asked: Asked, former: Mapping[str, str]) -> None:
    """Put the plan, the switch and the sweeps into the text; what is as in `former` stays as it is."""
    _write_plan(text, asked, former)
    _write_switch(text, asked, former)
    _write_sweeps(text, asked, former)


def _write_switch(text: BenchText, asked: Asked, former: Mapping[str, str]) -> None:
    section, chosen = text.first("switch_off"), asked["switch.meter"]
    if chosen in ("", _NOTHING):
        if section is not None:
            text.remove(section)
        return
    instrument = asked[f"{chosen.replace(' ', '.')}.name"]
    is_other = section is not None and former.get("switch.meter") != chosen
    if section is not None and is_other:
        text.remove(section)
        section = None
    if section is None:
        section = text.add("switch_off")
        former = {}
    section.set("instrument", instrument, meaning(SwitchOff, "instrument").removesuffix("."))
    for name in former.keys() - asked.values.keys():
        if name.startswith("switch.key."):
            section.remove(name.removeprefix("switch.key."))
    for question in asked:
        if question.name.startswith("switch.key.") and former.get(question.name) != asked[question.name]:
            _set(section, question, asked[question.name])


def _set(section: TextSection, question: Question, answer: str) -> None:
    key = question.name.rpartition(".")[2]
    if answer in ("", question.without):
        section.remove(key)
    else:
        section.set(key, question.as_toml(answer) if question.as_toml else answer)


def _write_sweeps(text: BenchText, asked: Asked, former: Mapping[str, str]) -> None:
    sections = list(text.all("sweep"))
    for number in numbers_of(asked.values, "sweep"):
        section = sections[number - 1] if number <= len(sections) else None
        if asked[f"sweep.{number}.over"] == _NO_SWEEP:
            if section is not None:
                text.remove(section)
            continue
        if section is None:
            section = text.add("sweep", many=True)
        _write_sweep(section, f"sweep.{number}.", asked, former)


def _write_sweep(section: TextSection, here: str, asked: Asked, former: Mapping[str, str]) -> None:
    for name in former.keys() - asked.values.keys():
        if name.startswith(here):
            section.remove(name.removeprefix(here))
    for question in asked:
        answer = asked[question.name]
        if not question.name.startswith(here) or former.get(question.name) == answer:
            continue
        if question.name != f"{here}instrument":
            _set(section, question, answer)
        elif answer == _PERSON:
            section.remove("instrument")
        else:
            section.set("instrument", asked[f"{answer.replace(' ', '.')}.name"])


def _write_plan(text: BenchText, asked: Asked, former: Mapping[str, str]) -> None:
    """Put the steps of a power-on into the text, or take steps away; those in the file may stay."""
    chosen = asked["plan.stages"]
    if chosen == _KEEP:
        return
    if chosen == _ONE_BY_ONE:
        _write_steps(text, asked, former)
        return
    for section in text.all("step"):
        text.remove(section)
    if chosen == _AT_ONCE or not _channels(asked):
        return
    needs, why = _usual_needs(asked), meaning(Step, "needs").removesuffix(".")
    for name, voltage, ohms, hold in _usual_steps(asked):
        step = text.add("step", many=True)
        step.set("name", name)
        step.set("mains", voltage)
        if ohms:
            step.set("load", ohms)
        step.set("hold", hold)
        step.set("needs", needs, "" if len(text.all("step")) > 1 else why)


def _write_steps(text: BenchText, asked: Asked, former: Mapping[str, str]) -> None:
    sections = list(text.all("step"))
    for number in numbers_of(asked.values, "step"):
        section = sections[number - 1] if number <= len(sections) else None
        if asked[f"step.{number}.name"] == _NO_STEP:
            if section is not None:
                text.remove(section)
            continue
        if section is None:
            section = text.add("step", many=True)
        for question in asked:
            answer = asked[question.name]
            if question.name.startswith(f"step.{number}.") and former.get(question.name, question.without) != answer:
                if question.name.endswith(".record"):
                    # It is written whole: a list of tables cannot be changed in place.
                    section.remove("record")
                _set(section, question, answer)
