"""The large figures."""

from __future__ import annotations

from textual import events

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.figures import draw_figures
from benchmon.screen.picture import Picture
from benchmon.screen.widgets.cell_lines import CellLines


class BigFigures(CellLines, can_focus=True):
    """How the bench stands in a word, and its chosen channels, as large as the room allows."""

    DEFAULT_CSS = """
    BigFigures { height: 1fr; }
    """

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__()
        self._picture = picture
        self._alphabet = alphabet

    def on_resize(self, _event: events.Resize) -> None:
        """Draw for the new size."""
        self.show(self._picture)

    def show(self, picture: Picture) -> None:
        """Show the latest values."""
        self._picture = picture
        if self.size.width > 0 and self.size.height > 0:
            self.paint(draw_figures(picture, self.size.width, self.size.height, self._alphabet))
