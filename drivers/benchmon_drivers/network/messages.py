"""The number in a message of text: alone, as one value of JSON, or where a regular expression finds it.

What a message leaves open is no reading: a JSON path that fits several values, an object that names a key twice, a
pattern that fits twice or cuts digits off a number.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator, Field

from benchmon.bench.fields import Factor, KeyedError, Number
from benchmon.errors import BadInput, BadReply
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon.text import one_line
from benchmon_drivers.bounded_pattern import BoundedPattern
from benchmon_drivers.number_parsing import (
    NUMBER_AND_UNIT,
    OVERLOAD,
    OverloadWords,
    Pattern,
    ReplyUnit,
    decoded,
    over_range,
    plain_number,
    shown,
    written_number,
)
from benchmon_drivers.reply_units import unit_of_reply

if TYPE_CHECKING:
    from jsonpath_rfc9535 import JSONPathQuery

LARGEST = 65_536
"""The most bytes of a message."""
_DEEPEST = 30
_TWICE = "names a key twice, so its value is not known"
_NOT_BOUNDED = re.compile(r"\.\.|\b(?:match|search)\s*\(")
"""Parts of a JSON path whose time is not bounded by the size of the message."""
_NUMBER_GOES_ON = re.compile(r"\.?(?:[eE][+-]?)?[0-9]|[-−+](?!\w)")
_NUMBER_WAS_BEGUN = re.compile(r"(?:[0-9]\.?(?:[eE][+-]?)?|(?:^|[^\w)])[-−]?\.|(?:^|[^\w)])[-−])$")
"""Text behind and before digits that belongs to the same number. A comma separates numbers as often as decimals."""


def _read_path(value: str) -> str:
    if _NOT_BOUNDED.search(value):
        raise BadInput("must not look everywhere: it takes neither .. nor match() nor search(); name the place")
    compiled_path(value)
    return value


def compiled_path(path: str) -> JSONPathQuery:
    """Return a JSON path as the library has it. Raises `BadInput`."""
    from jsonpath_rfc9535 import JSONPathError, compile  # noqa: A004, PLC0415 - loaded only where a file has a path

    try:
        return compile(path)
    except JSONPathError as problem:
        raise BadInput(f'is no JSON path, such as "$.sensors[0].volts": {one_line(problem)}') from problem


class MessageSettings(InstrumentSettings):
    """Keys of an instrument that sends messages of text."""

    overload: OverloadWords = Field(
        OVERLOAD, description="Words that the meter sends when it is over range, by default OL, O.L, OVLD and OVERLOAD."
    )


class MessageChannel(ChannelSettings):
    """Where in a message the value is, and how it becomes the quantity."""

    json_path: Annotated[str, Field(max_length=200), AfterValidator(_read_path)] | None = Field(
        None,
        alias="json",
        description='JSON path (RFC 9535) of the value in a message of JSON, such as "$.mains.watts"; exactly one '
        "value must fit.",
    )
    pattern: Pattern | None = Field(
        None,
        description="Regular expression whose group value, or else its first group, is the number, and whose group "
        "unit, if there is one, its unit; without json and pattern the message is a number alone, perhaps with a unit.",
    )
    unit: ReplyUnit | None = Field(
        None,
        description='Unit of a value that comes without one, such as "mV", "°F" or "K", and of what scale converts, '
        "where it is not that of the quantity.",
    )
    factor: Factor = Field(1.0, description="Factor on the value in the message.")
    offset: Number = Field(0.0, description="Added after the factor.")
    no_value: tuple[float, ...] = Field((), description="Numbers in the message that mean no reading.")


class MessageNumber:
    """Finds the number of one channel in messages.

    With `whole`, a pattern must fit the whole message; otherwise it must be found in it exactly once. Raises
    `KeyedError` where json and pattern do not go together, or the pattern has no group.
    """

    def __init__(
        self, name: str, unit: str, keys: MessageChannel, overload: Sequence[str] = OVERLOAD, *, whole: bool = True
    ) -> None:
        if keys.json_path is not None and keys.pattern is not None:
            raise KeyedError("pattern", keys.pattern, f"does not go together with json, and {name} has both; give one")
        self._keys, self._wanted, self._whole = keys, keys.unit or unit, whole
        self._conversion = unit_of_reply(self._wanted)[1]
        self._overload = frozenset(word.casefold() for word in overload)
        self._path = compiled_path(keys.json_path) if keys.json_path is not None else None
        self._pattern = BoundedPattern(keys.pattern or NUMBER_AND_UNIT)
        if not self._pattern.groups:
            raise KeyedError("pattern", keys.pattern, f"has no group for the number that {name} wants: (…)")
        self._group: str | int = "value" if "value" in self._pattern.names else 1

    @property
    def is_in_json(self) -> bool:
        """Whether the messages are JSON."""
        return self._path is not None

    def caution(self) -> str:
        """Return what to know of the pattern before a test, "" if there is nothing."""
        return self._pattern.caution() if self._keys.pattern else ""

    def find(self, message: bytes) -> float | BadReply | None:
        """Return the value in SI units (±inf over range, nan for "no number"), or why there is none.

        None is a message that is not about the channel: its pattern, or the place in its JSON, is not there.
        """
        if len(message) > LARGEST:
            return BadReply(f"sent a message of more than {LARGEST // 1024} kB, which is not a reading")
        try:
            return self._in_json(message) if self._path is not None else self._in_text(decoded(message).strip())
        except BadReply as problem:
            return problem

    def _in_json(self, message: bytes) -> float | None:
        assert self._path is not None  # noqa: S101 - for the type checker
        nodes = self._path.find(read_json(message))
        if not nodes:
            return None
        if len(nodes) > 1:
            raise BadReply(f"sent {len(nodes)} values that fit {self._keys.json_path}, where exactly one must")
        value = nodes[0].value
        if value is None:
            return math.nan
        if isinstance(value, str):
            return self._from_text(value, self._pattern.fullmatch(value.strip()))
        if isinstance(value, bool) or not isinstance(value, int | float):
            kind = "true or false" if isinstance(value, bool) else "no single value"
            raise BadReply(f"sent {kind} at {self._keys.json_path}, which is not a number")
        return self._from_number(value)

    def _in_text(self, text: str) -> float | None:
        match = self._pattern.fullmatch(text) if self._whole or self._keys.pattern is None else self._only(text)
        if match is None and self._keys.pattern is not None:
            # A word for over range stands where the number would, so only a message of nothing else is one.
            return self._beyond(text)
        return self._from_text(text, match)

    def _only(self, text: str) -> Any:
        match = self._pattern.search(text)
        if match is not None and match.end() > match.start() and self._pattern.search(text[match.end() :]) is not None:
            raise BadReply("sent a text that the pattern fits more than once, so its value is not known")
        return match

    def _from_text(self, text: str, match: Any) -> float:
        """Return the value that `match` found in `text`. Raises `BadReply` where it is none."""
        group = self._group
        digits = text.strip() if match is None else match[group] or ""
        beyond = self._beyond(digits.strip())
        if beyond is not None:
            return beyond
        if not digits.strip() or digits.strip().casefold() in ("nan", "null", "none"):
            return math.nan
        if match is None:
            raise BadReply(f'sent "{shown(text.encode())}", which is not a number')
        before, behind = match.string[: match.start(group)], match.string[match.end(group) :]
        if _NUMBER_GOES_ON.match(behind) or _NUMBER_WAS_BEGUN.search(before):
            raise BadReply(f'sent "{shown(match[0].encode())}", and the pattern takes only a part of its number')
        if plain_number(digits) in self._keys.no_value:
            return math.nan
        groups = match.groupdict()
        return self._scaled(written_number(digits, groups.get("unit") or "", self._wanted))

    def _from_number(self, number: float) -> float:
        if number in self._keys.no_value:
            return math.nan
        try:
            value = self._conversion(float(number))
        except OverflowError:
            value = math.inf
        if not math.isfinite(value):
            raise BadReply(f"sent {shown(str(number)[:40].encode())}, which is implausible; check json and unit")
        return self._scaled(value)

    def _scaled(self, value: float) -> float:
        scaled = value * self._keys.factor + self._keys.offset
        if not math.isfinite(scaled):
            raise BadReply("sent a number that is implausible; check factor")
        return scaled

    def _beyond(self, word: str) -> float | None:
        beyond = over_range(word, self._overload)
        return None if beyond is None else math.copysign(beyond, beyond * self._keys.factor)


def message_numbers(
    channels: Sequence[DrivenChannel[MessageChannel]], overload: Sequence[str]
) -> dict[str, MessageNumber]:
    """Return what finds each channel's number, by the channel's name. Raises `KeyedError`."""
    return {channel.name: MessageNumber(channel.name, channel.unit, channel.settings, overload) for channel in channels}


def pattern_cautions(numbers: Iterable[MessageNumber]) -> list[str]:
    """Return what to know of the patterns before a test."""
    return sorted({caution for number in numbers if (caution := number.caution())})


def read_json(message: bytes) -> Any:
    """Return what a JSON `message` holds; `NaN` and `Infinity` are words in it. Raises `BadReply`."""
    try:
        text = message.decode("utf-8-sig")
        if _depth(text) > _DEEPEST:
            raise BadReply(f"sent JSON nested more than {_DEEPEST} deep, which is not a reading")
        return json.loads(text, object_pairs_hook=_without_doubles, parse_constant=str)
    except BadReply:
        raise
    except (ValueError, RecursionError) as problem:
        raise BadReply(f'sent "{shown(message[:200])}", which is no JSON') from problem


def _depth(text: str) -> int:
    """Return a bound of how deep JSON is nested; brackets in its strings count too."""
    deepest = depth = 0
    for bracket in re.findall(r"[\[\]{}]", text):
        depth += 1 if bracket in "[{" else -1
        deepest = max(deepest, depth)
    return deepest


def _without_doubles(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise BadReply(f"sent JSON that {_TWICE}")
    return found
