"""The questions about what an output feeds: its regulator and its load, and what a second output has of its own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from benchmon.bench import CurrentLoad, Rectifier, Regulator, ResistorLoad
from benchmon.bench.topology import TOPOLOGIES, RectifierKind
from benchmon.new_bench.bench_text import BenchText
from benchmon.new_bench.filter_questions import FIRST, SECOND, ask_filter
from benchmon.new_bench.questions import Asked, ModelKeys, Question, meaning, spelt

NOT_KNOWN, NONE = "not known", "none"
LIKE_FIRST, OWN = "like the first", "its own"
OWN_FILTER, OWN_REGULATOR = "filter_2.own", "regulator_2.own"
_SECOND_FILTER, _SECOND_REGULATOR = "filter_2", "regulator_2"
_LOADS = ("resistor", "current", "open")


def ask_joined_outputs(asked: Asked) -> None:
    """Ask how the outputs of two bridges are joined."""
    rectifier: RectifierKind = asked["rectifier.kind"]  # type: ignore[assignment]
    if TOPOLOGIES[rectifier].second_winding is None:
        return
    why, choices = meaning(Rectifier, "outputs"), ("isolated", "plus and minus", "stacked")
    joined = asked.ask(Question("rectifier.outputs", "how the outputs are joined", why, choices[0], choices=choices))
    if joined != "isolated":
        why, loads = meaning(Rectifier, "loads"), ("each", "across")
        asked.ask(Question("rectifier.loads", "a load of each, or one across", why, loads[0], choices=loads))


def ask_outputs(asked: Asked) -> None:
    """Ask for regulator and load, and for what the second of two outputs has of its own."""
    is_across = asked["rectifier.loads"] == "across"
    if not is_across:
        asked.group("Regulator")
        _ask_regulator(asked, FIRST, without=NONE)
    asked.group("Load")
    why = "A resistor follows the voltage, an electronic load holds its current, open is no load."
    kind = asked.ask(Question("load.kind", "kind of load", why, "resistor", choices=_LOADS))
    _ask_load_keys(asked, "load", kind)
    rectifier: RectifierKind = asked["rectifier.kind"]  # type: ignore[assignment]
    if not TOPOLOGIES[rectifier].has_two_outputs:
        return
    asked.group("Second output", of_second=SECOND)
    why = "Of a split rail the second output is the negative one. Like the first: the same parts, each of its own."
    if asked.ask(Question(OWN_FILTER, "its filter", why, LIKE_FIRST, choices=(LIKE_FIRST, OWN))) == OWN:
        ask_filter(asked, SECOND)
    if is_across:
        return
    regulators, loads = (LIKE_FIRST, OWN, NONE), (LIKE_FIRST, *_LOADS)
    if asked.ask(Question(OWN_REGULATOR, "its regulator", why, LIKE_FIRST, choices=regulators)) == OWN:
        _ask_regulator(asked, SECOND, without="")
    kind = asked.ask(
        Question("load_2.kind", "its load", why, LIKE_FIRST, LIKE_FIRST, choices=loads), follows_first=False
    )
    _ask_load_keys(asked, "load_2", kind)


def _ask_regulator(asked: Asked, output: str, *, without: str) -> None:
    keys = ModelKeys(f"regulator{output}", Regulator)
    volts = asked.ask(keys.value("output_voltage", "regulated output voltage", without=without))
    if volts == NONE:
        return
    asked.ask(keys.value("dropout", "its dropout voltage", "2 V", likely=(0.0, 5.0)))
    asked.ask(keys.value("quiescent_current", "current for itself", "5 mA", likely=(0.0, 0.5)))
    asked.ask(keys.value("ripple_rejection", "its ripple rejection", without=NOT_KNOWN, likely=(20.0, 120.0)))
    heat = asked.ask(keys.value("thermal_resistance", "junction to ambient, as mounted", without=NOT_KNOWN))
    if heat != NOT_KNOWN:
        asked.ask(keys.value("max_junction", "highest junction temperature", "125 °C", without=NOT_KNOWN))


def _ask_load_keys(asked: Asked, section: str, kind: str) -> None:
    if kind == "resistor":
        keys = ModelKeys(section, ResistorLoad)
        asked.ask(keys.value("resistance", "its resistance", "10 Ω", likely=(0.05, 1e6)))
        asked.ask(keys.value("power_rating", "its rated power", "100 W", without=NOT_KNOWN, likely=(0.1, 1e4)))
    elif kind == "current":
        asked.ask(ModelKeys(section, CurrentLoad).value("current", "its current", "1 A", likely=(1e-3, 200.0)))


def output_answers(data: Mapping[str, Any], rectifier: str) -> dict[str, str]:
    """Return the answers about loads, and about what a second output has of its own, that a bench file holds."""
    found = _answers_of_load("load", data.get("load", {}))
    if rectifier in TOPOLOGIES and TOPOLOGIES[rectifier].has_two_outputs:
        found |= {"load_2.kind": LIKE_FIRST, OWN_FILTER: LIKE_FIRST, OWN_REGULATOR: LIKE_FIRST}
        found |= _answers_of_load("load_2", data.get("load_2", {}))
        if _SECOND_FILTER in data:
            found[OWN_FILTER] = OWN
        if _SECOND_REGULATOR in data:
            found[OWN_REGULATOR] = NONE if data[_SECOND_REGULATOR] == "none" else OWN
    return found


def _answers_of_load(section: str, load: Mapping[str, Any]) -> dict[str, str]:
    models: Mapping[str, type[BaseModel]] = {"resistor": ResistorLoad, "current": CurrentLoad}
    model = models.get(str(load.get("kind")), ResistorLoad)
    return {f"{section}.{key}": spelt(model, key, value) for key, value in load.items()}


def _write_load_kind(text: BenchText, _asked: Asked, answer: str, confirmed: bool) -> None:
    _write_kind(text, "load", answer, confirmed=confirmed)


def _write_second_load_kind(text: BenchText, _asked: Asked, answer: str, confirmed: bool) -> None:
    _write_kind(text, "load_2", answer, confirmed=confirmed)


def _write_kind(text: BenchText, name: str, answer: str, *, confirmed: bool) -> None:
    section = text.first(name) or text.add(name)
    if section.content.get("kind") == answer:
        section.set("kind", answer, confirmed=confirmed)
    else:
        # Keys of another kind of load would be refused.
        for key in list(section.content):
            section.remove(key)
        section.set("kind", answer, confirmed=confirmed)


def _write_own_filter(text: BenchText, _asked: Asked, answer: str, _confirmed: bool) -> None:
    if answer == LIKE_FIRST:
        _remove_all(text, _SECOND_FILTER)


def _write_own_regulator(text: BenchText, _asked: Asked, answer: str, _confirmed: bool) -> None:
    if answer == OWN:
        text.sections[0].remove(_SECOND_REGULATOR)
        return
    _remove_all(text, _SECOND_REGULATOR)
    if answer == NONE:
        text.sections[0].set(_SECOND_REGULATOR, "none", "the second output has none")


OUTPUT_WRITERS = {
    "load.kind": _write_load_kind,
    "load_2.kind": _write_second_load_kind,
    OWN_FILTER: _write_own_filter,
    OWN_REGULATOR: _write_own_regulator,
}
"""Write the answers to questions whose names are no keys; each takes the text, all answers, its own, and whether that
one is confirmed."""


def write_no_filter(text: BenchText, asked: Asked) -> None:
    """Say that the second output has no filter where its own one has no parts, and only there."""
    above = text.sections[0]
    if text.all(_SECOND_FILTER):
        above.remove(_SECOND_FILTER)
    elif asked[OWN_FILTER] == OWN and not above.has(_SECOND_FILTER):
        above.set(_SECOND_FILTER, [], "the second output has none")


def remove_second_output(text: BenchText) -> None:
    """Take all that a second output has of its own away."""
    for name in (_SECOND_FILTER, _SECOND_REGULATOR, "load_2"):
        _remove_all(text, name)


def _remove_all(text: BenchText, name: str) -> None:
    for section in text.all(name):
        text.remove(section)
    text.sections[0].remove(name)
