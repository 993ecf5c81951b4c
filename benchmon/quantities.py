"""The vocabulary of what can be measured, and values with units as people write them.

A quantity is `point.what.how`, for instance `output.voltage.rms`. The same words stand in bench files, sessions,
on the screen and in code.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

from quantiphy import InvalidNumber
from quantiphy import Quantity as Scaled

from benchmon.errors import BadInput
from benchmon.text import one_line, with_minus

_FIRST: dict[str, dict[str, str]] = {
    "mains": {
        "voltage.rms": "V",
        "voltage.thd": "",
        "voltage.crest_factor": "",
        "current.rms": "A",
        "current.peak": "A",
        "current.crest_factor": "",
        "current.thd": "",
        "power.active": "W",
        "power.apparent": "VA",
        "power_factor": "",
        "displacement_factor": "",
        "frequency": "Hz",
    },
    "secondary": {"voltage.rms": "V", "current.rms": "A", "current.peak": "A"},
    "diode": {
        "current.mean": "A",
        "current.rms": "A",
        "current.peak": "A",
        "voltage.reverse_peak": "V",
        "power.mean": "W",
        "temperature.junction": "°C",
        "temperature.case": "°C",
    },
    "reservoir": {
        "voltage.mean": "V",
        "voltage.ripple": "V",
        "voltage.peak": "V",
        "voltage.valley": "V",
        "current.rms": "A",
        "temperature.case": "°C",
    },
    "regulator": {
        "voltage.headroom": "V",
        "power.mean": "W",
        "temperature.junction": "°C",
        "temperature.case": "°C",
    },
    "output": {
        "voltage.rms": "V",
        "voltage.mean": "V",
        "voltage.ac_rms": "V",
        "voltage.peak": "V",
        "voltage.valley": "V",
        "voltage.ripple": "V",
        "voltage.frequency": "Hz",
        "voltage.form_factor": "",
        "voltage.ripple_factor": "",
        "current.rms": "A",
        "current.mean": "A",
        "power.mean": "W",
    },
    "transformer": {"temperature": "°C"},
    "load": {"temperature": "°C", "power.mean": "W"},
    "ntc": {"temperature": "°C"},
    "ambient": {"temperature": "°C"},
}

_SECOND = ("reservoir", "regulator", "output", "load")
"""The points that a supply of two outputs has twice."""

_VOCABULARY: dict[str, dict[str, str]] = {}
for _point, _whats in _FIRST.items():
    _VOCABULARY[_point] = _whats
    if _point == "output":
        _VOCABULARY |= {f"{_one}_2": _FIRST[_one] for _one in _SECOND[:3]}
    elif _point == "load":
        _VOCABULARY["load_2"] = _whats

POINTS: tuple[str, ...] = tuple(_VOCABULARY)
"""The points of the circuit, in the order a screen or a report lists them."""

UNITS: dict[str, str] = {
    f"{point}.{what}": unit for point, whats in _VOCABULARY.items() for what, unit in whats.items()
}
"""Every quantity's name, in the order of the vocabulary, and its unit ("" where it has none)."""


def at_first_output(quantity: str) -> str:
    """Return the name that a quantity of the second output has at the first; others keep theirs.

    >>> at_first_output("output_2.voltage.mean"), at_first_output("mains.frequency")
    ('output.voltage.mean', 'mains.frequency')
    """
    point, dot, what = quantity.partition(".")
    return point.removesuffix("_2") + dot + what


def at_second_output(quantity: str) -> str | None:
    """Return the name that a quantity of the first output has at the second, None where it belongs to the whole supply.

    >>> at_second_output("load.power.mean"), at_second_output("diode.power.mean")
    ('load_2.power.mean', None)
    """
    point, dot, what = quantity.partition(".")
    return f"{point}_2{dot}{what}" if point in _SECOND else None


REGULATOR_TEMPERATURES = ("regulator.temperature.junction", "regulator.temperature.case")


def is_temperature(quantity: str) -> bool:
    """Return whether `quantity` is a temperature."""
    return UNITS.get(quantity) == "°C"


