"""The events: what happened, the latest last. It follows the session until it is scrolled back."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType

from benchmon.screen.lines.events import last_lines
from benchmon.screen.lines.text import Cell, Line, fit, rule
from benchmon.screen.session_state import SessionState
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.widgets.lines import CellLines

_WHEEL = 3
"""Lines that a notch of a mouse's wheel moves."""


class EventList(CellLines, can_focus=True):
    """A window on the events, under a heading that shows how many are hidden."""

    DEFAULT_CSS = """
    EventList { height: 1fr; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "scroll_by(1)", "Older", show=False),
        Binding("down", "scroll_by(-1)", "Newer", show=False),
        Binding("pageup", "scroll_page(1)", "Older", show=False),
        Binding("pagedown", "scroll_page(-1)", "Newer", show=False),
        Binding("home", "scroll_by(1000000)", "Oldest", show=False),
        Binding("end", "scroll_by(-1000000)", "Latest", show=False),
    ]

    def __init__(self, state: SessionState, symbols: SymbolSet, *, wrapped: bool = False) -> None:
        super().__init__()
        self._state = state
        self._symbols = symbols
        self._wrapped = wrapped
        self._back = 0
        self._seen = state.events_seen
        self._drawn: tuple[object, ...] = ()

    def redraw(self) -> None:
        """Draw for the new size."""
        self.show(self._state)

    def on_focus(self, _event: events.Focus) -> None:
        """Show in words that the arrows move here."""
        self.show(self._state)

    def on_blur(self, _event: events.Blur) -> None:
        """Take that back."""
        self.show(self._state)

    def action_scroll_by(self, lines: int) -> None:
        """Go `lines` lines back in time, or forward where negative."""
        self._back = max(0, self._back + lines)
        self.show(self._state)

    def action_scroll_page(self, pages: int) -> None:
        """Go back in time by as many lines as are in sight."""
        self.action_scroll_by(pages * max(1, self.size.height - 2))

    def on_mouse_scroll_up(self, _event: events.MouseScrollUp) -> None:
        """Go back in time."""
        self.action_scroll_by(_WHEEL)

    def on_mouse_scroll_down(self, _event: events.MouseScrollDown) -> None:
        """Come forward in time."""
        self.action_scroll_by(-_WHEEL)

    def show(self, state: SessionState) -> None:
        """Show the latest events, or the same ones as before where the list is scrolled back.

        Another `state`, as after a jump of a replay, is shown from its latest event on.
        """
        if state is not self._state:
            self._state, self._seen, self._back, self._drawn = state, state.events_seen, 0, ()
        new, self._seen = state.events_seen - self._seen, state.events_seen
        if self._back and new:
            self._back += new
        width, height = self.size.width, self.size.height - 1
        shows = (self._seen, self._back, width, height, self.has_focus)
        if shows == self._drawn:
            return
        self._drawn = shows
        if width <= 0 or height <= 0:
            self.paint([])
            return
        lines, self._back = last_lines(
            reversed(state.events), width, height, self._back, self._symbols, wrapped=self._wrapped
        )
        if not state.events:
            lines = [(Cell(fit("  nothing yet", width, self._symbols), StyleRole.QUIET),)]
        self.paint([self._heading(state), *lines])

    def _heading(self, state: SessionState) -> Line:
        signs = self._symbols
        title = f"{signs.cursor if self.has_focus else ' '} events"
        count = f"{state.events_seen} so far" if state.events_seen else ""
        lines = "line" if self._back == 1 else "lines"
        aside = f"{self._back} newer {lines} below {signs.down}" if self._back else count
        return rule(title, self.size.width, signs, aside)
