"""Read a capture saved by an oscilloscope: times and columns of values, from a text file of any layout.

Times that are rounded to too few digits, or repeated, are repaired, with a note.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmon.captures.file_layout import FileLayout, layout_of
from benchmon.captures.number_columns import read_numbers
from benchmon.errors import DataFileError
from benchmon.input_file import reason_not_to_read
from benchmon.signals.arrays import Floats
from benchmon.text import one_line

_ROUNDING = 1.01
_HEAD = 1 << 16
_LARGEST_FILE = 4_000_000_000


def usable_times(time: Floats, values: Sequence[Floats]) -> tuple[Floats, list[Floats], tuple[str, ...]]:
    """Return rising times (n,), their values, and notes on the repairs.

    Times that repeat only because they were rounded are replaced by even sampling. Otherwise samples of equal time are
    replaced by their mean. Times that decrease are unchanged: the measuring functions refuse them. Raises
    `DataFileError` if all times are equal.
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
    # The last time may itself be rounded by up to one step.
    if len(time) > 2 and np.max(np.abs(time - even)) <= _ROUNDING * largest and _is_rounded(steps):
        return even, list(values), (f"times are rounded to {largest:.3g} s: even sampling is assumed",)
    starts = np.flatnonzero(np.concatenate([[True], steps > 0.0]))
    counts = np.diff(np.append(starts, len(time)))
    means = [np.add.reduceat(value, starts) / counts for value in values]
    doubled = len(time) - len(starts)
    return time[starts], means, (f"{doubled} samples have the time of the one before: their mean is used",)


def _is_rounded(steps: Floats) -> bool:
    """Return whether steps between times are zero as often, and otherwise as equal, as rounding makes them."""
    moving = steps[steps > 0.0]
    return bool(np.max(moving) <= 2.01 * np.min(moving)) and len(moving) < 0.9 * len(steps)


@dataclass(frozen=True)
class CaptureColumn:
    """One column: its name, its unit ("V", "A", "W", or "" if the file names none), and values (n,) in SI."""

    name: str
    unit: str
    values: Floats


@dataclass(frozen=True)
class ScopeCapture:
    """Rising times (n,) in seconds, columns of as many values, and notes on repairs."""

    time: Floats
    columns: tuple[CaptureColumn, ...]
    notes: tuple[str, ...] = ()


def read_capture(path: Path | str) -> ScopeCapture:
    """Return the capture in the file at `path`.

    Columns are separated by commas, semicolons, tabs or white space; with the latter three a decimal comma may be used.
    Lines above the numbers are headings, with units such as `time (ms)`, `CH1 [mV]` or `time_s`; lines that begin with
    `#` or `%` are ignored. The time column is recognised by its unit or name, else it is the first one. Raises
    `DataFileError` in one line with the file, the line number if there is one, and the remedy.
    """
    file, shown = Path(path), one_line(path)
    try:
        return _read(file)
    except DataFileError as problem:
        raise DataFileError(f"{shown}: {problem}") from problem
    except FileNotFoundError as problem:
        raise DataFileError(f"{shown}: no such file of samples") from problem
    except (OSError, MemoryError, ValueError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) and problem.strerror else one_line(problem, 200)
        raise DataFileError(f"{shown}: cannot be read: {reason}") from problem


def _read(file: Path) -> ScopeCapture:
    reason = reason_not_to_read(file.stat(), _LARGEST_FILE)
    if reason:
        raise DataFileError(f"{reason}, not a file of samples")
    with file.open("rb") as stream:
        head = stream.read(_HEAD)
    lines = _as_text(head).splitlines()
    layout = layout_of(lines[:-1] if len(head) == _HEAD and len(lines) > 1 else lines)
    return _capture(layout, read_numbers(file, layout, has_percent="%" in "".join(lines[layout.first_line :])))


def _as_text(head: bytes) -> str:
    """Return the start of a file as text, in UTF-8 or else one byte a character."""
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
    places = [place for place, heading in enumerate(headings) if heading.is_time]
    rest = [place for place, heading in enumerate(headings) if not heading.is_sample_number]
    at = places[0] if places else rest[0] if rest else 0
    chosen = [place for place in rest if place != at and headings[place].unit != "s"]
    if not chosen:
        raise DataFileError("has times and no column of values")
    scaled = [_scaled(numbers[place], headings[place].factor) for place in (at, *chosen)]
    time, values, notes = usable_times(scaled[0], scaled[1:])
    if not headings[at].unit and len(time) > 1 and np.all(np.diff(time) == 1.0):
        # Whole numbers that rise by one number the samples; a wave of the mains is not sampled once a second.
        if layout.interval is None:
            raise DataFileError("its times only number the samples; give a column of times in seconds")
        time = layout.interval * time
        notes = (f"samples are numbered: {layout.interval:.4g} s between them, from the file", *notes)
    elif not headings[at].unit:
        notes = ("the file names no unit of time: seconds are assumed", *notes)
    columns = (
        CaptureColumn(headings[place].name, headings[place].unit, value)
        for place, value in zip(chosen, values, strict=True)
    )
    return ScopeCapture(time, tuple(columns), notes)


def _scaled(numbers: Floats, factor: float) -> Floats:
    """Return a column in SI, contiguous in memory, since it is read many times."""
    return np.ascontiguousarray(numbers) if factor == 1.0 else factor * numbers
