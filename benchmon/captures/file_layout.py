"""Layout of a text file of samples: separator, first line of numbers, and columns with name, unit and factor."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from quantiphy import InvalidNumber
from quantiphy import Quantity as Scaled

from benchmon.errors import DataFileError
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
class ColumnHeading:
    """The name of a column, the SI unit of its values ("" if it has none), and the factor of its numbers to SI."""

    name: str
    unit: str = ""
    factor: float = 1.0

    @property
    def is_time(self) -> bool:
        """Whether the column holds times, by its unit or its name."""
        return self.unit == "s" or (not self.unit and self.name.lower() in _TIME_NAMES)

    @property
    def is_sample_number(self) -> bool:
        """Whether the column only numbers the samples."""
        return not self.unit and self.name.lower() in _NUMBERING


def unit_and_factor(text: str) -> tuple[str, float] | None:
    """Return the SI unit that `text` names and its factor, or None if it is not the unit of a wave.

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


def read_heading(text: str, unit: str = "") -> ColumnHeading:
    """Return the parsed heading of a column; `unit` is from a line of units under it, if there is one.

    >>> read_heading("time (ms)")
    ColumnHeading(name='time', unit='s', factor=0.001)
    >>> read_heading("CH1 [mV]"), read_heading("time_s").unit
    (ColumnHeading(name='CH1', unit='V', factor=0.001), 's')
    """
    name = one_line(text.strip().strip('"').strip(), 40)
    below = unit_and_factor(unit) if unit.strip() else None
    if below is not None:
        return ColumnHeading(name, *below)
    bracketed = _BRACKETED.fullmatch(name)
    found = unit_and_factor(bracketed[2]) if bracketed else None
    if bracketed and found is not None:
        return ColumnHeading((bracketed[1] + " " + bracketed[3]).strip() or bracketed[2], *found)
    tailed = _TAILED.fullmatch(name)
    found = unit_and_factor(tailed[2]) if tailed else None
    if tailed and found is not None and unit_and_factor(tailed[1]) is None:
        return ColumnHeading(tailed[1], *found)
    alone = unit_and_factor(name)
    return ColumnHeading(name, *alone) if alone is not None else ColumnHeading(name)


NUMBER = re.compile(r"[+\-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+\-]?\d+)?|[+\-]?(nan|inf(inity)?)", re.IGNORECASE)
_TWO_NUMBERS = re.compile(r"\d\s+[+\-]?\d")
_INTERVAL = re.compile(r"(x[ _-]?|time )?increment|sampl(e|ing) (interval|period)|delta t|dt")
COMMENT_MARKS = "#%"
_SEPARATORS = (";", "\t", ",", None)
_MOSTLY = 0.6
_MOST_COLUMNS = 64


@dataclass(frozen=True)
class FileLayout:
    """The layout of a file: `first_line` is the index of the first sample, `separator` None for white space.

    `columns` are the indices of the columns of numbers, `headings` their headings; `interval` is the time between
    samples in seconds if a line above the numbers states it, else None.
    """

    separator: str | None
    has_decimal_comma: bool
    first_line: int
    columns: tuple[int, ...]
    headings: tuple[ColumnHeading, ...]
    interval: float | None = None


def cells_of(line: str, separator: str | None) -> list[str]:
    """Return the cells of one line, without their quotes."""
    return [cell.strip().strip('"').strip() for cell in line.split(separator)]


def is_number(cell: str) -> bool:
    """Return whether a cell holds a number, with a point or a comma."""
    return NUMBER.fullmatch(cell) is not None


