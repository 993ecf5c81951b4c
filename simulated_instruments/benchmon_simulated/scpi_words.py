"""The words of SCPI headers: long and short forms, and how a program message is taken apart (IEEE 488.2, SCPI-1999)."""

from __future__ import annotations

import re
from collections.abc import Iterator

_VOWELS = "AEIOU"

_SPELLED = """
    ACTIVE APPARENT AVERAGE CHANNEL CONFIGURE CREST CURRENT DISPLACEMENT DISTORTION ERROR FACTOR FETCH FREQUENCY
    FUNDAMENTAL HARMONIC INPUT MAXIMUM MEAN MEASURE MINIMUM NEXT OUTPUT PEAK PERIOD PHASE POWER PTPEAK READ REACTIVE
    REAL RESISTANCE RIPPLE SCALAR SENSE STATE SYSTEM TEMPERATURE THERMOCOUPLE VERSION VOLTAGE
"""
LONG_FORMS = frozenset(_SPELLED.split())
"""Words whose long form is known when a bench file has only the short one."""

_WORD = re.compile(r"([A-Za-z][A-Za-z_]*)([0-9]*)")


def short_form(word: str) -> str:
    """Return the short form of a long word: four letters, or three where the fourth is a vowel (SCPI-1999, 6.2.1).

    >>> short_form("VOLTAGE"), short_form("POWER"), short_form("READ")
    ('VOLT', 'POW', 'READ')
    """
    word = word.upper()
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in _VOWELS else word[:4]


_LONG_OF_SHORT = {short_form(word): word for word in sorted(LONG_FORMS)}


def split_suffix(node: str) -> tuple[str, str] | None:
    """Return a header node's letters, upper case, and its numeric suffix ("" for 1); None if it is no node.

    >>> split_suffix("volt1"), split_suffix("CHAN2"), split_suffix("4th")
    (('VOLT', ''), ('CHAN', '2'), None)
    """
    match = _WORD.fullmatch(node)
    if match is None:
        return None
    return match[1].upper(), "" if match[2] == "1" else match[2]


def both_forms(word: str) -> tuple[str, str]:
    """Return the long and the short form of `word` as a bench file or a manual writes it.

    >>> both_forms("VOLTage"), both_forms("volt"), both_forms("TEMPERATURE")
    (('VOLTAGE', 'VOLT'), ('VOLTAGE', 'VOLT'), ('TEMPERATURE', 'TEMP'))
    """
    upper = word.upper()
    if upper in LONG_FORMS:
        return upper, short_form(upper)
    if upper in _LONG_OF_SHORT:
        return _LONG_OF_SHORT[upper], upper
    marked = re.match(r"[A-Z]+(?=[a-z])", word)
    return upper, marked[0] if marked else short_form(upper)


def split_outside_quotes(text: str, separator: str) -> Iterator[str]:
    """Yield the parts of `text` between separators that stand in no quotes and no parentheses."""
    part, quote, depth = "", "", 0
    for char in text:
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
        elif char in "()":
            depth = max(0, depth + (1 if char == "(" else -1))
        if char == separator and not quote and not depth:
            yield part
            part = ""
        else:
            part += char
    yield part


def split_unit(unit: str) -> tuple[str, tuple[str, ...]]:
    """Return the header of one program message unit and its parameters, each without blanks around it."""
    header, _, rest = unit.strip().partition(" ")
    if not rest.strip():
        return header, ()
    return header, tuple(part.strip() for part in split_outside_quotes(rest, ","))
