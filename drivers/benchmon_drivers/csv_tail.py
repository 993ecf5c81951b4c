"""Loggers that append lines to a table in a file: each new line is a reading of every channel.

`GrowingFile` follows a file that another program appends to, also when it is truncated or replaced by a new one.
"""

from __future__ import annotations

import csv
import math
import os
import re
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Annotated, BinaryIO, ClassVar

from pydantic import Field, StrictBool, StrictInt, StrictStr

from benchmon.bench.fields import Factor, KeyedError, Number
from benchmon.errors import BadInput, BadReply, InstrumentError
from benchmon.input_file import open_ordinary
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon.text import one_line
from benchmon_drivers.number_parsing import OVERLOAD, OverloadWords, over_range, plain_number, shown, value_with_unit
from benchmon_drivers.written_files import explain_file, named_by

LONGEST_LINE = 16_384
_CHUNK = 65_536
_LOOKED_BACK = 16_000_000
"""Bytes before the end in which the header of the present table is looked for."""
_REMEMBERED = 64
"""Bytes before the reading position that are kept, to detect that the file was rewritten."""


class GrowingFile:
    """A file of text lines that is read from its end on; its first line may be a `header`.

    Lines for which `skips` is true are as if they were not there.
    """

    def __init__(self, path: Path, *, header: bool, skips: Callable[[bytes], bool] = lambda _: False) -> None:
        self._path, self._header, self._skips = path, header, skips
        self._file: BinaryIO | None = None
        self._begin()

    def open(self) -> None:
        """Start at the end of the file, as the age of its lines is unknown. Raises `OSError`, `BadInput`."""
        self.close()
        self._file = open_ordinary(self._path)
        self._begin()
        size = os.fstat(self._file.fileno()).st_size
        if self._header:
            *whole, _ = os.pread(self._file.fileno(), LONGEST_LINE, 0).split(b"\n")
            first = next((line for line in whole if not self._skips(line)), None)
            if first is None:
                return
            self.head = first.rstrip(b"\r")
        start = max(0, size - _REMEMBERED)
        self._behind = os.pread(self._file.fileno(), _REMEMBERED, start)
        # Its end is where that was read to: a short file may have grown since its size was asked for.
        self._place = start + len(self._behind)
        self._begun = bool(self._behind) and not self._behind.endswith(b"\n")

    def close(self) -> None:
        """Close the file."""
        file, self._file = self._file, None
        if file is not None:
            file.close()

    def lines(self) -> list[bytes]:
        """Return the lines completed since the last call, without their ends, at most one chunk. Raises `OSError`."""
        if self._file is None:
            return []
        data = self._new(self._file)
        if not data and self._was_replaced(self._file):
            self._file.close()
            self._file = open_ordinary(self._path)
            self._begin()
            data = self._new(self._file)
        return self._split(data)

    def _begin(self) -> None:
        self._place = 0
        self._part = b""
        self._begun = False
        """Whether the beginning of the next line was not read, so that the line is discarded."""
        self._behind = b""
        self.head = b""
        """The first line of the present file, once it is complete."""

    def _new(self, file: BinaryIO) -> bytes:
        """Return the bytes that were added; the whole file where it was truncated and rewritten."""
        start = self._place - len(self._behind)
        data = os.pread(file.fileno(), _CHUNK + len(self._behind), start)
        if not data.startswith(self._behind):
            self._begin()
            self._place = _first_data(file)
            data = os.pread(file.fileno(), _CHUNK, self._place)
        data = data[len(self._behind) :]
        self._place += len(data)
        self._behind = (self._behind + data)[-_REMEMBERED:]
        return data

    def _was_replaced(self, file: BinaryIO) -> bool:
        try:
            now = self._path.stat()
        except FileNotFoundError:
            return False
        ours = os.fstat(file.fileno())
        return (now.st_dev, now.st_ino) != (ours.st_dev, ours.st_ino)

    def last_line(self, fits: Callable[[bytes], bool]) -> bytes:
        """Return the last line for which `fits` is true, of those before the reading position and not too far back.

        b"" where there is none. Raises `OSError`.
        """
        if self._file is None:
            return b""
        start = max(0, self._place - _LOOKED_BACK)
        found = b""
        with open_ordinary(self._path) as file:
            file.seek(start)
            while file.tell() < self._place and (line := file.readline(LONGEST_LINE)):
                plain = line.rstrip(b"\r\n")
                found = plain if plain and not self._skips(plain) and fits(plain) else found
        return found

    def _split(self, data: bytes) -> list[bytes]:
        if not self._part:
            # A logger that goes on where it was in a file that was cut to nothing leaves a hole.
            data = data.lstrip(b"\0")
        *whole, self._part = (self._part + data).split(b"\n")
        if whole and self._begun:
            del whole[0]
            self._begun = False
        if len(self._part) > LONGEST_LINE:
            self._part, self._begun = b"", True
        whole = [line for line in whole if not self._skips(line)]
        if whole and self._header and not self.head:
            self.head = whole.pop(0).rstrip(b"\r")
        return [line.rstrip(b"\r") for line in whole if len(line) <= LONGEST_LINE]


