"""Parsing of numbers in replies: those of SCPI instruments, and numbers with units as on a display."""

from __future__ import annotations

import math
import re
from collections.abc import Set as AbstractSet
from typing import Annotated

import regex
from pydantic import AfterValidator, Field

from benchmon.errors import BadInput, BadReply
from benchmon.quantities import KINDS_BY_UNIT, parse_value
from benchmon.text import one_line
from benchmon_drivers.bounded_pattern import BoundedPattern

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?"
_BARE = re.compile(rf"\s*({_NUMBER})\s*".encode())
_WITH_UNIT = re.compile(rf"(?:[:*]?[A-Za-z][\w:.]{{0,60}}\s+)?({_NUMBER})\s*([A-Za-z°µμΩ%]{{0,8}})", re.ASCII)
_LEADING = re.compile(rf"\s*{_NUMBER}\s*(?:[,;]|$)".encode())
_PLAIN_UNITS = {"HZ": "Hz", "OHM": "Ω", "OHMS": "Ω", "CEL": "°C", "C": "°C", "DEGC": "°C"}

_IMPLAUSIBLE = 1e15
_OVERRANGE, _BEYOND_OVERRANGE = 9.9e37, 9.905e37
_NOT_A_NUMBER_ENDS = 9.915e37


NUMBER_AND_UNIT = (
    r"(?P<value>[+\-−]?\s*(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?)\s*(?P<unit>[a-zA-Z°µμΩΩ%]{0,8})"
)
"""The pattern of a line with a number and an optional unit."""

OVERLOAD = ("OL", "O.L", "OVLD", "OVERLOAD")
"""Texts of displays that are over range."""


def _known_unit(value: str) -> str:
    if value not in KINDS_BY_UNIT:
        raise BadInput(f"is no unit of a reading; units are {', '.join(filter(None, KINDS_BY_UNIT))}")
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
ReplyUnit = Annotated[str, AfterValidator(_known_unit)]
"""The unit of an instrument's reply, without prefix, where `scale` converts it to the channel's quantity."""


def in_unit(digits: str, unit: str, wanted: str) -> float:
    """Return the value of `digits` with the spelled `unit` (`"12.3"`, `"mV"`) in `wanted` (`"V"`).

    Raises `BadReply` where the unit is of another kind: the meter is then set to another range or function.
    """
    try:
        return parse_value(f"{digits} {_PLAIN_UNITS.get(unit, unit)}", KINDS_BY_UNIT[wanted])
    except BadInput as problem:
        raise BadReply(
            f'answered "{one_line(f"{digits} {unit}", 40)}" where {KINDS_BY_UNIT[wanted].name} in {wanted or "1"} is '
            "wanted; check the meter's function, or set the channel's unit"
        ) from problem


def plain_number(text: str) -> float | None:
    """Return `text` as a number, None if it is none."""
    bare = _BARE.fullmatch(text.encode())
    return float(bare[1]) if bare else None


def scpi_number(reply: bytes, unit: str, index: int | None = None) -> float:
    """Return the number in a SCPI `reply` (NR1, NR2 or NR3 of IEEE 488.2), converted to `unit` if it has a unit.

    SCPI-1999 volume 1, 7.2.1: 9.9E37 is infinity, given for an overload, hence ±inf here; 9.91E37 is "not a number",
    hence nan. `index` selects one of several comma-separated values, from 0. Raises `BadReply` for any other reply.

    >>> scpi_number(b"+1.25000E-03", "V"), scpi_number(b"-9.9E37", "V"), scpi_number(b"1,2,3", "V", 2)
    (0.00125, -inf, 3.0)
    """
    if index is not None:
        reply = _field_at(reply, index)
    bare = _BARE.fullmatch(reply)
    if bare is None:
        return _number_with_unit(reply, unit)
    value = float(bare[1])
    size = abs(value)
    if size < _OVERRANGE:
        return value
    return math.nan if _BEYOND_OVERRANGE < size < _NOT_A_NUMBER_ENDS else math.copysign(math.inf, value)


def written_number(digits: str, unit: str, wanted: str) -> float:
    """Return the value in the unit `wanted` of `digits` as on a display, with a point or a comma.

    `unit` is the unit on the display, with its prefix; "" if there is none. Raises `BadReply` where it is no value.
    """
    plain = "".join(digits.split()).replace("−", "-")
    if "." not in plain:
        plain = plain.replace(",", ".", 1)
    if unit:
        return in_unit(plain, unit, wanted)
    value = plain_number(plain)
    if value is None:
        raise BadReply(f'shows "{one_line(digits, 40)}", which is no number; check the pattern')
    if abs(value) > _IMPLAUSIBLE:
        raise BadReply(f'shows "{one_line(digits, 40)}", which is implausible')
    return value


def over_range(word: str, overload: AbstractSet[str]) -> float | None:
    """Return ±inf, with the sign of `word`, if it is one of `overload` (in lower case); None otherwise."""
    if word.lstrip("+-").casefold() not in overload:
        return None
    return -math.inf if word.startswith("-") else math.inf


def begins_with_number(reply: bytes) -> bool:
    """Return whether the first field of a reply is a number, so that it is no identity."""
    return _LEADING.match(reply) is not None


def shown(reply: bytes) -> str:
    """Return a reply as one short printable line."""
    return one_line(reply.decode("latin-1").strip(), 60)


def _field_at(reply: bytes, index: int) -> bytes:
    fields = reply.split(b",")
    if index >= len(fields):
        raise BadReply(f'answered "{shown(reply)}": {len(fields)} values, none at index {index}')
    return fields[index]


def _number_with_unit(reply: bytes, unit: str) -> float:
    if b"," in reply and begins_with_number(reply):
        raise BadReply(f'answered several values, "{shown(reply)}"; choose one by the channel\'s index')
    match = _WITH_UNIT.fullmatch(reply.decode("utf-8", "replace").strip())
    if match is None:
        raise BadReply(f'answered "{shown(reply)}", which is no number; check the channel\'s query')
    return in_unit(match[1], match[2], unit) if match[2] else scpi_number(match[1].encode(), unit)
