"""All events of the session, in full."""

from __future__ import annotations

from collections.abc import Iterable

from textual.widget import Widget

from benchmon.screen.picture import Picture
from benchmon.screen.views.view import ReadingView
from benchmon.screen.widgets.event_list import EventList


class EventsView(ReadingView):
    """The events, wrapped, so that no word is cut off."""

    def body(self) -> Iterable[Widget]:
        """Return the list."""
        yield EventList(self.picture, self.alphabet, wrapped=True)

    def show(self, picture: Picture) -> None:
        """Show what has happened since."""
        super().show(picture)
        self.query_one(EventList).show(picture)