def _first_data(file: BinaryIO) -> int:
    """Return the position of the first bytes that were written, behind a hole at the beginning of the file."""
    try:
        return os.lseek(file.fileno(), 0, os.SEEK_DATA)
    except OSError:
        # It has no data at all, or its file system knows no holes.
        return 0


_SEPARATOR = re.compile(rb'(?:\xef\xbb\xbf)?"?sep=(.?)"?\s*', re.IGNORECASE)
_LOOK_EVERY = 0.05


class CsvTailSettings(InstrumentSettings):
    """A table that a logger appends lines to."""

    address: Annotated[str, named_by('a file, such as "/home/me/log.csv"')] = Field(
        description="The file that the logger writes."
    )
    separator: Annotated[str, Field(min_length=1, max_length=1)] | None = Field(
        None, description='Character between two columns; left out, that of a line "sep=;" in the file, or a comma.'
    )
    decimal_comma: StrictBool = Field(False, description="Whether numbers have a decimal comma.")
    comment: Annotated[str, Field(max_length=10)] = Field(
        "", description='What a line begins with that is a comment, such as "#"; such lines are skipped.'
    )
    header: StrictBool = Field(True, description="Whether the first line holds the names of the columns.")
    tables: StrictBool = Field(
        False,
        description="Whether the file holds several tables, each with a first line of its own that names its columns; "
        "a channel is read in those that have its column.",
    )
    overload: OverloadWords = Field(
        OVERLOAD, description="Words in a column that mean over range, by default OL, O.L, OVLD and OVERLOAD."
    )


class CsvTailChannel(ChannelSettings):
    """Which column is the value."""

    column: StrictStr | Annotated[StrictInt, Field(ge=1, le=1000)] = Field(
        description="Name of the column in the first line, or its number from 1."
    )
    factor: Factor = Field(1.0, description="Factor on the number in the column.")
    offset: Number = Field(0.0, description="Added after the factor.")


ColumnChannel = DrivenChannel[CsvTailChannel]


