"""A logger that writes a table to a file, line after line: the newest line is what its meters show now."""

from __future__ import annotations

import csv
import math
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import AfterValidator, Field, StrictBool, StrictInt, StrictStr

from benchmon.bench.values import Number
from benchmon.errors import BadInput, BadReply, InstrumentError
from benchmon.instruments.driver import ChannelSettings, DrivenChannel, Driver, InstrumentSettings
from benchmon.text import one_line
from benchmon_drivers.growing_file import GrowingFile
from benchmon_drivers.replies import OVERLOAD, OverloadWords, over_range, plain_number, shown
from benchmon_drivers.serial_keys import not_zero

_LOOK_EVERY = 0.05


def _read_path(value: str) -> str:
    if not value or one_line(value, 4000) != value:
        raise BadInput('must be a file, such as "/home/me/log.csv"')
    return value


class CsvTailSettings(InstrumentSettings):
    """A table that a logger appends lines to."""

    address: Annotated[str, AfterValidator(_read_path)] = Field(description="The file that the logger writes.")
    separator: Annotated[str, Field(min_length=1, max_length=1)] = Field(
        ",", description="Character between two columns."
    )
    decimal_comma: StrictBool = Field(False, description="Whether numbers have a decimal comma.")
    header: StrictBool = Field(True, description="Whether the first line holds the names of the columns.")
    overload: OverloadWords = Field(
        OVERLOAD, description="Words in a column that mean over range, by default OL, O.L, OVLD and OVERLOAD."
    )


class CsvTailChannel(ChannelSettings):
    """Which column is the value."""

    column: StrictStr | Annotated[StrictInt, Field(ge=1, le=1000)] = Field(
        description="Name of the column in the first line, or its number from 1."
    )
    factor: Annotated[Number, AfterValidator(not_zero)] = Field(1.0, description="Factor on the number in the column.")
    offset: Number = Field(0.0, description="Added after the factor.")


ColumnChannel = DrivenChannel[CsvTailChannel]


class CsvTailDriver(Driver[CsvTailSettings, CsvTailChannel]):
    """A table that grows in a file."""

    settings_model: ClassVar[type[InstrumentSettings]] = CsvTailSettings
    channel_model: ClassVar[type[ChannelSettings]] = CsvTailChannel
    streams = True

    def __init__(self, name: str, settings: CsvTailSettings, channels: Sequence[ColumnChannel]) -> None:
        super().__init__(name, settings, channels)
        named = [channel.name for channel in channels if isinstance(channel.ask.column, str)]
        if named and not settings.header:
            raise BadInput(f"has no header, so {', '.join(named)} cannot have a column by its name; give its number")
        self._overload = frozenset(word.casefold() for word in settings.overload)
        self._file = GrowingFile(Path(settings.address), header=settings.header)
        self._head: bytes | None = None
        self._columns: dict[str, int] = {}

    def _open(self) -> str:
        self._file.open()
        self._head = None
        if self._file.head or not self.settings.header:
            self._find_columns()
        return ""

    def _close(self) -> None:
        self._file.close()

    def _explain(self, problem: Exception) -> InstrumentError | None:
        where = one_line(self.settings.address)
        if isinstance(problem, FileNotFoundError):
            return InstrumentError(f"{where}: there is no such file; does the logger run?")
        if isinstance(problem, IsADirectoryError):
            return InstrumentError(f"{where}: is a folder; name the file in it")
        return None

    def _silence(self) -> str:
        return f"{one_line(self.settings.address)}: no new line for {self.timeout:.3g} s; does the logger still run?"

    def _listen(self, seconds: float) -> Iterator[tuple[str, float | BadReply]]:
        lines = self._file.lines()
        if not lines and seconds > 0:
            time.sleep(min(seconds, _LOOK_EVERY))
            lines = self._file.lines()
        if lines and self._head != self._file.head:
            self._find_columns()
        for line in lines:
            yield from self._values(line)

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
        value = plain_number(field.replace(",", ".") if self.settings.decimal_comma and "." not in field else field)
        if value is None:
            hint = "" if self.settings.decimal_comma or "," not in field else "; set decimal_comma = true"
            return BadReply(f'wrote "{shown(field.encode())}", which is no number{hint}')
        return value * channel.ask.factor + channel.ask.offset

    def _find_columns(self) -> None:
        """Find the columns in the first line of the file. Raises `InstrumentError` where a name is not there once."""
        self._head = self._file.head
        heads = [head.strip().removeprefix("\ufeff") for head in self._fields(self._head)] if self._head else []
        self._columns = {name: self._column(channel.ask.column, heads) for name, channel in self.channels.items()}

    def _column(self, wanted: str | int, heads: Sequence[str]) -> int:
        if isinstance(wanted, int):
            return wanted - 1
        if heads.count(wanted) != 1:
            what = "no column" if wanted not in heads else "more than one column"
            there = ", ".join(heads) or "none"
            raise InstrumentError(one_line(f'{self.settings.address}: has {what} "{wanted}"; there is {there}'))
        return heads.index(wanted)

    def _fields(self, line: bytes) -> list[str]:
        try:
            return next(csv.reader([line.decode("utf-8", "replace")], delimiter=self.settings.separator), [])
        except csv.Error:
            return []
