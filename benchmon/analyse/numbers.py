"""The numbers of a file of samples: read by numpy, a large plain file by Arrow where that is installed."""

from __future__ import annotations

import tempfile
from itertools import islice
from pathlib import Path

import numpy as np

from benchmon.analyse.layout import COMMENT_MARKS, Layout, cells_of, is_number
from benchmon.errors import DataFileError, one_line
from benchmon.prediction.result import Floats

_CHUNK = 1 << 24
_BLOCK = 1 << 20
LARGE = 8_000_000
"""Bytes from which on loading Arrow costs less than it saves."""


def read_numbers(file: Path, layout: Layout, *, has_percent: bool) -> list[Floats]:
    """Return the columns of numbers of a file, each (n,).

    `has_percent` is whether a percent sign begins a comment in it. Raises `DataFileError` with the line at fault.
    """
    quickly = _by_arrow(file, layout) if file.stat().st_size >= LARGE else None
    if quickly is not None:
        return quickly
    if not layout.has_decimal_comma:
        return _by_numpy(file, file, layout, has_percent=has_percent)
    with tempfile.NamedTemporaryFile(prefix="benchmon-", suffix=".txt") as plain:
        with file.open("rb") as stream:
            while chunk := stream.read(_CHUNK):
                plain.write(chunk.replace(b",", b"."))
        plain.flush()
        return _by_numpy(Path(plain.name), file, layout, has_percent=has_percent)


def _by_arrow(file: Path, layout: Layout) -> list[Floats] | None:
    """Return the columns of a file that is nothing but numbers; None of any other, which numpy reads, or refuses.

    Arrow takes a line with a comment, a quote, a missing or an additional cell for an error, as long as every cell is
    asked for as a number: nothing is passed over here.
    """
    if layout.separator is None:
        return None
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra, and it takes a fifth of a second
        from pyarrow import csv  # noqa: PLC0415
    except ImportError:
        return None
    names = [str(place) for place in range(max(layout.columns) + 1)]
    if len(names) != len(layout.columns):
        return None
    try:
        table = csv.read_csv(
            file,
            csv.ReadOptions(skip_rows=layout.first_line, column_names=names, block_size=_BLOCK),
            csv.ParseOptions(delimiter=layout.separator, quote_char=False),
            csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.float64()),
                null_values=[],
                decimal_point="," if layout.has_decimal_comma else ".",
                check_utf8=False,
            ),
        )
    except pa.ArrowInvalid:
        return None
    return [column.to_numpy() for column in table.columns]


def _by_numpy(source: Path, file: Path, layout: Layout, *, has_percent: bool) -> list[Floats]:
    """Return the columns of `source`, which is `file` with decimal points."""
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
    return list(table.T)


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
