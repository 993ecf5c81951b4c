"""The table of channels, grouped by the point of the circuit they measure, and the temperature bars below it.

`TableWindow` decides which rows are visible: the search, the cursor, and how far the table is scrolled.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

from rich.cells import cell_len
from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from benchmon.bench import Bench
from benchmon.screen.lines.channel_row import (
    Columns,
    channel_status,
    column_titles,
    draw_annotation,
    draw_row,
    joined,
    plan_columns,
)
from benchmon.screen.lines.numbers import unit_width
from benchmon.screen.lines.row_annotations import Annotation
from benchmon.screen.lines.temperature_bars import bar_lines_wanted, draw_temperatures
from benchmon.screen.lines.text import Cell, Line, fit, rule
from benchmon.screen.session_state import ChannelState, SessionState
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import UNICODE, SymbolSet
from benchmon.screen.widgets.lines import CellLines
from benchmon.watch.records import Flag
from benchmon.watch.wording import shown_unit

Mark = Literal["", "first", "between", "last"]
Entry = ChannelState | Annotation | str


@dataclass(frozen=True, slots=True)
class VisibleRows:
    """The entries in sight, each with its place in its group, and how many are hidden."""

    entries: list[tuple[Entry, Mark]]
    above: int
    below: int
    needs_foot: bool


class TableWindow:
    """Chooses the rows of `state`. Where `grouped`, the name of a point stands above its channels.

    `annotations` are the lines under the rows, by channel. A jump of a
    replay brings another `state`.
    """

    def __init__(self, state: SessionState) -> None:
        self.state = state
        self._cursor = state.channels[0].channel.name if state.channels else ""
        self._top = 0
        self.grouped = False
        self.wanted = ""
        self.annotations: Mapping[str, Sequence[Annotation]] = {}

    @property
    def found(self) -> list[ChannelState]:
        """Return the channels that the search leaves. One past a limit or warning stays whatever is searched for."""
        if not self.wanted:
            return list(self.state.channels)
        return [channel for channel in self.state.channels if self._matches(channel)]

    @property
    def chosen(self) -> str:
        """Return the name of the channel under the cursor: the first found one where the former is out of sight."""
        names = [channel.channel.name for channel in self.found]
        return self._cursor if self._cursor in names else next(iter(names), "")

    def find(self, wanted: str) -> None:
        """Search for `wanted`; "" ends the search."""
        self.wanted = wanted.strip().lower()
        self._top = 0

    def choose(self, name: str) -> None:
        """Put the cursor on a channel."""
        self._cursor = name

    def move(self, rows: int) -> None:
        """Move the cursor by `rows` rows, as far as there are any."""
        names = [channel.channel.name for channel in self.found]
        if names:
            self._cursor = names[min(len(names) - 1, max(0, names.index(self.chosen) + rows))]

    def window(self, height: int) -> VisibleRows:
        """Return what `height` lines show, the cursor among it, with a line for the foot where one is needed."""
        entries = self._entries()
        needs_foot = len(entries) > height or bool(self.wanted)
        room = max(0, height - needs_foot)
        self._keep_cursor_in(room, entries)
        last = min(len(entries), self._top + room)
        points = ["" if isinstance(each, str) else each.point for each in entries]
        marked = [(entries[index], self._mark(points, index)) for index in range(self._top, last)]
        return VisibleRows(marked, self._top, len(entries) - last, needs_foot)

    def _matches(self, channel: ChannelState) -> bool:
        flags = frozenset[Flag]() if channel.judgement is None else channel.judgement.flags
        if flags & {Flag.TRIPPED, Flag.HOT}:
            return True
        words = channel_status(channel.shown, channel.channel, self.state.is_old(channel), UNICODE).words
        setting = channel.channel
        return self.wanted in f"{setting.name} {setting.quantity} {setting.instrument} {words}".lower()

    def _entries(self) -> list[Entry]:
        entries: list[Entry] = []
        point = ""
        for channel in self.found:
            if self.grouped and channel.point != point:
                entries.append(channel.point)
            point = channel.point
            entries.append(channel)
            entries += self.annotations.get(channel.channel.name, ())
        return entries

    def _keep_cursor_in(self, room: int, entries: list[Entry]) -> None:
        chosen = self.chosen
        places = [
            at for at, each in enumerate(entries) if isinstance(each, ChannelState) and each.channel.name == chosen
        ]
        if places and places[0] < self._top:
            self._top = places[0]
        elif places and places[0] >= self._top + room:
            self._top = places[0] - room + 1
        self._top = max(0, min(self._top, len(entries) - room))

    def _mark(self, points: list[str], index: int) -> Mark:
        if self.grouped:
            return ""
        starts = index == 0 or points[index - 1] != points[index]
        ends = index == len(points) - 1 or points[index + 1] != points[index]
        if starts:
            return "" if ends else "first"
        return "last" if ends else "between"


class ChannelTable(CellLines, can_focus=True):
    """Rows of channels with a cursor. It shows as many as it has lines for, and shows how many are hidden."""

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

    def __init__(self, state: SessionState, symbols: SymbolSet) -> None:
        super().__init__()
        self._state = state
        self._symbols = symbols
        self._rows = TableWindow(state)
        self._entries: list[tuple[Entry, Mark]] = []
        self._drawn: dict[str, tuple[object, Line]] = {}
        self._planned: tuple[Bench, int, Columns] | None = None

    def redraw(self) -> None:
        """Draw for the new size."""
        self.show(self._state)

    def on_focus(self, _event: events.Focus) -> None:
        """Show the cursor."""
        self.show(self._state)

    def on_blur(self, _event: events.Blur) -> None:
        """Hide the cursor."""
        self.show(self._state)

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
        self.show(self._state)

    def on_click(self, event: events.Click) -> None:
        """Move the cursor to the clicked row, or to the one above an annotation; open it at the second click."""
        row = event.screen_y - self.region.y - 1
        above = [entry for entry, _ in self._entries[: max(0, row + 1)] if isinstance(entry, ChannelState)]
        if not above or row >= len(self._entries) or isinstance(self._entries[row][0], str):
            return
        name = above[-1].channel.name
        if name == self.chosen and self.has_focus:
            self.open_chosen()
            return
        self._rows.choose(name)
        self.focus()
        self.show(self._state)

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
        self.show(self._state)

    def group(self, grouped: bool) -> None:
        """Write the name of each point above its channels, or hold them together by brackets."""
        self._rows.grouped = grouped

    def annotation(self, annotations: Mapping[str, Sequence[Annotation]]) -> None:
        """Write these lines under the rows of their channels from now on."""
        self._rows.annotations = annotations

    def show(self, state: SessionState) -> None:
        """Show `state`."""
        if state is not self._state:
            self._state = self._rows.state = state
            self._drawn.clear()
        width, height = self.size.width, self.size.height
        if width <= 0 or height <= 0:
            return
        columns = self._plan(width)
        window = self._rows.window(height - 1)
        self._entries = window.entries
        lines = [joined(column_titles(columns, self._symbols), columns)]
        lines += [self._draw(entry, mark, columns) for entry, mark in window.entries]
        if window.needs_foot and height > 1:
            lines += [()] * (height - 1 - len(lines))
            lines = [*lines[: height - 1], self._foot_line(window.above, window.below)]
        self.paint(lines)

    def _plan(self, width: int) -> Columns:
        """Return the columns, which stay as long as the bench file and the width do."""
        bench, channels = self._state.info.bench, self._state.channels
        if self._planned is None or self._planned[0] is not bench or self._planned[1] != width:
            longest = max((cell_len(self._symbols.plain(each.channel.name)) for each in channels), default=8)
            unit = unit_width(shown_unit(each.channel.quantity, each.channel.unit) for each in channels)
            self._planned = bench, width, plan_columns(width, longest, unit)
        return self._planned[2]

    def _draw(self, entry: Entry, mark: str, columns: Columns) -> Line:
        signs = self._symbols
        brackets = {"first": signs.group_first, "between": signs.group_between, "last": signs.group_last}
        if isinstance(entry, Annotation):
            return draw_annotation(entry, self.size.width, signs, mark=brackets.get(mark, " "))
        if isinstance(entry, str):
            return (Cell(fit(f" {entry}", columns.block_widths[0], signs), StyleRole.QUIET),)
        chosen = self.has_focus and entry.channel.name == self._rows.chosen
        return self._draw_row(entry, signs.cursor if chosen else brackets.get(mark, " "), columns, chosen)

    def _draw_row(self, channel: ChannelState, mark: str, columns: Columns, chosen: bool) -> Line:
        """Return the row of a channel: the one drawn last, where nothing that it shows has changed since."""
        state, name = self._state, channel.channel.name
        is_marked, trend_until = name in state.marked, channel.trend.latest(state.now)
        age, is_old = state.age_in_words(channel), state.is_old(channel)
        shows = (channel.shown, trend_until, mark, chosen, is_marked, age, is_old, columns)
        known = self._drawn.get(name)
        if known is None or known[0] != shows:
            row = draw_row(channel, state, columns, self._symbols, mark=mark, chosen=chosen)
            known = self._drawn[name] = shows, joined(row, columns)
        return known[1]

    def _foot_line(self, above: int, below: int) -> Line:
        signs, rows = self._symbols, self._rows
        parts = [f"{above} more above {signs.up}"] if above else []
        parts += [f"{below} more below {signs.down}"] if below else []
        title = ""
        if rows.wanted:
            found, count = len(rows.found), len(self._state.channels)
            title = f"  found {found} of {count} for: {signs.plain(rows.wanted)} (Esc shows all)"
        return rule(title, self.size.width, signs, ", ".join(parts))


class TemperatureStrip(CellLines):
    """Bars from ambient to the trip limit, side by side where there is room."""

    def __init__(self, symbols: SymbolSet) -> None:
        super().__init__()
        self._symbols = symbols
        self._state: SessionState | None = None
        self._height = 0

    def redraw(self) -> None:
        """Draw for the new size."""
        if self._state is not None:
            self.show(self._state, self._height)

    def show(self, state: SessionState, height: int) -> None:
        """Show the bars of `state` in `height` lines with the heading."""
        self._state, self._height = state, height
        width, signs = self.size.width, self._symbols
        if height < 2 or width <= 0:
            self.paint([])
            return
        hidden = min(bar_lines_wanted(state, width)) > height - 1
        aside = "the nearest to their limits" if hidden else ""
        marks = f"{signs.bar_warning} warning, {signs.bar_expected} expected, {signs.bar_final} heading for"
        title = f"  temperature, ambient to limit: {marks}"
        self.paint([rule(title, width, signs, aside), *draw_temperatures(state, width, height - 1, signs)])
