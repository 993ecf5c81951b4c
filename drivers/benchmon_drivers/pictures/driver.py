"""Thermal cameras: the hottest spot, the mean or the coldest spot of a region is a channel.

The picture is a file that a camera's program writes again and again, the newest of several, or a page over HTTP.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from email.utils import parsedate_to_datetime
from glob import has_magic, iglob
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field, StrictBool, StrictInt, model_validator

from benchmon.bench.fields import Factor, KeyedError, Number, Seconds
from benchmon.errors import BadInput, BadReply, InstrumentError
from benchmon.input_file import open_ordinary
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon.text import one_line
from benchmon_drivers.network.access import HTTP_PORTS, HttpKeys, read_url, require_library
from benchmon_drivers.pictures.temperatures import PictureLayout, Temperatures, read_temperatures
from benchmon_drivers.written_files import UNTIL_KNOWN, WritingPauses, explain_file, named_by

if TYPE_CHECKING:
    from benchmon_drivers.network.http_client import HttpClient

LARGEST = 32_000_000
"""The most bytes of a picture."""
_LONGEST_SIDE, _MOST_PIXELS = 4000, 4_000_000
_MOST_FILES = 10_000

Side = Annotated[StrictInt, Field(ge=1, le=_LONGEST_SIDE)]
Place = Annotated[StrictInt, Field(ge=0, lt=_LONGEST_SIDE)]
Measure = Literal["maximum", "mean", "minimum"]
_MEASURES: dict[Measure, Callable[[Temperatures], np.float64]] = {
    "maximum": np.max,
    "mean": np.mean,
    "minimum": np.min,
}


class ThermalPictureSettings(InstrumentSettings, HttpKeys):
    """A thermal camera whose program writes or serves pictures of temperatures."""

    address: Annotated[str, named_by('a file, such as "/home/me/pictures/*.png", or a URL')] = Field(
        description='File of the picture, with * for the newest of several: "/home/me/pictures/*.png"; or its URL.'
    )
    size: tuple[Side, Side] = Field(description="Width and height of the picture in pixels, such as [160, 120].")
    factor: Factor | None = Field(
        None,
        description="Factor from the numbers in the picture to °C; 1 for a text, and required for an image.",
    )
    offset: Number = Field(0.0, description="Added after the factor; -273.15 where the numbers are kelvins.")
    separator: Annotated[str, Field(min_length=1, max_length=1)] = Field(
        ",", description='Character between two numbers of a text; " " stands for any blanks.'
    )
    decimal_comma: StrictBool = Field(False, description="Whether numbers of a text have a decimal comma.")
    skip_lines: Annotated[StrictInt, Field(ge=0, le=100)] = Field(
        0, description="Lines before the first row of numbers of a text."
    )
    max_age: Annotated[Seconds, Field(gt=0)] | None = Field(
        None,
        description="How old the picture may be, or how long the same one may be served. Without it a file may be five "
        "times as old as the longest pause between two pictures that was seen, or 60 s before that; 60 s for a URL.",
    )

    @model_validator(mode="after")
    def _fits_together(self) -> ThermalPictureSettings:
        if self.size[0] * self.size[1] > _MOST_PIXELS:
            raise KeyedError("size", list(self.size), f"is more than {_MOST_PIXELS} pixels")
        if self.decimal_comma and self.separator == ",":
            raise KeyedError("separator", ",", "is the decimal comma already; name what stands between the numbers")
        if self.is_served:
            read_url(self.address, HTTP_PORTS, "http://192.168.1.8/temperatures.png")
        return self

    @property
    def is_served(self) -> bool:
        """Whether the picture comes over HTTP."""
        return "://" in self.address

    @property
    def layout(self) -> PictureLayout:
        """The layout of the pictures."""
        return PictureLayout(*self.size, self.factor, self.offset, self.separator, self.decimal_comma, self.skip_lines)


class ThermalPictureChannel(ChannelSettings):
    """Which part of the picture is the channel, and what of it."""

    region: tuple[Place, Place, Side, Side] | None = Field(
        None,
        description="Left edge, upper edge, width and height of the part in pixels, from 0 at the upper left: "
        "[40, 30, 20, 20]; left out, it is the whole picture.",
    )
    measure: Measure = Field("maximum", description="What of the region is read.")


PictureChannel = DrivenChannel[ThermalPictureChannel]


class ThermalPictureDriver(Driver[ThermalPictureSettings, ThermalPictureChannel]):
    """Temperatures of regions. The constructor raises `BadInput` where a region is not inside the picture."""

    settings_model: ClassVar[type[InstrumentSettings]] = ThermalPictureSettings
    channel_model: ClassVar[type[ChannelSettings]] = ThermalPictureChannel
    queries_together = True

    def __init__(self, name: str, settings: ThermalPictureSettings, channels: Sequence[PictureChannel]) -> None:
        super().__init__(name, settings, channels)
        width, height = settings.size
        for channel in channels:
            left, upper, wide, high = channel.settings.region or (0, 0, width, height)
            if left + wide > width or upper + high > height:
                raise BadInput(
                    f"has pictures of {width} × {height} pixels, so the region of {channel.name} lies outside"
                )
            if channel.unit != "°C":
                raise BadInput(f"reads temperatures only, and {channel.name} is none")
        if settings.is_served:
            require_library("httpx", "httpx", "http")
        self._source: _Files | _Served = _Served(settings) if settings.is_served else _Files(settings)

    def _open(self) -> str:
        self._source.open(self.timeout)
        return ""

    def _close(self) -> None:
        self._source.close()

    def _query_many(self, channels: Sequence[PictureChannel]) -> list[float | InstrumentError]:
        picture = read_temperatures(self._source.newest(self.timeout), self.settings.layout)
        return [_value(channel.settings, picture) for channel in channels]

    def _explain(self, problem: Exception) -> InstrumentError | None:
        return explain_file(
            problem,
            self.settings.address,
            missing="there is no such picture; is the camera's program running?",
            wanted="name the camera's picture",
        )


def _value(keys: ThermalPictureChannel, picture: Temperatures) -> float | InstrumentError:
    left, upper, wide, high = keys.region or (0, 0, picture.shape[1], picture.shape[0])
    region = picture[upper : upper + high, left : left + wide]
    without = int(np.isnan(region).sum())
    if without:
        return BadReply(f"has {without} pixels without a value in the region")
    return float(_MEASURES[keys.measure](region))


class _Files:
    """A file, or the newest of several. Raises `OSError`, and `BadInput` for what is no ordinary file."""

    def __init__(self, settings: ThermalPictureSettings) -> None:
        self._settings = settings
        self._pauses = WritingPauses()

    def open(self, seconds: float) -> None:  # noqa: ARG002 - as the other source
        self._path().stat()

    def close(self) -> None:
        """Do nothing: a file is open only while it is read."""

    def newest(self, seconds: float) -> bytes:  # noqa: ARG002 - as the other source
        """Return the newest picture. Raises `BadReply` where it is too old, too large or being written."""
        with open_ordinary(self._path()) as file:
            before = os.fstat(file.fileno())
            age, key = time.time() - before.st_mtime, Path(self._settings.address)
            longest = self._settings.max_age or self._pauses.longest_age(key, before.st_mtime)
            if age > longest:
                raise BadReply(f"was written {age:.3g} s ago; is the camera's program still running?")
            data = file.read(LARGEST + 1)
            after = os.fstat(file.fileno())
        if len(data) > LARGEST:
            raise BadReply(f"is larger than {LARGEST // 10**6} MB")
        if (before.st_mtime_ns, before.st_size) != (after.st_mtime_ns, after.st_size) or len(data) != after.st_size:
            raise BadReply("is just being written")
        return data

    def _path(self) -> Path:
        wanted = self._settings.address
        if not has_magic(wanted):
            return Path(wanted)
        found = list(islice(iglob(wanted), _MOST_FILES + 1))  # noqa: PTH207 - the pattern is a whole path
        if len(found) > _MOST_FILES:
            raise InstrumentError(one_line(f"{wanted}: there are more than {_MOST_FILES} pictures; remove old ones"))
        if not found:
            raise FileNotFoundError(wanted)
        return max(map(Path, found), key=lambda path: (path.stat().st_mtime_ns, path.name))


class _Served:
    """A picture over HTTP. Raises as `HttpClient` does."""

    def __init__(self, settings: ThermalPictureSettings) -> None:
        self._settings = settings
        self._client: HttpClient | None = None
        self._last, self._since = b"", 0.0

    def open(self, seconds: float) -> None:
        from benchmon_drivers.network.http_client import HttpClient  # noqa: PLC0415 - needs an optional library

        self.close()
        self._client = HttpClient(self._settings.address, self._settings, LARGEST)
        self._client.get(self._settings.address, seconds)

    def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()

    def newest(self, seconds: float) -> bytes:
        """Return the picture. Raises `BadReply` where it, or its server, says that it is too old."""
        if self._client is None:
            raise InstrumentError(f"{self._settings.address}: is not connected")
        page = self._client.get(self._settings.address, seconds)
        longest, now = self._settings.max_age or UNTIL_KNOWN, time.monotonic()
        made, served = _time_of(page.fields.get("last-modified")), _time_of(page.fields.get("date"))
        if made is not None and served is not None and (served - made).total_seconds() > longest:
            raise BadReply(f"was made {(served - made).total_seconds():.3g} s ago; does the camera still measure?")
        if page.content != self._last:
            self._last, self._since = page.content, now
        elif now - self._since > longest:
            raise BadReply(f"has not changed for {now - self._since:.3g} s; does the camera still measure?")
        return page.content


def _time_of(field: str | None) -> datetime | None:
    try:
        return parsedate_to_datetime(field) if field else None
    except ValueError:
        return None