@dataclass(frozen=True)
class Accuracy:
    """A meter's accuracy: `relative` × |reading| + `absolute` (in the channel's unit), as an expanded uncertainty."""

    relative: float = 0.0
    absolute: float = 0.0

    def of(self, value: float) -> float:
        """Return the expanded uncertainty (k = 2) of a reading of `value`."""
        return self.relative * abs(value) + self.absolute


@dataclass(frozen=True)
class Kind:
    """A kind of value: its SI unit, other spellings, and other units with their factor.

    `prefixes` says whether SI prefixes may stand before the unit's spellings.
    """

    name: str
    unit: str
    spellings: tuple[str, ...] = ()
    others: tuple[tuple[str, float], ...] = ()
    prefixes: bool = True


_OHMS = ("Ω", "\u2126", "ohm", "Ohm", "ohms", "Ohms")
"""The Greek letter and the sign that looks like it."""
_CELSIUS = ("°C", "degC", "℃")
_PER_KELVIN = ("/K", "/°C", "/degC")

VOLTAGE = Kind("a voltage", "V")
CURRENT = Kind("a current", "A")
RESISTANCE = Kind("a resistance", "Ω", _OHMS)
CAPACITANCE = Kind("a capacitance", "F")
INDUCTANCE = Kind("an inductance", "H")
POWER = Kind("a power", "W")
APPARENT_POWER = Kind("an apparent power", "VA")
FREQUENCY = Kind("a frequency", "Hz")
DURATION = Kind("a duration", "s", ("s",), (("min", 60.0), ("h", 3600.0)))
TEMPERATURE = Kind("a temperature", "°C", _CELSIUS, prefixes=False)
MELTING = Kind("a melting I²t", "A²s", ("A²s", "A2s", "A^2s", "A²·s"))
THERMAL_RESISTANCE = Kind("a thermal resistance", "K/W", ("K/W", "°C/W", "degC/W"))
DISSIPATION_FACTOR = Kind("a dissipation factor", "W/K", tuple("W" + per for per in _PER_KELVIN))
TEMPERATURE_RISE = Kind("a temperature rise", "K", prefixes=False)
BETA = Kind("a β value", "K", others=(("K", 1.0),), prefixes=False)
ANGLE = Kind("an angle", "°", ("deg",), (("rad", 180.0 / math.pi),), prefixes=False)
FRACTION = Kind("a fraction", "", others=(("%", 0.01), ("ppm", 1e-6)), prefixes=False)
TEMPERATURE_COEFFICIENT = Kind(
    "a temperature coefficient",
    "1/K",
    others=tuple(
        (unit + per, factor) for unit, factor in (("%", 0.01), ("ppm", 1e-6), ("1", 1.0)) for per in _PER_KELVIN
    ),
    prefixes=False,
)
NUMBER = Kind("a number", "", prefixes=False)
ATTENUATION = Kind("an attenuation", "dB", prefixes=False)

KINDS_BY_UNIT: dict[str, Kind] = {
    "V": VOLTAGE,
    "A": CURRENT,
    "W": POWER,
    "VA": APPARENT_POWER,
    "Hz": FREQUENCY,
    "°C": TEMPERATURE,
    "Ω": RESISTANCE,
    "": FRACTION,
}

OVERRANGE_FROM = 1e15
"""A number from here on is no amount of anything, but a meter's code for what is over its range."""
_ABSOLUTE_ZERO = -273.15
_SANE = {"V": 1e5, "A": 1e5, "W": 1e8, "VA": 1e8, "Hz": 1e8, "°C": 1e4, "Ω": 1e12, "": 1e6}
"""The largest amount of a reading in each unit that any meter beside a mains supply can show, with room above it."""


def is_sane(value: float, unit: str) -> bool:
    """Return whether a finite `value` in `unit` can be a reading at all; what cannot is noise or a code of the meter.

    >>> is_sane(325.0, "V"), is_sane(1e9, "V"), is_sane(-300.0, "°C")
    (True, False, False)
    """
    return abs(value) <= _SANE.get(unit, OVERRANGE_FROM) and (unit != "°C" or value >= _ABSOLUTE_ZERO)


_NUMBER = re.compile(r"([+\-−]?(?:\d+\.?\d*|\.\d+)(?:[eE][+\-−]?\d+)?)\s*(.*)", re.DOTALL)
_LONGEST_TEXT = 100


