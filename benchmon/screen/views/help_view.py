"""The help: it teaches in a minute, cautions first."""

from __future__ import annotations

from collections.abc import Iterable

from textual.widget import Widget

from benchmon.screen.cells import Line
from benchmon.screen.help_text import help_lines
from benchmon.screen.views.view import ReadingView
from benchmon.screen.widgets.page import Page


class HelpView(ReadingView):
    """What to be careful of, how to read the screen, and the keys."""

    def body(self) -> Iterable[Widget]:
        """Return the page."""
        yield Page(self._write, self.alphabet)

    def _write(self, width: int) -> list[Line]:
        return help_lines(width, self.alphabet)
