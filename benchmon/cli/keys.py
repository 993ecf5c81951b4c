"""The command that prints every key of the bench file, made from the models that read the file."""

from __future__ import annotations

import json
import shutil
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any, Literal, Union, get_args, get_origin

import click

from benchmon.cli.manual import print_pages
from benchmon.errors import EXIT_DONE, BadInput
from benchmon.text import did_you_mean, one_line

if TYPE_CHECKING:
    from pydantic import BaseModel
    from pydantic.fields import FieldInfo

_TOP = "title"
_LONGEST_DEFAULT = 24
_WIDTHS = (26, 20)
_NARROWEST, _WIDEST, _PIPED = 40, 110, 100


@dataclass(frozen=True, slots=True)
class BenchKey:
    """A key of a section: what its value is (a unit, or a type in words), its default and its meaning."""

    name: str
    value: str
    default: str
    meaning: str


@dataclass(frozen=True, slots=True)
class KeySection:
    """The keys of one model. `names` are what it is asked for by; `heading` is how the bench file begins it."""

    names: tuple[str, ...]
    heading: str
    about: str
    keys: tuple[BenchKey, ...]


@click.command()
@click.argument("section", required=False)
def keys(section: str | None) -> int:
    """Print the keys of the bench file and of the drivers.

    SECTION (mains, channel, modbus, …) chooses some of them.
    """
    chosen = bench_sections() + driver_sections() if section is None else sections_named(section)
    size = shutil.get_terminal_size((_PIPED, 24)).columns
    width = max(_NARROWEST, min(size, _WIDEST))
    print_pages(sections_as_text(chosen, width))
    return EXIT_DONE


def bench_sections() -> list[KeySection]:
    """Return the sections of the bench file, in its order; one for each kind of filter part and of load."""
    from benchmon.bench import Bench

    top, sections = list[BenchKey](), list[KeySection]()
    for name, field in Bench.model_fields.items():
        if field.exclude:
            continue
        models = _models_in(field.annotation)
        # A word in place of a section stands where the title does.
        if not models or _choices(field.annotation):
            top.append(_key(name, field))
        many = any(get_origin(each) is tuple for each in (field.annotation, *_parts(field.annotation)))
        heading = f"[[{name}]]" if many else f"[{name}]"
        sections += [_section((name,), _with_kind(heading, model), model) for model in models]
        for model in models:
            for key, inner in model.model_fields.items():
                place = f"{key} in {heading}"
                sections += [_section((name, key), place, nested) for nested in _models_in(inner.annotation)]
    return [KeySection((_TOP,), "top of the file", "What stands before the first section.", tuple(top)), *sections]


def driver_sections(only: str | None = None) -> list[KeySection]:
    """Return what the installed drivers take from the bench file, or one driver alone.

    A driver that cannot be loaded is a section that says why. Raises `BadInput` where `only` names such a driver.
    """
    from benchmon.instruments.registry import driver_names, load_driver

    sections = list[KeySection]()
    for name in driver_names() if only is None else [only]:
        try:
            driver = load_driver(name)
        except BadInput as problem:
            if only is not None:
                raise BadInput(f"the driver {name}: {problem}") from problem
            sections.append(KeySection((name,), f'driver = "{name}"', one_line(problem), ()))
            continue
        models = (("[[instrument]]", driver.settings_model), ("[[channel]]", driver.channel_model))
        for heading, model in (*models, ("[switch_off]", driver.switch_model)):
            if model is None:
                continue
            sections.append(_section((name,), f'{heading} with driver = "{name}"', model))
            for key, field in model.model_fields.items():
                inner = f"[{heading.strip('[]')}.{key}]"
                for nested in _models_in(field.annotation):
                    sections.append(_section((name, key), f'{inner} with driver = "{name}"', nested))
    return sections


def sections_named(asked: str) -> list[KeySection]:
    """Return the sections that are called `asked`. Raises `BadInput` that proposes a name where there is none."""
    name = asked.strip("[]").strip().lower()
    sections = bench_sections() + driver_sections()
    found = [section for section in sections if name in section.names]
    if found:
        return found
    shown = one_line(asked, 40)
    names = list(dict.fromkeys(name for section in sections for name in section.names))
    holders = list(
        dict.fromkeys(section.names[0] for section in sections if name in [key.name for key in section.keys])
    )
    if holders:
        raise BadInput(f'"{shown}" is a key and no section; it stands in {", ".join(holders)}')
    proposal = did_you_mean(name, names) or f"there is {', '.join(names)}"
    raise BadInput(f'"{shown}" is neither a section of the bench file nor a driver; {proposal}')


