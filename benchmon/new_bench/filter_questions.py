"""The questions about the filter: the reservoir, and any number of chokes, resistors and capacitors beside it.

The parts of a filter stand in sections of one name, so their questions begin with names of their own: `filter` is the
reservoir; the others are numbered in their order, `part.2.kind` is the kind of the second, and `choke.2.inductance` a
value of it where it is a choke. Those of a second output's own filter are `filter_2`, `part_2.2.kind` and so on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from benchmon.bench import Capacitor, Choke, SeriesResistor
from benchmon.bench.topology import TOPOLOGIES, RectifierKind
from benchmon.new_bench.bench_text import BenchText, TextSection
from benchmon.new_bench.questions import Asked, ModelKeys, Question, meaning, numbers_of, refused, spelt

FIRST, SECOND = "", "_2"
"""What names of sections, and of what questions begin with, end with for an output."""
NO_RESERVOIR, _NOT_KNOWN = "none", "not known"
_ONE_BY_ONE, _NO_PART = "other parts, one by one", "no more"
_ALONE = "the reservoir alone"
_BEFORE = " before the reservoir"
_PRESETS: Mapping[str, tuple[str, ...]] = {
    _ALONE: (),
    "reservoir, choke, second capacitor": ("choke", "capacitor"),
    "reservoir, resistor, second capacitor": ("resistor", "capacitor"),
    "choke, then the reservoir": (f"choke{_BEFORE}",),
}
"""Usual filters, by the kinds of the parts beside the reservoir."""
_KINDS = ("choke", "resistor", "capacitor", f"choke{_BEFORE}", f"resistor{_BEFORE}")
_MODELS: Mapping[str, type[BaseModel]] = {"choke": Choke, "resistor": SeriesResistor, "capacitor": Capacitor}


@dataclass(frozen=True, slots=True)
class _Part:
    """A part beside the reservoir: its output, its number, what it is, and whether it stands before the reservoir."""

    output: str
    number: int
    kind: str
    is_before: bool

    @classmethod
    def of(cls, output: str, number: int, answer: str) -> _Part:
        """Return the part that an answer stands for."""
        return cls(output, number, answer.removesuffix(_BEFORE), answer.endswith(_BEFORE))

    @property
    def name(self) -> str:
        """What the names of the questions about its values begin with."""
        return f"{self.kind}{self.output}.{self.number}"

    @property
    def answer(self) -> str:
        """The answer that stands for it."""
        return f"{self.kind}{_BEFORE if self.is_before else ''}"


def is_of_part(name: str) -> bool:
    """Return whether the question called `name` is about a part beside the reservoir."""
    return name.partition(".")[0].removesuffix(SECOND) in ("part", *_MODELS)


def answer_without_part(asked: Asked, name: str) -> dict[str, str]:
    """Return the answer that takes the part away which the question called `name` is about, none where it cannot be."""
    kind = f"part{_output_of(name)}.{name.split('.')[1]}.kind" if is_of_part(name) else ""
    return {kind: _NO_PART} if asked[kind] else {}


def _output_of(name: str) -> str:
    return SECOND if name.partition(".")[0].endswith(SECOND) else FIRST


def chain_of(output: str) -> str:
    """Return the name of the question about the whole filter of an output."""
    return f"filter{output}.chain"


def ask_filter(asked: Asked, output: str) -> None:
    """Ask for the filter of an output. What likely and usual answers are is from memory."""
    kind: RectifierKind = asked["rectifier.kind"]  # type: ignore[assignment]
    without = "" if TOPOLOGIES[kind].capacitors else NO_RESERVOIR
    keys = ModelKeys(f"filter{output}", Capacitor)
    size = asked.ask(keys.value("capacitance", "reservoir capacitor", "4.7 mF", without=without, likely=(1e-6, 0.5)))
    if size == NO_RESERVOIR:
        return
    _ask_rest_of_capacitor(asked, keys, "its")
    asked.ask(keys.value("ripple_current_rating", "its rated ripple current", without=_NOT_KNOWN, likely=(0.01, 200.0)))
    why = (
        "The parts from the rectifier to the load, in their order. A choke before the reservoir makes it a choke input."
    )
    question = Question(chain_of(output), "the whole filter", why, _ALONE, choices=(*_PRESETS, _ONE_BY_ONE))
    chain = asked.ask(question, follows_first=asked[chain_of(FIRST)] in _PRESETS)
    if chain == _ONE_BY_ONE:
        _ask_one_by_one(asked, output)
        return
    for part in _parts_asked(asked, output):
        _ask_values(asked, part, "of the choke", "between the capacitors", "second capacitor", "its")


def _ask_one_by_one(asked: Asked, output: str) -> None:
    """Ask for one part after the other, and at the end for one more."""
    numbers = numbers_of(asked.given, f"part{output}") or [1]
    why = "The parts are in their order; no more takes this one away, and one more is asked for behind the last."
    if asked.given.get(f"part{output}.{numbers[-1]}.kind", _NO_PART) != _NO_PART:
        numbers.append(numbers[-1] + 1)
    for number in numbers:
        question = Question(
            f"part{output}.{number}.kind", f"part {number}", why, _NO_PART, _NO_PART, choices=(*_KINDS, _NO_PART)
        )
        answer = asked.ask(question, follows_first=False)
        if answer != _NO_PART:
            own = f"of part {number}"
            part = _Part.of(output, number, answer)
            _ask_values(asked, part, own, own, f"capacitance {own}", f"part {number}, its")


def _ask_values(  # noqa: PLR0917 - the words in the order of the kinds
    asked: Asked, part: _Part, of_choke: str, of_resistor: str, of_capacitor: str, its: str
) -> None:
    """Ask for the values of a part, in words that depend on whether there may be others of its kind."""
    keys = ModelKeys(part.name, _MODELS[part.kind])
    if part.kind == "choke":
        asked.ask(keys.value("inductance", f"inductance {of_choke}", "10 mH", likely=(1e-5, 30.0)))
        asked.ask(keys.value("resistance", f"resistance {of_choke}", "0.5 Ω", likely=(0.0, 500.0)))
    elif part.kind == "resistor":
        asked.ask(keys.value("resistance", f"resistor {of_resistor}", "1 Ω", likely=(0.01, 1e5)))
    else:
        asked.ask(keys.value("capacitance", of_capacitor, "4.7 mF", likely=(1e-9, 0.5)))
        _ask_rest_of_capacitor(asked, keys, its)


def _ask_rest_of_capacitor(asked: Asked, keys: ModelKeys, its: str) -> None:
    asked.ask(
        Question(
            f"{keys.section}.tolerance", f"{its} tolerance", meaning(Capacitor, "tolerance"), "20 %", _NOT_KNOWN,
            check=_is_tolerance, as_toml=_tolerance,
        )
    )  # fmt: skip
    asked.ask(keys.value("esr", f"{its} ESR", without=_NOT_KNOWN, likely=(0.0, 5.0)))
    asked.ask(keys.value("voltage_rating", f"{its} rated voltage", "40 V", without=_NOT_KNOWN, likely=(4.0, 1000.0)))


def _tolerance(text: str) -> Any:
    low, _, high = text.partition(",")
    return [low.strip(), high.strip()] if high else text


def _is_tolerance(text: str) -> str:
    return refused(Capacitor, "tolerance", _tolerance(text))


def _parts_asked(asked: Asked, output: str) -> list[_Part]:
    """Return the parts beside the reservoir that the answers make, in their order on either side of it."""
    preset = _PRESETS.get(asked[chain_of(output)])
    if preset is not None:
        return [_Part.of(output, number, answer) for number, answer in enumerate(preset, 1)]
    prefix = f"part{output}"
    answers = ((number, asked[f"{prefix}.{number}.kind"]) for number in numbers_of(asked.values, prefix))
    return [_Part.of(output, number, answer) for number, answer in answers if answer != _NO_PART]


def answers_of_draft(draft: Mapping[str, str], of_file: Mapping[str, str]) -> dict[str, str]:
    """Return the answers of a draft, those of an earlier version under the names that their questions have now.

    >>> answers_of_draft({"second.esr": "40 mΩ"}, {"choke.1.inductance": "2 mH"})
    {'choke.1.inductance': '2 mH', 'capacitor.2.esr': '40 mΩ'}
    """
    renamed = dict[str, str]()
    for name, answer in draft.items():
        place, _, key = name.rpartition(".")
        renamed[f"{_EARLIER.get(place, place)}.{key}" if place else name] = answer
    if renamed.get(chain_of(FIRST)) == _AS_IN_FILE:
        renamed[chain_of(FIRST)] = _ONE_BY_ONE
    elif renamed.keys() == draft.keys():
        return renamed
    return {name: answer for name, answer in of_file.items() if is_of_part(name)} | renamed


_EARLIER, _AS_IN_FILE = {"choke": "choke.1", "series": "resistor.1", "second": "capacitor.2"}, "as in the file"


def reservoir_of(text: BenchText, output: str) -> TextSection | None:
    """Return the section of an output's reservoir, the first capacitor of its filter; None where there is none."""
    return next((each for each in text.all(f"filter{output}") if each.content.get("kind") == "capacitor"), None)


