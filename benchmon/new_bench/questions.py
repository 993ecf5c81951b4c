"""What a question is, and how an answer is read: units that are left out, per cent that may be meant, confirmation."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Annotated, Any

from pydantic import BaseModel, TypeAdapter, ValidationError

from benchmon.bench.fields import field_of, kind_of, why_not
from benchmon.errors import BadInput
from benchmon.instruments.types import Port
from benchmon.new_bench.bench_text import TomlValue
from benchmon.quantities import FRACTION, KINDS_BY_UNIT, NUMBER, Kind, format_value, parse_value
from benchmon.text import one_line

LONGEST = 500
"""Characters of the longest answer."""
_NO_ANSWERS = ("-", "–", "?", "no", "none", "not measured", "not known", "unknown")
_BARE = re.compile(r"[+\-−]?(?:\d+\.?\d*|\.\d+)(?:[eE][+\-−]?\d+)?")
_RATIO = re.compile(r"(?P<number>[0-9.]+)\s*(?P<above>[pnuµμmkM]?(?:V|A|Ω))\s*/\s*(?P<below>[pnuµμmkM]?(?:V|A|°C|W))")
_LISTED = re.compile(r'\[(?:"[^"]*"|[\[\], ])*\]')
"""A list of the bench file, as a key's description shows it."""
_WITH_PREFIX = re.compile(rf"({_BARE.pattern})\s*([pnuµμmkM])")

_NO_FIGURES = (
    "title", "plan.", "step.", "report.", "switch.", "sweep.", "transformer.known", "filter.chain", "part.",
    "filter_2.own", "filter_2.chain", "part_2.", "regulator_2.own",
)  # fmt: skip
"""What the names of questions begin with that ask for no figure."""

Check = Callable[[str], str]
"""Takes an answer and returns what is wrong with it, "" if nothing is."""


@dataclass(frozen=True, slots=True)
class Question:
    """A question: its `name` among all, its words, why it is asked, and what an answer must be.

    `name` is `section.key` where the answer is that key of the bench file. `usual` is a usual answer, "" where there is
    none; `without` is the answer where there is no value to give ("not measured"), "" where one is needed. `kind` is
    that of a value with a unit; `choices` are all the answers there are. `likely` is the range, in SI, outside which an
    answer is asked back. `as_toml` turns an answer into the value of the key. `offers` are answers that were found,
    each with words about it; their numbers are answers too. `of_unit` is a question whose answers are of the unit of
    another answer, a quantity. `group` is the title of the group it belongs to.
    """

    name: str
    words: str
    why: str
    usual: str = ""
    without: str = ""
    kind: Kind | None = None
    choices: tuple[str, ...] = ()
    likely: tuple[float, float] | None = None
    check: Check | None = None
    as_toml: Callable[[str], TomlValue] | None = None
    offers: tuple[tuple[str, str], ...] = ()
    of_unit: bool = False
    group: str = ""

    def read(self, typed: str) -> str:
        """Return an answer as the bench file has it. Raises `BadInput` with the reason where it is none."""
        text = one_line(typed.strip(), LONGEST)
        if self.without and text.lower() in (*_NO_ANSWERS, self.without):
            return self.without
        if self.choices:
            return self._choice(text)
        if text.isdecimal() and 1 <= int(text) <= len(self.offers):
            text = self.offers[int(text) - 1][0]
        if self.kind is not None:
            text = with_unit(text, self.kind)
            try:
                parse_value(text, self.kind)
            except BadInput as problem:
                raise BadInput(f"{text!r} {problem}" if text else "type a value") from problem
        problem_found = self.check(text) if self.check else ""
        if problem_found:
            raise BadInput(problem_found)
        return text

    def holds(self, answer: str) -> bool:
        """Return whether an answer that was read before is one still: choices, units and more follow from others."""
        if answer == self.without:
            return True
        if self.choices:
            return answer in self.choices
        if self.kind is not None:
            with suppress(BadInput):
                parse_value(answer, self.kind)
                return True
            return False
        return not (self.of_unit and self.check is not None and self.check(answer))

    @property
    def is_figure(self) -> bool:
        """Whether a prediction, a verdict or a reading depends on the answer: a usual one is to be confirmed."""
        if self.name.startswith(("meter.", "channel.")):
            return self.name.rpartition(".")[2] in ("accuracy", "warn_above", "trip_above", "address")
        return not self.name.startswith(_NO_FIGURES) and len(self.choices) != 1

    def doubt(self, answer: str) -> str:
        """Return why an answer that was read may be a mistake all the same, "" where nothing points to one."""
        if self.likely is None or self.kind is None or answer == self.without:
            return ""
        number = parse_value(answer, self.kind)
        low, high = self.likely
        if low <= number <= high or not answer:
            return ""
        ends = (f"{100 * low:g} %", f"{100 * high:g} %")
        if self.kind is not FRACTION:
            ends = (format_value(low, self.kind.unit, 2), format_value(high, self.kind.unit, 2))
        return f"{answer} is unusual: {ends[0]} to {ends[1]} is what most have"

    def _choice(self, text: str) -> str:
        if text.isdecimal() and 1 <= int(text) <= len(self.choices):
            return self.choices[int(text) - 1]
        exact = [choice for choice in self.choices if choice == text]
        found = exact or [choice for choice in self.choices if text and choice.lower().startswith(text.lower())]
        if len(found) != 1:
            raise BadInput(f"type a number from 1 to {len(self.choices)}, or the words")
        return found[0]