def sections_as_text(sections: Sequence[KeySection], width: int) -> str:
    """Return sections as plain text: a line for each key, and its meaning below, wrapped to `width`."""
    lines = list[str]()
    for section in sections:
        lines += [section.heading, *textwrap.wrap(section.about, width, initial_indent="  ", subsequent_indent="  ")]
        lines += ["  (no keys of its own)"] if not section.keys else []
        for key in section.keys:
            head = f"  {key.name:<{_WIDTHS[0]}} {key.value:<{_WIDTHS[1]}} {key.default}"
            lines += ["", head]
            lines += textwrap.wrap(key.meaning, width, initial_indent=" " * 6, subsequent_indent=" " * 6)
        lines += ["", ""]
    return "\n".join(lines).rstrip() + "\n"


def _section(names: tuple[str, ...], heading: str, model: type[BaseModel]) -> KeySection:
    about = (model.__doc__ or "").strip().partition("\n\n")[0]
    keys = tuple(_key(field.alias or name, field) for name, field in model.model_fields.items())
    return KeySection(names, heading, " ".join(about.replace("`", "").split()), keys)


def _with_kind(heading: str, model: type[BaseModel]) -> str:
    """Return a heading with the kind that chooses this model among several."""
    field = model.model_fields.get("kind")
    choices = _choices(field.annotation) if field is not None else ()
    return f"{heading} with kind = {_toml(choices[0])}" if len(choices) == 1 else heading


def _key(name: str, field: FieldInfo) -> BenchKey:
    meaning = field.description or ""
    choices = _choices(field.annotation)
    if len(choices) > 1:
        meaning = f"{meaning} One of {', '.join(map(_toml, choices))}."
    return BenchKey(name, _value(field), _default(field), meaning)


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    if field.default is None or field.default in ((), b"", {}):
        return "none"
    text = _toml(field.default)
    return text if len(text) <= _LONGEST_DEFAULT else "as described"


def _toml(value: object) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    return json.dumps(value, ensure_ascii=False)


def _choices(annotation: Any) -> tuple[object, ...]:
    """Return what a literal may be, () where the annotation holds none."""
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return tuple(choice for inner in _parts(annotation) for choice in _choices(inner))


def _value(field: FieldInfo) -> str:
    """Return the unit of a field, or its type in words."""
    from benchmon.bench.fields import kind_of
    from benchmon.quantities import FRACTION

    kind = kind_of(field)
    if kind is None:
        return _type(field.annotation)
    return kind.unit or ("fraction" if kind is FRACTION else "number")


def _type(annotation: Any) -> str:
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _type(parts[0])
    if origin is tuple:
        return _plural(_type(parts[0])) if parts[-1] is Ellipsis else "pair"
    inner = _parts(annotation)
    if inner:
        return " or ".join(dict.fromkeys(map(_type, inner)))
    if _models_in(annotation):
        return "section"
    return _WORDS.get(origin or annotation, "text")


_WORDS: Mapping[object, str] = {
    int: "integer",
    float: "number",
    bool: "boolean",
    bytes: "hex bytes",
    dict: "table",
    date: "date",
    Literal: "choice",
}


def _plural(word: str) -> str:
    return f"list of {word}s" if word in ("integer", "number", "pair", "section") else f"list of {word}"


def _parts(annotation: Any) -> list[Any]:
    """Return the members of a union, None left out; [] where the annotation is no union."""
    from types import UnionType

    if get_origin(annotation) in (Union, UnionType):
        return [part for part in get_args(annotation) if part is not type(None)]
    return []


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    from pydantic import BaseModel

    def found(annotation: Any) -> Iterator[type[BaseModel]]:
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            yield annotation
        for inner in get_args(annotation):
            yield from found(inner)

    return list(found(annotation))


COMMANDS = (keys,)
