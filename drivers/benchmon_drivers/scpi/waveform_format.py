"""The format of an instrument's waves: the fields of the preamble, and the codes of the samples.

A preamble is text, with words, quotes and units, or numbers at places of a block. A field that cannot be read as what
the bench file calls it is no preamble: a wrong scale would be a wrong reading.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final, Literal, get_args

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StrictBool, model_validator

from benchmon.bench.fields import KeyedError, Number
from benchmon.errors import BadInput, BadReply
from benchmon.instruments.types import MOST_SAMPLES
from benchmon.signals.arrays import Floats
from benchmon_drivers.number_parsing import decoded, shown
from benchmon_drivers.reply_units import conversion_of

Scale = Literal["x_increment", "x_origin", "x_reference", "y_increment", "y_origin", "y_reference"]
ValueField = Literal[Scale, "sample_rate", "points", "format"]
PreambleField = Literal[ValueField, "-"]

_OVERRANGE_FROM: Final = 9.9e37
"""A number or sample from here on is an overload or "not a number" (SCPI-1999 volume 1, 7.2.1)."""
_WORD_BEFORE = re.compile(r"[:*]?[A-Za-z][\w:.]{0,60}?(?:\s*[=:]\s*|\s+)(?=[+\-.0-9])", re.ASCII)
_NUMBER_AND_UNIT = re.compile(
    r"([+\-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+\-]?[0-9]{1,3})?)\s*([A-Za-zµμ/]{0,10})", re.ASCII
)
_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9, "ps": 1e-12}
"""In upper case as in lower: IEEE 488.2-1992, 7.7.3 reads `MS` as milliseconds."""
_RATES = re.compile(r"(?:Sa|Samples|S|Pts)/s|Sps", re.IGNORECASE)
_NUMBER_FORMAT = re.compile(r"[<>]?[bBhHiIqQfd]")


def _one_place(value: tuple[int, str]) -> tuple[int, str]:
    if not _NUMBER_FORMAT.fullmatch(value[1]):
        raise BadInput('must be [byte, format], the format one number of Python\'s struct such as "<f" or ">h"')
    return value


DescriptorPlace = Annotated[tuple[Annotated[int, Field(ge=0, le=65_535)], str], AfterValidator(_one_place)]
"""The position of a number in a block, in bytes from 0, and its format."""


def split_fields(text: str, separator: str) -> list[str]:
    """Return the fields of a preamble; a separator inside quotes separates nothing.

    >>> split_fields('1;"CH1; DC";2', ";")
    ['1', '"CH1; DC"', '2']
    """
    fields, quote, begin = [], "", 0
    for at, char in enumerate(text):
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
        elif char == separator:
            fields.append(text[begin:at].strip())
            begin = at + 1
    return [*fields, text[begin:].strip()]


def field_value(name: str, field: str) -> float:
    """Return the number of a field in seconds, hertz, volts or amperes. Raises `BadReply` where it is none.

    >>> field_value("x_increment", "STEP 40 us"), field_value("sample_rate", '"1.25 MSa/s"')
    (4e-05, 1250000.0)
    """
    text = re.sub("[\"']", "", field).strip()
    word = _WORD_BEFORE.match(text)
    match = _NUMBER_AND_UNIT.fullmatch(text, word.end() if word else 0)
    value = _in_unit(name, float(match[1]), match[2]) if match else None
    if value is None or not math.isfinite(value) or abs(value) >= _OVERRANGE_FROM:
        raise BadReply(
            f'answered "{shown(field.encode())}" for {name} of the preamble, which is not a number; check order, unit'
        )
    return value


def _in_unit(name: str, number: float, unit: str) -> float | None:
    if not unit:
        return number
    if name in ("x_increment", "x_origin"):
        seconds = _SECONDS.get(unit.lower())
        return None if seconds is None else number * seconds
    if name == "sample_rate":
        conversion = conversion_of(_RATES.sub("Hz", unit), "Hz")
        return None if conversion is None else conversion(number)
    if name in ("y_increment", "y_origin"):
        found = conversion_of(unit, "V") or conversion_of(unit, "A")
        return None if found is None else found(number)
    return None


def read_fields(reply: bytes, names: tuple[PreambleField, ...], separator: str) -> Mapping[str, str]:
    """Return the fields of a preamble by name. Raises `BadReply` where there are too few."""
    fields = split_fields(decoded(reply).strip(), separator) if names else []
    if len(fields) < len(names):
        raise BadReply(f'answered the preamble "{shown(reply)}": {len(fields)} fields where {len(names)} are wanted')
    return {name: field for name, field in zip(names, fields, strict=False) if name != "-"}


def read_places(block: bytes, places: Mapping[ValueField, tuple[int, str]]) -> Mapping[str, float]:
    """Return the numbers of a binary descriptor by name. Raises `BadReply` where `block` is too short."""
    found: dict[str, float] = {}
    for name, (at, layout) in places.items():
        form = layout if layout[0] in "<>" else f">{layout}"
        if at + struct.calcsize(form) > len(block):
            raise BadReply(f"sends a descriptor of {len(block)} bytes, which has no {name} at {at}")
        value = float(struct.unpack_from(form, block, at)[0])
        if not math.isfinite(value) or abs(value) >= _OVERRANGE_FROM:
            raise BadReply(f"has no number for {name} in its descriptor at {at}; check descriptor")
        found[name] = value
    return found


def format_name(field: str | float, known: Mapping[str, object]) -> str:
    """Return the key of `known` that a field `format` holds, perhaps after a word. Raises `BadReply`."""
    text = f"{field:.0f}" if isinstance(field, float) else field.strip("\"' ")
    for candidate in (text, *re.split(r"[\s=:]+", text)[-1:]):
        plain = candidate.strip("\"' ")
        if plain in known:
            return plain
    raise BadReply(f'answered the format "{shown(text.encode())}", which is none of {", ".join(known)}')


def whole_number(name: str, value: float) -> int:
    """Return `value` as a whole number. Raises `BadReply` where it is none."""
    if value != int(value):
        raise BadReply(f"answered {value:g} for {name} of the preamble, which is not a whole number; check the order")
    return int(value)


Codes = Literal["int8", "uint8", "int16", "uint16", "int32", "uint32", "float32", "float64", "ascii"]

_SCALES: Final = get_args(Scale)
_NOT_ASCII = re.compile(rb"[^0-9+\-.eE,; \t\r\n]")
_BETWEEN = re.compile(rb"\s*[;\r\n]\s*")
_HEADER_WORD = re.compile(rb"\s*[:A-Za-z][\w:]{0,60}\s+(?=[+\-.0-9])")


@dataclass(frozen=True, slots=True)
class Preamble:
    """The preamble of one wave: its scale by name, the codes of its samples, and their number if it is given."""

    scale: Mapping[str, float]
    codes: Codes
    points: int | None = None


class WaveKeys(BaseModel):
    """How the samples of a captured wave are coded and scaled, by the preamble or by the keys here.

    Sample k is at x_origin + (k − x_reference) · x_increment seconds; code c is
    (c − y_reference) · y_increment + y_origin.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    preamble: Annotated[tuple[PreambleField, ...], Field(max_length=100)] = Field(
        (),
        description='Fields of the preamble in their order: the keys below, "points", "format", and "-" for a field '
        "that does not matter. A field may have a word before it and a unit behind it.",
    )
    separator: Annotated[str, Field(min_length=1, max_length=1)] = Field(
        ",", description='Character between two fields of the preamble, such as ";"; inside quotes it is text.'
    )
    descriptor: dict[ValueField, DescriptorPlace] = Field(
        {},
        description="Fields of a binary descriptor, each with its byte and its format: "
        '{ y_increment = [156, "<f"], points = [60, "<i"] }. The question preamble answers it as a block; without that '
        "question the block of samples begins with it.",
    )
    skip: Annotated[int, Field(ge=0, le=1_000_000)] = Field(
        0, description="Bytes at the beginning of the block that are no samples, such as a descriptor."
    )
    codes: Codes = Field("int16", description="How a sample is coded, where the preamble does not say.")
    formats: dict[str, Codes] = Field(
        {}, description="What the preamble's field format may hold, and the codes it stands for."
    )
    byte_order: Literal["big", "little"] = Field(
        "big", description="Which byte of a sample comes first: the high one (big) or the low one (little)."
    )
    overload: tuple[int, ...] = Field(
        (), description="Codes of samples beyond the range; the reading is then over range."
    )
    pairs: StrictBool = Field(
        False,
        description="Whether samples in text are pairs of a time in seconds and a value; they need no x_increment.",
    )
    x_increment: Annotated[Number, Field(gt=0, le=1000)] | None = Field(
        None, description="Time from sample to sample in seconds; needed here where the preamble does not hold it."
    )
    sample_rate: Annotated[Number, Field(ge=0.001)] | None = Field(
        None, description="Samples in a second, instead of x_increment."
    )
    x_origin: Number = Field(
        0.0, description="Time of the reference sample in seconds, where the preamble does not hold it."
    )
    x_reference: Number = Field(0.0, description="Number of the reference sample, where the preamble does not hold it.")
    y_increment: Number = Field(1.0, description="Volts or amperes of one code, where the preamble does not hold it.")
    y_origin: Number = Field(
        0.0, description="Volts or amperes at the reference code, where the preamble does not hold it."
    )
    y_reference: Number = Field(0.0, description="Reference code, where the preamble does not hold it.")

    @model_validator(mode="after")
    def _is_complete(self) -> WaveKeys:
        given = [name for name in self.preamble if name != "-"]
        twice = sorted({name for name in given if given.count(name) > 1})
        if twice:
            raise KeyedError("preamble", twice[0], "is there twice; write - for a field that does not matter")
        if self.preamble and self.descriptor:
            raise KeyedError("descriptor", "", "cannot be combined with preamble, whose fields are text")
        for name in (*_SCALES, "sample_rate"):
            if name in self.sent_fields and name in self.model_fields_set:
                raise KeyedError(name, getattr(self, name), "is in the preamble too; remove one of them")
        self._check_times()
        if self.y_increment == 0.0:
            raise KeyedError("y_increment", self.y_increment, "must not be zero")
        if ("format" in self.sent_fields) != bool(self.formats):
            raise KeyedError("formats", self.formats, "belongs to a field `format` of the preamble, and one needs it")
        return self

    @property
    def sent_fields(self) -> frozenset[str]:
        """The names of the fields that the instrument sends."""
        return frozenset(self.preamble) | frozenset(self.descriptor)

    def _check_times(self) -> None:
        given = self.sent_fields | self.model_fields_set
        if not self.pairs:
            if len({"x_increment", "sample_rate"} & given) != 1:
                raise BadInput(
                    "needs x_increment, the seconds from sample to sample, or sample_rate, and only one of them, "
                    "among the preamble's fields or fixed"
                )
            return
        if self.codes != "ascii":
            raise KeyedError("pairs", True, 'belongs to samples in text; set codes = "ascii"')
        for name in ("x_increment", "x_origin", "x_reference", "sample_rate"):
            if name in given:
                raise KeyedError(name, getattr(self, name), "cannot be combined with pairs, which hold their times")

    def read_preamble(self, reply: bytes) -> Preamble:
        """Return the preamble in a reply in text. Raises `BadReply` where it is not plausible."""
        fields = read_fields(reply, self.preamble, self.separator)
        numbers = {name: field_value(name, field) for name, field in fields.items() if name != "format"}
        return self._preamble(numbers, fields.get("format"), f'the preamble "{shown(reply)}"')

    def read_descriptor(self, block: bytes) -> Preamble:
        """Return the preamble that a binary descriptor holds. Raises `BadReply` where it is not plausible."""
        numbers = read_places(block, self.descriptor)
        return self._preamble(numbers, numbers.get("format"), "a descriptor")

    def _preamble(self, numbers: Mapping[str, float], coded: str | float | None, what: str) -> Preamble:
        scale = {name: float(getattr(self, name) or 0.0) for name in _SCALES}
        scale |= {name: value for name, value in numbers.items() if name in _SCALES}
        rate = numbers.get("sample_rate", self.sample_rate)
        if rate is not None:
            scale["x_increment"] = 1.0 / rate if rate > 0.0 else 0.0
        if not (self.pairs or 0.0 < scale["x_increment"] <= 1000.0) or scale["y_increment"] == 0.0:
            raise BadReply(f"answered {what}, whose increments are impossible; check the order")
        points = whole_number("points", numbers["points"]) if "points" in numbers else None
        codes = self.codes if coded is None else self.formats[format_name(coded, self.formats)]
        return Preamble(scale, codes, points)

    def read_samples(self, data: bytes, preamble: Preamble) -> tuple[Floats, Floats, bool]:
        """Return times (n,) in seconds, values (n,), and whether a sample is beyond the range.

        Raises `BadReply` where `data` is no wave.
        """
        codes = _texts(data) if preamble.codes == "ascii" else self._binary(data, preamble.codes)
        given: Floats | None = None
        if self.pairs:
            if len(codes) % 2:
                raise BadReply(f"sends {len(codes)} numbers, which are no pairs of a time and a value")
            given, codes = codes[::2], codes[1::2]
        elif preamble.codes == "ascii" and (_are_rows_of_two(data) or _are_pairs(codes)):
            raise BadReply("sends pairs of a time and a value; set pairs = true among waves")
        count = len(codes)
        if preamble.points is not None and count != preamble.points:
            raise BadReply(f"sends {count} samples where its preamble announces {preamble.points}")
        if not 2 <= count <= MOST_SAMPLES:
            raise BadReply(f"sends a wave of {count} samples; there must be 2 to {MOST_SAMPLES}")
        with np.errstate(over="ignore", invalid="ignore"):
            beyond = bool(np.any(np.isin(codes, self.overload)) or np.any(np.abs(codes) >= _OVERRANGE_FROM))
            scale = preamble.scale
            values = (codes - scale["y_reference"]) * scale["y_increment"] + scale["y_origin"]
            samples = np.arange(count, dtype=np.float64) - scale["x_reference"]
            times = scale["x_origin"] + samples * scale["x_increment"] if given is None else given
        rises = bool(np.all(np.diff(times) > 0.0))
        if not rises or not (beyond or (np.all(np.isfinite(values)) and np.abs(values).max() < _OVERRANGE_FROM)):
            raise BadReply("sends a wave whose times do not rise or whose samples are no numbers; check the preamble")
        return times, values, beyond

    def _binary(self, data: bytes, codes: Codes) -> Floats:
        kind = np.dtype(codes).newbyteorder(">" if self.byte_order == "big" else "<")
        if len(data) % kind.itemsize:
            raise BadReply(f"sends {len(data)} bytes, which are no whole number of samples of {kind.itemsize} bytes")
        return np.frombuffer(data, kind).astype(np.float64)


