"""Field types of the bench file: text with units in, SI numbers out."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from benchmon import quantities as q
from benchmon.errors import BadInput


class KeyedError(BadInput):
    """An error at one key of a section, for validators of the whole section."""

    def __init__(self, key: str, value: object, reason: str) -> None:
        super().__init__(reason)
        self.key, self.value, self.reason = key, value, reason


def _reader(kind: q.Kind) -> BeforeValidator:
    def read(value: Any) -> float:
        return q.parse_value(value, kind)

    return BeforeValidator(read)


Volts = Annotated[float, _reader(q.VOLTAGE)]
Amperes = Annotated[float, _reader(q.CURRENT)]
Ohms = Annotated[float, _reader(q.RESISTANCE)]
Farads = Annotated[float, _reader(q.CAPACITANCE)]
Henries = Annotated[float, _reader(q.INDUCTANCE)]
Watts = Annotated[float, _reader(q.POWER)]
VoltAmperes = Annotated[float, _reader(q.APPARENT_POWER)]
Hertz = Annotated[float, _reader(q.FREQUENCY)]
Seconds = Annotated[float, _reader(q.DURATION)]
Celsius = Annotated[float, _reader(q.TEMPERATURE), Field(ge=-273.15, le=2000)]
Fraction = Annotated[float, _reader(q.FRACTION)]
MeltingI2t = Annotated[float, _reader(q.MELTING)]
KelvinPerWatt = Annotated[float, _reader(q.THERMAL_RESISTANCE)]
WattsPerKelvin = Annotated[float, _reader(q.DISSIPATION_FACTOR)]
Beta = Annotated[float, _reader(q.BETA)]
PerKelvin = Annotated[float, _reader(q.TEMPERATURE_COEFFICIENT)]
Number = Annotated[float, _reader(q.NUMBER)]


@dataclass(frozen=True)
class Accuracy:
    """A meter's accuracy: `relative` × |reading| + `absolute` (in the channel's unit), as an expanded uncertainty."""

    relative: float = 0.0
    absolute: float = 0.0

    def of(self, value: float) -> float:
        """Return the expanded uncertainty (k = 2) of a reading of `value`."""
        return self.relative * abs(value) + self.absolute


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
