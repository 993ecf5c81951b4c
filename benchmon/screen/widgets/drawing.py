"""A widget that fills its room with the lines that a function draws for it."""

from __future__ import annotations

from collections.abc import Callable

from benchmon.screen.cells import Line
from benchmon.screen.widgets.cell_lines import CellLines


class Drawing(CellLines, can_focus=True):
    """Shows what `draw(width, height)` returns."""

    DEFAULT_CSS = """
    Drawing { height: 1fr; }
    """

    def __init__(self, draw: Callable[[int, int], list[Line]]) -> None:
        super().__init__()
        self._draw = draw

    def redraw(self) -> None:
        """Draw for the new size."""
        self.show()

    def show(self) -> None:
        """Draw anew."""
        if self.size.width > 0 and self.size.height > 0:
            self.paint(self._draw(self.size.width, self.size.height)[: self.size.height])
