"""The main view: status, channels, temperatures, events and keys, and how they share the height of the screen."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from textual import on
from textual.widget import Widget

from benchmon.screen.keys import MAIN
from benchmon.screen.lines.row_annotations import annotations_of
from benchmon.screen.lines.temperature_bars import bar_lines_wanted
from benchmon.screen.session_state import SessionState
from benchmon.screen.views.base import View, ViewContext
from benchmon.screen.views.dialogs import FindDialog
from benchmon.screen.views.reading_views import ChannelView
from benchmon.screen.widgets.channel_table import ChannelTable, TemperatureStrip
from benchmon.screen.widgets.event_list import EventList

_MOST_BARS_PART = 4
_EVENTS = ((16, 4), (10, 3))
_LEAST_EVENTS = 2


@dataclass(frozen=True, slots=True)
class HeightPlan:
    """Lines of each part, its heading included; 0 where it is left out. `grouped`: the points have headings."""

    table: int
    heat: int
    events: int
    grouped: bool


def share_height(height: int, channels: int, points: int, heat: tuple[int, int], annotations: int = 0) -> HeightPlan:
    """Return how `height` lines are shared by `channels` rows under `points` headings and lines of bars, `heat`.

    Rows come first; headings only where every row stays visible with them; events take what is left, at least three
    lines on all but the smallest screens. `heat` is how many lines of bars are wanted, and how many will do where a row
    would be hidden otherwise. `annotations` are lines under the rows; they take room from
    the events before a row is hidden.
    """
    least = next((lines for from_height, lines in _EVENTS if height >= from_height), 0)
    least = max(min(least, _LEAST_EVENTS), least - annotations)
    rows = 1 + channels + annotations
    bars = _bars(height, heat[0])
    if rows + bars + least > height:
        bars = _bars(height, heat[1])
    room = max(0, height - bars - least)
    grouped = rows + points <= room
    table = min(room, rows + (points if grouped else 0))
    return HeightPlan(table, bars, max(0, height - table - bars) if least else 0, grouped)


def _bars(height: int, lines: int) -> int:
    """Return the lines of the bars with their heading, 0 where they have no room."""
    bars = min(lines + 1, height // _MOST_BARS_PART) if lines else 0
    return bars if bars >= 2 and height >= 10 else 0


class BenchView(View, record=MAIN):
    """The bench as it stands now."""

    def __init__(self, context: ViewContext) -> None:
        super().__init__(context)
        state, symbols = context.state, context.symbols
        self._table, self._temperatures = ChannelTable(state, symbols), TemperatureStrip(symbols)
        self._events = EventList(state, symbols)

    def body(self) -> Iterable[Widget]:
        """Return the parts between head and keys."""
        yield self._table
        yield self._temperatures
        yield self._events

    @property
    def chosen(self) -> str:
        """Return the name of the channel under the cursor, "" where there is none."""
        return self._table.chosen

    def show(self, state: SessionState) -> None:
        """Show `state`, sharing the height among the parts."""
        super().show(state)
        taken = len(self.head.lines) + len(self.notice.lines) + 1
        height = max(0, self.size.height - taken)
        bars = bar_lines_wanted(state, self.size.width)
        annotations = annotations_of(state, self.size.width, self.symbols)
        lines = sum(map(len, annotations.values()))
        parts = share_height(height, len(state.channels), len(state.points), bars, lines)
        heights = ((self._table, parts.table), (self._temperatures, parts.heat), (self._events, parts.events))
        for widget, lines in heights:
            widget.set_height(lines)
        self._table.group(parts.grouped)
        self._table.annotation(annotations)
        self._table.show(state)
        self._temperatures.show(state, parts.heat)
        self._events.show(state)
        if self.is_current and self.focused is None and parts.table:
            # A part that has no room for a moment loses the cursor, and arrows would move nothing from then on.
            self.set_focus(self._table)

    def action_find(self) -> None:
        """Find channels; what is typed takes effect at once."""
        self.app.push_screen(FindDialog(self.state, self.symbols, self._table.wanted, self._table.find))

    def action_open(self) -> None:
        """Show all about the channel under the cursor."""
        self._table.open_chosen()

    def action_mark(self) -> None:
        """Mark the channel under the cursor for the large digits, or take its mark away."""
        self.state.mark(self._table.chosen)
        self._table.show(self.state)

    def action_all(self) -> None:
        """Show all channels again."""
        self._table.find("")

    @on(ChannelTable.Opened)
    def open_channel(self, message: ChannelTable.Opened) -> None:
        """Show all about one channel."""
        context = replace(self.context, state=self.state, chosen=message.channel)
        self.app.push_screen(ChannelView(context))
