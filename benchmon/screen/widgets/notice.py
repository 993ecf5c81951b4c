"""A notice above the keys: what could not be done, and why. It is there only while there is something to say."""

from __future__ import annotations

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, fit, wrap
from benchmon.screen.tones import Tone
from benchmon.screen.widgets.cell_lines import CellLines

_MOST_LINES = 4
_LONGEST = 600


class Notice(CellLines):
    """One short message."""

    DEFAULT_CSS = """
    Notice { height: 0; display: none; }
    """

    def __init__(self, alphabet: Alphabet) -> None:
        super().__init__()
        self._alphabet = alphabet

    def tell(self, words: str) -> None:
        """Show `words`, at most four lines of them, so that a remedy at their end is read; "" takes the notice away."""
        width = max(1, self.app.size.width - 4)
        pieces = wrap(self._alphabet.plain(words, _LONGEST), width) if words else []
        if len(pieces) > _MOST_LINES:
            pieces[_MOST_LINES - 1] = fit(" ".join(pieces[_MOST_LINES - 1 :]), width, self._alphabet)
        starts = [f" {self._alphabet.warning} "] + ["   "] * _MOST_LINES
        shown = zip(starts, pieces[:_MOST_LINES], strict=False)
        self.paint([(Cell(start + piece, Tone.DOUBT),) for start, piece in shown])