def _parts_of(text: BenchText, output: str) -> Iterator[tuple[_Part, TextSection]]:
    """Give the parts beside the reservoir, numbered in their order."""
    reservoir, is_before, number = reservoir_of(text, output), True, 0
    for section in text.all(f"filter{output}") if reservoir is not None else ():
        if section is reservoir:
            is_before = False
        else:
            number += 1
            yield _Part(output, number, str(section.content.get("kind")), is_before), section


def part_sections(text: BenchText) -> dict[str, TextSection]:
    """Return the sections of the filters by what the names of the questions about them begin with."""
    found = dict[str, TextSection]()
    for output in (FIRST, SECOND):
        reservoir = reservoir_of(text, output)
        if reservoir is not None:
            found[f"filter{output}"] = reservoir
        found |= {part.name: own for part, own in _parts_of(text, output)}
    return found


def filter_answers(text: BenchText, output: str) -> dict[str, str]:
    """Return the answers about an output's whole filter and the parts beside the reservoir that a bench file holds."""
    if reservoir_of(text, output) is None:
        return {}
    found, kinds = dict[str, str](), list[str]()
    for part, section in _parts_of(text, output):
        kinds.append(part.answer)
        found[f"part{output}.{part.number}.kind"] = part.answer
        model = _MODELS[part.kind]
        usual = {key: field.default for key, field in model.model_fields.items() if isinstance(field.default, float)}
        if part.kind == "capacitor":
            found |= {f"{part.name}.{key}": _NOT_KNOWN for key in ("tolerance", "esr", "voltage_rating")}
        found |= {f"{part.name}.{key}": spelt(model, key, value) for key, value in (usual | section.content).items()}
    chain = next((words for words, preset in _PRESETS.items() if list(preset) == kinds), _ONE_BY_ONE)
    return found | {chain_of(output): chain}


