"""The base of the parts of the screen: lines of cells."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Size
from textual.strip import Strip
from textual.widget import Widget

from benchmon.screen.cells import Line
from benchmon.screen.tones import PALETTES, Palette

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
