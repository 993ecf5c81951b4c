"""Every question about the supply under test, described once; answers from a bench file, and into one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from benchmon.bench import (
    Ambient,
    Bench,
    Capacitor,
    Diode,
    Fuse,
    Mains,
    Ntc,
    Rectifier,
    Regulator,
    ReportEntries,
    Transformer,
)
from benchmon.bench.topology import TOPOLOGIES, RectifierKind
from benchmon.errors import BadInput
from benchmon.new_bench.bench_text import BenchText, TextSection
from benchmon.new_bench.filter_questions import (
    FIRST,
    SECOND,
    ask_filter,
    chain_of,
    filter_answers,
    is_of_part,
    remove_parts,
    reservoir_of,
    write_parts,
)
from benchmon.new_bench.output_questions import (
    NONE,
    NOT_KNOWN,
    OUTPUT_WRITERS,
    OWN,
    OWN_FILTER,
    OWN_REGULATOR,
    ask_joined_outputs,
    ask_outputs,
    output_answers,
    remove_second_output,
    write_no_filter,
)
from benchmon.new_bench.questions import Asked, ModelKeys, Question, as_lists, as_typed, meaning, refused, spelt
from benchmon.quantities import APPARENT_POWER, VOLTAGE, parse_value
from benchmon.standards import FUSE_RATINGS, USUAL_REGULATION
from benchmon.text import one_line

NOT_MEASURED = "not measured"
_LABEL = "its label: voltage at full load, regulation"
BY_MEASUREMENT = "measured: open-circuit voltage, resistances"
ONE_WINDING, IN_PARALLEL, IN_SERIES = "one winding", "two windings in parallel", "two windings in series"
TAPPED = "two windings in series, the tap between them"
EACH_ITS_OWN = "two windings, a bridge on each"
_CURVES = {
    "silicon": [["0.72 V", "0.1 A"], ["0.95 V", "3 A"]],
    "Schottky": [["0.30 V", "0.1 A"], ["0.50 V", "3 A"]],
}
_POINTS, _SHOCKLEY = "points of its data sheet", "Shockley values, as in the file"
_FUSE_FACTOR = 1.6
_TAPS = (100, 110, 115, 120, 127, 200, 208, 220, 230, 240)
"""V of usual primary taps, from memory."""

_MAINS = ModelKeys("mains", Mains)
_TRANSFORMER = ModelKeys("transformer", Transformer)
_FUSE = ModelKeys("fuse", Fuse)
_LIMITER = ModelKeys("ntc", Ntc)
_DIODE = ModelKeys("diode", Diode)
_MODELS: Mapping[str, type[BaseModel]] = {
    "mains": Mains,
    "transformer": Transformer,
    "fuse": Fuse,
    "ntc": Ntc,
    "rectifier": Rectifier,
    "diode": Diode,
    "filter": Capacitor,
    "regulator": Regulator,
    "filter_2": Capacitor,
    "regulator_2": Regulator,
    "ambient": Ambient,
    "report": ReportEntries,
}


def is_of_supply(name: str) -> bool:
    """Return whether the question called `name` is about the supply under test."""
    return name.partition(".")[0] in (*_MODELS, "load", "load_2", "title") or is_of_part(name)


def ask_supply(asked: Asked) -> None:
    """Ask for the supply. What likely answers are is from memory, of supplies of a few VA to a few kVA."""
    asked.group("Title")
    asked.ask(Question("title", "what is on the bench", meaning(Bench, "title"), "my supply", check=_is_title))
    _ask_mains(asked)
    _ask_rectifier(asked)
    _ask_transformer(asked)
    _ask_fuse(asked)
    _ask_limiter(asked)
    _ask_diode(asked)
    asked.group("Filter")
    ask_filter(asked, FIRST)
    ask_outputs(asked)
    asked.group("Ambient")
    ambient = ModelKeys("ambient", Ambient)
    asked.ask(ambient.value("temperature", "ambient temperature", "25 °C", likely=(0.0, 45.0)))
    asked.group("Report")
    for key, words in (("customer", "tested for"), ("order", "order"), ("author", "who answers for the report")):
        why = f"{meaning(ReportEntries, key)} It stands on the first page of a report."
        asked.ask(Question(f"report.{key}", words, why, without=NONE, check=_is_title))


def _is_title(text: str) -> str:
    return "" if text else "type a few words"


def _ask_mains(asked: Asked) -> None:
    asked.group("Mains")
    asked.ask(_MAINS.value("voltage", "mains voltage", "230 V", likely=(90.0, 260.0)))
    asked.ask(_MAINS.value("frequency", "mains frequency", "50 Hz", likely=(45.0, 65.0)))
    asked.ask(_MAINS.value("tolerance", "tolerance of the mains voltage", "6 %", likely=(0.0, 0.15)))
    asked.ask(
        _MAINS.value("source_resistance", "resistance of socket and lead", without=NOT_MEASURED, likely=(0.0, 3.0))
    )
    why = (
        'Its size, such as "3 %"; or measured harmonics by order, size and phase, "5, 2.4 %, 180°; 7, 0.9 %, 47°"; '
        "or the name of a file with a captured wave beside the bench file. It moves power factor and line peaks most."
    )
    asked.ask(Question("mains.distortion", "distortion of the mains", why, without=NOT_MEASURED, check=_is_distortion))


def _is_distortion(text: str) -> str:
    key, value = _distortion(text)
    if key == "wave":
        return "" if "." in text else "give a size such as 3 %, a list of harmonics, or the name of a file"
    return refused(Mains, key, value)


def _distortion(text: str) -> tuple[str, Any]:
    if "," in text or ";" in text:
        return "harmonics", as_lists(text)
    if text[:1].isdigit() and text.endswith("%"):
        return "voltage_thd", text
    return "wave", text


def _ask_rectifier(asked: Asked) -> None:
    asked.group("Rectifier")
    why = meaning(Rectifier, "kind")
    asked.ask(Question("rectifier.kind", "how the diodes are wired", why, "bridge", choices=tuple(TOPOLOGIES)))
    ask_joined_outputs(asked)


def _windings(asked: Asked) -> tuple[str, ...]:
    kind: RectifierKind = asked["rectifier.kind"]  # type: ignore[assignment]
    topology = TOPOLOGIES[kind]
    if topology.second_winding is not None:
        return (EACH_ITS_OWN,)
    return (TAPPED,) if topology.is_tapped else (ONE_WINDING, IN_PARALLEL, IN_SERIES)


def _ask_transformer(asked: Asked) -> None:
    asked.group("Transformer")
    asked.ask(_TRANSFORMER.value("primary_voltage", "voltage of the primary tap", _usual_tap(asked["mains.voltage"])))
    choices = _windings(asked)
    why = meaning(Transformer, "connection")
    asked.ask(Question("transformer.windings", "secondary windings in use", why, choices[0], choices=choices))
    rating = asked.ask(_TRANSFORMER.value("rating", "rating of all windings together", "120 VA", likely=(1.0, 5000.0)))
    why = "The label is quick, within a few per cent; an open-circuit voltage and two resistances are better."
    known = asked.ask(
        Question("transformer.known", "its voltage is known from", why, _LABEL, choices=(_LABEL, BY_MEASUREMENT))
    )
    if known == _LABEL:
        usual = next(words for most, words in USUAL_REGULATION if parse_value(rating, APPARENT_POWER) <= most)
        asked.ask(_TRANSFORMER.value("rated_voltage", "one winding, at full load", "18 V", likely=(2.0, 500.0)))
        asked.ask(_TRANSFORMER.value("regulation", "regulation", usual, likely=(0.02, 0.4)))
    else:
        asked.ask(
            _TRANSFORMER.value("open_circuit_voltage", "one winding, without load", "19.6 V", likely=(2.0, 500.0))
        )
        asked.ask(_TRANSFORMER.value("primary_resistance", "resistance of the primary", "20 Ω"))
        asked.ask(_TRANSFORMER.value("secondary_resistance", "resistance of one secondary", "0.15 Ω"))
    why = (
        'Current of the primary with the secondaries open, "25 mA"; with its watts, "25 mA, 2 W"; or points of volts, '
        'amperes and watts, "207 V, 15 mA, 1.2 W; 230 V, 22 mA, 1.6 W". It decides the line current of a small load.'
    )
    asked.ask(
        Question(
            "transformer.no_load_test", "without load: amperes, watts", why, without=NOT_MEASURED, check=_is_no_load
        )
    )
    more = "It is measured at reduced voltage only."
    words = "shorted: volts, amperes, watts"
    asked.ask(_TRANSFORMER.points("short_circuit", words, without=NOT_MEASURED, more=more, only_one=True))


def _usual_tap(mains: str) -> str:
    """Return the tap that is nearest to the mains voltage."""
    volts = parse_value(mains, VOLTAGE)
    return f"{min(_TAPS, key=lambda tap: abs(tap - volts))} V"


def _is_no_load(text: str) -> str:
    [(key, value)] = _no_load(text, "230 V").items()
    return refused(Transformer, key, value)


def _no_load(text: str, primary: str) -> dict[str, Any]:
    points: Any = as_lists(text)
    if len(points) == 1 and len(points[0]) == 1:
        return {"no_load_current": points[0][0]}
    if len(points) == 1 and len(points[0]) == 2:
        return {"no_load": [[primary, *points[0]]]}
    return {"no_load": points}


def _ask_fuse(asked: Asked) -> None:
    asked.group("Fuse")
    try:
        amperes = parse_value(asked["transformer.rating"], APPARENT_POWER) / parse_value(
            asked["transformer.primary_voltage"], VOLTAGE
        )
    except (BadInput, ZeroDivisionError):
        amperes = 0.0
    usual = next((size for size in FUSE_RATINGS if size >= _FUSE_FACTOR * amperes), FUSE_RATINGS[-1])
    rating = asked.ask(
        _FUSE.value(
            "rating", "rating of the primary fuse", f"{usual:g} A", without=NONE, likely=(0.03, 20.0),
            more=f"The primary is rated {amperes:.2g} A.",
        )
    )  # fmt: skip
    if rating != NONE:
        speeds = ("time-lag", "fast")
        asked.ask(Question("fuse.speed", "its speed", meaning(Fuse, "speed"), speeds[0], choices=speeds))


def _ask_limiter(asked: Asked) -> None:
    """Ask for an inrush limiter; usual ones of its keys are those of discs of some 10 Ω and 15 mm, from memory."""
    cold = asked.ask(_LIMITER.value("r25", "inrush limiter (NTC)", without=NONE, likely=(0.5, 500.0)))
    if cold != NONE:
        asked.ask(_LIMITER.value("beta", "its β", "3000 K", likely=(1500.0, 6000.0)))
        asked.ask(_LIMITER.value("dissipation_factor", "its dissipation factor", "20 mW/K", likely=(1e-3, 0.2)))
        asked.ask(_LIMITER.value("time_constant", "its thermal time constant", "60 s", likely=(5.0, 300.0)))
        asked.ask(_LIMITER.value("max_current", "its highest steady current", without=NOT_KNOWN))


def _ask_diode(asked: Asked) -> None:
    asked.group("Diodes")
    why = "Its forward drop lowers the output and heats it. Points of its own data sheet are better than a kind."
    curves = (*_CURVES, _POINTS, *([_SHOCKLEY] if asked.given.get("diode.curve") == _SHOCKLEY else []))
    curve = asked.ask(Question("diode.curve", "kind of diode", why, "silicon", choices=curves))
    if curve == _POINTS:
        usual = as_typed(_CURVES["silicon"])
        asked.ask(_DIODE.points("forward", "volts and amperes of its curve", usual=usual))
    asked.ask(
        _DIODE.value("mean_current_rating", "rated mean current of one", "3 A", without=NOT_KNOWN, likely=(0.05, 500.0))
    )
    asked.ask(_DIODE.value("surge_current_rating", "rated surge current of one", without=NOT_KNOWN, likely=(1.0, 1e4)))
    asked.ask(
        _DIODE.value(
            "reverse_voltage_rating", "rated reverse voltage of one", "200 V", without=NOT_KNOWN, likely=(15.0, 5e3)
        )
    )
    heat = asked.ask(_DIODE.value("thermal_resistance", "junction to ambient", without=NOT_KNOWN, likely=(0.5, 150.0)))
    if heat != NOT_KNOWN:
        asked.ask(_DIODE.value("thermal_time_constant", "time constant of its warm-up", "40 s", without=NOT_KNOWN))
    usual = "125 °C" if curve == "Schottky" else "150 °C"
    asked.ask(_DIODE.value("max_junction", "highest junction temperature", usual, without=NOT_KNOWN))


def supply_answers(text: BenchText) -> dict[str, str]:
    """Return the answers that a bench file holds. What is not there is answered by the words for it."""
    data, found = text.data, dict[str, str]()
    if "title" in data:
        found["title"] = one_line(data["title"])
    for name, model in _MODELS.items():
        section = _section(text, name)
        if section is not None:
            fields = model.model_fields.items()
            there = {key: field.default for key, field in fields if isinstance(field.default, float | str)}
            there |= section.content
            found |= {f"{name}.{key}": spelt(model, key, value) for key, value in there.items()}
    found |= _answers_of_transformer(data.get("transformer", {}))
    found |= output_answers(data, found.get("rectifier.kind", ""))
    mains = data.get("mains", {})
    distortion = next((mains[key] for key in ("harmonics", "voltage_thd", "wave") if key in mains), None)
    if distortion is not None:
        found["mains.distortion"] = (
            as_typed(distortion) if isinstance(distortion, list) else found.get("mains.voltage_thd", str(distortion))
        )
    diode = data.get("diode", {})
    if "saturation_current" in diode:
        found["diode.curve"] = _SHOCKLEY
    elif "forward" in diode:
        found["diode.curve"] = next((name for name, points in _CURVES.items() if points == diode["forward"]), _POINTS)
    found |= filter_answers(text, FIRST) | filter_answers(text, SECOND)
    return found | {name: words for name, words in _left_out(text).items() if not found.get(name)}


def _left_out(text: BenchText) -> dict[str, str]:
    """Return what a question is answered by where the file has no such key."""
    there = {"diode.thermal_resistance": "1 K/W", "regulator.output_voltage": "5 V", "ntc.r25": "10 Ω"}
    there |= {"filter.capacitance": "1 mF", "regulator.thermal_resistance": "1 K/W", "rectifier.kind": "split rail"}
    if text.data.get("filter_2") is not None:
        there[OWN_FILTER] = OWN
    if text.first("regulator_2") is not None:
        there[OWN_REGULATOR] = OWN
    asked = Asked(there)
    ask_supply(asked)
    words = {question.name: question.without for question in asked if question.without}
    sections = {section.section for section in text.sections}
    return {name: word for name, word in words.items() if name.partition(".")[0] in sections or word == NONE}


_RESERVOIRS = tuple(f"filter{output}" for output in (FIRST, SECOND))


def _section(text: BenchText, name: str) -> TextSection | None:
    """Return the section that the questions are about whose names begin with `name`."""
    return reservoir_of(text, name.removeprefix("filter")) if name in _RESERVOIRS else text.first(name)


def _answers_of_transformer(transformer: Mapping[str, Any]) -> dict[str, str]:
    if not transformer:
        return {}
    found = {"transformer.known": _LABEL if "rated_voltage" in transformer else BY_MEASUREMENT}
    if transformer.get("secondaries", 1) == 1:
        found["transformer.windings"] = ONE_WINDING
    else:
        joined = {"parallel": IN_PARALLEL, "series": IN_SERIES}
        found["transformer.windings"] = joined.get(transformer.get("connection", "single"), EACH_ITS_OWN)
    if "no_load" in transformer:
        found["transformer.no_load_test"] = as_typed(transformer["no_load"])
    elif "no_load_current" in transformer:
        keys = ("no_load_current", "no_load_loss")
        parts = [spelt(Transformer, key, transformer[key]) for key in keys if key in transformer]
        found["transformer.no_load_test"] = ", ".join(parts)
    return found


def write_supply(text: BenchText, asked: Asked, before: Asked | None) -> None:
    """Put the answers into the text of a bench file: those that differ from `before`, all where that is None.

    A key whose question does not arise any more, or is answered by "none", is taken away.
    """
    if before is not None:
        for name in before.values.keys() - asked.values.keys():
            _remove(text, name)
    for question in asked:
        name = question.name
        if is_of_supply(name) and not is_of_part(name) and _is_changed(name, asked, before):
            _write(text, asked, question, asked[name], confirmed=name in asked.given)

    def write_in_part(section: TextSection, model: type[BaseModel], question: Question, before: Asked | None) -> None:
        if _is_changed(question.name, asked, before):
            _set(section, model, question, asked)

    for output in (FIRST, SECOND):
        write_parts(text, asked, before, write_in_part, output)
    rectifier: RectifierKind = asked["rectifier.kind"]  # type: ignore[assignment]
    if not TOPOLOGIES[rectifier].has_two_outputs:
        remove_second_output(text)
    elif asked[OWN_FILTER]:
        write_no_filter(text, asked)


def _is_changed(name: str, asked: Asked, before: Asked | None) -> bool:
    return before is None or before[name] != asked[name] or before.given.get(name) != asked.given.get(name)


def _write(text: BenchText, asked: Asked, question: Question, answer: str, *, confirmed: bool) -> None:
    name = question.name
    if answer == question.without and answer:
        _remove(text, name)
        return
    special = {
        "title": _write_title,
        "mains.distortion": _write_distortion,
        "transformer.windings": _write_windings,
        "transformer.no_load_test": _write_no_load,
        "diode.curve": _write_curve,
        **OUTPUT_WRITERS,
    }.get(name)
    if special is not None:
        special(text, asked, answer, confirmed)
        return
    if name in ("transformer.known", chain_of(FIRST), chain_of(SECOND)):
        return
    section = name.partition(".")[0]
    _set(_place(text, section), _MODELS.get(section), question, asked)


def _set(section: TextSection, model: type[BaseModel] | None, question: Question, asked: Asked) -> None:
    """Give the key that a question is about its answer; take it away where there is no value to give."""
    answer, key = asked[question.name], question.name.rpartition(".")[2]
    if answer == question.without and answer:
        section.remove(key)
        return
    value = question.as_toml(answer) if question.as_toml else answer
    comment = _TOLERANCE if model is Capacitor and key == "tolerance" else _comment(model, key)
    section.set(key, value, comment, confirmed=question.name in asked.given)


_TOLERANCE = "usual for an electrolytic, where the data sheet says nothing else"


def _comment(model: type[BaseModel] | None, key: str) -> str:
    words = meaning(model, key) if model else ""
    return words.partition(";")[0].partition(". ")[0].removesuffix(".")


def _place(text: BenchText, section: str) -> TextSection:
    """Return the section for a key, made where it is not there."""
    found = _section(text, section)
    if found is not None:
        return found
    if section in _RESERVOIRS:
        # An empty list of parts may stand above all sections.
        text.sections[0].remove(section)
        found = text.add(section, many=True, comment="the reservoir")
        found.set("kind", "capacitor")
        return found
    return text.add(section)


def _remove(text: BenchText, name: str) -> None:
    """Take away what a question wrote; the whole section where it stands for that."""
    section, _, key = name.partition(".")
    found = _section(text, section)
    if found is None:
        return
    if name in (chain_of(FIRST), chain_of(SECOND)):
        remove_parts(text, section.removeprefix("filter"))
        return
    if name in _STAND_FOR_SECTIONS:
        text.remove(found)
        return
    for each in _WRITES.get(name, (key,)):
        found.remove(each)


_STAND_FOR_SECTIONS = (
    *("fuse.rating", "ntc.r25", "filter.capacitance", "filter_2.capacitance", "load_2.kind"),
    *("regulator.output_voltage", "regulator_2.output_voltage"),
)
_WRITES = {
    "mains.distortion": ("voltage_thd", "harmonics", "wave"),
    "transformer.no_load_test": ("no_load", "no_load_current", "no_load_loss"),
    "transformer.windings": (),
    "transformer.known": (),
    "diode.curve": (),
}


def _write_title(text: BenchText, _asked: Asked, answer: str, _confirmed: bool) -> None:
    text.sections[0].set("title", answer)


def _write_distortion(text: BenchText, _asked: Asked, answer: str, _confirmed: bool) -> None:
    key, value = _distortion(answer)
    section = _place(text, "mains")
    for other in _WRITES["mains.distortion"]:
        if other != key:
            section.remove(other)
    section.set(key, value, "shape of the mains voltage")


def _write_windings(text: BenchText, _asked: Asked, answer: str, confirmed: bool) -> None:
    section = _place(text, "transformer")
    section.set("secondaries", 1 if answer == ONE_WINDING else 2, confirmed=confirmed)
    if answer in (ONE_WINDING, EACH_ITS_OWN):
        section.remove("connection")
    else:
        joined = "parallel" if answer == IN_PARALLEL else "series"
        section.set("connection", joined, _comment(Transformer, "connection"))


def _write_no_load(text: BenchText, asked: Asked, answer: str, _confirmed: bool) -> None:
    values = _no_load(answer, asked["transformer.primary_voltage"])
    section = _place(text, "transformer")
    for key in _WRITES["transformer.no_load_test"]:
        if key in values:
            section.set(key, values[key], "measured at the primary, the secondaries open")
        else:
            section.remove(key)


def _write_curve(text: BenchText, _asked: Asked, answer: str, confirmed: bool) -> None:
    if answer == _SHOCKLEY:
        return
    section = _place(text, "diode")
    for key in ("saturation_current", "emission_coefficient", "series_resistance"):
        section.remove(key)
    if answer in _CURVES:
        words = f"usual for {answer}; points of its own data sheet are better"
        section.set("forward", _CURVES[answer], words, confirmed=confirmed)
