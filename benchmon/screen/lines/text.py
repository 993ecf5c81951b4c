"""Cells: pieces of one line with a width and a meaning, the form in which all pure parts hand text to a widget."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Literal, NamedTuple

from rich.cells import cell_len, chop_cells, set_cell_size

from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet


class Cell(NamedTuple):
    """A piece of a line: text as wide as it is to be shown, and what it means."""

    text: str
    role: StyleRole = StyleRole.PLAIN

    @property
    def width(self) -> int:
        """The columns it takes."""
        return width_of(self.text)


def width_of(text: str) -> int:
    """Return the columns that `text` takes."""
    return len(text) if text.isascii() else cell_len(text)


Line = tuple[Cell, ...]
"""One line of the screen, from left to right."""


def fit(text: str, width: int, symbols: SymbolSet, align: Literal["left", "right"] = "left") -> str:
    """Return `text` exactly `width` columns wide; text that is too long loses its end to an ellipsis."""
    if width <= 0:
        return ""
    length = width_of(text)
    if length > width:
        return set_cell_size(set_cell_size(text, width - 1).rstrip() + symbols.ellipsis, width)
    return " " * (width - length) + text if align == "right" else text + " " * (width - length)


def fit_name(text: str, width: int, symbols: SymbolSet) -> str:
    """Return `text` exactly `width` columns wide; a name that is too long loses its middle.

    Its beginning and its last word, or the end of that, distinguish names.
    """
    if width_of(text) <= width or width < 6:
        return fit(text, width, symbols)
    tail = ""
    for char in reversed(text):
        if char == " " or width_of(char + tail) > (width - 1) // 2:
            break
        tail = char + tail
    head = set_cell_size(text, width - 1 - width_of(tail)).rstrip()
    return fit(head + symbols.ellipsis + tail, width, symbols)


def wrap(text: str, width: int) -> list[str]:
    """Return `text` in lines of at most `width` columns, broken at spaces where there are any; never an empty list.

    A number stays with its unit.

    >>> wrap("hold for another 20 s", 20)
    ['hold for another', '20 s']
    """
    return list(_wrapped(text, width))


_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|°C|K|s|min|h|[pnµmkM]?(?:V|A|W|Ω|F|H|VA|Hz))(?![A-Za-z]))")
_TOGETHER = "\N{NO-BREAK SPACE}"


@lru_cache(maxsize=256)
def _wrapped(text: str, width: int) -> tuple[str, ...]:
    lines, line = [], ""
    for word in _BEFORE_UNIT.sub(_TOGETHER, text).split(" "):
        for piece in chop_cells(word, max(1, width)) or [""]:
            joined = f"{line} {piece}" if line else piece
            if width_of(joined) <= width:
                line = joined
            else:
                lines.append(line)
                line = piece
    return tuple(each.replace(_TOGETHER, " ") for each in (*lines, line))


def rule(title: str, width: int, symbols: SymbolSet, aside: str = "") -> Line:
    """Return a heading line: `title`, a rule to the right edge, and `aside` at its end; the title gives way."""
    right = f" {aside}" if aside else ""
    room = max(0, width - width_of(right))
    left = f"{title} " if title else ""
    left = left + symbols.rule * (room - width_of(left)) if width_of(left) <= room else fit(title, room, symbols)
    return (Cell(fit(left + right, width, symbols), StyleRole.QUIET),)