def write_parts(
    text: BenchText,
    asked: Asked,
    before: Asked | None,
    write: Callable[[TextSection, type[BaseModel], Question, Asked | None], None],
    output: str,
) -> None:
    """Put the parts beside an output's reservoir into the text.

    `write` writes the answer to a question into a section where it differs from those before. A part that keeps its
    kind and its side of the reservoir keeps its section, with comments and other keys.
    """
    reservoir, name = reservoir_of(text, output), f"filter{output}"
    if reservoir is None or not asked[chain_of(output)]:
        return
    there, wanted = dict(_parts_of(text, output)), _parts_asked(asked, output)
    for part in there.keys() - set(wanted):
        text.remove(there[part])
    # A new section goes behind another one, so the first part goes behind what precedes the filter.
    precedes = text.sections[text.sections.index(text.all(name)[0]) - 1]
    for side, is_before in ((precedes, True), (reservoir, False)):
        place = side
        for part in (each for each in wanted if each.is_before is is_before):
            is_new = part not in there
            place = text.add(name, many=True, after=place) if is_new else there[part]
            if is_new:
                place.set("kind", part.kind)
            for question in asked:
                if question.name.startswith(f"{part.name}."):
                    write(place, _MODELS[part.kind], question, None if is_new else before)


def remove_parts(text: BenchText, output: str) -> None:
    """Take every part of an output's filter away but the reservoir."""
    for _, section in list(_parts_of(text, output)):
        text.remove(section)
