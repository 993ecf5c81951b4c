"""Answers in, a bench file out: what both ways to ask, a form and plain questions, work on."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from copy import copy
from pathlib import Path
from typing import Any

from benchmon.atomic_file import put_in_place, whole_file
from benchmon.bench import Bench, load_bench, read_bench
from benchmon.errors import BadInput, BenchFileError
from benchmon.instruments.connection_test import Tried, try_instruments
from benchmon.instruments.registry import prepare
from benchmon.instruments.types import Port
from benchmon.new_bench.bench_text import BenchText
from benchmon.new_bench.filter_questions import answers_of_draft, part_sections
from benchmon.new_bench.meter_questions import (
    ask_meters,
    meter_answers,
    places_of,
    write_meters,
)
from benchmon.new_bench.plan_questions import answers_about_test, ask_test, write_test
from benchmon.new_bench.questions import LONGEST, Asked, numbers_of
from benchmon.new_bench.supply_questions import ask_supply, supply_answers, write_supply
from benchmon.text import line_end_of, one_line

_HEADER = (
    "# A bench for benchmon: the supply under test, the instruments that measure it, and the plan of the test.\n"
    "# Values carry their units. What is left out is absent, or usual within a wide allowance.\n"
    "# `benchmon keys` lists every key. `benchmon check` checks it before power; look at the bench all the same."
    "\n\n"
)
_SKELETON = f'{_HEADER}title = "untitled bench"\n'
_HINTS = (
    ("mains", "mains.distortion", "voltage_thd", "3 %", "once the distortion of this socket is known"),
    ("transformer", "transformer.no_load_test", "no_load", [["230 V", "25 mA", "2 W"]],
     "once volts, amperes and watts without load are measured"),
    ("transformer", "transformer.short_circuit", "short_circuit", ["12 V", "0.3 A", "3 W"],
     "once volts, amperes and watts with the secondaries shorted are measured"),
)  # fmt: skip
_STANDS_FOR = {"transformer.secondaries": ("transformer.windings",), "diode.forward": ("diode.curve",)}
"""Keys by which other questions are answered than those of their names."""
_LONGEST_DRAFT = 1_000_000


class BenchMaker:
    """A bench in the making: `given` are the answers so far, by the names of their questions.

    `path` is where its file will be. With `base`, the text of a bench file, that one is changed. `ports` are those at
    which something was found.
    """

    def __init__(self, path: Path, base: str = "") -> None:
        """Begin a new bench, or changes to the one in `base`. Raises `BenchFileError` where that is not valid."""
        self.path, self._line_end = path, line_end_of(base)
        self._base = base = base.replace("\r\n", "\n")
        self.given: dict[str, str] = {}
        self.ports: Sequence[Port] = ()
        self._usual: dict[str, str] = {}
        self._before: Asked | None = None
        if base:
            read_bench(base, str(path), folder=path.parent)
            text = BenchText(base)
            self.given = supply_answers(text) | meter_answers(text) | answers_about_test(text)
            self._usual = {name: self.given.pop(name) for name in not_confirmed(text) if name in self.given}
            self._before = self.asked()
        self._found = dict(self.given)

    @classmethod
    def of_file(cls, path: Path) -> BenchMaker:
        """Return one that changes the bench file at `path`. Raises `BenchFileError` where it is not valid."""
        load_bench(path)
        return cls(path, path.read_bytes().decode("utf-8-sig"))

    def copy(self, more: Mapping[str, str] | None = None) -> BenchMaker:
        """Return one with the same answers, and `more`, for a thread that works while this one is changed."""
        other = copy(self)
        other.given = self.given | dict(more or {})
        return other

    @property
    def is_new(self) -> bool:
        """Whether the bench file is a new one."""
        return not self._base

    def asked(self) -> Asked:
        """Return every question that arises from the answers so far, with the answers."""
        asked = Asked(self.given, self.ports, self._usual)
        ask_supply(asked)
        ask_meters(asked)
        ask_test(asked)
        return asked

    def answer(self, name: str, typed: str) -> str:
        """Take an answer, read as its question says; return it. Raises `BadInput` with the reason where it is none."""
        answer = self.asked().question(name).read(typed)
        self.given[name] = answer
        return answer

    def forget(self, name: str) -> None:
        """Take an answer back; the usual one holds again."""
        self.given.pop(name, None)

    @property
    def meters(self) -> list[int]:
        """The numbers of the meters."""
        return numbers_of(self.given, "meter")

    def add_meter(self) -> int:
        """Add a meter with one channel; return its number."""
        number = max(self.meters, default=0) + 1
        # One that was just taken away must not give its answers to a new one.
        self.given[f"meter.{number}.there"] = self.given[f"channel.{number}.1.there"] = "yes"
        return number

    def add_channel(self, meter: int) -> int:
        """Add a channel to a meter; return its number."""
        number = max(numbers_of(self.given, f"channel.{meter}"), default=0) + 1
        self.given[f"channel.{meter}.{number}.there"] = "yes"
        return number

    def remove(self, meter: int, channel: int | None = None) -> None:
        """Take a meter away with its channels, or one of its channels."""
        own = [f"channel.{meter}.{channel}."] if channel is not None else [f"meter.{meter}.", f"channel.{meter}."]
        self.given = {name: words for name, words in self.given.items() if not name.startswith(tuple(own))}

    def unconfirmed(self, asked: Asked | None = None) -> int:
        """Return how many answers are usual ones that nobody has confirmed. `asked` is what `asked` returned."""
        asked = asked or self.asked()
        unanswered = (each for each in asked if each.is_figure and each.name not in asked.given)
        return sum(1 for each in unanswered if asked[each.name] not in ("", each.without))

    def text(self) -> str:
        """Return the bench file that the answers make."""
        asked = self.asked()
        text = BenchText(self._base or _SKELETON, titled=self.is_new)
        write_supply(text, asked, self._before)
        for section, question, key, value, why in _HINTS if self.is_new else ():
            place = text.first(section)
            if place is not None and asked[question] == asked.question(question).without:
                place.hint(key, value, why)
        write_meters(text, asked, self._before)
        write_test(text, asked, self._before.given if self._before else {})
        return text.text

    def supply(self) -> Bench:
        """Return the bench that the answers make, whatever the drivers say of it. Raises `BenchFileError`."""
        return read_bench(self.text(), str(self.path), folder=self.path.parent)

    def bench(self) -> Bench:
        """Return the bench that the answers make. Raises `BenchFileError` where they do not fit together."""
        bench = self.supply()
        prepare(bench)
        return bench

    def problem(self) -> str:
        """Return why the answers do not fit together, "" where they do."""
        try:
            self.bench()
        except BenchFileError as found:
            return str(found).removeprefix(one_line(self.path, 120)).lstrip(":0123456789 ")
        return ""

    def read_meter(self, number: int) -> Sequence[Tried]:
        """Read a meter once; return what came of it. Raises `BenchFileError` where the answers do not fit together."""
        bench = self.bench()
        name = self.asked()[f"meter.{number}.name"]
        return try_instruments(bench, [driver for driver in prepare(bench) if driver.name == name])

    def write(self) -> None:
        """Write the bench file, whole or not at all, and take the draft away. Raises what `bench` and the file may."""
        self.bench()
        with whole_file(self.path, force=True) as part:
            part.write_text(self.text(), encoding="utf-8", newline=self._line_end)
        self.draft_path.unlink(missing_ok=True)

    @property
    def draft_path(self) -> Path:
        """Where the draft is kept, beside the bench file."""
        return self.path.with_name(f"{self.path.name}.draft")

    @property
    def has_answers(self) -> bool:
        """Whether anything was answered beyond what the file holds."""
        return self.given != self._found

    @property
    def draft_in_words(self) -> str:
        """What became of the answers where the file was not written."""
        if not self.has_answers:
            return "Nothing was changed."
        return f"The answers so far are kept in {one_line(self.draft_path)}; the same command goes on from there."

    @property
    def next_in_words(self) -> str:
        """What to do once the file is written."""
        return f"{self.path} is written. Next: benchmon check {self.path}, then benchmon run {self.path}"

    def keep_draft(self) -> None:
        """Keep the answers so far, where there are any new ones. Raises `BadInput` where that cannot be written."""
        if not self.has_answers:
            return
        try:
            with put_in_place(self.draft_path) as part:
                part.write_text(json.dumps({"base": self._base, "answers": self.given}, ensure_ascii=False, indent=1))
        except OSError as problem:
            raise BadInput(f"{one_line(self.draft_path)}: the draft cannot be written: {problem.strerror}") from problem

    def take_draft(self) -> bool:
        """Go on from a draft, where one is there and belongs to this file as it is; return whether it was taken."""
        with suppress(OSError, ValueError, KeyError, TypeError):
            if self.draft_path.is_file() and self.draft_path.stat().st_size <= _LONGEST_DRAFT:
                draft: Any = json.loads(self.draft_path.read_text(encoding="utf-8"))
                if draft["base"] == self._base and _is_answers(draft["answers"]):
                    self.given = answers_of_draft(draft["answers"], self._found)
                    return True
        return False


def not_confirmed(text: BenchText) -> list[str]:
    """Return the names of the questions whose answers in a bench file nobody has confirmed."""
    places = {id(section): place for place, section in (places_of(text) | part_sections(text)).items()}
    found = list[str]()
    for section in text.sections:
        here = places.get(id(section), section.section)
        names = [f"{here}.{key}" for key in section.content if not section.is_confirmed(key)]
        found += [each for name in names for each in (name, *_STANDS_FOR.get(name, ()))]
    return found


def _is_answers(found: object) -> bool:
    return isinstance(found, dict) and all(
        isinstance(name, str) and isinstance(words, str) and words == one_line(words, LONGEST)
        for name, words in found.items()
    )
