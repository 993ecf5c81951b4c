"""A bench file as text: keys are set, added and taken away, while comments, order and spelling of all others stay."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import tomlkit

TomlValue = str | int | float | date | Sequence["TomlValue"] | Mapping[str, "TomlValue"]

NOT_CONFIRMED = "usual, not confirmed"
"""The comment beside a value that nobody has looked up yet."""
_COMMENT_AT = 34
_WIDTH = 118
_HEADER = re.compile(r"[ \t]*(\[\[?)[ \t]*([\w-]+|\"[^\"\n]+\"|'[^'\n]+')")
_HEADINGS = re.compile(rf"^{_HEADER.pattern}", re.MULTILINE)
_ORDER = (
    "",
    "mains",
    "transformer",
    "fuse",
    "ntc",
    "rectifier",
    "diode",
    "filter",
    "regulator",
    "load",
    "filter_2",
    "regulator_2",
    "load_2",
    "ambient",
    "instrument",
    "channel",
    "step",
    "sweep",
    "switch_off",
    "report",
)
_TITLES = {"mains": "The supply under test", "instrument": "Instruments and channels", "step": "The plan"}


@dataclass(slots=True, eq=False)
class TextSection:
    """A section of the text, from its heading to its last key; `tail` are the blank lines and comments below it.

    `section` is its name, "" for the keys above the first heading.
    """

    section: str
    body: str
    tail: str = ""
    content: dict[str, Any] = field(default_factory=dict)

    def set(self, key: str, value: TomlValue, comment: str = "", *, confirmed: bool = True) -> None:
        """Give a key a value. A comment that is there stays, save for the one on a value that was not confirmed."""
        *inside, last = key.split(".")
        if self.has(key):
            document, table = self._parsed(inside)
            if table[last] != value:
                table[last] = value
            if confirmed:
                _confirm(table.item(last).trivia)
            self.body = tomlkit.dumps(document)
        elif inside and self.has(inside[0]):
            document, table = self._parsed(inside)
            table.add(last, value)
            self.body = tomlkit.dumps(document)
        else:
            line = _lines(f"{key} = {toml(value)}", comment, confirmed=confirmed)
            inner = next((at.start() for at in list(_HEADINGS.finditer(self.body))[1:]), len(self.body))
            self.body = self.body[:inner] + line + self.body[inner:]
        self._read()

    def has(self, key: str) -> bool:
        """Return whether a key is there; `waves.preamble` is the key `preamble` of the table `waves`."""
        content: Any = self.content
        for part in key.split("."):
            if not isinstance(content, dict) or part not in content:
                return False
            content = content[part]
        return True

    def remove(self, key: str) -> None:
        """Take a key away, if it is there."""
        if self.has(key):
            *inside, last = key.split(".")
            document, table = self._parsed(inside)
            table.remove(last)
            self.body = tomlkit.dumps(document)
            self._read()

    def hint(self, key: str, value: TomlValue, why: str) -> None:
        """Add a key as a comment, to be filled in once it is measured."""
        self.body += f"# {why}, take the # away:\n# {key} = {toml(value)}\n"

    def is_confirmed(self, key: str) -> bool:
        """Return whether the value of a key is one that somebody gave or confirmed."""
        if NOT_CONFIRMED not in self.body:
            return True
        *inside, last = key.split(".")
        _, table = self._parsed(inside)
        return not str(table.item(last).trivia.comment).startswith(f"# {NOT_CONFIRMED}")

    def _parsed(self, inside: Sequence[str] = ()) -> tuple[tomlkit.TOMLDocument, Any]:
        document = tomlkit.parse(self.body)
        table: Any = document if not self.section else document[self.section]
        table = table[0] if isinstance(table, list) else table
        for name in inside:
            table = table[name]
        return document, table

    def _read(self) -> None:
        data: Any = tomllib.loads(self.body)
        data = data if not self.section else data[self.section]
        self.content = data[0] if isinstance(data, list) else data


class BenchText:
    """The text of a bench file, section by section. Raises `ValueError` where it is no TOML."""

    def __init__(self, text: str, *, titled: bool = False) -> None:
        """Take a text apart. `titled` puts headings above the parts that are added."""
        self._titled = titled
        self.sections = list(_sections(text))

    @property
    def text(self) -> str:
        """The whole text."""
        return "".join(section.body + section.tail for section in self.sections).strip("\n") + "\n"

    @property
    def data(self) -> dict[str, Any]:
        """What the text holds, as TOML is read."""
        return tomllib.loads(self.text)

    def all(self, name: str) -> list[TextSection]:
        """Return the sections called `name`, in the order of the file."""
        return [each for each in self.sections if each.section == name]

    def first(self, name: str) -> TextSection | None:
        """Return the first section called `name`, None where there is none."""
        return next(iter(self.all(name)), None)

    def add(self, name: str, *, many: bool = False, comment: str = "", after: TextSection | None = None) -> TextSection:
        """Add a section behind `after`, or where it belongs; `many` is one that there may be several of."""
        heading = f"[[{name}]]" if many else f"[{name}]"
        new = TextSection(name, _lines(heading, comment))
        rank = _rank(name)
        before = [each for each in self.sections if _rank(each.section) <= rank]
        place = after or (before[-1] if before else self.sections[0])
        if self._titled and name in _TITLES and not self.all(name):
            title = _TITLES[name]
            new.body = f"# ---- {title} {'-' * max(3, _WIDTH - 8 - len(title))}\n\n{new.body}"
        # Comments right below the last key belong to that section; what follows a blank line, to what comes after.
        own, blank, rest = place.tail.partition("\n\n") if not place.tail.startswith("\n") else ("", "\n", place.tail)
        new.tail = f"\n{rest.removeprefix(chr(10))}" if blank else "\n"
        place.tail = f"{own}\n\n" if own else "\n"
        if place.body and not place.body.endswith("\n"):
            place.body += "\n"
        self.sections.insert(self.sections.index(place) + 1, new)
        new._read()
        return new

    def remove(self, section: TextSection) -> None:
        """Take a section away; the comments below it stay."""
        at = self.sections.index(section)
        self.sections[at - 1].tail += section.tail.lstrip("\n")
        self.sections.remove(section)


def toml(value: TomlValue) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, str):
        # JSON's strings are TOML's basic strings, save for DEL, which TOML wants escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{key} = {toml(each)}' for key, each in value.items())} }}"
    return f"[{', '.join(toml(each) for each in value)}]"


def _lines(line: str, comment: str, *, confirmed: bool = True) -> str:
    """Return a line with its comment beside it where there is room, else above it."""
    mark = "" if confirmed else NOT_CONFIRMED
    beside = f"{mark}: {comment}" if mark and comment else mark or comment
    together = f"{line:<{_COMMENT_AT}} # {beside}" if beside else line
    if comment and len(together) > _WIDTH:
        return f"# {comment}\n{_lines(line, '', confirmed=confirmed)}"
    return f"{together}\n"


def _confirm(trivia: Any) -> None:
    """Take the mark of what is not confirmed out of a comment; the rest of it stays."""
    if trivia.comment.startswith(f"# {NOT_CONFIRMED}"):
        rest = trivia.comment.removeprefix(f"# {NOT_CONFIRMED}").removeprefix(": ")
        trivia.comment, trivia.comment_ws = (f"# {rest}", trivia.comment_ws) if rest else ("", "")


def _rank(section: str) -> int:
    return _ORDER.index(section) if section in _ORDER else len(_ORDER)


def _sections(text: str) -> Iterator[TextSection]:
    """Give the sections of a text. What looks like a heading inside a list or a long string is none."""
    tomllib.loads(text)
    name, lines = "", list[str]()
    for line in text.splitlines(keepends=True):
        heading = _HEADER.match(line)
        if heading and _stands_alone("".join(lines)) and _stands_alone(line):
            other = heading[2].strip("\"'")
            is_inside = other == name and "." in line.partition("]")[0]
            if not is_inside:
                yield _section(name, "".join(lines))
                name, lines = other, []
        lines.append(line)
    yield _section(name, "".join(lines))


def _stands_alone(text: str) -> bool:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return False
    return True


def _section(name: str, text: str) -> TextSection:
    lines = text.splitlines(keepends=True)
    last = len(lines)
    while last > 0 and (not lines[last - 1].strip() or lines[last - 1].lstrip().startswith("#")):
        last -= 1
    found = TextSection(name, "".join(lines[:last]), "".join(lines[last:]))
    found._read()
    return found
