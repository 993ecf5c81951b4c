"""The drivers' keys of a bench file, as far as the servers need them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchmon.bench import Bench, Channel, Instrument
from benchmon.errors import BadInput
from benchmon.quantities import KINDS_BY_UNIT, NUMBER, parse_value
from benchmon.text import one_line


class Keys:
    """The keys of one section of a bench file.

    Every method raises `BadInput`, naming `owner` (the section), key and value, for a value of the wrong kind.
    """

    def __init__(self, owner: str, keys: Mapping[str, object]) -> None:
        self._owner, self._keys = owner, keys

    def text(self, key: str, default: str = "") -> str:
        """Return a text."""
        value = self._keys.get(key, default)
        if isinstance(value, str):
            return value
        raise self._error(key, value, "must be text")

    def number(self, key: str, default: float) -> float:
        """Return a number above zero."""
        try:
            value = parse_value(self._keys.get(key, default), NUMBER)
        except BadInput as problem:
            raise self._error(key, self._keys[key], str(problem)) from problem
        if value > 0:
            return value
        raise self._error(key, value, "must be above zero")

    def index(self, key: str) -> int:
        """Return an index into a list, from 0, which is also the default."""
        value = self._keys.get(key, 0)
        if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 1000:
            return value
        raise self._error(key, value, "must be a whole number from 0 to 1000")

    def real(self, key: str, default: float) -> float:
        """Return any finite number."""
        value = self._keys.get(key, default)
        try:
            return parse_value(value, NUMBER)
        except BadInput as problem:
            raise self._error(key, value, str(problem)) from problem

    def reals(self, key: str) -> Sequence[float]:
        """Return a list of numbers."""
        value = self._keys.get(key, [])
        if isinstance(value, list | tuple) and all(isinstance(item, int | float) for item in value):
            return [float(item) for item in value]
        raise self._error(key, value, "must be a list of numbers")

    def whole_numbers(self, key: str) -> list[int]:
        """Return a list of whole numbers, empty where the key is not there."""
        return [int(number) for number in self.reals(key)]

    def rows(self, key: str) -> list[tuple[int, int, int]]:
        """Return rows of three whole numbers; `[byte, value]` is the row of a whole byte."""
        value = self._keys.get(key, [])
        if isinstance(value, list | tuple) and len(value) == 2 and all(isinstance(item, int) for item in value):
            return [(int(value[0]), 255, int(value[1]))]
        if not isinstance(value, list | tuple):
            raise self._error(key, value, "must be a list of rows")
        for row in value:
            if not isinstance(row, list | tuple) or len(row) != 3 or not all(isinstance(item, int) for item in row):
                raise self._error(key, value, "must be rows of three whole numbers")
        return [(int(at), int(mask), int(third)) for at, mask, third in value]

    def sections(self, key: str) -> list[Keys]:
        """Return a list of sections."""
        value = self._keys.get(key, [])
        if isinstance(value, list | tuple) and all(isinstance(item, Mapping) for item in value):
            return [Keys(f"{self._owner}: {key}", item) for item in value]
        raise self._error(key, value, "must be a list of sections")

    def integer(self, key: str, default: int | None, low: int, high: int) -> int:
        """Return a whole number from `low` to `high`; without a default the key is required."""
        value = self._keys.get(key, default)
        if value is None:
            raise BadInput(f"{self._owner}: {key} is missing; add it")
        if isinstance(value, int) and not isinstance(value, bool) and low <= value <= high:
            return value
        raise self._error(key, value, f"must be a whole number from {low} to {high}")

    def choice(self, key: str, default: str, choices: Sequence[str]) -> str:
        """Return one of `choices`."""
        value = self.text(key, default)
        if value in choices:
            return value
        raise self._error(key, value, f"must be one of {', '.join(choices)}")

    def flag(self, key: str, *, default: bool) -> bool:
        """Return true or false."""
        value = self._keys.get(key, default)
        if isinstance(value, bool):
            return value
        raise self._error(key, value, "must be true or false")

    def octets(self, key: str) -> bytes:
        """Return bytes written in hexadecimal."""
        value = self.text(key)
        try:
            return bytes.fromhex(value)
        except ValueError as problem:
            raise self._error(key, value, "must be bytes in hexadecimal") from problem

    def place(self, key: str) -> tuple[int, str]:
        """Return a place in a block: its byte, and the format of the number there."""
        value = self._keys.get(key)
        if (
            isinstance(value, list | tuple)
            and len(value) == 2
            and isinstance(value[0], int)
            and isinstance(value[1], str)
        ):
            return value[0], value[1]
        raise self._error(key, value, "must be a byte and a format")

    def register(self, key: str, functions: Sequence[str]) -> tuple[str, int, int]:
        """Return a function of Modbus, one of `functions`, the number of what it reads, and a content."""
        value = self._keys.get(key)
        if (
            isinstance(value, list | tuple)
            and len(value) == 3
            and value[0] in functions
            and all(type(item) is int and 0 <= item <= 65_535 for item in value[1:])
        ):
            return str(value[0]), int(value[1]), int(value[2])
        raise self._error(key, value, "must be a function, a number and a content, from 0 to 65535")

    def is_integer(self, key: str) -> bool:
        """Return whether the key is present and a whole number (true and false are none)."""
        return type(self._keys.get(key)) is int

    def section(self, key: str) -> Keys | None:
        """Return the keys of a section within this one, None if there is none."""
        value = self._keys.get(key)
        if value is None:
            return None
        if isinstance(value, Mapping) and value:
            return Keys(f"{self._owner}: {key}", value)
        raise self._error(key, value, "must be a section with keys")

    def names(self) -> Sequence[str]:
        """Return the names of the keys, in their order."""
        return list(self._keys)

    def has(self, key: str) -> bool:
        """Return whether the key is present."""
        return key in self._keys

    def texts(self, key: str) -> Sequence[str]:
        """Return a list of texts."""
        value = self._keys.get(key, [])
        if isinstance(value, list | tuple) and all(isinstance(item, str) for item in value):
            return list(value)
        raise self._error(key, value, "must be a list of texts")

    def _error(self, key: str, value: object, reason: str) -> BadInput:
        return BadInput(f"{self._owner}: {key} = {one_line(value, 40)}: {reason}")


def keys_of(section: Channel | Instrument) -> Keys:
    """Return the driver's keys of a channel or an instrument."""
    kind = "channel" if isinstance(section, Channel) else "instrument"
    return Keys(f"{kind} {section.name!r}", section.driver_keys)


