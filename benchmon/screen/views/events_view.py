"""All events of the session, in full."""

from __future__ import annotations

from collections.abc import Iterable

from textual.widget import Widget

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.picture import Picture
from benchmon.screen.views.view import ReadingView
from benchmon.screen.widgets.event_list import EventList


class EventsView(ReadingView):
    """The events, wrapped, so that no word is cut off."""

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__(picture, alphabet)
        self._events = EventList(picture, alphabet, wrapped=True)

    def body(self) -> Iterable[Widget]:
        """Return the list."""
        yield self._events

    def show(self, picture: Picture) -> None:
        """Show what has happened since."""
        super().show(picture)
        self._events.show(picture)
