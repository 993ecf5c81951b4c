"""A few channels in large figures, to be read from across the room."""

from __future__ import annotations

from collections.abc import Iterable

from textual.widget import Widget

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.picture import Picture
from benchmon.screen.views.view import ReadingView
from benchmon.screen.widgets.big_figures import BigFigures


class BigView(ReadingView):
    """The marked channels, or those that matter most, as large as they fit."""

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__(picture, alphabet)
        self._figures = BigFigures(picture, alphabet)

    def body(self) -> Iterable[Widget]:
        """Return the figures."""
        yield self._figures

    def show(self, picture: Picture) -> None:
        """Show the latest values."""
        super().show(picture)
        self._figures.show(picture)
