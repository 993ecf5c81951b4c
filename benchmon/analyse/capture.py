"""A capture as a scope saves it: times and one or more columns of values, read from a file of any layout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmon.analyse.layout import Layout, layout_of
from benchmon.analyse.numbers import read_numbers
from benchmon.analyse.times import usable_times
from benchmon.errors import DataFileError
from benchmon.prediction.result import Floats
from benchmon.text import one_line

_HEAD = 1 << 16
_LARGEST_FILE = 4_000_000_000


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
    return _capture(layout, read_numbers(file, layout, has_percent="%" in "".join(lines[layout.first_line :])))


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


def _capture(layout: Layout, numbers: Sequence[Floats]) -> Capture:
    headings = layout.headings
    places = [place for place, heading in enumerate(headings) if heading.tells_time]
    rest = [place for place, heading in enumerate(headings) if not heading.numbers_samples]
    at = places[0] if places else rest[0] if rest else 0
    chosen = [place for place in rest if place != at and headings[place].unit != "s"]
    if not chosen:
        raise DataFileError("has times and no column of values")
    scaled = [_scaled(numbers[place], headings[place].factor) for place in (at, *chosen)]
    time, values, notes = usable_times(scaled[0], scaled[1:])
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


def _scaled(numbers: Floats, factor: float) -> Floats:
    """Return a column in SI, side by side in memory: whatever follows goes through it many times."""
    return np.ascontiguousarray(numbers) if factor == 1.0 else factor * numbers
