"""The steps of the plan, a line each, one of them chosen."""

from __future__ import annotations

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.picture import Picture
from benchmon.screen.plan_page import steps_lines
from benchmon.screen.widgets.cell_lines import CellLines

_MOST_PART = 3


class StepList(CellLines):
    """As many steps as a third of the screen has room for, the chosen one among them."""

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__()
        self._picture = picture
        self._alphabet = alphabet
        self._chosen = 1

    def redraw(self) -> None:
        """Draw for the new size."""
        self.show(self._picture, self._chosen)

    def show(self, picture: Picture, chosen: int) -> None:
        """Show how the steps stand."""
        self._picture, self._chosen = picture, chosen
        height = min(1 + len(picture.plan.stages), max(3, self.app.size.height // _MOST_PART))
        self.take_height(height)
        if self.size.width > 0:
            self.paint(steps_lines(picture, chosen, self.size.width, height, self._alphabet))
