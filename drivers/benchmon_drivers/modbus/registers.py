"""Values in Modbus registers: their types and orders, and the requests that read them."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import Annotated, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchmon.bench.fields import KeyedError
from benchmon.errors import BadReply
from benchmon_drivers.serial.port import Order

Function = Literal["holding", "input", "coil", "discrete"]
Kind = Literal["uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64", "bcd16", "bcd32"]

FORMATS: dict[str, str] = {
    "uint16": "H",
    "int16": "h",
    "uint32": "I",
    "int32": "i",
    "uint64": "Q",
    "int64": "q",
    "float32": "f",
    "float64": "d",
}
"""The struct format of each type."""
_DIGITS = {"bcd16": "uint16", "bcd32": "uint32"}
"""Types of packed decimal digits, four in a register, and the integers that hold them."""
MOST = {"holding": 125, "input": 125, "coil": 2000, "discrete": 2000}
"""The most registers or bits of one reply (MODBUS application protocol V1.1b3, 6.1 to 6.4)."""


def length(kind: Kind) -> int:
    """Return the number of registers of a type.

    >>> length("uint16"), length("float64")
    (1, 4)
    """
    return struct.calcsize(FORMATS[_DIGITS.get(kind, kind)]) // 2


def reader(kind: Kind, word_order: Order, byte_order: Order) -> Callable[[Sequence[int]], float]:
    """Return a function from registers (0 to 65535 each) to their number; NaN and ±inf for such a float.

    `word_order` "big" has the register with the highest bits first, `byte_order` "big" the higher byte of a register,
    as in the protocol itself. The returned function raises `struct.error` for a wrong number of registers, and
    `BadReply` where packed digits are none.

    >>> reader("float32", "big", "big")([0x42F6, 0xE979])
    123.45600128173828
    >>> reader("int32", "little", "big")([0xFFFF, 0xFFFE])
    -65537.0
    >>> reader("bcd32", "big", "big")([0x0012, 0x3456])
    123456.0
    """
    if kind in _DIGITS:
        return _reader_of_digits(kind, word_order, byte_order)
    pack = struct.Struct(f"{'>' if byte_order == 'big' else '<'}{length(kind)}H").pack
    unpack = struct.Struct(f">{FORMATS[kind]}").unpack
    step = 1 if word_order == "big" else -1

    def read(registers: Sequence[int]) -> float:
        return float(unpack(pack(*registers[::step]))[0])

    return read


def _reader_of_digits(kind: Kind, word_order: Order, byte_order: Order) -> Callable[[Sequence[int]], float]:
    whole = reader("uint16" if kind == "bcd16" else "uint32", word_order, byte_order)

    def read(registers: Sequence[int]) -> float:
        digits = f"{int(whole(registers)):X}"
        if not digits.isdecimal():
            raise BadReply(f"has {digits} where packed decimal digits are wanted; check type and orders")
        return float(digits)

    return read


DataAddress = Annotated[int, Field(ge=0, le=65535)]
"""The number of a register, coil or discrete input, from 0 as in the protocol."""
RegisterContent = Annotated[int, Field(ge=0, le=65535)]
"""What one register holds."""
BITS = frozenset({"coil", "discrete"})
"""The functions whose places hold one bit instead of a register."""


class RegisterBits(BaseModel):
    """Bits of one register beside the number."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    start: DataAddress = Field(alias="register", description="The register, of the channel's function and unit.")
    mask: Annotated[int, Field(ge=1, le=65535)] = Field(65535, description="Its bits that count.")

    def bits(self, register: int) -> int:
        """Return the bits, counted from the lowest of the mask."""
        return (register & self.mask) // (self.mask & -self.mask)


class RegisterExponent(RegisterBits):
    """The power of ten of a number, or its decimals, in another register."""

    kind: Literal["int16", "uint16", "decimals"] = Field(
        "int16",
        alias="type",
        description='"int16" or "uint16": the exponent; "decimals": how many digits are behind the decimal point.',
    )
    plus: Annotated[int, Field(ge=-30, le=30)] = Field(0, description="Added to the exponent.")

    @model_validator(mode="after")
    def _signed_is_whole(self) -> RegisterExponent:
        if self.kind == "int16" and self.mask != 65535:
            raise KeyedError(
                "type", self.kind, 'has its sign in bits that mask leaves out; "uint16" with plus, or "decimals"'
            )
        return self

    def power(self, register: int) -> int:
        """Return the exponent in a register. Raises `BadReply` where it is implausible."""
        found = self.bits(register)
        if self.kind == "int16" and found >= 0x8000:
            found -= 0x10000
        power = (-found if self.kind == "decimals" else found) + self.plus
        if abs(power) > 30:
            raise BadReply(f"announces ten to the power of {power}, which is implausible")
        return power


K = TypeVar("K")


@dataclass(frozen=True, slots=True)
class RegisterPlace(Generic[K]):
    """The place of one value: `count` registers (or bits) from `register` on, of one `function` of one `unit`."""

    key: K
    unit: int
    function: Function
    register: int
    count: int


@dataclass(frozen=True, slots=True)
class RegisterBlock(Generic[K]):
    """The registers of one request: `count` registers from `register` on, for all of `places`."""

    unit: int
    function: Function
    register: int
    count: int
    places: tuple[RegisterPlace[K], ...]


def blocks(
    places: Iterable[RegisterPlace[K]], most: int = 125, alone: AbstractSet[K] = frozenset()
) -> list[RegisterBlock[K]]:
    """Return the fewest requests that read `places`: adjoining or overlapping ones together, up to `most` registers.

    No other register is read, since many instruments refuse a request with a register that they do not have. The keys
    in `alone` are read in requests of their own.
    """
    found: list[RegisterBlock[K]] = []
    for place in sorted(places, key=lambda place: (place.unit, place.function, place.register)):
        single = RegisterBlock(place.unit, place.function, place.register, place.count, (place,))
        apart = not found or found[-1].places[0].key in alone or place.key in alone
        joined = None if apart else _joined(found[-1], single, most)
        if joined is None:
            found.append(single)
        else:
            found[-1] = joined
    return found


def _joined(block: RegisterBlock[K], other: RegisterBlock[K], most: int) -> RegisterBlock[K] | None:
    """Return both as one block, None if they do not adjoin or are too long; `other` does not start before `block`."""
    end = max(block.register + block.count, other.register + other.count)
    adjoin = (block.unit, block.function) == (other.unit, other.function)
    adjoin = adjoin and other.register <= block.register + block.count
    if not adjoin or end - block.register > min(most, MOST[block.function]):
        return None
    return RegisterBlock(
        block.unit, block.function, block.register, end - block.register, (*block.places, *other.places)
    )
