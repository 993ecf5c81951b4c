"""Read the columns of numbers of a file: by numpy, or a large plain file by Arrow if installed, else as JSON."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import BinaryIO

import numpy as np
from pydantic_core import from_json

from benchmon.captures.file_layout import COMMENT_MARKS, FileLayout, cells_of, is_number
from benchmon.errors import DataFileError
from benchmon.signals.arrays import Floats
from benchmon.text import one_line

_CHUNK = 1 << 24
_BLOCK = 1 << 20
_OF_NUMBERS = b"0123456789+-.eE \r"
LARGE = 8_000_000
"""Bytes above which loading Arrow saves more time than it takes."""


def read_numbers(file: Path, layout: FileLayout, *, has_percent: bool) -> list[Floats]:
    """Return the columns of numbers of a file, each (n,).

    `has_percent` is whether a percent sign starts a comment in it. Raises `DataFileError` with the faulty line.
    """
    if file.stat().st_size >= LARGE and layout.separator is not None and _is_all_numbers(layout):
        columns = _by_arrow(file, layout, layout.separator) or _as_json(file, layout, layout.separator)
        if columns is not None:
            return columns
    if not layout.has_decimal_comma:
        return _by_numpy(file, file, layout, has_percent=has_percent)
    with tempfile.NamedTemporaryFile(prefix="benchmon-", suffix=".txt") as plain:
        with file.open("rb") as stream:
            while chunk := stream.read(_CHUNK):
                plain.write(chunk.replace(b",", b"."))
        plain.flush()
        return _by_numpy(Path(plain.name), file, layout, has_percent=has_percent)


def _is_all_numbers(layout: FileLayout) -> bool:
    return layout.columns == tuple(range(len(layout.columns)))


def _by_arrow(file: Path, layout: FileLayout, separator: str) -> list[Floats] | None:
    """Return the columns of a file of numbers only, or None for any other, which numpy reads or refuses.

    Arrow rejects a line with a comment, a quote, a missing or an additional cell if every cell must be a number: so no
    line is skipped silently.
    """
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra, and it takes a fifth of a second
        from pyarrow import csv  # noqa: PLC0415
    except ImportError:
        return None
    names = [str(place) for place in layout.columns]
    try:
        table = csv.read_csv(
            file,
            csv.ReadOptions(skip_rows=layout.first_line, column_names=names, block_size=_BLOCK),
            csv.ParseOptions(delimiter=separator, quote_char=False),
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


def _as_json(file: Path, layout: FileLayout, separator: str) -> list[Floats] | None:
    """Return the columns of a file of JSON numbers only, or None for any other.

    JSON has no `+1`, `.5` or `nan`, no empty cell and no comment: numpy reads a file with any of these.
    """
    mark = separator.encode()
    a_line = mark * (len(layout.columns) - 1) + b"\n"
    parts: list[Floats] = []
    with file.open("rb") as stream:
        for _ in range(layout.first_line):
            stream.readline()
        for block in _whole_lines(stream):
            plain = block.replace(b",", b".") if layout.has_decimal_comma else block
            # Without the digits only separators and line ends remain: the same number of cells in every line.
            marks = plain.translate(None, _OF_NUMBERS)
            if marks != a_line * (len(marks) // len(a_line)):
                return None
            try:
                numbers = from_json(b"[%b]" % plain.replace(mark, b",")[:-1].replace(b"\n", b","))
                parts.append(np.fromiter(numbers, np.float64, len(numbers)).reshape(-1, len(layout.columns)))
            except (ValueError, OverflowError):
                return None
    return [np.concatenate([part[:, place] for part in parts]) for place in layout.columns] if parts else None


def _whole_lines(stream: BinaryIO) -> Iterator[bytes]:
    """Yield the rest of a file in blocks of whole lines."""
    begun = b""
    while block := stream.read(_BLOCK):
        lines, end, rest = block.rpartition(b"\n")
        if end:
            yield begun + lines + end
            begun = b""
        begun += rest
    if begun:
        yield begun + b"\n"


def _by_numpy(source: Path, file: Path, layout: FileLayout, *, has_percent: bool) -> list[Floats]:
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
        raise DataFileError(_first_error(file, layout) or one_line(problem, 200)) from problem
    return list(table.T)


def _first_error(file: Path, layout: FileLayout) -> str | None:
    """Return a message about the first line that holds no samples, or None."""
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
                    return f"{where} = {one_line(cells[place], 30)!r} is not a number; remove the line or correct it"
    return None
