"""Files of readings logged by hand or by another program: lines of time, channel and value.

The first line names the columns `time_s`, `channel` and `value` in any order; further columns are left alone. Columns
are separated by commas, or by semicolons or tabs, and then a decimal comma may be used. Blank lines and lines that
begin with `#` are passed over. Lines may stand in any order: they are sorted by time. A line that repeats another is
taken once; several readings of one channel at one time stay in the order of the file.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import TextIO

from benchmon.errors import DataFileError
from benchmon.input_file import reason_not_to_read
from benchmon.quantities import OVERRANGE_FROM
from benchmon.text import one_line
from benchmon.watch.records import LoggedReading

COLUMNS = ("time_s", "channel", "value")
_NO_NUMBER = 9.91e37
"""What SCPI-1999 meters say for no number."""

_LONGEST_LINE = 2000
"""Characters that are read of a line: a file of zeros is one line without an end."""
_LARGEST_FILE = 50_000_000
_MOST_READINGS = 300_000
"""Readings that are judged within about ten seconds and 300 MB."""
_NUMBER = re.compile(r"[+\-−]?(\d+\.?\d*|\.\d+)([eE][+\-−]?\d+)?|[+\-−]?inf(inity)?", re.IGNORECASE)


def read_readings(path: Path | str, channels: Iterable[str]) -> list[LoggedReading]:
    """Return the readings of `channels` in the file at `path`, by time.

    Raises `DataFileError` in one line with the file, the line and the remedy, for a file that cannot be read, a
    missing column, an unknown channel, a value or time that is no number, or a file without readings.
    """
    file = Path(path)
    shown = one_line(file)
    try:
        reason = reason_not_to_read(file.stat(), _LARGEST_FILE)
        if reason:
            raise DataFileError(f"{shown}: {reason}, not a file of readings")
        with file.open(encoding="utf-8-sig", newline="") as lines:
            found = list(islice(_Reader(shown, frozenset(channels)).readings(lines), _MOST_READINGS + 1))
    except FileNotFoundError as problem:
        raise DataFileError(f"{shown}: no such file of readings") from problem
    except UnicodeDecodeError as problem:
        raise DataFileError(f"{shown}: is not UTF-8 text; save it as CSV in UTF-8") from problem
    except OSError as problem:
        raise DataFileError(f"{shown}: cannot be read: {problem.strerror or problem}") from problem
    if len(found) > _MOST_READINGS:
        raise DataFileError(f"{shown}: holds more than {_MOST_READINGS:,} readings; split it, or keep fewer a second")
    if not found:
        raise DataFileError(f"{shown}: holds no readings; it needs lines of time_s,channel,value")
    return sorted(dict.fromkeys(found), key=lambda reading: reading.time)


class _Reader:
    """Reads one file's lines; knows the columns once the first line has named them."""

    def __init__(self, shown: str, channels: frozenset[str]) -> None:
        self._shown = shown
        self._channels = channels
        self._separator = ","
        self._places: tuple[int, int, int] | None = None
        self._width = 0

    def readings(self, lines: TextIO) -> Iterator[LoggedReading]:
        for number, line in enumerate(iter(lambda: lines.readline(_LONGEST_LINE), ""), 1):
            if len(line) >= _LONGEST_LINE:
                raise self._refusal(number, f"has {_LONGEST_LINE} characters or more; a reading needs a few dozen")
            text = line.strip()
            if not text or text.startswith("#"):
                continue
            if self._places is None:
                self._places = self._columns(number, text)
            else:
                yield self._reading(number, self._cells(number, text), self._places)

    def _refusal(self, number: int, reason: str) -> DataFileError:
        return DataFileError(f"{self._shown}:{number}: {reason}")

    def _cells(self, number: int, text: str) -> list[str]:
        try:
            return [cell.strip() for cell in next(csv.reader([text], delimiter=self._separator, strict=True))]
        except csv.Error as problem:
            raise self._refusal(number, f"cannot be split into columns: {problem}") from problem

    def _columns(self, number: int, text: str) -> tuple[int, int, int]:
        self._separator = next((mark for mark in (";", "\t") if mark in text), ",")
        names = [name.lower() for name in self._cells(number, text)]
        missing = [name for name in COLUMNS if name not in names]
        if missing:
            raise self._refusal(
                number, f"must name the columns time_s,channel,value; {missing[0]} is not in {one_line(text, 60)!r}"
            )
        twice = next((name for name in COLUMNS if names.count(name) > 1), None)
        if twice is not None:
            raise self._refusal(number, f"names {twice} twice; which of the two counts?")
        self._width = len(names)
        time, channel, value = (names.index(name) for name in COLUMNS)
        return time, channel, value

    def _reading(self, number: int, cells: list[str], places: tuple[int, int, int]) -> LoggedReading:
        if len(cells) <= max(places):
            raise self._refusal(number, f"has {len(cells)} columns where the first line names more")
        if any(cells[self._width :]):
            # What looks like one column too many is often a decimal comma: 22,7 must not be read as 22.
            hint = "; with commas in numbers, separate columns by semicolons" if self._separator == "," else ""
            raise self._refusal(number, f"has {len(cells)} columns where the first line names {self._width}{hint}")
        time_text, name, value_text = (cells[place] for place in places)
        # Exports guard names that a spreadsheet would take for a formula by an apostrophe.
        if name not in self._channels and name[:1] == "'":
            name = name[1:]
        if name not in self._channels:
            known = ", ".join(sorted(self._channels)) or "none"
            raise self._refusal(
                number, f"{one_line(name, 60)!r} is not a channel of the bench; it has {one_line(known, 200)}"
            )
        time = self._number(number, "time_s", time_text)
        value = self._number(number, "value", value_text)
        if not math.isfinite(time) or abs(time) > 1e12:
            raise self._refusal(number, f"time_s = {one_line(time_text, 30)}: is not a time in seconds")
        if abs(value) == _NO_NUMBER:
            raise self._refusal(number, f"value = {one_line(value_text, 30)}: means 'not a number'; leave the line out")
        if abs(value) >= OVERRANGE_FROM:
            value = math.copysign(math.inf, value)
        return LoggedReading(time, name, value)

    def _number(self, number: int, column: str, text: str) -> float:
        plain = text
        if self._separator != "," and text.count(",") == 1 and "." not in text:
            plain = text.replace(",", ".")
        if not _NUMBER.fullmatch(plain):
            hint = "write a plain number in SI units, such as 22.14"
            if "," in text:
                hint = "with commas in numbers, separate columns by semicolons and use no thousands marks"
            raise self._refusal(number, f"{column} = {one_line(text, 30)!r}: is not a number; {hint}")
        found = float(plain.replace("−", "-"))
        if math.isinf(found) and "inf" not in plain.lower():
            raise self._refusal(number, f"{column} = {one_line(text, 30)!r}: is too large; write inf for an overload")
        return found
