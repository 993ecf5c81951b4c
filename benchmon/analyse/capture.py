"""A capture as a scope saves it: times and one or more columns of values, read from a file of any layout."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np

from benchmon.analyse.layout import COMMENT_MARKS, Layout, cells_of, is_number, layout_of
from benchmon.analyse.times import usable_times
from benchmon.errors import DataFileError, one_line
from benchmon.prediction.result import Floats

_HEAD = 1 << 16
_LARGEST_FILE = 4_000_000_000
_CHUNK = 1 << 24


@dataclass(frozen=True)
class Column:
    """One column: its name, its unit ("V", "A", "W", or "" where the file names none), and values (n,) in SI."""

    name: str
    unit: str
    values: Floats


@dataclass(frozen=True)
class Capture:
    """Times (n,) in seconds that rise, columns of as many values, and what had to be put right to get them."""

    time: Floats
    columns: tuple[Column, ...]
    notes: tuple[str, ...] = ()


def read_capture(path: Path | str) -> Capture:
    """Return what the file at `path` holds.

    Columns are separated by commas, semicolons, tabs or white space; with the latter three a decimal comma may be used.
    What stands above the numbers is taken as headings, with units such as `time (ms)`, `CH1 [mV]` or `time_s`; lines
    that begin with `#` or `%` are passed over. The column of times is told by its unit or name, else it is the first.
    Raises `DataFileError` in one line with the file, the line where there is one, and the remedy.
    """
    file, shown = Path(path), one_line(path)
    try:
        return _read(file)
    except DataFileError as problem:
        raise DataFileError(f"{shown}: {problem}") from problem
    except FileNotFoundError as problem:
        raise DataFileError(f"{shown}: no such file of samples") from problem
    except IsADirectoryError as problem:
        raise DataFileError(f"{shown}: is a folder, not a file of samples") from problem
    except (OSError, MemoryError, ValueError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) and problem.strerror else one_line(problem, 200)
        raise DataFileError(f"{shown}: cannot be read: {reason}") from problem


def _read(file: Path) -> Capture:
    if not file.is_file() and not file.is_dir() and file.exists():
        raise DataFileError("is no ordinary file")
    if file.stat().st_size > _LARGEST_FILE:
        raise DataFileError(f"is larger than {_LARGEST_FILE // 10**9} GB; capture a shorter piece")
    with file.open("rb") as stream:
        head = stream.read(_HEAD)
    lines = _as_text(head).splitlines()
    layout = layout_of(lines[:-1] if len(head) == _HEAD and len(lines) > 1 else lines)
    table = _numbers(file, layout, has_percent="%" in "".join(lines[layout.first_line :]))
    return _capture(layout, table)


def _as_text(head: bytes) -> str:
    """Return the text that a file begins with; exports are UTF-8, or of one byte a character."""
    if b"\0" in head:
        wide = head[:2] in (b"\xff\xfe", b"\xfe\xff")
        raise DataFileError("is UTF-16; save it as UTF-8 text" if wide else "is no text; export the capture as CSV")
    try:
        return head.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        # The last character may be cut in two.
        return head[: problem.start].decode("utf-8-sig") if problem.start > len(head) - 4 else head.decode("latin-1")


def _numbers(file: Path, layout: Layout, *, has_percent: bool) -> Floats:
    """Return the columns of numbers, (n, columns)."""
    if layout.has_decimal_comma:
        with tempfile.NamedTemporaryFile(prefix="benchmon-", suffix=".txt") as plain:
            with file.open("rb") as stream:
                while chunk := stream.read(_CHUNK):
                    plain.write(chunk.replace(b",", b"."))
            plain.flush()
            return _load(Path(plain.name), file, layout, has_percent=has_percent)
    return _load(file, file, layout, has_percent=has_percent)


def _load(source: Path, file: Path, layout: Layout, *, has_percent: bool) -> Floats:
    try:
        table: Floats = np.loadtxt(
            str(source),
            comments=list(COMMENT_MARKS) if has_percent else "#",
            delimiter=layout.separator,
            skiprows=layout.first_line,
            usecols=layout.columns,
            quotechar=None if has_percent else '"',
            encoding="latin-1",
            ndmin=2,
        )
    except ValueError as problem:
        raise DataFileError(_first_fault(file, layout) or one_line(problem, 200)) from problem
    return table


def _first_fault(file: Path, layout: Layout) -> str | None:
    """Return what is wrong with the first line that is no samples."""
    with file.open(encoding="latin-1") as lines:
        for number, line in enumerate(islice(lines, layout.first_line, None), layout.first_line + 1):
            if not line.strip() or line.lstrip()[0] in COMMENT_MARKS:
                continue
            cells = cells_of(line, layout.separator)
            for place, heading in zip(layout.columns, layout.headings, strict=True):
                where = f"line {number}: {heading.name}"
                if place >= len(cells) or not cells[place]:
                    return f"{where} ends before the others; give every line a value in each column"
                if not is_number(cells[place]):
                    return f"{where} = {one_line(cells[place], 30)!r} is no number; take the line out or put it right"
    return None


def _capture(layout: Layout, table: Floats) -> Capture:
    headings = layout.headings
    places = [place for place, heading in enumerate(headings) if heading.tells_time]
    rest = [place for place, heading in enumerate(headings) if not heading.numbers_samples]
    at = places[0] if places else rest[0] if rest else 0
    chosen = [place for place in rest if place != at and headings[place].unit != "s"]
    if not chosen:
        raise DataFileError("has times and no column of values")
    values = [headings[place].factor * table[:, place] for place in chosen]
    time, values, notes = usable_times(headings[at].factor * table[:, at], values)
    if not headings[at].unit and len(time) > 1 and np.all(np.diff(time) == 1.0):
        # Whole numbers that rise by one count the samples; a wave of the mains is not taken once a second.
        if layout.interval is None:
            raise DataFileError("its times only count the samples; give a column of times in seconds")
        time = layout.interval * time
        notes = (f"samples are counted: {layout.interval:.4g} s between them, as the file says", *notes)
    elif not headings[at].unit:
        notes = ("the file names no unit of time: seconds are taken", *notes)
    columns = (
        Column(headings[place].name, headings[place].unit, value) for place, value in zip(chosen, values, strict=True)
    )
    return Capture(time, tuple(columns), notes)
