"""Pictures of temperatures: a grid of numbers as text, or a greyscale image (PNG, TIFF) of 16 bits or of floats.

A picture that is not whole, or has not the size that the bench file gives, is none: so a half-written one is never
taken for a whole one. A pixel of 0 in an image of 16 bits has no value, and one of 65535 is over range.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib.util import find_spec
from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmon.errors import BadReply
from benchmon.text import one_line

Temperatures = NDArray[np.float64]
_PNG = b"\x89PNG\r\n\x1a\n"
_TIFF = (b"II*\0", b"MM\0*")
_NUMBER = r"(?:[-+]?(?:[0-9]+(?:{0}[0-9]*)?|{0}[0-9]+)(?:[eE][-+]?[0-9]{{1,2}})?|[nN][aA][nN])"
_SATURATED = 65_535
_COUNTS = ("I;16", "I;16B", "I;16L", "I")
_FLOATS = ("F",)
_ABSOLUTE_ZERO = -273.15


@dataclass(frozen=True, slots=True)
class PictureLayout:
    """The layout of pictures of `width` times `height` pixels.

    A temperature in °C is number × factor + offset; `factor` is None where it is not given, which an image needs.
    `separator` is what stands between two numbers of a text, " " for any blanks; its first `skip_lines` are no rows.
    """

    width: int
    height: int
    factor: float | None = None
    offset: float = 0.0
    separator: str = ","
    decimal_comma: bool = False
    skip_lines: int = 0


def read_temperatures(data: bytes, layout: PictureLayout) -> Temperatures:
    """Return the temperatures in °C, (height, width): inf where the camera is over range, nan without a value.

    Raises `BadReply` where `data` is no whole picture of that layout.
    """
    numbers = _of_image(data, layout) if data.startswith((_PNG, *_TIFF)) else _of_text(data, layout)
    temperatures = numbers * (1.0 if layout.factor is None else layout.factor) + layout.offset
    if np.any(temperatures < _ABSOLUTE_ZERO - 1e-6):
        raise BadReply("has temperatures below absolute zero; check factor and offset")
    return temperatures


def _of_text(data: bytes, layout: PictureLayout) -> Temperatures:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise BadReply("is neither a text of numbers nor a PNG or TIFF image") from problem
    if not text.endswith("\n"):
        raise BadReply("is not whole: its last line has no end")
    lines = [line.removesuffix("\r") for line in text.split("\n")[:-1]][layout.skip_lines :]
    while lines and not lines[-1].strip():
        del lines[-1]
    if len(lines) != layout.height:
        raise BadReply(f"has {len(lines)} rows where size has {layout.height}; it is not whole, or size is wrong")
    row = _row_pattern(layout)
    return np.array([_row(line, row, layout) for line in lines], dtype=np.float64)


def _row_pattern(layout: PictureLayout) -> re.Pattern[str]:
    number = _NUMBER.format("," if layout.decimal_comma else r"\.")
    if layout.separator == " ":
        return re.compile(rf"[ \t]*{number}(?:[ \t]+{number})*[ \t]*")
    between = re.escape(layout.separator)
    # Some programs write a separator behind the last number, too.
    return re.compile(rf" *{number} *(?:{between} *{number} *)*(?:{between} *)?")


def _row(line: str, row: re.Pattern[str], layout: PictureLayout) -> list[float]:
    if row.fullmatch(line) is None:
        raise BadReply(f'has a row that is no numbers: "{one_line(line, 40)}"; check separator and decimal_comma')
    plain = line.strip()
    is_blank = layout.separator == " "
    fields = plain.split() if is_blank else plain.removesuffix(layout.separator).split(layout.separator)
    if len(fields) != layout.width:
        raise BadReply(f"has a row of {len(fields)} numbers where size has {layout.width}")
    return [float(field.replace(",", ".") if layout.decimal_comma else field) for field in fields]


def _of_image(data: bytes, layout: PictureLayout) -> Temperatures:
    if find_spec("PIL") is None:
        raise BadReply("is an image, which needs Pillow: pip install '.[pictures]' in the clone of benchmon")
    if layout.factor is None:
        raise BadReply("is an image, whose numbers are temperatures only by factor and offset; give them")
    numbers, mode = _decoded(data, layout)
    if mode in _FLOATS:
        return numbers
    if np.any((numbers < 0) | (numbers > _SATURATED)):
        raise BadReply("is an image of more than 16 bits")
    return np.where(numbers == 0, np.nan, np.where(numbers == _SATURATED, np.inf, numbers))


def _decoded(data: bytes, layout: PictureLayout) -> tuple[Temperatures, str]:
    """Return the numbers of an image, (height, width), and the library's name of their kind. Raises `BadReply`."""
    from PIL import Image  # noqa: PLC0415 - an optional library

    try:
        with Image.open(BytesIO(data), formats=("PNG", "TIFF")) as image:
            _check_head(image, layout)
            # It looks at the checksums, which loading does not, and leaves the image unusable.
            if image.format == "PNG":
                image.verify()
        with Image.open(BytesIO(data), formats=("PNG", "TIFF")) as image:
            image.load()
            return np.asarray(image).astype(np.float64), image.mode
    except BadReply:
        raise
    except Exception as problem:
        raise BadReply(one_line(f"is no whole image: {problem or type(problem).__name__}", 200)) from problem


def _check_head(image: Any, layout: PictureLayout) -> None:
    if image.size != (layout.width, layout.height):
        raise BadReply(
            f"is an image of {image.size[0]} × {image.size[1]} where size has {layout.width} × {layout.height}"
        )
    if image.mode not in (*_COUNTS, *_FLOATS):
        raise BadReply("is no greyscale image of 16 bits; one of 8 bits, or in colours, shows no temperatures")
    if getattr(image, "n_frames", 1) != 1:
        raise BadReply("holds several images")
