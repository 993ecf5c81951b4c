"""A notice above the keys: what could not be done, and why. It is there only while there is something to say."""

from __future__ import annotations

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, wrap
from benchmon.screen.tones import Tone
from benchmon.screen.widgets.cell_lines import CellLines


class Notice(CellLines):
    """One short message."""

    DEFAULT_CSS = """
    Notice { height: 0; display: none; }
    """

    def __init__(self, alphabet: Alphabet) -> None:
        super().__init__()
        self._alphabet = alphabet

    def tell(self, words: str) -> None:
        """Show `words`, at most two lines of them; "" takes the notice away."""
        width = max(1, self.app.size.width - 4)
        pieces = wrap(self._alphabet.plain(words), width)[:2] if words else []
        self.paint([(Cell(f" {self._alphabet.warning} {piece}", Tone.DOUBT),) for piece in pieces])