def layout_of(lines: Sequence[str]) -> FileLayout:
    """Return the layout of a file, from its first lines.

    Raises `DataFileError` if there are not at least two columns of numbers.
    """
    content = [number for number, line in enumerate(lines) if line.strip() and line.lstrip()[0] not in COMMENT_MARKS]
    later = content[len(content) // 2 :]
    for separator in _SEPARATORS:
        rows = [cells_of(lines[number], separator) for number in later]
        columns = _columns_of_numbers(rows)
        if len(columns) < 2 or (separator == "," and _are_decimal_commas(rows)):
            continue
        start = next((number for number in content if _has_numbers(cells_of(lines[number], separator), columns)), None)
        if start is not None:
            cells = [cell for row in rows for place, cell in enumerate(row) if place in columns]
            comma = separator != "," and any("," in cell for cell in cells)
            above = lines[:start]
            headings = _headings(above, separator, columns)
            return FileLayout(separator, comma, start, columns, headings, _interval(above, separator))
    raise DataFileError(_reason(lines, later))


def _columns_of_numbers(rows: Sequence[Sequence[str]]) -> tuple[int, ...]:
    """Return the indices of the columns that hold a number in most rows."""
    width = min(max((len(row) for row in rows), default=0), _MOST_COLUMNS)
    filled = [sum(place < len(row) and is_number(row[place]) for row in rows) for place in range(width)]
    return tuple(place for place, count in enumerate(filled) if count >= max(_MOSTLY * len(rows), 1))


def _are_decimal_commas(rows: Sequence[Sequence[str]]) -> bool:
    """Return whether commas split numbers that white space separates: `0,001 5,3` leaves `001 5` in the middle."""
    return sum(any(_TWO_NUMBERS.search(cell) for cell in row) for row in rows) > _MOSTLY * len(rows)


def _has_numbers(cells: Sequence[str], columns: Sequence[int]) -> bool:
    return len(cells) > max(columns) and all(is_number(cells[place]) for place in columns)


def _headings(above: Sequence[str], separator: str | None, columns: Sequence[int]) -> tuple[ColumnHeading, ...]:
    """Return the headings of the columns: names, perhaps with units, perhaps with a line of units under them."""
    rows = [cells_of(line.strip().lstrip(COMMENT_MARKS), separator) for line in above]
    rows = [row for row in rows if len(row) > max(columns) and sum(bool(row[place]) for place in columns) > 1]
    if separator is None:
        # Words separated by white space are headings only if there is one for each column.
        rows = [row for row in rows if len(row) == max(columns) + 1]
    if not rows:
        return tuple(ColumnHeading(f"column {place + 1}") for place in columns)
    last, above_it = rows[-1], rows[-2] if len(rows) > 1 else None
    is_units = all(not last[place] or unit_and_factor(last[place].strip("()[]")) for place in columns)
    if is_units and above_it is not None:
        return tuple(read_heading(above_it[place], last[place].strip("()[]")) for place in columns)
    return tuple(read_heading(last[place] or f"column {place + 1}") for place in columns)


def _interval(above: Sequence[str], separator: str | None) -> float | None:
    """Return the time between samples in seconds from the lines above them: beside its name, or in the line below."""
    rows = [cells_of(line.strip().lstrip(COMMENT_MARKS), separator) for line in above]
    for row, below in pairwise([*rows, []]):
        for place, cell in enumerate(row):
            if _INTERVAL.fullmatch(cell.lower()) is None:
                continue
            candidates = [*row[place + 1 : place + 2], *below[place : place + 1]]
            found = next((float(one.replace(",", ".")) for one in candidates if is_number(one)), 0.0)
            if 0.0 < found < math.inf:
                return found
    return None


def _reason(lines: Sequence[str], later: Sequence[int]) -> str:
    """Return the reason why there are not two columns of numbers."""
    if not later:
        return "holds no samples; it needs a column of times and one of values"
    for separator in _SEPARATORS:
        for number in later:
            cells = cells_of(lines[number], separator)
            text = [cell for cell in cells if cell and not is_number(cell)]
            if len(cells) > 1 and text:
                return (
                    f"line {number + 1}: {one_line(text[0], 40)!r} is not a number; give two columns of numbers or more"
                )
    shown = one_line(lines[later[0]].strip(), 60)
    return f"line {later[0] + 1}: {shown!r} is not a time with a value; give two columns of numbers or more"
