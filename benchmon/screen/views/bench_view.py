"""The main view: glance, channels, temperatures, events, keys."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual import on
from textual.binding import Binding, BindingType
from textual.widget import Widget

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.arrangement import arrange
from benchmon.screen.heat import heat_lines_wanted
from benchmon.screen.picture import Picture
from benchmon.screen.remarks import remarks_of
from benchmon.screen.views.channel_view import ChannelView
from benchmon.screen.views.find_dialogue import FindDialogue
from benchmon.screen.views.view import EVERYWHERE, View
from benchmon.screen.widgets.channel_table import ChannelTable
from benchmon.screen.widgets.event_list import EventList
from benchmon.screen.widgets.heat_strip import HeatStrip


class BenchView(View, inherit_bindings=False):
    """The bench as it stands now."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *EVERYWHERE,
        Binding("q", "app.leave", "Quit"),
        Binding("e", "app.turn_to('events')", "Events"),
        Binding("enter", "open", "Details", key_display="Enter"),
        Binding("slash", "find", "Find", key_display="/"),
        Binding("tab,shift+tab", "app.focus_next", "Move", key_display="Tab, arrows"),
        Binding("space", "mark", "Mark", show=False),
        Binding("escape", "all", "All channels", show=False),
    ]

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__(picture, alphabet)
        self._table, self._heat = ChannelTable(picture, alphabet), HeatStrip(alphabet)
        self._events = EventList(picture, alphabet)

    def body(self) -> Iterable[Widget]:
        """Return the parts between head and keys."""
        yield self._table
        yield self._heat
        yield self._events

    @property
    def chosen(self) -> str:
        """Return the name of the channel under the cursor, "" where there is none."""
        return self._table.chosen

    def show(self, picture: Picture) -> None:
        """Show `picture`, sharing the height among the parts."""
        super().show(picture)
        taken = len(self.head.lines) + len(self.notice.lines) + 1
        height = max(0, self.size.height - taken)
        bars = heat_lines_wanted(picture, self.size.width)
        remarks = remarks_of(picture, self.size.width, self.alphabet)
        lines = sum(map(len, remarks.values()))
        parts = arrange(height, len(picture.channels), len(picture.points), bars, lines)
        heights = ((self._table, parts.table), (self._heat, parts.heat), (self._events, parts.events))
        for widget, lines in heights:
            widget.take_height(lines)
        self._table.group(parts.grouped)
        self._table.remark(remarks)
        self._table.show(picture)
        self._heat.show(picture, parts.heat)
        self._events.show(picture)

    def action_find(self) -> None:
        """Find channels; what is typed takes effect at once."""
        self.app.push_screen(FindDialogue(self.picture, self.alphabet, self._table.wanted, self._table.find))

    def action_open(self) -> None:
        """Show all about the channel under the cursor."""
        self._table.open_chosen()

    def action_mark(self) -> None:
        """Mark the channel under the cursor for the large figures, or take its mark away."""
        self.picture.mark(self._table.chosen)
        self._table.show(self.picture)

    def action_all(self) -> None:
        """Show all channels again."""
        self._table.find("")

    @on(ChannelTable.Opened)
    def open_channel(self, message: ChannelTable.Opened) -> None:
        """Show all about one channel."""
        channel = self.picture.channel(message.channel)
        if channel is not None:
            self.app.push_screen(ChannelView(self.picture, self.alphabet, channel))