def channels_of(bench: Bench, instrument: Instrument) -> list[Channel]:
    """Return the channels that are read from `instrument`."""
    return [channel for channel in bench.channel if channel.instrument == instrument.name]


@dataclass(frozen=True)
class Scaling:
    """What an instrument shows of a value: value = (number × size − zero) × factor + offset.

    `size` and `zero` are those of the key `unit`, in which the number stands.
    """

    unit: str
    size: float = 1.0
    zero: float = 0.0
    factor: float = 1.0
    offset: float = 0.0

    @classmethod
    def from_keys(cls, channel: Channel) -> Scaling:
        """Return it by the keys unit, factor and offset of a channel. Raises `BadInput` for an unknown unit."""
        keys = keys_of(channel)
        unit = keys.text("unit") or channel.unit
        size, zero = {"°F": (5.0 / 9.0, 160.0 / 9.0), "K": (1.0, 273.15)}.get(unit, (0.0, 0.0))
        return cls(
            unit, size or _size_of(unit, channel), zero, keys.real("factor", 1.0) or 1.0, keys.real("offset", 0.0)
        )

    def shown(self, value: float) -> float:
        """Return the number that stands for `value`, which is in the channel's unit."""
        return ((value - self.offset) / self.factor + self.zero) / self.size


def _size_of(unit: str, channel: Channel) -> float:
    for kind in (KINDS_BY_UNIT[channel.unit], *KINDS_BY_UNIT.values()):
        try:
            return parse_value(f"1 {unit}", kind) if unit else 1.0
        except BadInput:
            continue
    raise BadInput(f"channel {channel.name!r}: unit = {one_line(unit, 40)!r} is no unit of a reading")
