"""The temperatures against their limits: a bar and words for every channel that has limits."""

from __future__ import annotations

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import rule
from benchmon.screen.heat import draw_heat, heat_lines_wanted
from benchmon.screen.picture import Picture
from benchmon.screen.widgets.cell_lines import CellLines


class HeatStrip(CellLines):
    """Bars from ambient to the trip limit, side by side where there is room."""

    def __init__(self, alphabet: Alphabet) -> None:
        super().__init__()
        self._alphabet = alphabet
        self._picture: Picture | None = None
        self._height = 0

    def redraw(self) -> None:
        """Draw for the new size."""
        if self._picture is not None:
            self.show(self._picture, self._height)

    def show(self, picture: Picture, height: int) -> None:
        """Show the bars of `picture` in `height` lines with the heading."""
        self._picture, self._height = picture, height
        width, signs = self.size.width, self._alphabet
        if height < 2 or width <= 0:
            self.paint([])
            return
        hidden = min(heat_lines_wanted(picture, width)) > height - 1
        aside = "the nearest to their limits" if hidden else ""
        marks = f"{signs.bar_warning} warning, {signs.bar_expected} expected, {signs.bar_final} heading for"
        title = f"  temperature, ambient to limit: {marks}"
        self.paint([rule(title, width, signs, aside), *draw_heat(picture, width, height - 1, signs)])
