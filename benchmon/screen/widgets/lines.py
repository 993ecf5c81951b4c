"""The base of the parts of the screen: lines of cells.

Fixed words: the lines of a question, drawn to the width there is.

A widget that fills its room with the lines that a function draws for it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Size
from textual.strip import Strip
from textual.widget import Widget

from benchmon.screen.lines.text import Cell, Line, fit, rule
from benchmon.screen.styles import PALETTES, Palette
from benchmon.screen.symbols import SymbolSet

_BLANK = Style()


class Painter(Protocol):
    """What has lines painted that have changed: the view that the widget is in."""

    def changed(self, widget: CellLines) -> None:
        """Take that the lines of `widget` are others."""

    def reshaped(self) -> None:
        """Take that a widget wants another height."""


class CellLines(Widget):
    """A widget that shows lines of cells."""

    DEFAULT_CSS = """
    CellLines { width: 1fr; height: auto; }
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002  (the name is Textual's)
        super().__init__(id=id)
        self._lines: list[Line] = []
        self._drawn_for = Size(0, 0)
        self.painter: Painter | None = None

    @property
    def lines(self) -> Sequence[Line]:
        """Return the lines shown."""
        return self._lines

    def paint(self, lines: list[Line]) -> None:
        """Show `lines`."""
        if lines == self._lines:
            return
        self._lines = lines
        if self.painter is None:
            self.refresh()
        else:
            self.painter.changed(self)

    def take_height(self, lines: int) -> None:
        """Take as many lines of the screen, none at all where 0; that lays it out anew, so only where it changes."""
        is_new = self.display != (lines > 0)
        if is_new:
            self.display = lines > 0
        if self.styles.height is None or self.styles.height.value != lines:
            self.styles.height = lines
            is_new = True
        if is_new and self.painter is not None:
            self.painter.reshaped()

    def settle(self) -> None:
        """Draw for the size there is now, where it is another one."""
        if self.size != self._drawn_for:
            self._drawn_for = self.size
            self.redraw()

    def redraw(self) -> None:
        """Draw for the size there is now."""

    def on_resize(self, _event: events.Resize) -> None:
        """Draw for the new size."""
        self.settle()

    def render_line(self, y: int) -> Strip:
        """Return line `y` as Textual wants it."""
        line = self._lines[y] if y < len(self._lines) else ()
        styles = PALETTES[getattr(self.app, "palette", Palette.DARK)]
        strip = Strip([Segment(cell.text, styles[cell.tone]) for cell in line])
        return strip.adjust_cell_length(self.size.width, _BLANK)


class TextLines(CellLines):
    """A heading with a rule, where `title` is given, and lines of plain text below it."""

    def __init__(self, alphabet: SymbolSet, *words: str, title: str = "") -> None:
        super().__init__()
        self._alphabet = alphabet
        self._title = title
        self._words = words
        self.styles.height = len(words) + bool(title)

    def redraw(self) -> None:
        """Draw for the new width."""
        self._draw()

    def say(self, *words: str) -> None:
        """Say something else below the heading, in as many lines."""
        self._words = words
        self._draw()

    def call(self, title: str) -> None:
        """Give it another heading."""
        self._title = title
        self._draw()

    def _draw(self) -> None:
        width, signs = self.size.width, self._alphabet
        heading = [rule(f" {signs.plain(self._title)}", width, signs)] if self._title else []
        self.paint([*heading, *((Cell(fit(f" {signs.plain(words)}", width, signs)),) for words in self._words)])


_COMPARED = (bool, int, float, str)


class Canvas(CellLines, can_focus=True):
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
