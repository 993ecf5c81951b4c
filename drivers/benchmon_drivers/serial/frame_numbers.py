"""Where in a frame a value is: numbers, digits, segments, with sign, point and range by bits; and checksums.

A frame that does not say its sign, decimal point or range where the bench file looks for them is no reading: a meter
that changes its range by itself would otherwise show a value of the wrong decade.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Callable, Iterator, Mapping
from functools import reduce
from operator import xor
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StrictBool,
    model_validator,
)

from benchmon.bench.fields import Factor, KeyedError, Number
from benchmon.errors import BadInput, BadReply
from benchmon.instruments.types import ChannelSettings
from benchmon.text import one_line
from benchmon_drivers.serial.port import HexBytes

LONGEST_FRAME = 1024
_FORMAT = re.compile(r"([<>]?)([bBhHiIqQfd]|u24|s24|bcd|ascii|hex|segments)")
_DIGITS = re.compile(r"[+-]? *(?:[0-9]+\.?[0-9]*|\.[0-9]+)|(?:[0-9]+\.?[0-9]*|\.[0-9]+) *[+-]")
_HEXADECIMAL = re.compile(r"[0-9A-Fa-f]{1,12}")
_OVERLOAD = ("OL", "0L", "L", "O.L", "0.L", ".OL", ".0L", "OL.", "0L.")
"""What digits of a display show over range."""
_IMPLAUSIBLE = 1e15
_MOST_DIGITS = 16


def _one_number(value: str) -> str:
    if not _FORMAT.fullmatch(value):
        raise BadInput(
            'must be one number of Python\'s struct, such as ">h" or "<f", or u24, s24, bcd, ascii, hex, segments; > '
            "has the high byte or digit first"
        )
    return value


def _segments(value: Mapping[str, str]) -> Mapping[str, str]:
    for code, char in value.items():
        if not re.fullmatch(r"[0-9A-Fa-f]{2}", code) or len(char) != 1 or not char.isascii() or not char.isprintable():
            raise BadInput(
                f'has {code} = "{one_line(char, 20)}"; write the byte in hexadecimal, and one character: 3F = "0"'
            )
    if len({code.upper() for code in value}) < len(value):
        raise BadInput("has the same code twice")
    return {code.upper(): char for code, char in value.items()}


Position = Annotated[int, Field(ge=-LONGEST_FRAME, le=LONGEST_FRAME - 1)]
Byte = Annotated[int, Field(ge=0, le=255)]
Bits = tuple[Position, Byte, Byte]
"""A byte, a mask, and what the masked byte must be."""


class FrameRange(BaseModel):
    """One range of a meter: the bits that announce it, and its factor."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    when: Annotated[tuple[Bits, ...], Field(min_length=1, max_length=20)] = Field(
        description="Bits that announce it: [byte, mask, value], all of which must hold."
    )
    factor: Factor = Field(description="Factor on the number in that range.")


