"""Fixed words: the lines of a question, drawn to the width there is."""

from __future__ import annotations

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, fit, rule
from benchmon.screen.widgets.cell_lines import CellLines


class Words(CellLines):
    """A heading with a rule, where `title` is given, and lines of plain text below it."""

    def __init__(self, alphabet: Alphabet, *words: str, title: str = "") -> None:
        super().__init__()
        self._alphabet = alphabet
        self._title = title
        self._words = words
        self.styles.height = len(words) + bool(title)

    def redraw(self) -> None:
        """Draw for the new width."""
        self._draw()

    def say(self, *words: str) -> None:
        """Say something else below the heading, in as many lines."""
        self._words = words
        self._draw()

    def call(self, title: str) -> None:
        """Give it another heading."""
        self._title = title
        self._draw()

    def _draw(self) -> None:
        width, signs = self.size.width, self._alphabet
        heading = [rule(f" {signs.plain(self._title)}", width, signs)] if self._title else []
        self.paint([*heading, *((Cell(fit(f" {signs.plain(words)}", width, signs)),) for words in self._words)])