def _are_rows_of_two(data: bytes) -> bool:
    rows = _BETWEEN.split(data.strip(b" \t\r\n,;"))
    return len(rows) > 1 and all(row.count(b",") == 1 for row in rows)


def _are_pairs(codes: Floats) -> bool:
    """Return whether every second number rises in even steps and those between do not lie on the same line.

    No measured wave does that; a ramp, of which every second sample does, has the others on its line.
    """
    if len(codes) < 6 or len(codes) % 2:
        return False
    with np.errstate(over="ignore", invalid="ignore"):
        times, values = codes[::2], codes[1::2]
        steps = np.diff(times)
        step = float(steps.mean())
        evenly = 0.0 < step < math.inf and bool(np.all(np.abs(steps - step) < 0.01 * step))
        return evenly and not np.all(np.abs(values - times - step / 2) < step)


def _texts(data: bytes) -> Floats:
    """Return samples in text, separated by commas, shape (n,)."""
    plain = _HEADER_WORD.sub(b"", data, count=1).strip(b" \t\r\n,;")
    fields = _BETWEEN.sub(b",", plain).split(b",", 2 * MOST_SAMPLES + 1)
    wrong = _NOT_ASCII.search(plain)
    try:
        if wrong is not None:
            raise ValueError
        return np.array([float(field) for field in fields])
    except ValueError as problem:
        at = wrong.start() if wrong is not None else 0
        raise BadReply(f'answered "{shown(plain[at : at + 60])}" among samples, which must be numbers') from problem