def parse_value(value: object, kind: Kind) -> float:
    """Return `value` in the SI unit of `kind` (temperatures in °C).

    `value` is text with a unit (`"4.7 mF"`) or a number in SI. Raises `BadInput` with the reason where the unit is
    missing or of another kind, or the number is none, not finite or absurd (beyond 1e15).
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise BadInput(f"must be {kind.name}, such as {example(kind)}")
    try:
        number = float(value) if isinstance(value, int | float) else _parse_text(value.strip(), kind)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number) or abs(number) > OVERRANGE_FROM:
        raise BadInput(f"is not a usable number; give {kind.name}, such as {example(kind)}")
    return number


def _parse_text(text: str, kind: Kind) -> float:
    if len(text) > _LONGEST_TEXT:
        raise BadInput(f"is far too long for {kind.name}; write it like {example(kind)}")
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise BadInput(f"is not {kind.name}; write it like {example(kind)}")
    digits, unit = match[1].replace("−", "-"), match[2].strip()
    if unit.startswith(","):
        raise BadInput(f"has a decimal comma; use a point, like {example(kind)}")
    return _in_si(digits, unit, kind) if math.isfinite(float(digits)) else math.inf


def _in_si(digits: str, unit: str, kind: Kind) -> float:
    others = dict(kind.others)
    if unit in others:
        return float(digits) * others[unit]
    if not unit and not kind.unit:
        return float(digits)
    if not unit:
        raise BadInput(f"has no unit; write it like {example(kind)}")
    spellings = (kind.unit, *kind.spellings) if kind.unit else ()
    if unit in spellings:
        return float(digits)
    if kind.prefixes:
        # The library takes an exponent or a prefix, not both.
        plain, *exponent = digits.lower().split("e")
        try:
            scaled = Scaled(f"{plain} {unit}")
        except InvalidNumber:
            scaled = None
        if scaled is not None and scaled.units in spellings:
            return float(scaled) * 10.0 ** int(exponent[0]) if exponent else float(scaled)
    raise BadInput(f"has the unit {one_line(unit, 20)!r}, which is not {kind.name}; write it like {example(kind)}")


PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
"""The SI prefixes that values are shown with, by their powers of ten."""


@dataclass(frozen=True, slots=True)
class Expected:
    """An expected value and its expanded uncertainty (k = 2), both in `unit`.

    Where readings do not spread evenly, `low` and `high` are the limits of 95 % of them, and the uncertainty is the
    distance to the farther one. It stands beside the quantities' names, since code that stores or shows it must not
    load the prediction.
    """

    value: float
    uncertainty: float
    unit: str
    low: float | None = None
    high: float | None = None

    @property
    def reaches(self) -> tuple[float, float]:
        """How far below and above the value 95 % of the readings lie."""
        below = self.uncertainty if self.low is None else self.value - self.low
        above = self.uncertainty if self.high is None else self.high - self.value
        return below, above


def example(kind: Kind) -> str:
    """Return a value of `kind` as a bench file would write it, in quotes."""
    if kind is FRACTION:
        return '"5 %"'
    if kind is NUMBER:
        return '"0.5"'
    if kind is TEMPERATURE_COEFFICIENT:
        return '"100 ppm/K"'
    if kind is ANGLE:
        return '"180°"'
    if kind in (BETA, TEMPERATURE):
        return f'"{3950 if kind is BETA else 25} {kind.unit}"'
    return f'"{f"1.5 {kind.unit}".rstrip()}"'


class _Shown(Scaled):
    """A quantity to be shown: its prefixes are those of SI, with µ for a millionth."""


_Shown.set_prefs(map_sf={"u": "µ"})


@lru_cache(maxsize=1024)
def format_value(value: float | None, unit: str, digits: int = 4) -> str:
    """Return `value` with `unit` and an SI prefix, `digits` significant digits: `756 mA`, `22.14 V`, `0.642`."""
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return f"over range {unit}".rstrip()
    if unit == "°C":
        return with_minus(f"{value:.1f} °C")
    if unit == "":
        whole = math.floor(math.log10(abs(value))) if value else 0
        return with_minus(f"{value:.{min(max(digits - 1 - whole, 0), 6)}f}")
    return with_minus(_Shown(value, unit).render(prec=digits - 1, strip_zeros=False))
