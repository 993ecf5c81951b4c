"""How a file of samples is laid out: where its numbers begin, what separates them, which columns hold them."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from benchmon.analyse.headings import Heading, read_heading, unit_and_factor
from benchmon.errors import DataFileError
from benchmon.text import one_line

NUMBER = re.compile(r"[+\-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+\-]?\d+)?|[+\-]?(nan|inf(inity)?)", re.IGNORECASE)
_TWO_NUMBERS = re.compile(r"\d\s+[+\-]?\d")
_INTERVAL = re.compile(r"(x[ _-]?|time )?increment|sampl(e|ing) (interval|period)|delta t|dt")
COMMENT_MARKS = "#%"
_SEPARATORS = (";", "\t", ",", None)
_MOSTLY = 0.6
_MOST_COLUMNS = 64


@dataclass(frozen=True)
class Layout:
    """The layout of a file: `first_line` is that of the first sample (from 0), `separator` None for white space.

    `columns` are the places of the columns of numbers, `headings` what stands above each of them; `interval` is the
    time between samples, s, where a line above the numbers tells it, else None.
    """

    separator: str | None
    has_decimal_comma: bool
    first_line: int
    columns: tuple[int, ...]
    headings: tuple[Heading, ...]
    interval: float | None = None


def cells_of(line: str, separator: str | None) -> list[str]:
    """Return the cells of one line, without their quotes."""
    return [cell.strip().strip('"').strip() for cell in line.split(separator)]


def is_number(cell: str) -> bool:
    """Return whether a cell holds a number, with a point or a comma."""
    return NUMBER.fullmatch(cell) is not None


def layout_of(lines: Sequence[str]) -> Layout:
    """Return the layout that the first lines of a file show.

    Raises `DataFileError` where there are no two columns of numbers.
    """
    told = [number for number, line in enumerate(lines) if line.strip() and line.lstrip()[0] not in COMMENT_MARKS]
    later = told[len(told) // 2 :]
    for separator in _SEPARATORS:
        rows = [cells_of(lines[number], separator) for number in later]
        columns = _columns_of_numbers(rows)
        if len(columns) < 2 or (separator == "," and _are_decimal_commas(rows)):
            continue
        start = next((number for number in told if _holds(cells_of(lines[number], separator), columns)), None)
        if start is not None:
            cells = [cell for row in rows for place, cell in enumerate(row) if place in columns]
            comma = separator != "," and any("," in cell for cell in cells)
            above = lines[:start]
            headings = _headings(above, separator, columns)
            return Layout(separator, comma, start, columns, headings, _interval(above, separator))
    raise DataFileError(_why_not(lines, later))


def _columns_of_numbers(rows: Sequence[Sequence[str]]) -> tuple[int, ...]:
    """Return the places that hold a number in most rows."""
    width = min(max((len(row) for row in rows), default=0), _MOST_COLUMNS)
    filled = [sum(place < len(row) and is_number(row[place]) for row in rows) for place in range(width)]
    return tuple(place for place, count in enumerate(filled) if count >= max(_MOSTLY * len(rows), 1))


def _are_decimal_commas(rows: Sequence[Sequence[str]]) -> bool:
    """Return whether commas split numbers that white space separates: `0,001 5,3` leaves `001 5` in the middle."""
    return sum(any(_TWO_NUMBERS.search(cell) for cell in row) for row in rows) > _MOSTLY * len(rows)


def _holds(cells: Sequence[str], columns: Sequence[int]) -> bool:
    return len(cells) > max(columns) and all(is_number(cells[place]) for place in columns)


def _headings(above: Sequence[str], separator: str | None, columns: Sequence[int]) -> tuple[Heading, ...]:
    """Return what stands above the columns: names, perhaps with units, perhaps with a line of units under them."""
    rows = [cells_of(line.strip().lstrip(COMMENT_MARKS), separator) for line in above]
    rows = [row for row in rows if len(row) > max(columns) and sum(bool(row[place]) for place in columns) > 1]
    if separator is None:
        # Words that white space separates stand above their columns only if there is one for each.
        rows = [row for row in rows if len(row) == max(columns) + 1]
    if not rows:
        return tuple(Heading(f"column {place + 1}") for place in columns)
    last, above_it = rows[-1], rows[-2] if len(rows) > 1 else None
    is_units = all(not last[place] or unit_and_factor(last[place].strip("()[]")) for place in columns)
    if is_units and above_it is not None:
        return tuple(read_heading(above_it[place], last[place].strip("()[]")) for place in columns)
    return tuple(read_heading(last[place] or f"column {place + 1}") for place in columns)


def _interval(above: Sequence[str], separator: str | None) -> float | None:
    """Return the seconds between samples that a line above them tells, beside its name or in the line below."""
    rows = [cells_of(line.strip().lstrip(COMMENT_MARKS), separator) for line in above]
    for row, below in pairwise([*rows, []]):
        for place, cell in enumerate(row):
            if _INTERVAL.fullmatch(cell.lower()) is None:
                continue
            told = [*row[place + 1 : place + 2], *below[place : place + 1]]
            found = next((float(one.replace(",", ".")) for one in told if is_number(one)), 0.0)
            if 0.0 < found < math.inf:
                return found
    return None


def _why_not(lines: Sequence[str], later: Sequence[int]) -> str:
    """Return why there are no two columns of numbers."""
    if not later:
        return "holds no samples; it needs a column of times and one of values"
    for separator in _SEPARATORS:
        for number in later:
            cells = cells_of(lines[number], separator)
            text = [cell for cell in cells if cell and not is_number(cell)]
            if len(cells) > 1 and text:
                return f"line {number + 1}: {one_line(text[0], 40)!r} is no number; give two columns of numbers or more"
    shown = one_line(lines[later[0]].strip(), 60)
    return f"line {later[0] + 1}: {shown!r} is no time with a value; give two columns of numbers or more"
