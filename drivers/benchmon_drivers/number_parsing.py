"""Parsing of numbers in replies: those of SCPI instruments, and numbers with units as on a display."""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from collections.abc import Set as AbstractSet
from typing import Annotated

import regex
from pydantic import AfterValidator, Field

from benchmon.errors import BadInput, BadReply
from benchmon.quantities import OVERRANGE_FROM, is_sane
from benchmon.text import one_line
from benchmon_drivers.bounded_pattern import BoundedPattern
from benchmon_drivers.reply_units import convert, unit_of_reply

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?"
_BARE = re.compile(rf"\s*({_NUMBER})\s*", re.ASCII)
_WITH_UNIT = re.compile(
    rf"(?:(?P<header>[:*]?[A-Za-z][\w:.]{{0,60}})\s+)?(?P<value>{_NUMBER})\s*"
    r"(?P<unit>[A-Za-z°℃µμΩ\u2126%][A-Za-z+ ]{0,11})?",
    re.ASCII,
)
_LEADING = re.compile(rf"\s*{_NUMBER}\s*(?:[,;]|$)".encode())
_AS_ON_A_DISPLAY = re.compile(r"[+-]?\s*(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_VALUE_AND_UNIT = re.compile(rf"({_NUMBER})\s*([A-Za-z°℃µμΩ\u2126%][A-Za-z+ ]{{0,11}})", re.ASCII)
_HEXADECIMAL = re.compile(r"[0-9A-Fa-f]{1,12}")
_OF_AN_ERROR = re.compile(r"[:*]?(?:ERR|E[0-9]*$|FAIL|FAULT|NAN|NONE|NO$)", re.IGNORECASE)
"""Headers whose number is no reading."""

_BEYOND_OVERRANGE = 9.905e37
_NOT_A_NUMBER_ENDS = 9.915e37


NUMBER_AND_UNIT = (
    r"(?P<value>[+\-−]?\s*(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?[+\-−]?)"
    r"\s*(?P<unit>(?:[a-zA-Z°℃µμΩ\u2126%][a-zA-Z+ ]{0,11})?)"
)
"""The pattern of a line with a number and an optional unit."""

OVERLOAD = ("OL", "O.L", "OVLD", "OVERLOAD")
"""Texts of displays that are over range."""
SCPI_OVERLOAD = (*OVERLOAD, "OVER", "INF", "INFINITY", 1.0e9)
"""Words and numbers of SCPI replies that are over range; a number from 1E15 on always is, such as 9.9E37."""


def _known_unit(value: str) -> str:
    unit_of_reply(value)
    return value


def _overload_words(value: tuple[str | float, ...]) -> tuple[str | float, ...]:
    for word in value:
        if isinstance(word, str) and plain_number(word) is not None:
            raise BadInput(f"holds the number {word!r} as text; write it without quotes")
    return value


def _read_pattern(value: str) -> str:
    try:
        re.compile(value)
        BoundedPattern(value)
    except (re.error, regex.error, RecursionError, OverflowError) as problem:
        raise BadInput(f"is no regular expression: {problem}") from problem
    return value


Pattern = Annotated[str, Field(min_length=1, max_length=500), AfterValidator(_read_pattern)]
"""A regular expression of a bench file."""
OverloadWords = tuple[Annotated[str, Field(min_length=1, max_length=20)], ...]
"""Texts that mean over range."""
OverloadCodes = Annotated[
    tuple[Annotated[str, Field(min_length=1, max_length=20)] | float, ...], AfterValidator(_overload_words)
]
"""Texts and numbers that mean over range."""
ReplyUnit = Annotated[str, AfterValidator(_known_unit)]
"""The unit of an instrument's reply, where `scale` converts it to the channel's quantity."""


def plain_number(text: str) -> float | None:
    """Return `text` as a number, None if it is none."""
    bare = _BARE.fullmatch(text)
    return float(bare[1]) if bare else None


def scpi_number(
    reply: bytes,
    unit: str,
    index: int | None = None,
    overload: Collection[str | float] = SCPI_OVERLOAD,
    *,
    separator: str = ",",
    decimal_comma: bool = False,
) -> float:
    """Return the number in a SCPI `reply` (NR1, NR2 or NR3 of IEEE 488.2) in the SI unit behind `unit`.

    A number without a unit is in `unit`. SCPI-1999 volume 1, 7.2.1: 9.9E37 is infinity, given for an overload, hence
    ±inf here; 9.91E37 is "not a number", hence nan. Words and numbers of `overload` are ±inf too, and so is every
    number from 1E15 on: no meter shows one. `index` selects one of several values with a `separator` between them,
    from 0. Raises `BadReply` for any other reply.

    >>> scpi_number(b"+1.25000E-03", "V"), scpi_number(b"-9.9E37", "V"), scpi_number(b"1,2,3", "V", 2)
    (0.00125, -inf, 3.0)
    >>> scpi_number(b"1200 MA", "A"), scpi_number(b"12.5", "mV"), scpi_number(b"OL", "V")
    (1.2, 0.0125, inf)
    """
    if index is not None:
        reply = _field_at(reply, index, separator)
    text = decoded(reply).strip().strip('"').strip()
    if decimal_comma and "." not in text:
        text = text.replace(",", ".", 1)
    match = _WITH_UNIT.fullmatch(text)
    if match is None or (match["header"] and _OF_AN_ERROR.match(match["header"])):
        return _without_number(reply, text, overload)
    if match["header"] and over_range(match["header"], _words(overload)) is not None:
        raise BadReply(f'answered "{shown(reply)}", an overload with a number; check the channel\'s query')
    value = float(match["value"])
    size = abs(value)
    if _BEYOND_OVERRANGE < size < _NOT_A_NUMBER_ENDS:
        return math.nan
    if size >= OVERRANGE_FROM or size in overload:
        return math.copysign(math.inf, value)
    return _in_unit(value, match["unit"] or "", unit)


def written_number(digits: str, unit: str, wanted: str) -> float:
    """Return the value of `digits` as on a display, with a point or a comma, in the SI unit behind `wanted`.

    `unit` is the unit on the display, with its prefix; where it is "", the number is in `wanted`. A sign may stand
    before the digits or behind them. Raises `BadReply` where it is no value.

    >>> written_number("12.5-", "mV", "V"), written_number("- 1,5", "", "V")
    (-0.0125, -1.5)
    """
    plain = digits.strip().replace("−", "-")
    if plain[-1:] in ("+", "-") and plain[:1] not in ("+", "-"):
        plain = f"{plain[-1]}{plain[:-1]}"
    if "." not in plain:
        plain = plain.replace(",", ".", 1)
    if not _AS_ON_A_DISPLAY.fullmatch(plain):
        raise BadReply(f'shows "{one_line(digits, 40)}", which is not a number; check the pattern')
    value = _in_unit(float("".join(plain.split())), unit, wanted)
    if not is_sane(value, unit_of_reply(wanted)[0]):
        raise BadReply(f'shows "{one_line(digits, 40)}", which is implausible')
    return value


def hexadecimal_number(digits: str, bits: int | None, wanted: str) -> float:
    """Return the value of hexadecimal `digits` in the SI unit behind `wanted`; of `bits` bits with a sign, if given.

    Raises `BadReply` where they are none, or more than `bits`.

    >>> hexadecimal_number("0x08A6", None, "mV"), hexadecimal_number("FFFE", 16, "V")
    (2.214, -2.0)
    """
    plain = "".join(digits.split()).removeprefix("0x").removeprefix("0X")
    if not _HEXADECIMAL.fullmatch(plain):
        raise BadReply(f'shows "{one_line(digits, 40)}", which is not a hexadecimal number; check the pattern')
    value = int(plain, 16)
    if bits is not None and value >> bits:
        raise BadReply(f'shows "{one_line(digits, 40)}", which has more than {bits} bits')
    return _in_unit(float(value - (1 << bits) if bits and value >> (bits - 1) else value), "", wanted)


def value_with_unit(text: str, wanted: str) -> float | None:
    """Return the value of a number with a unit, such as `22.1 mV`, in `wanted`; None where `text` is no such thing.

    Raises `BadReply` where the unit is of another kind, or unknown.
    """
    match = _VALUE_AND_UNIT.fullmatch(text.strip())
    return _in_unit(float(match[1]), match[2], wanted) if match else None


def over_range(word: str, overload: AbstractSet[str]) -> float | None:
    """Return ±inf, with the sign of `word`, if it is one of `overload` (in lower case); None otherwise."""
    spelt = word.casefold()
    if spelt not in overload and spelt.lstrip("+-") not in overload:
        return None
    return -math.inf if word.startswith("-") and word.lstrip("+-") else math.inf


def begins_with_number(reply: bytes) -> bool:
    """Return whether the first field of a reply is a number, so that it is no identity."""
    return _LEADING.match(reply) is not None


def shown(reply: bytes) -> str:
    """Return a reply as one short printable line."""
    return one_line(reply.decode("latin-1").strip(), 60)


def _field_at(reply: bytes, index: int, separator: str) -> bytes:
    fields = reply.split(separator.encode())
    if index >= len(fields):
        raise BadReply(f'answered "{shown(reply)}": {len(fields)} values, none at index {index}')
    return fields[index]


def _without_number(reply: bytes, text: str, overload: Collection[str | float]) -> float:
    """Return ±inf or nan for a reply in words. Raises `BadReply` for any other."""
    word, _, rest = text.partition(" ")
    beyond = over_range(text, _words(overload))
    if beyond is None and not any(char.isdigit() for char in rest):
        beyond = over_range(word, _words(overload))
    if beyond is not None:
        return beyond
    if text.lstrip("+-").casefold() == "nan":
        return math.nan
    if b"," in reply and begins_with_number(reply):
        raise BadReply(f'answered several values, "{shown(reply)}"; choose one by the channel\'s index')
    raise BadReply(f'answered "{shown(reply)}", which is not a number; check the channel\'s query')


def _words(overload: Collection[str | float]) -> frozenset[str]:
    return frozenset(word.casefold() for word in overload if isinstance(word, str))


def _in_unit(number: float, unit: str, wanted: str) -> float:
    base, conversion = unit_of_reply(wanted)
    return convert(number, unit, base) if unit.strip() else conversion(number)


def decoded(reply: bytes) -> str:
    """Return a reply as text, in UTF-8, or else in Latin-1."""
    try:
        return reply.decode()
    except UnicodeDecodeError:
        return reply.decode("latin-1")
