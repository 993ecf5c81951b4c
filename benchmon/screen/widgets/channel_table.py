"""The channels: a row each, grouped by the point of the circuit where they are measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar

from rich.cells import cell_len
from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, Line, fit, rule
from benchmon.screen.columns import Columns, column_titles, joined, plan_columns
from benchmon.screen.numbers import unit_width
from benchmon.screen.picture import ChannelPicture, Picture
from benchmon.screen.remarks import Remark
from benchmon.screen.row import draw_remark, draw_row
from benchmon.screen.rows_in_sight import Entry, Mark, RowsInSight
from benchmon.screen.tones import Tone
from benchmon.screen.widgets.cell_lines import CellLines


class ChannelTable(CellLines, can_focus=True):
    """Rows of channels with a cursor. It shows as many as it has lines for, and says how many are out of sight."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "Up", show=False),
        Binding("down", "move(1)", "Down", show=False),
        Binding("pageup", "move(-10)", "Up", show=False),
        Binding("pagedown", "move(10)", "Down", show=False),
        Binding("home", "move(-1000000)", "First", show=False),
        Binding("end", "move(1000000)", "Last", show=False),
    ]

    class Opened(Message):
        """The user wants to know more of a channel."""

        def __init__(self, channel: str) -> None:
            super().__init__()
            self.channel = channel

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__()
        self._picture = picture
        self._alphabet = alphabet
        self._rows = RowsInSight(picture)
        self._entries: list[tuple[Entry, Mark]] = []
        self._drawn: dict[str, tuple[object, Line]] = {}

    def redraw(self) -> None:
        """Draw for the new size."""
        self.show(self._picture)

    def on_focus(self, _event: events.Focus) -> None:
        """Show the cursor."""
        self.show(self._picture)

    def on_blur(self, _event: events.Blur) -> None:
        """Hide the cursor."""
        self.show(self._picture)

    @property
    def wanted(self) -> str:
        """Return what is searched for, "" for nothing."""
        return self._rows.wanted

    @property
    def chosen(self) -> str:
        """Return the name of the channel under the cursor, "" where there is none."""
        return self._rows.chosen

    def action_move(self, rows: int) -> None:
        """Move the cursor by `rows` rows, as far as there are any."""
        self._rows.move(rows)
        self.show(self._picture)

    def on_click(self, event: events.Click) -> None:
        """Move the cursor to the row that was clicked on, or to the one above a remark; open it at the second click."""
        row = event.screen_y - self.region.y - 1
        above = [entry for entry, _ in self._entries[: max(0, row + 1)] if isinstance(entry, ChannelPicture)]
        if not above or row >= len(self._entries) or isinstance(self._entries[row][0], str):
            return
        name = above[-1].channel.name
        if name == self.chosen and self.has_focus:
            self.open_chosen()
            return
        self._rows.choose(name)
        self.focus()
        self.show(self._picture)

    def on_mouse_scroll_up(self, _event: events.MouseScrollUp) -> None:
        """Move the cursor up."""
        self.action_move(-1)

    def on_mouse_scroll_down(self, _event: events.MouseScrollDown) -> None:
        """Move the cursor down."""
        self.action_move(1)

    def open_chosen(self) -> None:
        """Ask for the details of the channel under the cursor."""
        if self._rows.chosen:
            self.post_message(self.Opened(self._rows.chosen))

    def find(self, wanted: str) -> None:
        """Show only channels whose name, quantity, instrument or state contains `wanted`; "" shows all."""
        self._rows.find(wanted)
        self.show(self._picture)

    def group(self, grouped: bool) -> None:
        """Write the name of each point above its channels, or hold them together by brackets."""
        self._rows.grouped = grouped

    def remark(self, remarks: Mapping[str, Sequence[Remark]]) -> None:
        """Write these lines under the rows of their channels from now on."""
        self._rows.remarks = remarks

    def show(self, picture: Picture) -> None:
        """Show `picture`."""
        self._picture = picture
        width, height = self.size.width, self.size.height
        if width <= 0 or height <= 0:
            return
        columns = self._plan(width)
        window = self._rows.window(height - 1)
        self._entries = window.entries
        lines = [joined(column_titles(columns, self._alphabet), columns)]
        lines += [self._draw(entry, mark, columns) for entry, mark in window.entries]
        if window.needs_foot and height > 1:
            lines += [()] * (height - 1 - len(lines))
            lines = [*lines[: height - 1], self._foot_line(window.above, window.below)]
        self.paint(lines)

    def _plan(self, width: int) -> Columns:
        channels = self._picture.channels
        longest = max((cell_len(self._alphabet.plain(each.channel.name)) for each in channels), default=8)
        return plan_columns(width, longest, unit_width(each.channel.unit for each in channels))

    def _draw(self, entry: Entry, mark: str, columns: Columns) -> Line:
        signs = self._alphabet
        brackets = {"first": signs.group_first, "between": signs.group_between, "last": signs.group_last}
        if isinstance(entry, Remark):
            return draw_remark(entry, self.size.width, signs, mark=brackets.get(mark, " "))
        if isinstance(entry, str):
            return (Cell(fit(f" {entry}", columns.block_widths[0], signs), Tone.QUIET),)
        chosen = self.has_focus and entry.channel.name == self._rows.chosen
        return self._draw_row(entry, signs.cursor if chosen else brackets.get(mark, " "), columns, chosen)

    def _draw_row(self, channel: ChannelPicture, mark: str, columns: Columns, chosen: bool) -> Line:
        """Return the row of a channel: the one drawn last, where nothing that it shows has changed since."""
        picture, name = self._picture, channel.channel.name
        is_marked, trend_until = name in picture.marked, channel.trend.latest(picture.now)
        shows = (channel.judgement, trend_until, mark, chosen, is_marked, picture.old, columns)
        known = self._drawn.get(name)
        if known is None or known[0] != shows:
            row = draw_row(channel, picture, columns, self._alphabet, mark=mark, chosen=chosen)
            known = self._drawn[name] = shows, joined(row, columns)
        return known[1]

    def _foot_line(self, above: int, below: int) -> Line:
        signs, rows = self._alphabet, self._rows
        parts = [f"{above} more above {signs.up}"] if above else []
        parts += [f"{below} more below {signs.down}"] if below else []
        title = ""
        if rows.wanted:
            found, count = len(rows.found), len(self._picture.channels)
            title = f"  found {found} of {count} for: {signs.plain(rows.wanted)} (Esc shows all)"
        return rule(title, self.size.width, signs, ", ".join(parts))
