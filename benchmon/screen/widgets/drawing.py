"""A widget that fills its room with the lines that a function draws for it."""

from __future__ import annotations

from collections.abc import Callable

from textual.geometry import Size

from benchmon.screen.cells import Line
from benchmon.screen.widgets.cell_lines import CellLines

_COMPARED = (bool, int, float, str)


class Drawing(CellLines, can_focus=True):
    """Shows what `draw(width, height)` returns.

    `shows` tells what goes into that; while it is the same, and the room too, nothing is drawn anew. Numbers and words
    are the same where they are equal, everything else where it is the very same object.
    """

    DEFAULT_CSS = """
    Drawing { height: 1fr; }
    """

    def __init__(self, draw: Callable[[int, int], list[Line]], shows: Callable[[], tuple[object, ...]]) -> None:
        super().__init__()
        self._draw, self._shows = draw, shows
        self._drawn: tuple[object, ...] = ()
        self._drawn_in = Size(0, 0)

    def redraw(self) -> None:
        """Draw for the new size."""
        self.show()

    def show(self) -> None:
        """Draw anew where there is something else to show."""
        size, shows = self.size, self._shows()
        if size.width <= 0 or size.height <= 0 or (size == self._drawn_in and _are_same(shows, self._drawn)):
            return
        self._drawn_in, self._drawn = size, shows
        self.paint(self._draw(size.width, size.height)[: size.height])


def _are_same(some: tuple[object, ...], others: tuple[object, ...]) -> bool:
    return len(some) == len(others) and all(
        one is other or (isinstance(one, _COMPARED) and one == other) for one, other in zip(some, others, strict=True)
    )
