"""A simulated thermal camera, whose program writes a picture every period: a text of numbers, or a PNG of 16 bits.

PNG (W3C, second edition), from memory: signature in 5.2, chunks with their CRC in 5.3, IHDR in 11.2.2, scan lines with
filter 0 in 9.2.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Sequence

from benchmon.atomic_file import put_in_place
from benchmon.bench import Bench, Channel, Instrument
from benchmon.errors import BadInput
from benchmon_simulated.servers.driver_settings import Keys, keys_of
from benchmon_simulated.servers.file_server import FileServer
from benchmon_simulated.supply.supply import SupplyUnderTest

Region = tuple[int, int, int, int]
_COOLER = 3.0
"""Kelvin by which a region is cooler than its hottest spot, and everything else than the air."""
_SATURATED = 65_535


class PictureServer(FileServer):
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
            part.write_bytes(self._text(numbers) if self._name.endswith("csv") else _png(numbers))

    def _text(self, rows: Sequence[Sequence[float]]) -> bytes:
        lines = [self._separator.join(self._digits(value) for value in row) for row in rows]
        return self._with_effects(self._heading + "".join(f"{line}\n" for line in lines))

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
