"""The main view: glance, channels, temperatures, events, keys."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual import events, on
from textual.binding import Binding, BindingType
from textual.timer import Timer
from textual.widget import Widget

from benchmon.errors import RecorderError
from benchmon.screen.alphabet import Alphabet
from benchmon.screen.arrangement import arrange
from benchmon.screen.heat import heat_lines_wanted
from benchmon.screen.numbers import clock
from benchmon.screen.picture import Picture
from benchmon.screen.remarks import remarks_of
from benchmon.screen.views.channel_view import ChannelView
from benchmon.screen.views.events_view import EventsView
from benchmon.screen.views.find_dialogue import FindDialogue
from benchmon.screen.views.help_view import HelpView
from benchmon.screen.views.note_dialogue import NoteDialogue
from benchmon.screen.views.view import View
from benchmon.screen.widgets.channel_table import ChannelTable
from benchmon.screen.widgets.event_list import EventList
from benchmon.screen.widgets.heat_strip import HeatStrip
from benchmon.screen.widgets.notice import Notice
from benchmon.session.view import SessionView

_NOTICE_SECONDS = 6.0


class BenchView(View):
    """The bench as it stands now."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q", "app.leave", "Quit"),
        Binding("n", "note", "Note"),
        Binding("e", "events", "Events"),
        Binding("slash", "find", "Find", key_display="/"),
        Binding("question_mark", "help", "Help", key_display="?"),
        Binding("enter", "open", "Details", key_display="Enter"),
        Binding("tab,shift+tab", "app.focus_next", "Move", key_display="Tab, arrows"),
        Binding("escape", "all", "All channels", show=False),
    ]

    def __init__(self, picture: Picture, alphabet: Alphabet, view: SessionView) -> None:
        super().__init__(picture, alphabet)
        self._view = view
        self._table, self._heat = ChannelTable(picture, alphabet), HeatStrip(alphabet)
        self._events, self._notice = EventList(picture, alphabet), Notice(alphabet)
        self._notice_timer: Timer | None = None

    def body(self) -> Iterable[Widget]:
        """Return the parts between head and keys."""
        yield self._table
        yield self._heat
        yield self._events
        yield self._notice

    def on_resize(self, _event: events.Resize) -> None:
        """Share the new height."""
        self.show(self.picture)

    def show(self, picture: Picture) -> None:
        """Show `picture`, sharing the height among the parts."""
        super().show(picture)
        taken = self.head.lines + len(self._notice.lines) + 1
        height = max(0, self.size.height - taken)
        bars = heat_lines_wanted(picture, self.size.width)
        remarks = sum(map(len, remarks_of(picture, self.size.width, self.alphabet).values()))
        parts = arrange(height, len(picture.channels), len(picture.points), bars, remarks)
        heights = ((self._table, parts.table), (self._heat, parts.heat), (self._events, parts.events))
        for widget, lines in heights:
            _set_height(widget, lines)
        self._table.group(parts.grouped)
        self._table.show(picture)
        self._heat.show(picture, parts.heat)
        self._events.show(picture)

    def tell(self, words: str) -> None:
        """Show a notice above the keys for some seconds."""
        if self._notice_timer is not None:
            self._notice_timer.stop()
        self._notice_timer = self.set_timer(_NOTICE_SECONDS, self._silence)
        self._show_notice(words)

    def _silence(self) -> None:
        self._show_notice("")

    def _show_notice(self, words: str) -> None:
        self._notice.tell(words)
        _set_height(self._notice, len(self._notice.lines))
        self.show(self.picture)

    def action_note(self) -> None:
        """Write a note; its time is now, at the key."""
        if not self._view.live:
            self.tell("A note needs a recorder that runs; this session is only read.")
            return
        began = clock(self.picture.now)

        def keep(text: str | None) -> None:
            if text:
                self._keep_note(f"[{began}] {text}")

        self.app.push_screen(NoteDialogue(self.picture, self.alphabet, began), keep)

    def _keep_note(self, text: str) -> None:
        try:
            self._view.request("note", text)
        except RecorderError as problem:
            self.tell(f"The note is not kept: {problem}")

    def action_events(self) -> None:
        """Show all events."""
        self.app.push_screen(EventsView(self.picture, self.alphabet))

    def action_help(self) -> None:
        """Show the help."""
        self.app.push_screen(HelpView(self.picture, self.alphabet))

    def action_find(self) -> None:
        """Find channels; what is typed takes effect at once."""
        self.app.push_screen(FindDialogue(self.picture, self.alphabet, self._table.wanted, self._table.find))

    def action_open(self) -> None:
        """Show all about the channel under the cursor."""
        self._table.open_chosen()

    def action_all(self) -> None:
        """Show all channels again."""
        self._table.find("")

    @on(ChannelTable.Opened)
    def open_channel(self, message: ChannelTable.Opened) -> None:
        """Show all about one channel."""
        channel = self.picture.channel(message.channel)
        if channel is not None:
            self.app.push_screen(ChannelView(self.picture, self.alphabet, channel))


def _set_height(widget: Widget, lines: int) -> None:
    """Give `widget` its lines; touch its style only where they change, since that lays out the whole screen anew."""
    widget.display = lines > 0
    if widget.styles.height is None or widget.styles.height.value != lines:
        widget.styles.height = lines
