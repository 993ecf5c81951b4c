"""The questions about the test: how the power comes on, what a trip switches off, and sweeps; and their sections.

They are called `plan.stages`, `switch.meter`, `switch.key.coil`, `sweep.1.over`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

from benchmon.bench import Step, Sweep, SwitchOff
from benchmon.bench.measurement import SWEPT
from benchmon.errors import BadInput
from benchmon.instruments.types import SwitchSettings
from benchmon.new_bench.bench_text import BenchText, TextSection, TomlValue
from benchmon.new_bench.meter_questions import driver_in, driver_of, new_name, numbers_of
from benchmon.new_bench.questions import (
    Asked,
    Check,
    ModelKeys,
    Question,
    as_lists,
    as_toml,
    as_typed,
    meaning,
    reason_of,
)
from benchmon.quantities import VOLTAGE, parse_value
from benchmon.text import one_line

_STAGED, _AT_ONCE, _KEEP = "in stages, by a variable transformer", "at once, without steps", "by the steps in the file"
_NOTHING, _UNUSED = "nothing by itself", "not used"
_NO_SWEEP = "no sweep"
_MOST_SWEEPS = 9
_USUAL_VALUES = {
    "load.current": "open, 0.2 A, 0.5 A, 1 A",
    "load.resistance": "open, 47 Ω, 22 Ω, 10 Ω",
    "mains.voltage": "207 V, 220 V, 230 V, 241 V, 253 V",
}
_USUAL_NAMES = {"load.current": "load", "load.resistance": "load", "mains.voltage": "mains"}


def is_of_test(name: str) -> bool:
    """Return whether the question called `name` is about the test rather than supply and meters."""
    return name.partition(".")[0] in ("plan", "switch", "sweep")


def ask_test(asked: Asked) -> None:
    """Ask what a trip switches off, whether the supply is powered on in stages, and for sweeps."""
    _ask_switch(asked)
    asked.group("Plan")
    why = "With a variable transformer a mistake shows at a tenth of the voltage, before it does harm."
    keeps = asked.given.get("plan.stages") == _KEEP or asked.given.get("plan.there") == "yes"
    choices = (*([_KEEP] if keeps else []), _STAGED, _AT_ONCE)
    asked.ask(Question("plan.stages", "the power comes on", why, choices[0], choices=choices))
    _ask_sweeps(asked)


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
        over = asked.ask(Question(f"{here}.over", words, why, _NO_SWEEP, choices=(_NO_SWEEP, *SWEPT)))
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
    switch = text.first("switch_off")
    if switch is not None:
        names = [meter.content.get("name") for meter in text.all("instrument")]
        at = names.index(switch.content["instrument"])
        found["switch.meter"] = f"meter {at + 1}"
        model = _switch_model_of(str(text.all("instrument")[at].content.get("driver")))
        for key, field in model.model_fields.items() if model is not None else ():
            value = switch.content.get(field.alias or key, _UNUSED)
            found[f"switch.key.{field.alias or key}"] = _typed(value)
    for number, sweep in enumerate(text.all("sweep"), 1):
        there = {"hold": "5 s"} | sweep.content
        found |= {f"sweep.{number}.{key}": _typed(there.get(key, "")) for key in ("over", "name", "values", "hold")}
    return found


def _typed(value: Any) -> str:
    return as_typed(value) if isinstance(value, list) else one_line(value, 500)


def write_test(text: BenchText, asked: Asked, former: Mapping[str, str]) -> None:
    """Put the plan, the switch and the sweeps into the text; what is as in `former` stays as it is."""
    _write_plan(text, asked)
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
        for question in asked:
            is_here = question.name.startswith(f"sweep.{number}.")
            if is_here and former.get(question.name) != asked[question.name]:
                _set(section, question, asked[question.name])


def _write_plan(text: BenchText, asked: Asked) -> None:
    """Put the steps of a power-on in stages into the text, or take steps away; those in the file may stay."""
    chosen = asked["plan.stages"]
    if chosen == _KEEP:
        return
    for section in text.all("step"):
        text.remove(section)
    channels = [name for name in asked.values if re.fullmatch(r"channel\.\d+\.\d+\.name", name)]
    if chosen == _AT_ONCE or not channels:
        return
    points = {name: asked[f"{name.removesuffix('.name')}.what"] for name in channels}
    needs = [asked[name] for name in channels if "temperature" not in points[name]][:3]
    mains, load = asked["mains.voltage"], asked["load.resistance"]
    volts = parse_value(mains, VOLTAGE)
    rows = (
        ("a tenth of the mains, no load", f"{volts / 10:.3g} V", "open", "20 s"),
        ("half the mains, no load", f"{volts / 2:.3g} V", "open", "20 s"),
        ("full mains, no load", f"{volts:.4g} V", "open", "1 min"),
        ("load on", f"{volts:.4g} V", load, "2 min"),
        ("soak", f"{volts:.4g} V", load, "30 min"),
    )
    why = meaning(Step, "needs").removesuffix(".")
    for name, voltage, ohms, hold in rows:
        step = text.add("step", many=True)
        step.set("name", name)
        step.set("mains", voltage)
        if ohms:
            step.set("load", ohms)
        step.set("hold", hold)
        step.set("needs", needs, "" if len(text.all("step")) > 1 else why)
