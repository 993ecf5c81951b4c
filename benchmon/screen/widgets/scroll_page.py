"""A page of lines that scrolls by the arrow keys, and the list of the plan's steps with one chosen."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType

from benchmon.screen.lines.plan import steps_lines
from benchmon.screen.lines.text import Cell, Line, fit
from benchmon.screen.session_state import SessionState
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.widgets.lines import CellLines

_WHEEL = 3
"""Lines that a notch of a mouse's wheel moves."""


class ScrollPage(CellLines, can_focus=True):
    """Shows the lines that `write(width)` returns; its last line shows where more follows."""

    DEFAULT_CSS = """
    ScrollPage { height: 1fr; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "scroll_by(-1)", "Up", show=False),
        Binding("down", "scroll_by(1)", "Down", show=False),
        Binding("pageup", "scroll_page(-1)", "Up", show=False),
        Binding("pagedown,space", "scroll_page(1)", "Down", show=False),
        Binding("home", "scroll_by(-1000000)", "Top", show=False),
        Binding("end", "scroll_by(1000000)", "End", show=False),
    ]

    def __init__(self, write: Callable[[int], list[Line]], symbols: SymbolSet) -> None:
        super().__init__()
        self._write = write
        self._symbols = symbols
        self._top = 0

    def redraw(self) -> None:
        """Wrap for the new width."""
        self.show()

    def action_scroll_by(self, lines: int) -> None:
        """Move by `lines` lines."""
        self._top += lines
        self.show()

    def action_scroll_page(self, pages: int) -> None:
        """Move by as many lines as are in sight, less one to hold on to."""
        self.action_scroll_by(pages * max(1, self.size.height - 2))

    def on_mouse_scroll_up(self, _event: events.MouseScrollUp) -> None:
        """Move up."""
        self.action_scroll_by(-_WHEEL)

    def on_mouse_scroll_down(self, _event: events.MouseScrollDown) -> None:
        """Move down."""
        self.action_scroll_by(_WHEEL)

    def show(self) -> None:
        """Write the page again."""
        width, height = self.size.width, self.size.height
        if width <= 0 or height <= 0:
            return
        lines = self._write(width)
        if len(lines) <= height:
            self._top = 0
            self.paint(lines)
            return
        room = height - 1
        self._top = max(0, min(self._top, len(lines) - room))
        self.paint([*lines[self._top : self._top + room], self._foot(len(lines), room)])

    def _foot(self, count: int, room: int) -> Line:
        below = count - self._top - room
        text = f" {below} more lines {self._symbols.down}" if below else f" end of {count} lines {self._symbols.up}"
        return (Cell(fit(text, self.size.width, self._symbols), StyleRole.QUIET),)


_MOST_PART = 3


class StepList(CellLines):
    """As many steps as a third of the screen has room for, the chosen one among them."""

    def __init__(self, state: SessionState, symbols: SymbolSet) -> None:
        super().__init__()
        self._state = state
        self._symbols = symbols
        self._chosen = 1

    def redraw(self) -> None:
        """Draw for the new size."""
        self.show(self._state, self._chosen)

    def show(self, state: SessionState, chosen: int) -> None:
        """Show how the steps stand."""
        self._state, self._chosen = state, chosen
        height = min(1 + len(state.plan.steps), max(3, self.app.size.height // _MOST_PART))
        self.set_height(height)
        if self.size.width > 0:
            self.paint(steps_lines(state, chosen, self.size.width, height, self._symbols))
