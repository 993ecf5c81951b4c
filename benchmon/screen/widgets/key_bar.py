"""The keys of a view, on the last line: as many as have room, the first ones first."""

from __future__ import annotations

from collections.abc import Sequence

from textual import events
from textual.binding import Binding, BindingType

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, Line
from benchmon.screen.tones import Tone
from benchmon.screen.widgets.cell_lines import CellLines


class KeyBar(CellLines):
    """One line of keys and what they do; one widget, so that a view opens quickly."""

    DEFAULT_CSS = """
    KeyBar { dock: bottom; height: 1; }
    """

    def __init__(self, bindings: Sequence[BindingType], alphabet: Alphabet) -> None:
        super().__init__()
        self._keys = [
            (binding.key_display or binding.key.partition(",")[0], binding.description)
            for binding in bindings
            if isinstance(binding, Binding) and binding.show
        ]
        self._alphabet = alphabet

    def on_resize(self, _event: events.Resize) -> None:
        """Draw for the new width."""
        self.paint([draw_keys(self._keys, self.size.width, self._alphabet)])


def draw_keys(keys: Sequence[tuple[str, str]], width: int, alphabet: Alphabet) -> Line:
    """Return pairs of a key and what it does as one line; what has no room whole is left out."""
    cells: list[Cell] = []
    used = 0
    for key, does in keys:
        wide = len(key) + 1 + len(does) + 1
        if used + wide > width + 1:
            break
        cells += [Cell(alphabet.plain(key), Tone.KEY), Cell(f" {alphabet.plain(does)} ")]
        used += wide
    return tuple(cells)
