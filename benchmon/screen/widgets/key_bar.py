"""The keys of a view, on the last line: as many as have room, the first ones first. A click on one presses it."""

from __future__ import annotations

from collections.abc import Sequence

from textual import events
from textual.binding import Binding, BindingType

from benchmon.screen.lines.text import Cell, Line
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.widgets.lines import CellLines


class KeyBar(CellLines):
    """One line of keys and what they do; one widget, so that a view opens quickly."""

    DEFAULT_CSS = """
    KeyBar { dock: bottom; height: 1; }
    """

    def __init__(self, bindings: Sequence[BindingType], symbols: SymbolSet) -> None:
        super().__init__()
        shown = [binding for binding in bindings if isinstance(binding, Binding) and binding.show]
        self._presses = [binding.key.partition(",")[0] for binding in shown]
        self._keys = [
            (binding.key_display or press, binding.description)
            for binding, press in zip(shown, self._presses, strict=True)
        ]
        self._alphabet = symbols

    def redraw(self) -> None:
        """Draw for the new width."""
        self.paint([draw_keys(self._keys, self.size.width, self._alphabet)])

    def on_click(self, event: events.Click) -> None:
        """Press the key that was clicked on."""
        end = 0
        for press, at in zip(self._presses, range(0, len(self.lines[0]), 2), strict=False):
            end += sum(cell.width for cell in self.lines[0][at : at + 2])
            if event.x < end:
                self.app.simulate_key(press)
                return


def draw_keys(keys: Sequence[tuple[str, str]], width: int, symbols: SymbolSet) -> Line:
    """Return pairs of a key and what it does as one line; what has no room whole is left out."""
    cells: list[Cell] = []
    used = 0
    for key, does in keys:
        wide = len(key) + 1 + len(does) + 1
        if used + wide > width + 1:
            break
        cells += [Cell(symbols.plain(key), StyleRole.KEY), Cell(f" {symbols.plain(does)} ")]
        used += wide
    return tuple(cells)