class CsvTailDriver(Driver[CsvTailSettings, CsvTailChannel]):
    """A table in a growing file. The constructor raises `BadInput` where settings and channels do not fit together."""

    settings_model: ClassVar[type[InstrumentSettings]] = CsvTailSettings
    channel_model: ClassVar[type[ChannelSettings]] = CsvTailChannel
    streams = True

    def __init__(self, name: str, settings: CsvTailSettings, channels: Sequence[ColumnChannel]) -> None:
        super().__init__(name, settings, channels)
        named = [channel.name for channel in channels if isinstance(channel.settings.column, str)]
        if named and not settings.header:
            raise BadInput(f"has no header, so {', '.join(named)} cannot have a column by name; give its number")
        self._names = {channel.settings.column for channel in channels if isinstance(channel.settings.column, str)}
        if settings.tables and len(self._names) < len(channels):
            raise KeyedError("tables", True, "needs columns by name: a number means another column in each table")
        self._separator = settings.separator or ","
        self._overload = frozenset(word.casefold() for word in settings.overload)
        self._file = GrowingFile(Path(settings.address), header=settings.header, skips=self._is_no_row)
        self._head: bytes | None = None
        self._columns: dict[str, int] = {}

    def _is_no_row(self, line: bytes) -> bool:
        """Return whether a line is empty, a comment, or the `sep=;` that names the separator to spreadsheets."""
        comment = self.settings.comment.encode()
        separator = _SEPARATOR.fullmatch(line)
        if separator is not None and separator[1] and self.settings.separator is None:
            self._separator = separator[1].decode("latin-1")
        return not line.strip() or bool(comment and line.startswith(comment)) or separator is not None

    def _open(self) -> str:
        self._file.open()
        self._head = None
        if self._names:
            present = self._file.last_line(self._is_header)
            self._file.head = present or self._file.head
        if self._file.head or not self.settings.header:
            self._find_columns()
        return ""

    def _is_header(self, line: bytes) -> bool:
        """Return whether a line names the columns of channels: all of them, or some in one of several tables."""
        fields = set(self._names_in(line))
        return bool(self._names & fields) if self.settings.tables else bool(self._names) and self._names <= fields

    def _close(self) -> None:
        self._file.close()

    def _explain(self, problem: Exception) -> InstrumentError | None:
        return explain_file(
            problem,
            self.settings.address,
            missing="there is no such file; is the logger running?",
            wanted="name the file that the logger writes",
        )

    def _timeout_message(self) -> str:
        return f"{one_line(self.settings.address)}: no new line for {self.timeout:.3g} s; is the logger still running?"

    def _listen(self, seconds: float) -> Iterator[tuple[str, float | BadReply]]:
        lines = self._file.lines()
        if not lines and seconds > 0:
            time.sleep(min(seconds, _LOOK_EVERY))
            lines = self._file.lines()
        if self._file.head and self._head != self._file.head:
            lines = self._with_new_head(lines)
        for line in lines:
            if self._is_header(line):
                self._file.head = line
                self._find_columns()
            else:
                yield from self._values(line)

    def _with_new_head(self, lines: list[bytes]) -> list[bytes]:
        """Return the rows of a file that begins again: one that was cut to nothing may go on without its header."""
        first = self._file.head
        if self._head and self._names and not self._is_header(first):
            self._file.head = self._head
            return [first, *lines]
        self._find_columns()
        return lines

    def _values(self, line: bytes) -> Iterator[tuple[str, float | BadReply]]:
        fields = self._fields(line)
        for name, column in self._columns.items():
            if column >= len(fields):
                yield name, BadReply(f'a line has {len(fields)} columns, none numbered {column + 1}: "{shown(line)}"')
            else:
                yield name, self._value(self.channels[name], fields[column].strip())

    def _value(self, channel: ColumnChannel, field: str) -> float | BadReply:
        if not field or field.casefold() == "nan":
            return math.nan
        beyond = over_range(field, self._overload)
        if beyond is not None:
            return beyond
        plain = field.replace(",", ".") if self.settings.decimal_comma and "." not in field else field
        try:
            value = plain_number(plain)
            value = value_with_unit(plain, channel.unit) if value is None else value
        except BadReply as problem:
            return problem
        if value is None:
            hint = "" if self.settings.decimal_comma or "," not in field else "; set decimal_comma = true"
            return BadReply(f'wrote "{shown(field.encode())}", which is not a number{hint}')
        return value * channel.settings.factor + channel.settings.offset

    def _find_columns(self) -> None:
        """Find the columns in the header line. Raises `InstrumentError` where a name is missing or not unique."""
        self._head = self._file.head
        heads = self._names_in(self._head)
        self._columns = {
            name: self._column(channel.settings.column, heads)
            for name, channel in self.channels.items()
            if not self.settings.tables or channel.settings.column in heads
        }

    def _names_in(self, line: bytes) -> list[str]:
        return [head.strip().removeprefix("\ufeff") for head in self._fields(line)] if line else []

    def _column(self, wanted: str | int, heads: Sequence[str]) -> int:
        if isinstance(wanted, int):
            return wanted - 1
        if heads.count(wanted) != 1:
            what = "no column" if wanted not in heads else "more than one column"
            there = ", ".join(heads) or "none"
            raise InstrumentError(one_line(f'{self.settings.address}: has {what} "{wanted}"; its columns are {there}'))
        return heads.index(wanted)

    def _fields(self, line: bytes) -> list[str]:
        try:
            return next(csv.reader([line.decode("utf-8", "replace")], delimiter=self._separator), [])
        except csv.Error:
            return []