def with_unit(text: str, kind: Kind) -> str:
    """Return a value with the unit that was left out: `230` as `230 V`, `4700u` as `4700 µF`.

    Raises `BadInput` for a number alone where it may be a part or per cent.

    >>> from benchmon.quantities import CAPACITANCE, VOLTAGE
    >>> with_unit("230", VOLTAGE), with_unit("4700u", CAPACITANCE), with_unit("4.7 mF", CAPACITANCE)
    ('230 V', '4700 µF', '4.7 mF')
    """
    if kind is FRACTION and _BARE.fullmatch(text) and float(text.replace("−", "-")) != 0:
        number = float(text.replace("−", "-"))
        raise BadInput(f"{text} may be {text} % or {100 * number:g} %; write the per cent sign")
    if not kind.unit:
        return text
    if _BARE.fullmatch(text):
        return f"{text} {kind.unit}"
    prefixed = _WITH_PREFIX.fullmatch(text)
    if prefixed and kind.prefixes and prefixed[2] not in [name for name, _ in kind.others]:
        return f"{prefixed[1]} {prefixed[2].replace('u', 'µ')}{kind.unit}"
    if kind.unit == "°C":
        return re.sub(r"(?<=\d)\s*C$", " °C", text)
    return text


class Asked:
    """The questions that arise from the answers so far, in their order.

    `given` are the answers, without those that hold no more; where there is none, a question's usual answer holds, and
    `values` has both. `ports` are those at which something was found; `usual` are other usual answers than the
    questions' own, by their names.
    """

    def __init__(
        self, given: Mapping[str, str], ports: Sequence[Port] = (), usual: Mapping[str, str] | None = None
    ) -> None:
        self.given, self.ports = dict(given), ports
        self._usual = usual or {}
        self.values: dict[str, str] = {}
        self.questions: list[Question] = []
        self._group = ""
        self._of_second = ""

    def group(self, title: str, *, of_second: str = "") -> None:
        """Begin a group of questions.

        With `of_second`, they are about the second of two things that are usually alike: where their names are those of
        the first with `of_second` before the first point, the answer about the first is the usual one.
        """
        self._group, self._of_second = title, of_second

    def ask(self, question: Question, *, follows_first: bool = True) -> str:
        """Ask a question; return its answer, or the usual one."""
        name = question.name
        first = self.values.get(name.replace(f"{self._of_second}.", ".", 1), "") if self._of_second else ""
        for usual in (self._usual.get(name, ""), first if follows_first else ""):
            if usual and question.holds(usual):
                question = replace(question, usual=usual)
                break
        question = replace(question, group=self._group)
        self.questions.append(question)
        if name in self.given and not question.holds(self.given[name]):
            del self.given[name]
        answer = self.given.get(name) or question.usual or question.without
        self.values[name] = answer
        return answer

    def __getitem__(self, name: str) -> str:
        """Return the answer to a question, "" where it was not asked."""
        return self.values.get(name, "")

    def __iter__(self) -> Iterator[Question]:
        """Give the questions."""
        return iter(self.questions)

    def question(self, name: str) -> Question:
        """Return the question called `name`. Raises `KeyError` where it does not arise."""
        return {each.name: each for each in self.questions}[name]


