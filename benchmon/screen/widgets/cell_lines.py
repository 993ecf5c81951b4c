"""The base of the parts of the screen: lines of cells."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby, zip_longest
from operator import attrgetter

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.color import TRANSPARENT
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget

from benchmon.screen.cells import Line
from benchmon.screen.tones import styles_of

_BLANK = Style()
_TONE = attrgetter("tone")


class CellLines(Widget):
    """A widget that shows lines of cells.

    It draws at the latest when it is rendered, so that a view whose parts have got their room is never shown half
    empty.
    """

    DEFAULT_CSS = """
    CellLines { width: 1fr; height: auto; }
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002  (the name is Textual's)
        super().__init__(id=id)
        self._lines: list[Line] = []
        self._drawn_for = Size(0, 0)
        self._is_rendered_now = False
        self._strips: dict[int, tuple[Line, tuple[str, int], Strip]] = {}

    @property
    def lines(self) -> Sequence[Line]:
        """Return the lines shown."""
        return self._lines

    def paint(self, lines: list[Line]) -> None:
        """Show `lines`."""
        former = self._lines
        # A line that is the same as before stays the very same, so that its strip is known again.
        self._lines = [new if (old := _line(former, y)) != new else old for y, new in enumerate(lines)]
        if self._is_rendered_now:
            return
        width = self.size.width
        pairs = enumerate(zip_longest(former, self._lines, fillvalue=()))
        changed = [Region(0, y, width, 1) for y, (old, new) in pairs if old is not new]
        if changed:
            self.refresh(*changed)

    def take_height(self, lines: int) -> None:
        """Take as many lines of the screen, none at all where 0; that lays it out anew, so only where it changes."""
        if self.display != (lines > 0):
            self.display = lines > 0
        if self.styles.height is None or self.styles.height.value != lines:
            self.styles.height = lines

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

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return the lines of a part of it as Textual wants them, drawn for the size there is now.

        Textual's own way applies borders, padding and colours of the layout to every line; lines of cells have none.
        """
        self._is_rendered_now = True
        try:
            self.settle()
        finally:
            self._is_rendered_now = False
        strips = [self.render_line(y) for y in crop.line_range]
        if crop.column_span != (0, self._drawn_for.width):
            strips = [strip.crop(*crop.column_span) for strip in strips]
        return strips

    def render_line(self, y: int) -> Strip:
        """Return line `y` as Textual wants it: the strip made last, where nothing that it shows has changed since."""
        line, looks = _line(self._lines, y), (self.app.theme, self._drawn_for.width)
        known = self._strips.get(y)
        if known is None or known[0] is not line or known[1] != looks:
            known = self._strips[y] = line, looks, self._strip(line, *looks)
        return known[2]

    def _strip(self, line: Line, theme: str, width: int) -> Strip:
        styles = styles_of(theme)
        segments = [Segment("".join(c.text for c in cells), styles[tone]) for tone, cells in groupby(line, _TONE)]
        strip = Strip(segments, sum(cell.width for cell in line)).adjust_cell_length(width, _BLANK)
        for line_filter in self.get_line_filters():
            strip = strip.apply_filter(line_filter, TRANSPARENT)
        return strip


def _line(lines: Sequence[Line], y: int) -> Line:
    return lines[y] if y < len(lines) else ()
