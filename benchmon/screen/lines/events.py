"""Events as lines: when, what, and how much it matters."""

from __future__ import annotations

from collections.abc import Iterable

from benchmon.event_kinds import traits_of
from benchmon.screen.lines.text import Cell, Line, fit, wrap
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.text import clock
from benchmon.watch.records import Event

_LONGEST = 1000


def draw_event(event: Event, width: int, symbols: SymbolSet, wrapped: bool = False) -> list[Line]:
    """Return the lines of `event` at `width`: one, cut at the edge, or as many as its text needs where `wrapped`."""
    role = StyleRole(traits_of(event.kind).style_role)
    stamp = f"{clock(event.time):>8}  "
    room = max(1, width - len(stamp))
    text = symbols.plain(event_words(event), _LONGEST)
    pieces = wrap(text, room) if wrapped else [text]
    starts = [stamp] + [" " * len(stamp)] * (len(pieces) - 1)
    return [
        (Cell(start, StyleRole.QUIET), Cell(fit(piece, room, symbols), role))
        for start, piece in zip(starts, pieces, strict=True)
    ]


def event_words(event: Event) -> str:
    """Return kind and message: the kind leads, so that it is the last to be cut off, unless the message says it."""
    kind = traits_of(event.kind).shown or event.kind.strip()
    message = event.message.removesuffix(f": {kind}") if kind else event.message
    return message if not kind or message.startswith(kind) or message.endswith(kind) else f"{kind}: {message}"


def last_lines(
    events: Iterable[Event], width: int, height: int, back: int, symbols: SymbolSet, *, wrapped: bool = False
) -> tuple[list[Line], int]:
    """Return the `height` lines that end `back` lines before the latest, oldest first, and how far back that really is.

    `events` runs from the latest to the oldest. Where there are not so many, the first lines are shown.
    """
    lines: list[Line] = []
    for event in events:
        lines += reversed(draw_event(event, width, symbols, wrapped))
        if len(lines) >= height + back:
            break
    back = max(0, min(back, len(lines) - height))
    return lines[back : back + height][::-1], back
