"""From the parts of the screen to the cells of the terminal: what the rows of a frame are made of."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping

from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from benchmon.screen.lines.text import Line
from benchmon.screen.styles import STYLES, StyleRole
from benchmon.screen.terminal.cell_diff import TerminalCells

Piece = tuple[int, int, Line | Strip]
"""A piece of a row: the column where it begins, its width, and what stands there; room that is left is blank."""

Rows = list[list[Piece]]
"""The pieces of every row of the terminal; a later piece lies over an earlier one."""

_STYLE = re.compile(r"\x1b\[([\d;]*)m")


class Frame:
    """Writes rows into the picture of a terminal, and only those that are not there yet.

    `without_colour` takes from a style what the terminal is not to have; `styles` are how the tones look.
    """

    def __init__(
        self, without_colour: Callable[[Segment], Segment], styles: Mapping[StyleRole, Style] = STYLES
    ) -> None:
        self._painted: dict[int, list[Piece]] = {}
        self._tones = {tone: sgr(without_colour(Segment("x", styles[tone])).style) for tone in StyleRole}

    def forget(self) -> None:
        """Take that something else has written into the picture."""
        self._painted.clear()

    def paint(self, rows: Rows, picture: TerminalCells) -> None:
        """Write `rows` into `picture`."""
        for y, row in enumerate(rows):
            before = self._painted.get(y)
            if before == row:
                continue
            self._painted[y] = row
            for x, width, content in _differing(before, row) or row:
                picture.put(y, x, width, self._runs(content))

    def _runs(self, content: Line | Strip) -> Iterator[tuple[str, str]]:
        if isinstance(content, Strip):
            for text, style, _ in content:
                yield text, sgr(style)
        else:
            for cell in content:
                yield cell.text, self._tones[cell.tone]


def _differing(before: list[Piece] | None, row: list[Piece]) -> list[Piece]:
    """Return only the cells of a row that differ, where it is one line of cells as wide as before; else nothing."""
    if before is None or len(before) != 1 or len(row) != 1:
        return []
    (x, width, former), (now_x, now_width, now) = before[0], row[0]
    if (x, width) != (now_x, now_width) or isinstance(former, Strip) or isinstance(now, Strip):
        return []
    if len(former) != len(now):
        return []
    found: list[Piece] = []
    end = x + width
    for one, other in zip(former, now, strict=True):
        wide = other.width
        if one is not other and one != other:
            if one.width != wide or x + wide > end:
                return []
            found.append((x, wide, (other,)))
        x += wide
    return found


def sgr(style: Style | None) -> str:
    """Return the parameters of SGR that give `style`, "" where it is plain."""
    found = _STYLE.match(style.render("x")) if style else None
    return found[1] if found else ""
