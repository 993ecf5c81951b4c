"""Widgets that draw lines of cells: their base, fixed lines of text, and a canvas that a function fills."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import zip_longest

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.color import TRANSPARENT
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget

from benchmon.screen.lines.text import Cell, Line, fit, rule, width_of
from benchmon.screen.styles import StyleRole, styles_of
from benchmon.screen.symbols import SymbolSet

_BLANK = Style()


class CellLines(Widget):
    """A widget that shows lines of cells.

    It is drawn at the latest when it is rendered, so that a view is never shown half empty.
    """

    DEFAULT_CSS = """
    CellLines { width: 1fr; height: auto; }
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002  (the name is Textual's)
        super().__init__(id=id)
        self._lines: list[Line] = []
        self._drawn_size = Size(0, 0)
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
        pairs = enumerate(zip_longest(former, self._lines, fillvalue=()))
        changed = [y for y, (old, new) in pairs if old is not new]
        if changed:
            width = self.size.width
            self.refresh(*(Region(0, y, width, 1) for y in changed))

    def set_height(self, lines: int) -> None:
        """Take as many lines of the screen, none if 0. Only a change is set, since that lays out the screen again."""
        if self.display != (lines > 0):
            self.display = lines > 0
        if self.styles.height is None or self.styles.height.value != lines:
            self.styles.height = lines

    def redraw_if_resized(self) -> None:
        """Draw for the size there is now, where it is another one."""
        size = self.size
        if size != self._drawn_size:
            self._drawn_size = size
            self.redraw()

    def redraw(self) -> None:
        """Draw for the size there is now."""

    def on_resize(self, _event: events.Resize) -> None:
        """Draw for the new size."""
        self.redraw_if_resized()

    def render_lines(self, crop: Region) -> list[Strip]:
        """Return the lines of a part of it as Textual wants them, drawn for the size there is now.

        Textual's own way applies borders, padding and colours of the layout to every line; lines of cells have none.
        """
        self._is_rendered_now = True
        try:
            self.redraw_if_resized()
        finally:
            self._is_rendered_now = False
        strips = [self.render_line(y) for y in crop.line_range]
        if crop.column_span != (0, self._drawn_size.width):
            strips = [strip.crop(*crop.column_span) for strip in strips]
        return strips

    def render_line(self, y: int) -> Strip:
        """Return line `y` as Textual wants it: the strip made last, where nothing that it shows has changed since."""
        line, looks = _line(self._lines, y), (self.app.theme, self._drawn_size.width)
        known = self._strips.get(y)
        if known is None or known[0] is not line or known[1] != looks:
            known = self._strips[y] = line, looks, self._strip(line, *looks)
        return known[2]

    def _strip(self, line: Line, theme: str, width: int) -> Strip:
        runs: list[tuple[str, StyleRole]] = []
        words, role = "", StyleRole.PLAIN
        for text, own in line:
            if own is role:
                words += text
                continue
            if words:
                runs.append((words, role))
            words, role = text, own
        runs.append((words, role))
        styles = styles_of(theme)
        segments = [Segment(text, styles[role]) for text, role in runs]
        strip = Strip(segments, sum([width_of(text) for text, _ in runs])).adjust_cell_length(width, _BLANK)
        for line_filter in self.get_line_filters():
            strip = strip.apply_filter(line_filter, TRANSPARENT)
        return strip


def _line(lines: Sequence[Line], y: int) -> Line:
    return lines[y] if y < len(lines) else ()


class TextLines(CellLines):
    """A heading with a rule, where `title` is given, and lines of plain text below it."""

    def __init__(self, symbols: SymbolSet, *words: str, title: str = "") -> None:
        super().__init__()
        self._symbols = symbols
        self._title = title
        self._words = words
        self.styles.height = len(words) + bool(title)

    def redraw(self) -> None:
        """Draw for the new width."""
        self._draw()

    def set_text(self, *words: str) -> None:
        """Say something else below the heading, in as many lines."""
        self._words = words
        self._draw()

    def set_title(self, title: str) -> None:
        """Give it another heading."""
        self._title = title
        self._draw()

    def _draw(self) -> None:
        width, signs = self.size.width, self._symbols
        heading = [rule(f" {signs.plain(self._title)}", width, signs)] if self._title else []
        self.paint([*heading, *((Cell(fit(f" {signs.plain(words)}", width, signs)),) for words in self._words)])


_COMPARED = (bool, int, float, str)


class Canvas(CellLines, can_focus=True):
    """Shows what `draw(width, height)` returns.

    `shows` returns what the drawing depends on; while that and the size are the same, nothing is drawn again. Numbers
    and texts are compared by value, everything else by identity.
    """

    DEFAULT_CSS = """
    Canvas { height: 1fr; }
    """

    def __init__(self, draw: Callable[[int, int], list[Line]], shows: Callable[[], tuple[object, ...]]) -> None:
        super().__init__()
        self._draw, self._dependencies = draw, shows
        self._drawn: tuple[object, ...] = ()
        self._drawn_in = Size(0, 0)

    def redraw(self) -> None:
        """Draw for the new size."""
        self.show()

    def show(self) -> None:
        """Draw again if there is something else to show."""
        size, shows = self.size, self._dependencies()
        if size.width <= 0 or size.height <= 0 or (size == self._drawn_in and _are_same(shows, self._drawn)):
            return
        self._drawn_in, self._drawn = size, shows
        self.paint(self._draw(size.width, size.height)[: size.height])


def _are_same(some: tuple[object, ...], others: tuple[object, ...]) -> bool:
    return len(some) == len(others) and all(
        one is other or (isinstance(one, _COMPARED) and one == other) for one, other in zip(some, others, strict=True)
    )
