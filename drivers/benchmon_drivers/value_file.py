"""A number in a file: the sensors that Linux has under /sys, or a file that another program writes."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Sequence
from glob import glob, has_magic
from pathlib import Path
from typing import Annotated, ClassVar

from pydantic import Field

from benchmon.bench.fields import Factor, KeyedError, Number, Seconds
from benchmon.errors import BadReply, InstrumentError
from benchmon.input_file import open_ordinary
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon.text import one_line
from benchmon_drivers.bounded_pattern import BoundedPattern
from benchmon_drivers.number_parsing import Pattern, plain_number, shown, value_with_unit
from benchmon_drivers.written_files import WritingPauses, explain_file, named_by

_LARGEST = 4096
_OF_THE_KERNEL = ("/sys", "/proc")
_MISSING = "there is no such file; is the sensor plugged in?"


class ValueFileSettings(InstrumentSettings):
    """A file with one number in it, or a folder of such files.

    The kernel makes its own files at the moment they are read, so they need no `max_age`.
    """

    address: Annotated[str, named_by('a file or a folder, such as "/sys/class/hwmon/hwmon2"')] = Field(
        description="File, or the folder of the channels' files; * stands for what changes, and exactly one path "
        "must match."
    )
    max_age: Annotated[Seconds, Field(gt=0)] | None = Field(
        None,
        description="How old the file may be. Without it a file of the kernel may have any age, and another one five "
        "times the longest pause between two writings that was seen, or 60 s before that.",
    )


class ValueFileChannel(ChannelSettings):
    """Where a number is, and how it becomes the quantity."""

    file: str = Field("", description="File in the folder that is the address.")
    pattern: Pattern | None = Field(
        None,
        description="Regular expression whose group value, or else its first group, is the number; without it the "
        "file holds a number alone.",
    )
    factor: Factor = Field(1.0, description="Factor on the number in the file.")
    offset: Number = Field(0.0, description="Added after the factor.")
    no_value: tuple[float, ...] = Field((), description="Numbers in the file that mean no reading.")


FileChannel = DrivenChannel[ValueFileChannel]


class ValueFileDriver(Driver[ValueFileSettings, ValueFileChannel]):
    """Numbers in files of one folder."""

    settings_model: ClassVar[type[InstrumentSettings]] = ValueFileSettings
    channel_model: ClassVar[type[ChannelSettings]] = ValueFileChannel

    def __init__(self, name: str, settings: ValueFileSettings, channels: Sequence[FileChannel]) -> None:
        super().__init__(name, settings, channels)
        self._patterns = {channel.name: _compiled(channel) for channel in channels if channel.settings.pattern}
        self._pauses = WritingPauses()

    def cautions(self) -> list[str]:
        """Return what to know of the patterns before a test."""
        return sorted({caution for pattern in self._patterns.values() if (caution := pattern.caution())})

    def _open(self) -> str:
        return ""

    def _close(self) -> None:
        """Do nothing: a file is open only while it is read."""

    def _query(self, channel: FileChannel) -> float:
        try:
            text = self._read(self._file_of(channel))
        except FileNotFoundError as problem:
            if not any(self._is_there(other) for other in self.channels.values()):
                raise InstrumentError(one_line(f"{self.settings.address}: {_MISSING}")) from problem
            raise BadReply(
                one_line(f"there is no file {channel.settings.file} in {self.settings.address}")
            ) from problem
        digits = self._digits(channel, text)
        raw = plain_number(digits)
        raw = value_with_unit(digits, channel.unit) if raw is None else raw
        if raw is None:
            raise BadReply(f'holds "{shown(digits.encode())}", which is not a number; check pattern')
        return math.nan if raw in channel.settings.no_value else raw * channel.settings.factor + channel.settings.offset

    def _explain(self, problem: Exception) -> InstrumentError | None:
        return explain_file(problem, self.settings.address, missing=_MISSING, wanted="name a file with a number")

    def _digits(self, channel: FileChannel, text: str) -> str:
        pattern = self._patterns.get(channel.name)
        if pattern is None:
            return text
        match = pattern.search(text)
        if match is None:
            raise BadReply(f'holds "{shown(text.encode())}", which does not fit the pattern')
        return match["value" if "value" in pattern.names else 1] or ""

    def _is_there(self, channel: FileChannel) -> bool:
        try:
            return self._file_of(channel).exists()
        except (OSError, InstrumentError):
            return False

    def _file_of(self, channel: FileChannel) -> Path:
        wanted = str(Path(self.settings.address, channel.settings.file))
        if not has_magic(wanted):
            return Path(wanted)
        found = glob(wanted)  # noqa: PTH207  the pattern is a whole path
        if len(found) > 1:
            where = ", ".join(sorted(found)[:3])
            raise InstrumentError(one_line(f"{wanted}: there are {len(found)} such files ({where}, …); name one"))
        if not found:
            raise FileNotFoundError(wanted)
        return Path(found[0])

    def _read(self, path: Path) -> str:
        with open_ordinary(path) as file:
            state = os.fstat(file.fileno())
            age = time.time() - state.st_mtime
            if age > self._longest_age(path, state.st_mtime):
                hint = "" if self.settings.max_age is not None else " (max_age says how old it may be)"
                raise BadReply(f"was last written {age:.3g} s ago; is the program that writes it still running?{hint}")
            return file.read(_LARGEST).decode("utf-8", "replace").strip()

    def _longest_age(self, path: Path, written: float) -> float:
        """Return how old (s) a file may be that was last `written` then: a number of a dead writer is no reading."""
        if self.settings.max_age is not None:
            return self.settings.max_age
        if path.resolve().parts[:2] in [("/", kernel[1:]) for kernel in _OF_THE_KERNEL]:
            return math.inf
        return self._pauses.longest_age(path, written)


def _compiled(channel: FileChannel) -> BoundedPattern:
    pattern = BoundedPattern(channel.settings.pattern or "")
    if not pattern.groups:
        raise KeyedError("pattern", pattern.pattern, f"has no group for the number that {channel.name} wants: (…)")
    return pattern
