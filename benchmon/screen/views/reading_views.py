"""A few channels in large figures, to be read from across the room.

All about one channel.

All events of the session, in full.

The help: it teaches in a minute, cautions first.
"""

from __future__ import annotations

from collections.abc import Iterable

from textual.widget import Widget

from benchmon.screen.lines.details import detail_lines
from benchmon.screen.lines.help import help_lines
from benchmon.screen.lines.large_digits import draw_figures
from benchmon.screen.lines.text import Line
from benchmon.screen.session_state import ChannelState, SessionState
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.views.base import ReadingView
from benchmon.screen.widgets.event_list import EventList
from benchmon.screen.widgets.lines import Canvas
from benchmon.screen.widgets.scroll_page import ScrollPage


class BigView(ReadingView):
    """The marked channels, or those that matter most, as large as they fit."""

    def __init__(self, state: SessionState, symbols: SymbolSet) -> None:
        super().__init__(state, symbols)
        self._figures = Canvas(self._draw, self._shows)

    def body(self) -> Iterable[Widget]:
        """Return the figures."""
        yield self._figures

    def show(self, state: SessionState) -> None:
        """Show the latest values."""
        super().show(state)
        self._figures.show()

    def _shows(self) -> tuple[object, ...]:
        state = self.state
        return state.now, state.old, str(state.glance.level), len(state.marked)

    def _draw(self, width: int, height: int) -> list[Line]:
        return draw_figures(self.state, width, height, self.symbols)


class ChannelView(ReadingView):
    """A channel's reading, expectation, limits, instrument and events; it goes on moving."""

    def __init__(self, state: SessionState, symbols: SymbolSet, channel: ChannelState) -> None:
        super().__init__(state, symbols)
        self._channel = channel
        self._page = ScrollPage(self._write, symbols)

    def body(self) -> Iterable[Widget]:
        """Return the page."""
        yield self._page

    def show(self, state: SessionState) -> None:
        """Show what has changed."""
        super().show(state)
        self._page.show()

    def _write(self, width: int) -> list[Line]:
        return detail_lines(self._channel, self.state, width, self.symbols)


class EventsView(ReadingView):
    """The events, wrapped, so that no word is cut off."""

    def __init__(self, state: SessionState, symbols: SymbolSet) -> None:
        super().__init__(state, symbols)
        self._events = EventList(state, symbols, wrapped=True)

    def body(self) -> Iterable[Widget]:
        """Return the list."""
        yield self._events

    def show(self, state: SessionState) -> None:
        """Show what has happened since."""
        super().show(state)
        self._events.show(state)


class HelpView(ReadingView):
    """What to be careful of, how to read the screen, and the keys."""

    def body(self) -> Iterable[Widget]:
        """Return the page."""
        yield ScrollPage(self._write, self.symbols)

    def _write(self, width: int) -> list[Line]:
        return help_lines(width, self.symbols)
