"""Units as meters write them: suffixes of IEEE 488.2 in any case, words of displays such as `VDC`, °F and kelvin.

IEEE 488.2-1992, 7.7.3 (suffix program data): a suffix may be in upper or lower case; `M` is a thousandth, except in
`MHZ` and `MOHM`, where it is a million. Where the case of the other letters is that of SI, and the
prefix means something else there, the unit is refused: a number that may be nine decades off is no reading.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from benchmon.errors import BadInput, BadReply
from benchmon.quantities import KINDS_BY_UNIT, parse_value
from benchmon.text import one_line


@dataclass(frozen=True, slots=True)
class Conversion:
    """A number times `factor` plus `offset` is the value in the unit wanted."""

    factor: float = 1.0
    offset: float = 0.0

    def __call__(self, number: float) -> float:
        """Return the converted number."""
        return number * self.factor + self.offset


_IDENTICAL = Conversion()
_KELVIN = Conversion(1.0, -273.15)
_FAHRENHEIT = Conversion(5.0 / 9.0, -160.0 / 9.0)
_TEMPERATURES = {
    name: conversion
    for names, conversion in (
        (("C", "°C", "CEL", "DEGC", "DEG C", "CELSIUS"), _IDENTICAL),
        (("F", "°F", "FAR", "DEGF", "DEG F", "FAHRENHEIT"), _FAHRENHEIT),
        (("K", "°K", "KEL", "KELVIN"), _KELVIN),
    )
    for name in names
}
_FRACTIONS = {"%": Conversion(0.01), "PCT": Conversion(0.01), "PPM": Conversion(1e-6)}
_PREFIXES = {"": 1.0, "P": 1e-12, "N": 1e-9, "U": 1e-6, "M": 1e-3, "K": 1e3, "MEG": 1e6, "G": 1e9}
_MEGA = ("HZ", "HERTZ", "OHM", "OHMS")
"""Units before which `M` is a million, and `MA` as well."""
_NAMES = {
    "V": r"V|VOLTS?",
    "A": r"A|AMPS?|AMPERES?",
    "W": r"W|WATTS?",
    "VA": r"VA",
    "Hz": r"HZ|HERTZ",
    "Ω": r"OHMS?",
}
_DETECTOR = r"(?:\s?(?:DC|AC|RMS|TRMS|ACDC|AC\+DC|AC RMS|DC RMS))?"
_PATTERNS = {
    unit: re.compile(rf"(P|N|U|MEG|MA|M|K|G|)\s?({names}){_DETECTOR if unit in ('V', 'A') else ''}")
    for unit, names in _NAMES.items()
}


@lru_cache(maxsize=500)
def conversion_of(unit: str, wanted: str) -> Conversion | None:
    """Return how a number with the `unit` of a reply becomes one in `wanted`, an SI unit of a reading.

    None where `unit` is none of that kind, or may mean two things.

    >>> [conversion_of(unit, "V").factor for unit in ("MV", "VDC", "mV rms")], conversion_of("A", "V")
    ([0.001, 1.0, 0.001], None)
    """
    spelt = " ".join(unit.replace("℃", "°C").replace("µ", "u").replace("μ", "u").replace("\u2126", "Ω").split())
    upper = spelt.upper()
    if wanted == "°C":
        return _TEMPERATURES.get(upper.replace("° ", "°"))
    if not wanted:
        return _FRACTIONS.get(upper)
    if "Ω" in spelt:
        # The letter is not of IEEE 488.2, so the prefix before it is that of SI.
        return _in_si(spelt, wanted)
    match = _PATTERNS[wanted].fullmatch(upper)
    if match is None or _is_ambiguous(spelt, wanted):
        return None
    prefix, name = match[1], match[2]
    is_mega = name in _MEGA
    if prefix == "MA":
        return Conversion(1e6) if is_mega else None
    return Conversion(1e6 if is_mega and prefix == "M" else _PREFIXES[prefix])


def convert(number: float, unit: str, wanted: str) -> float:
    """Return `number` with the `unit` of a reply in the SI unit `wanted`.

    Raises `BadReply` where the unit is of another kind, or unknown.
    """
    conversion = conversion_of(unit, wanted)
    if conversion is not None:
        return conversion(number)
    kind, shown = KINDS_BY_UNIT[wanted], one_line(unit.strip(), 20)
    where = f'answered in "{shown}" where {kind.name} in {wanted or "1"} is wanted'
    if any(conversion_of(unit, other) for other in KINDS_BY_UNIT):
        raise BadReply(f"{where}; check the meter's function, or set the channel's unit")
    if any(_is_ambiguous(unit.strip(), other) for other in KINDS_BY_UNIT):
        raise BadReply(f"{where}, which may be a thousandth or a million; leave the unit out by a pattern, set factor")
    raise BadReply(f"{where}, and that unit is not known; leave it out by a pattern, and set factor")


@lru_cache(maxsize=500)
def unit_of_reply(unit: str) -> tuple[str, Conversion]:
    """Return the SI unit behind the key `unit` of a bench file, such as "V" for "mV", and the conversion to it.

    A bench file is written in SI, so case matters there. Raises `BadInput` where it is no unit of a reading.
    """
    if unit in KINDS_BY_UNIT:
        return unit, _IDENTICAL
    if unit in ("°F", "K"):
        return "°C", _TEMPERATURES[unit]
    for wanted, kind in KINDS_BY_UNIT.items():
        try:
            return wanted, Conversion(parse_value(f"1 {unit}", kind))
        except BadInput:
            continue
    known = ", ".join(filter(None, KINDS_BY_UNIT))
    raise BadInput(f'is no unit of a reading; units are {known}, with a prefix such as "mV", and °F, K, %')


def _is_ambiguous(spelt: str, wanted: str) -> bool:
    """Return whether the case of the other letters is that of SI, but a prefix `m` or `M` not what IEEE 488.2 reads."""
    if wanted in ("Hz", "Ω"):
        return re.fullmatch(r"m\s?(?:Hz|Hertz|Ohms?)", spelt) is not None
    return (
        bool(wanted)
        and re.fullmatch(r"M\s?(?:(?:V|A|VA)\s?[a-z]{2,5}|(?:Vol|[Aa]m|Wat|vol|wat)[a-z]+)", spelt) is not None
    )


def _in_si(spelt: str, wanted: str) -> Conversion | None:
    try:
        return Conversion(parse_value(f"1 {spelt}", KINDS_BY_UNIT[wanted]))
    except BadInput:
        return None
