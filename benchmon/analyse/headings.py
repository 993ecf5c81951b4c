"""What the heading of a column says: its name, its unit, and by what its numbers become SI."""

from __future__ import annotations

import re
from dataclasses import dataclass

from quantiphy import InvalidNumber
from quantiphy import Quantity as Scaled

from benchmon.text import one_line

_BASES = {
    "s": ("s", "sec", "secs", "second", "seconds"),
    "V": ("V", "volt", "volts"),
    "A": ("A", "amp", "amps", "ampere", "amperes"),
    "W": ("W", "watt", "watts"),
    "": ("%",),
}
_SPELLED = {"milli": 1e-3, "micro": 1e-6, "kilo": 1e3}
_UNIT_OF = {word.lower(): unit for unit, words in _BASES.items() for word in words}
_PREFIXED = ("s", "V", "A", "W")
_PER_CENT = 0.01

_BRACKETED = re.compile(r"(.*?)\s*[\[(]\s*([^\[\]()]*?)\s*[\])]\s*(.*)")
_TAILED = re.compile(r"(.*\S)\s*(?:\s*/\s*|\s+in\s+|_|,\s*)([^\s_]{1,8})")
_TIME_NAMES = ("time", "t", "zeit", "temps", "x", "x-axis", "timestamp")
_NUMBERING = ("index", "sample", "samples", "point", "points", "no", "no.", "nr", "nr.", "n", "#")


@dataclass(frozen=True, slots=True)
class Heading:
    """A column's name, the SI unit of its values ("" where it says none), and what its numbers are multiplied by."""

    name: str
    unit: str = ""
    factor: float = 1.0

    @property
    def tells_time(self) -> bool:
        """Whether the column holds times: by its unit, or by its name."""
        return self.unit == "s" or (not self.unit and self.name.lower() in _TIME_NAMES)

    @property
    def numbers_samples(self) -> bool:
        """Whether the column only counts the samples."""
        return not self.unit and self.name.lower() in _NUMBERING


def unit_and_factor(text: str) -> tuple[str, float] | None:
    """Return the SI unit that `text` names and its factor, None where it is no unit of a wave.

    >>> unit_and_factor("mV"), unit_and_factor("µs"), unit_and_factor("Volts"), unit_and_factor("fathom")
    (('V', 0.001), ('s', 1e-06), ('V', 1.0), None)
    >>> unit_and_factor("milliseconds")
    ('s', 0.001)
    """
    word = text.strip()
    if word == "%":
        return "", _PER_CENT
    if word.lower() in _UNIT_OF:
        return _UNIT_OF[word.lower()], 1.0
    for spelled, factor in _SPELLED.items():
        rest = word.lower().removeprefix(spelled)
        if rest != word.lower() and len(rest) > 2 and rest in _UNIT_OF:
            return _UNIT_OF[rest], factor
    # Lower-case "a" and "v" after a prefix are common in exports and mean nothing else here.
    spelled = word[:-1] + word[-1].upper() if len(word) > 1 and word[-1] in "av" else word
    if not spelled or spelled[-1] not in _PREFIXED or not 2 <= len(spelled) <= 3:
        return None
    try:
        scaled = Scaled(f"1 {spelled}")
    except InvalidNumber:
        return None
    return (scaled.units, float(scaled)) if scaled.units in _PREFIXED else None


def read_heading(text: str, unit: str = "") -> Heading:
    """Return what a heading says; `unit` is that of a line of units under it, if there is one.

    >>> read_heading("time (ms)"), read_heading("CH1 [mV]"), read_heading("time_s")
    (Heading(name='time', unit='s', factor=0.001), Heading(name='CH1', unit='V', factor=0.001), Heading(name='time', unit='s', factor=1.0))
    """  # noqa: E501 - a doctest's line
    name = one_line(text.strip().strip('"').strip(), 40)
    below = unit_and_factor(unit) if unit.strip() else None
    if below is not None:
        return Heading(name, *below)
    bracketed = _BRACKETED.fullmatch(name)
    found = unit_and_factor(bracketed[2]) if bracketed else None
    if bracketed and found is not None:
        return Heading((bracketed[1] + " " + bracketed[3]).strip() or bracketed[2], *found)
    tailed = _TAILED.fullmatch(name)
    found = unit_and_factor(tailed[2]) if tailed else None
    if tailed and found is not None and unit_and_factor(tailed[1]) is None:
        return Heading(tailed[1], *found)
    alone = unit_and_factor(name)
    return Heading(name, *alone) if alone is not None else Heading(name)