class SerialFramesChannel(ChannelSettings):
    """Where in a frame a value is: a number of `format` at the byte `at`, times `factor`, plus `offset`."""

    at: Position = Field(
        description="Position of the number: bytes from the beginning of the frame, from 0, or from its end if "
        "negative."
    )
    format: Annotated[str, AfterValidator(_one_number)] = Field(
        description='One number as Python\'s struct writes it: ">h" is signed, two bytes, the high byte first. Also '
        '"u24", "s24" (three bytes), "bcd" (two digits a byte), "ascii" and "hex" (digits as text), '
        '"segments" (a display); "<" before it has the low byte or digit first.'
    )
    count: Annotated[int, Field(ge=1, le=_MOST_DIGITS)] | None = Field(
        None, description="How many bytes hold the digits, for bcd, ascii, hex and segments."
    )
    step: Annotated[int, Field(ge=1, le=8)] = Field(1, description="Bytes from one of these bytes to the next.")
    mask: Byte = Field(
        255, description="Bits of each of these bytes that belong to the digit; with 15, bcd has one digit a byte."
    )
    segments: Annotated[dict[str, str], AfterValidator(_segments)] = Field(
        {}, description='What each byte of segments shows, masked: { "3F" = "0", "06" = "1", … }.'
    )
    sign: tuple[Position, Byte] | None = Field(
        None, description="[byte, mask]: the number is negative where one of these bits is set."
    )
    point: Annotated[tuple[tuple[Position, Byte, Annotated[int, Field(ge=0, le=9)]], ...], Field(max_length=20)] = (
        Field(
            (),
            description="[byte, mask, places] for each decimal point, one of which must be set; mask 0, as the last, "
            "is a display without a point.",
        )
    )
    exponent: tuple[Position, Byte, Annotated[int, Field(ge=-30, le=30)]] | None = Field(
        None,
        description="[byte, mask, plus]: the number is multiplied by ten to the power of these bits, counted from the "
        "lowest of them, plus a constant.",
    )
    ranges: Annotated[tuple[FrameRange, ...], Field(max_length=100)] = Field(
        (), description="Ranges by bits: when and factor of each; a frame that announces none of them is no reading."
    )
    fixed_range: StrictBool = Field(
        False,
        description="Whether the meter stays in one range, so that its frames need not announce it: needed for digits "
        "without point, exponent and ranges.",
    )
    factor: Factor = Field(1.0, description="Factor on the number in the frame.")
    offset: Number = Field(0.0, description="Added after the factor.")
    when: tuple[Position, Byte] | Annotated[tuple[Bits, ...], Field(max_length=20)] | None = Field(
        None,
        description="Only frames of one type: [2, 16] takes those whose byte 2 is 16, [[2, 240, 16], [3, 1, 0]] those "
        "whose bytes have these values under their masks.",
    )
    overload: tuple[float, ...] = Field((), description="Numbers in the frame that mean over range.")
    overload_bits: tuple[Position, Byte] | None = Field(
        None, description="[byte, mask]: the meter is over range where one of these bits is set."
    )
    no_value: tuple[float, ...] = Field((), description="Numbers in the frame that mean no reading.")
    query: HexBytes = Field(b"", description="Bytes that make the meter answer with this channel, in hexadecimal.")

    @model_validator(mode="after")
    def _fits_together(self) -> SerialFramesChannel:
        kind = self.kind[1]
        has_digits = kind in ("bcd", "ascii", "hex", "segments")
        if has_digits and self.count is None:
            raise KeyedError("count", None, f"is missing; {kind} needs the number of bytes")
        for name in ("count", "step", "mask"):
            if not has_digits and name in self.model_fields_set:
                raise KeyedError(name, getattr(self, name), f"belongs to digits, and {self.format} has none")
        if (kind == "segments") != bool(self.segments):
            raise KeyedError("segments", self.segments, "belongs to the format segments, which needs it")
        if kind in ("bcd", "segments") and not self.announces_range and not self.fixed_range:
            why = "give point, exponent or ranges, or fixed_range = true where the meter stays in one range"
            raise KeyedError("fixed_range", False, f"is false, and nothing announces the range of the digits; {why}")
        if any(not mask for _, mask, _ in self.point[:-1]):
            raise KeyedError("point", self.point, "has mask 0 before others; it stands for no point, as the last")
        for name in ("sign", "exponent", "overload_bits"):
            bits = getattr(self, name)
            if bits is not None and not bits[1]:
                raise KeyedError(name, bits, "has no bit in its mask")
        return self

    @property
    def announces_range(self) -> bool:
        """Whether the bench file says where a frame announces its decimal point or range."""
        return bool(self.point or self.ranges or self.exponent)

    @property
    def may_lose_decades(self) -> bool:
        """Whether an integer would be read in the wrong decade if the meter changed its range by itself."""
        is_integer = self.kind[1] == "hex" or (self.count is None and self.kind[1] not in ("f", "d"))
        return is_integer and not self.announces_range and not self.fixed_range

    @property
    def kind(self) -> tuple[str, str]:
        """The byte order, and the kind of number."""
        match = _FORMAT.fullmatch(self.format)
        assert match is not None  # noqa: S101 - for the type checker; the field was validated
        return match[1] or ">", match[2]

    @property
    def places(self) -> range:
        """The positions of the number's bytes."""
        order, kind = self.kind
        if self.count is not None:
            return range(self.at, self.at + (self.count - 1) * self.step + 1, self.step)
        return range(self.at, self.at + (3 if kind in ("u24", "s24") else struct.calcsize(f"{order}{kind}")))

    def positions(self) -> Iterator[int]:
        """Yield every position that the channel looks at."""
        yield from self.places
        yield from (at for at, *_ in _conditions(self))
        yield from (at for at, *_ in self.point)
        yield from (bits[0] for bits in (self.sign, self.exponent, self.overload_bits) if bits is not None)
        yield from (at for one in self.ranges for at, *_ in one.when)


