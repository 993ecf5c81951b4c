"""All about one channel."""

from __future__ import annotations

from collections.abc import Iterable

from textual.widget import Widget

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Line
from benchmon.screen.details import detail_lines
from benchmon.screen.picture import ChannelPicture, Picture
from benchmon.screen.views.view import ReadingView
from benchmon.screen.widgets.page import Page


class ChannelView(ReadingView):
    """A channel's reading, expectation, limits, instrument and events; it goes on moving."""

    def __init__(self, picture: Picture, alphabet: Alphabet, channel: ChannelPicture) -> None:
        super().__init__(picture, alphabet)
        self._channel = channel
        self._page = Page(self._write, alphabet)

    def body(self) -> Iterable[Widget]:
        """Return the page."""
        yield self._page

    def show(self, picture: Picture) -> None:
        """Show what has changed."""
        super().show(picture)
        self._page.show()

    def _write(self, width: int) -> list[Line]:
        return detail_lines(self._channel, self.picture, width, self.alphabet)
