"""Servers of instruments that are read from files: one number a file, a logger's table, or a camera's pictures.

PNG (W3C, second edition), from memory: signature in 5.2, chunks with their CRC in 5.3, IHDR in 11.2.2, scan lines with
filter 0 in 9.2.
"""

from __future__ import annotations

import asyncio
import math
import struct
import tempfile
import zlib
from collections.abc import Sequence
from pathlib import Path

from benchmon.atomic_file import put_in_place
from benchmon.bench import Bench, Channel, Instrument
from benchmon.errors import BadInput, InstrumentError
from benchmon.text import one_line
from benchmon_simulated.fault_effects import ALIVE, CABLE_OUT, LineFaultEffect
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import Keys, channels_of, keys_of
from benchmon_simulated.servers.server import Language, Medium
from benchmon_simulated.servers.text_server import line_format
from benchmon_simulated.supply.supply import SupplyUnderTest

_SHORTEST_PERIOD = 0.1
Region = tuple[int, int, int, int]
_COOLER = 3.0
"""Kelvin by which a region is cooler than its hottest spot, and everything else than the air."""
_SATURATED = 65_535


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

    def _with_effects(self, content: str | bytes) -> bytes:
        data = content.encode() if isinstance(content, str) else content
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


class PictureServer(_FileServer):
    """A camera that looks at the parts; with a `factor` it writes images, unless the address ends in .csv or .txt."""

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        super().__init__(instrument, bench, supply, seed)
        keys = self._keys
        self._width, self._height = _pair(keys)
        is_text = not keys.has("factor") or instrument.address.endswith((".csv", ".txt"))
        self._name = "picture.csv" if is_text else "picture.png"
        self._factor, self._offset = keys.real("factor", 1.0) or 1.0, keys.real("offset", 0.0)
        self._separator = keys.text("separator", ",")
        self._comma = keys.flag("decimal_comma", default=False)
        self._heading = "heading\n" * keys.integer("skip_lines", 0, 0, 100) if keys.has("skip_lines") else ""
        whole = (0, 0, self._width, self._height)
        self._regions = [_region(channel, whole) for channel in self._channels]
        for at, one in enumerate(self._regions):
            if any(_overlap(one, other) for other in self._regions[:at]):
                raise BadInput(
                    f"channel {self._channels[at].name!r}: its region overlaps another, so it is not simulated"
                )

    def _create_files(self) -> str:
        self._write()
        return str(self.folder / self._name)

    def _write(self) -> None:
        snapshot = self._supply.snapshot
        air = snapshot.values.get("ambient.temperature", 25.0) - _COOLER
        rows = [[air] * self._width for _ in range(self._height)]
        for channel, meter, region in zip(self._channels, self.meters, self._regions, strict=True):
            _paint(rows, region, meter.read(snapshot), keys_of(channel).text("measure", "maximum"))
        numbers = [[(value - self._offset) / self._factor for value in row] for row in rows]
        with put_in_place(self.folder / self._name) as part:
            part.write_bytes(self._with_effects(self._text(numbers) if self._name.endswith("csv") else _png(numbers)))

    def _text(self, rows: Sequence[Sequence[float]]) -> str:
        lines = [self._separator.join(self._digits(value) for value in row) for row in rows]
        return self._heading + "".join(f"{line}\n" for line in lines)

    def _digits(self, value: float) -> str:
        digits = f"{value:.2f}" if math.isfinite(value) else "nan"
        return digits.replace(".", ",") if self._comma else digits


def _pair(keys: Keys) -> tuple[int, int]:
    size = [int(side) for side in keys.reals("size")]
    if len(size) != 2 or min(size) < 1 or size[0] * size[1] > 500_000:
        raise BadInput("size must be width and height of at most 500,000 pixels to be simulated")
    return size[0], size[1]


def _region(channel: Channel, whole: Region) -> Region:
    found = [int(side) for side in keys_of(channel).reals("region")]
    return (found[0], found[1], found[2], found[3]) if len(found) == 4 else whole


def _overlap(one: Region, other: Region) -> bool:
    return all(one[at] < other[at] + other[at + 2] and other[at] < one[at] + one[at + 2] for at in (0, 1))


def _paint(rows: list[list[float]], region: Region, value: float, measure: str) -> None:
    """Give a region the value: everywhere for its mean, at one spot for an extreme."""
    left, upper, wide, high = region
    others = value + {"maximum": -_COOLER, "minimum": _COOLER}.get(measure, 0.0)
    for row in rows[upper : upper + high]:
        row[left : left + wide] = [others] * wide
    rows[upper + high // 2][left + wide // 2] = value


def _png(rows: Sequence[Sequence[float]]) -> bytes:
    counts = [[_count(value) for value in row] for row in rows]
    lines = b"".join(b"\0" + struct.pack(f">{len(row)}H", *row) for row in counts)
    head = struct.pack(">IIBBBBB", len(counts[0]), len(counts), 16, 0, 0, 0, 0)
    chunks = (b"IHDR", head), (b"IDAT", zlib.compress(lines, 1)), (b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data)) for name, data in chunks
    )


def _count(value: float) -> int:
    if math.isnan(value):
        return 0
    return _SATURATED if math.isinf(value) else min(_SATURATED, max(1, round(value)))