def frame_value(keys: SerialFramesChannel, frame: bytes) -> float | BadReply | None:
    """Return a channel's value in a frame, why it has none, or None where the frame is not about the channel."""
    if not all(_holds(frame, bits) for bits in _conditions(keys)):
        return None
    has_all = all(-len(frame) <= at < len(frame) for at in keys.positions())
    if not has_all or keys.at < 0 <= keys.places[-1]:
        return BadReply(f"sent a frame of {len(frame)} bytes, which has no {keys.format} at {keys.at}")
    try:
        return _value(keys, frame)
    except BadReply as problem:
        return problem


def _value(keys: SerialFramesChannel, frame: bytes) -> float:
    sign = -1.0 if _is_set(frame, keys.sign) else 1.0
    if _is_set(frame, keys.overload_bits):
        return math.copysign(math.inf, sign * keys.factor)
    raw = _number(keys, bytes(frame[at] for at in keys.places))
    if raw in keys.no_value:
        return math.nan
    if raw in keys.overload or math.isinf(raw):
        return math.copysign(math.inf, raw * sign * keys.factor)
    value = raw * sign * _scale(keys, frame) * keys.factor + keys.offset
    if abs(value) > _IMPLAUSIBLE:
        raise BadReply(f"shows {value:.3g}, which is implausible; check at and format")
    return value


def _is_set(frame: bytes, bits: tuple[int, int] | None) -> bool:
    return bits is not None and bool(frame[bits[0]] & bits[1])


def _conditions(keys: SerialFramesChannel) -> tuple[Bits, ...]:
    when = keys.when or ()
    if len(when) == 2 and isinstance(when[0], int):
        return ((when[0], 255, when[1]),)
    return when


def _holds(frame: bytes, bits: Bits) -> bool:
    at, mask, wanted = bits
    return -len(frame) <= at < len(frame) and frame[at] & mask == wanted


def _number(keys: SerialFramesChannel, data: bytes) -> float:
    """Return the number in its bytes; ±inf where digits show an overload. Raises `BadReply`."""
    order, kind = keys.kind
    if kind in ("u24", "s24"):
        return float(int.from_bytes(data, "big" if order == ">" else "little", signed=kind == "s24"))
    if keys.count is None:
        return float(struct.unpack(f"{order}{kind}", data)[0])
    masked = bytes(byte & keys.mask for byte in (data if order == ">" else reversed(data)))
    if kind == "bcd":
        text = masked.hex() if keys.mask > 15 else masked.hex()[1::2]
    elif kind in ("ascii", "hex"):
        text = masked.decode("latin-1").strip(" \0")
    else:
        unknown = next((byte for byte in masked if f"{byte:02X}" not in keys.segments), None)
        if unknown is not None:
            raise BadReply(f"shows the segments {unknown:02X}, which are not in its table")
        text = "".join(keys.segments[f"{byte:02X}"] for byte in masked).strip()
    if kind == "hex":
        if not _HEXADECIMAL.fullmatch(text):
            raise BadReply(f'shows "{one_line(text, 40)}", which is not a hexadecimal number')
        return float(int(text, 16))
    has_point = "." in text or keys.announces_range or keys.fixed_range
    return _from_digits(text, has_point=has_point)


