"""The base of the parts of the screen: lines of cells, of which only those that changed are painted again."""

from __future__ import annotations

from collections.abc import Sequence

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from benchmon.screen.cells import Line
from benchmon.screen.tones import STYLES

_BLANK = Style()


class CellLines(Widget):
    """A widget that shows lines of cells and, over a slow line, sends no cell twice."""

    DEFAULT_CSS = """
    CellLines { width: 1fr; height: auto; }
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002  (the name is Textual's)
        super().__init__(id=id)
        self._lines: list[Line] = []

    @property
    def lines(self) -> Sequence[Line]:
        """Return the lines shown."""
        return self._lines

    def paint(self, lines: list[Line]) -> None:
        """Show `lines`, and have only the cells repainted that differ from those shown before."""
        before, self._lines = self._lines, lines
        for y in range(max(len(before), len(lines))):
            old = before[y] if y < len(before) else ()
            new = lines[y] if y < len(lines) else ()
            if old != new:
                self._repaint(y, old, new)

    def _repaint(self, y: int, old: Line, new: Line) -> None:
        widths = [cell.width for cell in new]
        if widths != [cell.width for cell in old]:
            self.refresh(Region(0, y, max(1, self.size.width), 1))
            return
        x = 0
        for width, cell, former in zip(widths, new, old, strict=True):
            if cell != former and width:
                self.refresh(Region(x, y, width, 1))
            x += width

    def render_line(self, y: int) -> Strip:
        """Return line `y` as Textual wants it."""
        line = self._lines[y] if y < len(self._lines) else ()
        strip = Strip([Segment(cell.text, STYLES[cell.tone]) for cell in line])
        return strip.adjust_cell_length(self.size.width, _BLANK)