def numbers_of(given: Mapping[str, str], prefix: str) -> list[int]:
    """Return the numbers that stand behind `prefix` in the names of answers, in their order."""
    found = {name.removeprefix(f"{prefix}.").partition(".")[0] for name in given if name.startswith(f"{prefix}.")}
    return sorted(int(number) for number in found if number.isdecimal())


def meaning(model: type[BaseModel], key: str) -> str:
    """Return what a key of the bench file means, as its model describes it."""
    return field_of(model, key).description or ""


@dataclass(frozen=True, slots=True)
class ModelKeys:
    """Makes the questions for keys of one section of the bench file, from its model."""

    section: str
    model: type[BaseModel]

    def value(
        self,
        key: str,
        words: str,
        usual: str = "",
        *,
        without: str = "",
        likely: tuple[float, float] | None = None,
        more: str = "",
    ) -> Question:
        """Return the question for a value with its unit."""
        described = field_of(self.model, key)
        kind = kind_of(described) or NUMBER

        def check(text: str) -> str:
            return why_not(described, parse_value(text, kind))

        why = f"{meaning(self.model, key)} {more}".strip()
        return Question(
            f"{self.section}.{key}", words, why, usual, without, kind, likely=likely, check=check, as_toml=str
        )

    def points(
        self, key: str, words: str, *, usual: str = "", without: str = "", more: str = "", only_one: bool = False
    ) -> Question:
        """Return the question for a list, typed with commas, its entries with semicolons between them.

        `only_one` is for a key that is one such entry.
        """
        described = _LISTED.sub(lambda found: f'"{as_typed(json.loads(found[0]))}"', meaning(self.model, key))
        why = f"{described} {more}".strip()

        def read(text: str) -> TomlValue:
            entries = as_lists(text)
            return entries[0] if only_one and len(entries) == 1 else entries

        def check(text: str) -> str:
            return refused(self.model, key, read(text))

        return Question(f"{self.section}.{key}", words, why, usual, without, check=check, as_toml=read)


def as_lists(text: str) -> list[TomlValue]:
    """Return a list as it is typed as a list of lists: `0.72 V, 0.1 A; 0.95 V, 3 A`."""
    return [[_item(part.strip()) for part in entry.split(",")] for entry in text.split(";") if entry.strip()]


def as_typed(value: Any) -> str:
    """Return a list of the bench file, or a list of lists, as a person types it.

    >>> as_typed([["0.72 V", "0.1 A"], ["0.95 V", "3 A"]])
    '0.72 V, 0.1 A; 0.95 V, 3 A'
    """
    entries = value if value and isinstance(value[0], list | tuple) else [value]
    return "; ".join(", ".join(str(part) for part in entry) for entry in entries)


