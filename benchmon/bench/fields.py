"""Field types of the bench file: text with units in, SI numbers out. Each carries its `Kind`, which holds the unit."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Any, get_args, get_origin

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic.fields import FieldInfo

from benchmon import quantities as q
from benchmon.errors import BadInput
from benchmon.quantities import Accuracy
from benchmon.text import one_line


class Section(BaseModel):
    """A section of the bench file: frozen, without unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, defer_build=True)


class KeyedError(BadInput):
    """An error at one key of a section, for validators of the whole section."""

    def __init__(self, key: str, value: object, reason: str) -> None:
        super().__init__(reason)
        self.key, self.value, self.reason = key, value, reason


def _reader(kind: q.Kind) -> BeforeValidator:
    def read(value: Any) -> float:
        return q.parse_value(value, kind)

    return BeforeValidator(read)


Volts = Annotated[float, _reader(q.VOLTAGE), q.VOLTAGE]
Amperes = Annotated[float, _reader(q.CURRENT), q.CURRENT]
Ohms = Annotated[float, _reader(q.RESISTANCE), q.RESISTANCE]
Farads = Annotated[float, _reader(q.CAPACITANCE), q.CAPACITANCE]
Henries = Annotated[float, _reader(q.INDUCTANCE), q.INDUCTANCE]
Watts = Annotated[float, _reader(q.POWER), q.POWER]
VoltAmperes = Annotated[float, _reader(q.APPARENT_POWER), q.APPARENT_POWER]
Decibels = Annotated[float, _reader(q.ATTENUATION), q.ATTENUATION]
Hertz = Annotated[float, _reader(q.FREQUENCY), q.FREQUENCY]
Seconds = Annotated[float, _reader(q.DURATION), q.DURATION]
Celsius = Annotated[float, _reader(q.TEMPERATURE), q.TEMPERATURE, Field(ge=-273.15, le=2000)]
Kelvins = Annotated[float, _reader(q.TEMPERATURE_RISE), q.TEMPERATURE_RISE]
Degrees = Annotated[float, _reader(q.ANGLE), q.ANGLE]
Fraction = Annotated[float, _reader(q.FRACTION), q.FRACTION]
MeltingI2t = Annotated[float, _reader(q.MELTING), q.MELTING]
KelvinPerWatt = Annotated[float, _reader(q.THERMAL_RESISTANCE), q.THERMAL_RESISTANCE]
WattsPerKelvin = Annotated[float, _reader(q.DISSIPATION_FACTOR), q.DISSIPATION_FACTOR]
Beta = Annotated[float, _reader(q.BETA), q.BETA]
PerKelvin = Annotated[float, _reader(q.TEMPERATURE_COEFFICIENT), q.TEMPERATURE_COEFFICIENT]
Number = Annotated[float, _reader(q.NUMBER), q.NUMBER]

_LONGEST_LINE = 200


def _read_line(value: Any) -> str:
    if not isinstance(value, str) or value != one_line(value, _LONGEST_LINE):
        raise BadInput(f"must be a printable string of at most {_LONGEST_LINE} characters")
    return value


OneLine = Annotated[str, BeforeValidator(_read_line)]
"""Text that stands in one line of a screen or report."""


def _not_zero(value: float) -> float:
    if value == 0:
        raise BadInput("must not be 0")
    return value


Factor = Annotated[Number, AfterValidator(_not_zero)]
"""A number by which what an instrument sends is multiplied; 0 would make every reading 0."""


def parse_accuracy(text: object, unit: str) -> Accuracy:
    """Return the accuracy written as `0.5 % + 20 mV`; the absolute part is a quantity in `unit`.

    Raises `BadInput` with the reason.
    """
    if not isinstance(text, str):
        raise BadInput('must be text such as "0.5 % + 20 mV"')
    relative = absolute = 0.0
    kind = q.KINDS_BY_UNIT[unit]
    for part in re.split(r"\s*\+\s*(?=[\d.])", text.strip().removeprefix("±").strip()):
        if part.endswith(("%", "ppm")):
            relative += q.parse_value(part, q.FRACTION)
        elif unit == "°C" and part.endswith(" K"):
            absolute += q.parse_value(part, q.BETA)
        else:
            absolute += q.parse_value(part, kind)
    if relative < 0 or absolute < 0 or relative + absolute == 0:
        raise BadInput("must be above zero; a meter without uncertainty cannot be judged")
    return Accuracy(relative, absolute)


def field_of(model: type[BaseModel], key: str) -> FieldInfo:
    """Return the field of `model` that a bench file spells `key`. Raises `KeyError` where there is none."""
    for name, field in model.model_fields.items():
        if key == (field.alias or name):
            return field
    raise KeyError(key)


def kind_of(field: FieldInfo) -> q.Kind | None:
    """Return the kind of value that a field takes, None where it is text, a choice, a list or the like."""
    return next((found for found in _beside_the_type(field) if isinstance(found, q.Kind)), None)


def why_not(field: FieldInfo, value: float) -> str:
    """Return why the limits of a field do not allow `value` (SI), "" where they do.

    >>> why_not(Field(gt=0, le=5), 7.0)
    'must be at most 5'
    """
    for found in _beside_the_type(field):
        for name, words, holds in _LIMITS:
            limit = getattr(found, name, None)
            if limit is not None and not holds(value, limit):
                return f"must be {words} {limit:g}"
    return ""


_LIMITS = (
    ("gt", "above", float.__gt__),
    ("ge", "at least", float.__ge__),
    ("lt", "below", float.__lt__),
    ("le", "at most", float.__le__),
)


def _beside_the_type(field: FieldInfo) -> Iterator[object]:
    """Give what is annotated beside the type of a field, also where that may be None."""
    yield from field.metadata
    for part in get_args(field.annotation):
        if get_origin(part) is Annotated:
            for found in get_args(part)[1:]:
                yield from found.metadata if isinstance(found, FieldInfo) else [found]