def _from_digits(text: str, *, has_point: bool) -> float:
    if _DIGITS.fullmatch(text) and not has_point:
        why = "give point, exponent or ranges, or fixed_range = true where the meter stays in one range"
        raise BadReply(f'shows "{one_line(text, 40)}" without a decimal point, so its range is not known; {why}')
    if _DIGITS.fullmatch(text):
        sign = -1.0 if "-" in text else 1.0
        return sign * float(text.strip("+- "))
    if text.lstrip("+- ").upper() in _OVERLOAD:
        return -math.inf if text.startswith("-") else math.inf
    raise BadReply(f'shows "{one_line(text, 40)}", which is not a number')


def _scale(keys: SerialFramesChannel, frame: bytes) -> float:
    """Return what the number is multiplied by, as the frame announces it. Raises `BadReply` where it does not."""
    scale = 1.0
    if keys.point:
        shown = [places for at, mask, places in keys.point if mask and frame[at] & mask]
        if not shown and not keys.point[-1][1]:
            shown = [keys.point[-1][2]]
        if len(shown) != 1:
            raise BadReply(f"shows {len(shown)} decimal points where there must be one")
        scale /= 10.0 ** shown[0]
    if keys.exponent is not None:
        at, mask, plus = keys.exponent
        power = ((frame[at] & mask) // (mask & -mask)) + plus
        if abs(power) > 30:
            raise BadReply(f"announces ten to the power of {power}, which is implausible")
        scale = scale * 10.0**power if power >= 0 else scale / 10.0**-power
    if keys.ranges:
        fitting = [one.factor for one in keys.ranges if all(_holds(frame, bits) for bits in one.when)]
        if len(fitting) != 1:
            what = "none of its ranges" if not fitting else "several ranges at once"
            raise BadReply(f"announces {what}, so its value is not known")
        scale *= fitting[0]
    return scale


Checksum = Literal["none", "sum", "sum16", "negated sum", "inverted sum", "xor", "crc8", "crc16", "ccitt", "xmodem"]


def crc16(data: bytes) -> int:
    """Return the CRC-16/MODBUS of `data`: polynomial 0x8005 reflected, from 0xFFFF.

    >>> hex(crc16(b"123456789"))
    '0x4b37'
    """
    value = 0xFFFF
    for byte in data:
        value = value >> 8 ^ _REFLECTED[(value ^ byte) & 0xFF]
    return value


def ccitt(data: bytes, value: int = 0xFFFF) -> int:
    """Return the CRC of `data` with polynomial 0x1021, from 0xFFFF (CCITT) or 0 (XMODEM).

    >>> hex(ccitt(b"123456789")), hex(ccitt(b"123456789", 0))
    ('0x29b1', '0x31c3')
    """
    for byte in data:
        value = (value << 8 & 0xFFFF) ^ _CCITT[value >> 8 ^ byte]
    return value


def crc8(data: bytes) -> int:
    """Return the CRC-8 of `data`: polynomial 0x07, from 0.

    >>> hex(crc8(b"123456789"))
    '0xf4'
    """
    value = 0
    for byte in data:
        value = _CRC8[value ^ byte]
    return value


def _forward(byte: int, polynomial: int, bits: int) -> int:
    value = byte << bits - 8
    for _ in range(8):
        value = value << 1 ^ (polynomial if value >> bits - 1 else 0)
        value &= (1 << bits) - 1
    return value


def _reflected(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
    return byte


_REFLECTED = tuple(map(_reflected, range(256)))
_CCITT = tuple(_forward(byte, 0x1021, 16) for byte in range(256))
_CRC8 = tuple(_forward(byte, 0x07, 8) for byte in range(256))

CHECKSUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "none": (0, lambda _: 0),
    "sum": (1, lambda data: sum(data) & 0xFF),
    "sum16": (2, lambda data: sum(data) & 0xFFFF),
    "negated sum": (1, lambda data: -sum(data) & 0xFF),
    "inverted sum": (1, lambda data: ~sum(data) & 0xFF),
    "xor": (1, lambda data: reduce(xor, data, 0)),
    "crc8": (1, crc8),
    "crc16": (2, crc16),
    "ccitt": (2, ccitt),
    "xmodem": (2, lambda data: ccitt(data, 0)),
}
"""The number of bytes of each checksum, and its function."""