def spelt(model: type[BaseModel], key: str, value: Any) -> str:
    """Return the value of a key of the bench file as a person types it."""
    if isinstance(value, list):
        return as_typed(value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        try:
            kind = kind_of(field_of(model, key))
        except KeyError:
            kind = None
        if kind is FRACTION:
            return f"{100 * value:g} %"
        return f"{value:g} {kind.unit}".strip() if kind else str(value)
    return one_line(value)


def _item(text: str) -> str | int:
    return int(text) if re.fullmatch(r"[0-9]{1,9}", text, re.ASCII) else text


def refused(model: type[BaseModel], key: str, value: object) -> str:
    """Return why a key of the bench file does not take `value`, "" where it does."""
    described = field_of(model, key)
    annotation: Any = described.annotation
    metadata = described.metadata
    adapter: TypeAdapter[Any] = TypeAdapter(Annotated[(annotation, *metadata)] if metadata else annotation)
    try:
        adapter.validate_python(value)
    except ValidationError as problem:
        return reason_of(problem)
    return ""


def reason_of(problem: ValidationError, key: str = "") -> str:
    """Return the reason of an error of pydantic in one line, of `key` alone where it is given; "" where none is."""
    errors = [error for error in problem.errors() if not key or error["loc"][:1] == (key,)]
    if not errors or (key and errors[0]["type"] == "missing"):
        return ""
    cause = errors[0].get("ctx", {}).get("error")
    return one_line(cause if isinstance(cause, BadInput) else errors[0]["msg"])


def as_words(text: str) -> TomlValue:
    """Return words that are typed with commas as a list."""
    return [part.strip() for part in text.split(",")]


def as_toml(text: str) -> TomlValue:
    """Return a whole number, or a list of them, as such, everything else as text."""
    if re.fullmatch(r"\[ *-?[0-9]{1,15}(?: *, *-?[0-9]{1,15})* *\]", text, re.ASCII):
        return [int(number) for number in text[1:-1].split(",")]
    digits = text.removeprefix("-")
    return int(text) if digits.isdecimal() and digits.isascii() and len(digits) < 16 else text


def ratio(text: str, unit: str) -> float:
    """Return the factor from what an instrument returns to the quantity in `unit`. Raises `BadInput`.

    A clamp has `100 mV/A`, a shunt `10 mΩ`, a probe `10:1` or `x10`.

    >>> ratio("100 mV/A", "A"), ratio("10:1", "V"), ratio("10 mΩ", "A"), ratio("x100", "V")
    (10.0, 10.0, 100.0, 100.0)
    """
    like = 'write it like "100 mV/A", "10 mΩ" or "10:1"'
    per = _RATIO.fullmatch(text)
    if per is not None:
        above, below = per["above"], per["below"]
        volts = parse_value(f"{per['number']} {above}", KINDS_BY_UNIT[above[-1]])
        per_one = parse_value(f"1 {below}", KINDS_BY_UNIT[below[-2:] if below.endswith("°C") else below[-1]])
        if below.endswith(unit) and volts > 0:
            return _rounded(per_one / volts)
        if unit != "V" and above.endswith(unit) and below.endswith("V"):
            return _rounded(volts / per_one)
        raise BadInput(f"is not a ratio for a quantity in {unit}; {like}")
    if unit == "A" and text.rstrip().endswith(("Ω", "ohm", "Ohm", "\u2126")):
        ohms = parse_value(text, KINDS_BY_UNIT["Ω"])
        if ohms > 0:
            return _rounded(1.0 / ohms)
    probe = re.fullmatch(r"(?:x|×)?\s*([0-9.]+)\s*(?::\s*([0-9.]+)|x|×)?", text, re.ASCII)
    try:
        factor = float(probe[1]) / float(probe[2] or 1) if probe else 0.0
    except (ValueError, ZeroDivisionError):
        factor = 0.0
    if factor <= 0:
        raise BadInput(f"is not a ratio; {like}")
    # A probe of 1:10 and one of 10:1 are the same: what arrives is a tenth.
    return _rounded(1.0 / factor if probe and probe[2] and factor < 1 else factor)


def _rounded(number: float) -> float:
    return float(f"{number:.12g}")
