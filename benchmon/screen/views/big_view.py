"""A few channels in large figures, to be read from across the room."""

from __future__ import annotations

from collections.abc import Iterable

from textual.widget import Widget

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Line
from benchmon.screen.figures import draw_figures
from benchmon.screen.picture import Picture
from benchmon.screen.views.view import ReadingView
from benchmon.screen.widgets.drawing import Drawing


class BigView(ReadingView):
    """The marked channels, or those that matter most, as large as they fit."""

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__(picture, alphabet)
        self._figures = Drawing(self._draw, self._shows)

    def body(self) -> Iterable[Widget]:
        """Return the figures."""
        yield self._figures

    def show(self, picture: Picture) -> None:
        """Show the latest values."""
        super().show(picture)
        self._figures.show()

    def _shows(self) -> tuple[object, ...]:
        picture = self.picture
        return picture.now, picture.old, str(picture.glance.level), len(picture.marked)

    def _draw(self, width: int, height: int) -> list[Line]:
        return draw_figures(self.picture, width, height, self.alphabet)
