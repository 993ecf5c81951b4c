"""The format of an instrument's waves: the fields of the preamble, and the codes of the samples."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final, Literal, get_args

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, StrictBool, model_validator

from benchmon.bench.fields import KeyedError, Number
from benchmon.errors import BadInput, BadReply
from benchmon.instruments.types import MOST_SAMPLES
from benchmon.signals.arrays import Floats
from benchmon_drivers.number_parsing import plain_number, shown

Codes = Literal["int8", "uint8", "int16", "uint16", "int32", "uint32", "float32", "float64", "ascii"]
Scale = Literal["x_increment", "x_origin", "x_reference", "y_increment", "y_origin", "y_reference"]
PreambleField = Literal[Scale, "points", "format", "-"]

_SCALES: Final = get_args(Scale)
_OVERRANGE_FROM = 9.9e37
"""A sample from here on is an overload or "not a number" (SCPI-1999 volume 1, 7.2.1)."""
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
        "that does not matter.",
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
        told = [name for name in self.preamble if name != "-"]
        twice = sorted({name for name in told if told.count(name) > 1})
        if twice:
            raise KeyedError("preamble", twice[0], "is there twice; write - for a field that does not matter")
        for name in _SCALES:
            if name in self.preamble and name in self.model_fields_set:
                raise KeyedError(name, getattr(self, name), "is in the preamble too; remove one of them")
        self._check_pairs()
        if self.x_increment is None and "x_increment" not in self.preamble and not self.pairs:
            raise BadInput("needs x_increment, the seconds from sample to sample, among the preamble's fields or fixed")
        if self.y_increment == 0.0:
            raise KeyedError("y_increment", self.y_increment, "must not be zero")
        if ("format" in self.preamble) != bool(self.formats):
            raise KeyedError("formats", self.formats, "belongs to a field `format` of the preamble, and one needs it")
        return self

    def _check_pairs(self) -> None:
        if not self.pairs:
            return
        if self.codes != "ascii":
            raise KeyedError("pairs", True, 'belongs to samples in text; set codes = "ascii"')
        for name in ("x_increment", "x_origin", "x_reference"):
            if name in self.preamble or name in self.model_fields_set:
                raise KeyedError(name, getattr(self, name), "cannot be combined with pairs, which hold their times")

    def read_preamble(self, reply: bytes) -> Preamble:
        """Return the preamble in a reply. Raises `BadReply` where it is not plausible."""
        fields = reply.strip().split(b",") if self.preamble else []
        if len(fields) < len(self.preamble):
            raise BadReply(
                f'answered the preamble "{shown(reply)}": {len(fields)} fields where {len(self.preamble)} are wanted'
            )
        told = {name: field.strip() for name, field in zip(self.preamble, fields, strict=False) if name != "-"}
        scale = {name: float(getattr(self, name) or 0.0) for name in _SCALES}
        scale |= {name: _number(name, field) for name, field in told.items() if name in _SCALES}
        if not (self.pairs or 0.0 < scale["x_increment"] <= 1000.0) or scale["y_increment"] == 0.0:
            raise BadReply(f'answered the preamble "{shown(reply)}", whose increments are impossible; check the order')
        points = _points(told["points"]) if "points" in told else None
        return Preamble(scale, self._codes_of(told.get("format")), points)

    def _codes_of(self, said: bytes | None) -> Codes:
        if said is None:
            return self.codes
        codes = self.formats.get(said.decode("latin-1").strip('"'))
        if codes is None:
            raise BadReply(f'answered the format "{shown(said)}", which is none of {", ".join(self.formats)}')
        return codes

    def read_samples(self, data: bytes, preamble: Preamble) -> tuple[Floats, Floats, bool]:
        """Return times (n,) in seconds, values (n,), and whether a sample is beyond the range.

        Raises `BadReply` where `data` is no wave.
        """
        codes = _texts(data) if preamble.codes == "ascii" else self._binary(data, preamble.codes)
        told: Floats | None = None
        if self.pairs:
            if len(codes) % 2:
                raise BadReply(f"sends {len(codes)} numbers, which are no pairs of a time and a value")
            told, codes = codes[::2], codes[1::2]
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
            times = scale["x_origin"] + samples * scale["x_increment"] if told is None else told
        rises = bool(np.all(np.diff(times) > 0.0))
        if not rises or not (beyond or (np.all(np.isfinite(values)) and np.abs(values).max() < _OVERRANGE_FROM)):
            raise BadReply("sends a wave whose times do not rise or whose samples are no numbers; check the preamble")
        return times, values, beyond

    def _binary(self, data: bytes, codes: Codes) -> Floats:
        kind = np.dtype(codes).newbyteorder(">" if self.byte_order == "big" else "<")
        if len(data) % kind.itemsize:
            raise BadReply(f"sends {len(data)} bytes, which are no whole number of samples of {kind.itemsize} bytes")
        return np.frombuffer(data, kind).astype(np.float64)


def _number(name: str, field: bytes) -> float:
    value = plain_number(field.decode("latin-1"))
    if value is None or abs(value) >= _OVERRANGE_FROM:
        raise BadReply(f'answered "{shown(field)}" for {name} of the preamble, which is no number; check the order')
    return value


def _points(field: bytes) -> int:
    points = _number("points", field)
    if points != int(points):
        raise BadReply(f'answered "{shown(field)}" for the points of the preamble; check the order')
    return int(points)


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
