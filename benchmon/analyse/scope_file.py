"""A capture as a scope saves it: times and one or more columns of values, read from a file of any layout.

Times as exports write them: rounded to too few digits, or the same one twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmon.analyse.file_layout import FileLayout, layout_of
from benchmon.analyse.number_columns import read_numbers
from benchmon.errors import DataFileError
from benchmon.signals.arrays import Floats
from benchmon.text import one_line

_ROUNDING = 1.01


def usable_times(time: Floats, values: Sequence[Floats]) -> tuple[Floats, list[Floats], tuple[str, ...]]:
    """Return times (n,) that rise, the values that belong to them, and what had to be put right, in words.

    Times that stand still only because they were rounded are those of even sampling. Other samples of one time count
    as one, their mean. Times that go back are left as they are, for whoever measures to refuse.
    """
    if len(time) < 2 or np.all(time[1:] > time[:-1]) or not np.all(np.isfinite(time)):
        return time, list(values), ()
    steps = np.diff(time)
    if steps.min() < 0.0:
        return time, list(values), ()
    largest = float(steps.max())
    if largest == 0.0:
        raise DataFileError("all samples have the same time; export the times with more digits")
    even = np.linspace(time[0], time[-1], len(time))
    # The last time may itself be rounded by up to one step of the writing.
    if len(time) > 2 and np.max(np.abs(time - even)) <= _ROUNDING * largest and _is_rounded(steps):
        return even, list(values), (f"times are rounded to {largest:.3g} s: even sampling is taken",)
    starts = np.flatnonzero(np.concatenate([[True], steps > 0.0]))
    counts = np.diff(np.append(starts, len(time)))
    means = [np.add.reduceat(value, starts) / counts for value in values]
    doubled = len(time) - len(starts)
    return time[starts], means, (f"{doubled} samples have the time of the one before: their mean is taken",)


def _is_rounded(steps: Floats) -> bool:
    """Return whether times stand still as often, and go on by as much, as rounding makes them."""
    moving = steps[steps > 0.0]
    return bool(np.max(moving) <= 2.01 * np.min(moving)) and len(moving) < 0.9 * len(steps)


_HEAD = 1 << 16
_LARGEST_FILE = 4_000_000_000


@dataclass(frozen=True)
class CaptureColumn:
    """One column: its name, its unit ("V", "A", "W", or "" where the file names none), and values (n,) in SI."""

    name: str
    unit: str
    values: Floats


@dataclass(frozen=True)
class ScopeCapture:
    """Times (n,) in seconds that rise, columns of as many values, and what had to be put right to get them."""

    time: Floats
    columns: tuple[CaptureColumn, ...]
    notes: tuple[str, ...] = ()


def read_capture(path: Path | str) -> ScopeCapture:
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


def _read(file: Path) -> ScopeCapture:
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


def _capture(layout: FileLayout, numbers: Sequence[Floats]) -> ScopeCapture:
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
        CaptureColumn(headings[place].name, headings[place].unit, value)
        for place, value in zip(chosen, values, strict=True)
    )
    return ScopeCapture(time, tuple(columns), notes)


def _scaled(numbers: Floats, factor: float) -> Floats:
    """Return a column in SI, side by side in memory: whatever follows goes through it many times."""
    return np.ascontiguousarray(numbers) if factor == 1.0 else factor * numbers
