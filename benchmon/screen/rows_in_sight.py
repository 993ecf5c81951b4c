"""Which rows of the channel table are in sight: what is searched for, where the cursor is, how far it is scrolled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from benchmon.screen.alphabet import UNICODE
from benchmon.screen.condition import condition_of
from benchmon.screen.picture import ChannelPicture, Picture
from benchmon.screen.remarks import Remark
from benchmon.watch.records import Flag

Mark = Literal["", "first", "between", "last"]
Entry = ChannelPicture | Remark | str


@dataclass(frozen=True, slots=True)
class Window:
    """The entries in sight, each with its place in its group, and how many are out of sight."""

    entries: list[tuple[Entry, Mark]]
    above: int
    below: int
    needs_foot: bool


class RowsInSight:
    """Chooses the rows of `picture`. Where `grouped`, the name of a point stands above its channels.

    `remarks` are the lines under the rows, by channel.
    """

    def __init__(self, picture: Picture) -> None:
        self._picture = picture
        self._cursor = picture.channels[0].channel.name if picture.channels else ""
        self._top = 0
        self.grouped = False
        self.wanted = ""
        self.remarks: Mapping[str, Sequence[Remark]] = {}

    @property
    def found(self) -> list[ChannelPicture]:
        """Return the channels that the search leaves. One past a limit or warning stays whatever is searched for."""
        if not self.wanted:
            return list(self._picture.channels)
        return [channel for channel in self._picture.channels if self._matches(channel)]

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

    def window(self, height: int) -> Window:
        """Return what `height` lines show, the cursor among it, with a line for the foot where one is needed."""
        entries = self._entries()
        needs_foot = len(entries) > height or bool(self.wanted)
        room = max(0, height - needs_foot)
        self._keep_cursor_in(room, entries)
        last = min(len(entries), self._top + room)
        points = ["" if isinstance(each, str) else each.point for each in entries]
        marked = [(entries[index], self._mark(points, index)) for index in range(self._top, last)]
        return Window(marked, self._top, len(entries) - last, needs_foot)

    def _matches(self, channel: ChannelPicture) -> bool:
        flags = frozenset[Flag]() if channel.judgement is None else channel.judgement.flags
        if flags & {Flag.TRIPPED, Flag.HOT}:
            return True
        words = condition_of(channel.judgement, channel.channel, self._picture.old, UNICODE).words
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
            entries += self.remarks.get(channel.channel.name, ())
        return entries

    def _keep_cursor_in(self, room: int, entries: list[Entry]) -> None:
        chosen = self.chosen
        places = [
            at for at, each in enumerate(entries) if isinstance(each, ChannelPicture) and each.channel.name == chosen
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
