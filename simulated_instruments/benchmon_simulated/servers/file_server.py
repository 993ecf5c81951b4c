"""Servers of instruments that are read from files: one number a file, or a logger's table."""

from __future__ import annotations

import asyncio
import math
import tempfile
from collections.abc import Sequence
from pathlib import Path

from benchmon.atomic_file import put_in_place
from benchmon.bench import Bench, Channel, Instrument
from benchmon.errors import BadInput, InstrumentError
from benchmon.text import one_line
from benchmon_simulated.fault_effects import ALIVE, CABLE_OUT, LineFaultEffect
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import channels_of, keys_of
from benchmon_simulated.servers.server import Language, Medium
from benchmon_simulated.servers.text_server import line_format
from benchmon_simulated.supply.supply import SupplyUnderTest

_SHORTEST_PERIOD = 0.1


class _FileServer:
    """Base: writes files into a temporary folder. Unplugged, they are gone; switched off, they are not updated."""

    speaks: Language = "file"
    medium: Medium = "file"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        self.name = instrument.name
        self._supply, self._keys = supply, keys_of(instrument)
        self._channels = channels_of(bench, instrument)
        self.meters: Sequence[Meter] = [Meter(channel, seed, supply.effects) for channel in self._channels]
        self._period = max(_SHORTEST_PERIOD, min((channel.period for channel in self._channels), default=1.0))
        self._effects: tuple[LineFaultEffect, ...] = ()
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    @property
    def folder(self) -> Path:
        """The folder of the open server."""
        assert self._folder is not None  # noqa: S101 (the server is open)
        return Path(self._folder.name)

    async def open(self) -> str:
        """Create the folder and its files; return the address. Raises `InstrumentError` where the system refuses it."""
        try:
            self._folder = tempfile.TemporaryDirectory(prefix="benchmon-files-")
            return self._create_files()
        except OSError as problem:
            why = problem.strerror or problem
            raise InstrumentError(
                f"instrument {self.name!r}: its simulated files cannot be written: {why}"
            ) from problem

    async def run(self) -> None:
        """Write every period, until cancelled."""
        while True:
            await asyncio.sleep(self._period)
            if all(effect.link_state == ALIVE for effect in self._effects):
                self._write()

    async def apply(self, effects: tuple[LineFaultEffect, ...]) -> None:
        """Replace the active effects on its files."""
        was_gone, gone = (any(m.link_state == CABLE_OUT for m in some) for some in (self._effects, effects))
        self._effects = effects
        if gone and not was_gone:
            self._remove_files()
        elif was_gone and not gone:
            self._create_files()

    async def close(self) -> None:
        """Remove the folder."""
        if self._folder is not None:
            self._folder.cleanup()

    def _with_effects(self, text: str) -> bytes:
        data = text.encode()
        for effect in self._effects:
            data = effect.sent(data)
        return data

    @property
    def _clock_ahead(self) -> float:
        return sum(effect.clock_ahead for effect in self._effects)

    def _create_files(self) -> str:
        raise NotImplementedError

    def _write(self) -> None:
        raise NotImplementedError

    def _remove_files(self) -> None:
        for path in self.folder.iterdir():
            path.unlink()


class ValueFileServer(_FileServer):
    """A file for each channel, replaced every period and complete at any moment, as the kernel's files are."""

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        super().__init__(instrument, bench, supply, seed)
        self._values = [_ValueInFile(channel) for channel in self._channels]
        # Where no channel names a file, the address is the file.
        self._is_file = not any(value.file for value in self._values)

    def _create_files(self) -> str:
        self._write()
        return str(self.folder / "value") if self._is_file else str(self.folder)

    def _write(self) -> None:
        for value, meter in zip(self._values, self.meters, strict=True):
            path = self.folder / (value.file or "value")
            with put_in_place(path) as part:
                part.write_bytes(self._with_effects(value.text(meter.read(self._supply.snapshot))))


class _ValueInFile:
    """The file of one channel: its name and its text."""

    def __init__(self, channel: Channel) -> None:
        keys = keys_of(channel)
        self.file = keys.text("file")
        self._factor, self._offset = keys.real("factor", 1.0) or 1.0, keys.real("offset", 0.0)
        self._no_value = keys.reals("no_value")
        if self.file != Path(self.file).name or "*" in self.file:
            raise BadInput(f"channel {channel.name!r}: file = {one_line(self.file, 40)!r} cannot be simulated")
        try:
            self._format = line_format(keys.text("pattern") or r"(?P<value>[-+]?[0-9.]+)")
        except BadInput as problem:
            raise BadInput(f"channel {channel.name!r}: its {problem}") from problem

    def text(self, value: float) -> str:
        """Return the file's text for `value`; where it is NaN or infinite, `no_value` or an empty line."""
        if math.isfinite(value):
            return self._format.line({"value": (value - self._offset) / self._factor}) + "\n"
        return self._format.line({"value": self._no_value[0]}) + "\n" if self._no_value else "\n"


class CsvServer(_FileServer):
    """A logger's table that grows line by line: a heading, a column of times and one for each channel."""

    has_clock = True
    speaks: Language = "text"

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        super().__init__(instrument, bench, supply, seed)
        keys = self._keys
        self._separator = keys.text("separator", ",")
        self._comma = keys.flag("decimal_comma", default=False)
        self._has_header = keys.flag("header", default=True)
        self._overload = next(iter(keys.texts("overload")), "OL")
        columns = [_FileColumn(channel) for channel in self._channels]
        numbers = [column.number for column in columns if column.number]
        # The time is column 1; columns with a number have it, and those with a name take the free places in order.
        free = (at for at in range(1, 2000) if at + 1 not in numbers)
        self._places = [column.number - 1 if column.number else next(free) for column in columns]
        self._columns = columns

    def _create_files(self) -> str:
        names = {at: column.name for at, column in zip(self._places, self._columns, strict=True)}
        heading = self._line({0: "time"} | names) if self._has_header else ""
        (self.folder / "log.csv").write_text(heading, encoding="utf-8")
        return str(self.folder / "log.csv")

    def _write(self) -> None:
        snapshot = self._supply.snapshot
        fields = {0: f"{snapshot.time + self._clock_ahead:.2f}"}
        for at, column, meter in zip(self._places, self._columns, self.meters, strict=True):
            fields[at] = column.text(meter.read(snapshot), self._overload)
        if self._comma:
            fields = {at: field.replace(".", ",") for at, field in fields.items()}
        with (self.folder / "log.csv").open("ab") as table:
            table.write(self._with_effects(self._line(fields)))

    def _line(self, fields: dict[int, str]) -> str:
        return self._separator.join(fields.get(at, "") for at in range(max(fields) + 1)) + "\n"


class _FileColumn:
    """The column of one channel: its name, or its number from 1 (0 if it has a name)."""

    def __init__(self, channel: Channel) -> None:
        keys = keys_of(channel)
        self.number = 0
        self.name = channel.name
        try:
            self.name = keys.text("column")
        except BadInput:
            self.number = keys.integer("column", 0, 1, 1000)
        self._factor, self._offset = keys.real("factor", 1.0) or 1.0, keys.real("offset", 0.0)

    def text(self, value: float, overload: str) -> str:
        """Return what the logger writes for `value`; "" for NaN."""
        if math.isnan(value):
            return ""
        return overload if math.isinf(value) else f"{(value - self._offset) / self._factor:.6g}"
