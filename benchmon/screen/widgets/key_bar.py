"""The keys of a view, on the last line: as many as have room, the first ones first. A click on one presses it."""

from __future__ import annotations

from collections.abc import Sequence

from textual import events

from benchmon.screen.keys import Key
from benchmon.screen.lines.text import Cell, Line
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.widgets.lines import CellLines


class KeyBar(CellLines):
    """One line of keys and what they do; one widget, so that a view opens quickly."""

    DEFAULT_CSS = """
    KeyBar { dock: bottom; height: 1; }
    """

    def __init__(self, keys: Sequence[Key], symbols: SymbolSet) -> None:
        super().__init__()
        self._keys, self._symbols = list(keys), symbols
        self._shown: list[Key] = []

    def show(self, keys: Sequence[Key]) -> None:
        """Show other keys from now on."""
        if keys != self._keys:
            self._keys = list(keys)
            self.redraw()

    def redraw(self) -> None:
        """Draw for the new width."""
        self._shown = keys_with_room(self._keys, self.size.width, self._symbols)
        self.paint([draw_keys(self._shown, self._symbols)])

    def on_click(self, event: events.Click) -> None:
        """Press the key that was clicked on."""
        end = 0
        for key in self._shown:
            end += _width(key, self._symbols)
            if event.x < end:
                self.app.simulate_key(key.press)
                return


def keys_with_room(keys: Sequence[Key], width: int, symbols: SymbolSet) -> list[Key]:
    """Return the keys that have room in `width` columns: the pinned ones, and the first of the others."""
    room = width + 1 - sum(_width(key, symbols) for key in keys if key.pinned)
    shown: list[Key] = []
    is_full = False
    for key in keys:
        wide = 0 if key.pinned else _width(key, symbols)
        is_full = is_full or wide > room
        if key.pinned or not is_full:
            shown.append(key)
            room -= wide
    return shown


def draw_keys(keys: Sequence[Key], symbols: SymbolSet) -> Line:
    """Return each key and what it does as one line."""
    cells: list[Cell] = []
    for key in keys:
        cells += [Cell(symbols.plain(key.title), StyleRole.KEY), Cell(f" {symbols.plain(key.label)} ")]
    return tuple(cells)


def _width(key: Key, symbols: SymbolSet) -> int:
    return sum(cell.width for cell in draw_keys((key,), symbols))
