"""The trend of a channel over any span of time, and the curves of a sweep while they come."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from textual import work
from textual.widget import Widget
from textual.worker import get_current_worker

from benchmon.errors import BenchmonError
from benchmon.screen.keys import SWEEP, TREND
from benchmon.screen.lines.text import Line
from benchmon.screen.lines.trend import TrendPage, sweep_lines, trend_lines
from benchmon.screen.session_state import SessionState
from benchmon.screen.views.base import View, ViewContext
from benchmon.screen.widgets.lines import Canvas

SPANS = (60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0, 3 * 3600.0, 6 * 3600.0, 12 * 3600.0, 86_400.0, 3 * 86_400.0)
_FIRST = 2
_MOST_PARTS = 400
_MARGIN = 10
_READINGS_A_PART = 2
_CURSOR = 1 / 60


class TrendView(View, record=TREND):
    """A channel's readings in the band that was expected, up to now or further back; read beside the screen.

    It begins with the channel `chosen`. What it shows is read from `session`.
    """

    def __init__(self, context: ViewContext) -> None:
        super().__init__(context)
        names = [each.channel.name for each in self.state.channels]
        self._at = names.index(context.chosen) if context.chosen in names else 0
        self._span = _FIRST
        self._back = 0.0
        self._cursor = 1.0
        self._page: TrendPage | None = None
        self._loaded = -1.0
        self._is_zoomed = False
        self._drawing = Canvas(self._draw, lambda: (self._page, self._cursor, self._is_zoomed, self.state.events_seen))

    def body(self) -> Iterable[Widget]:
        """Return the drawing."""
        yield self._drawing

    def on_mount(self) -> None:
        """Begin to read."""
        self._reload()

    def show(self, state: SessionState) -> None:
        """Show what has changed; what is new is read as often as it would be seen."""
        super().show(state)
        width = max(20, self.size.width)
        has_moved = not 0.0 <= state.now - self._loaded < SPANS[self._span] / width
        if self.is_mounted and not self._back and has_moved:
            self._reload()
        self._drawing.show()

    def action_choose(self, steps: int) -> None:
        """Turn to another channel."""
        if self.state.channels:
            self._at = (self._at + steps) % len(self.state.channels)
        self._reload()

    def action_move(self, steps: int) -> None:
        """Move the cursor."""
        self._cursor = min(1.0, max(0.0, self._cursor + steps * _CURSOR))
        self._drawing.show()

    def action_span(self, steps: int) -> None:
        """Show a longer or a shorter span."""
        self._span = min(len(SPANS) - 1, max(0, self._span + steps))
        self._reload()

    def action_zoom(self) -> None:
        """Zoom the axis to the readings, or back to the expected band."""
        self._is_zoomed = not self._is_zoomed
        self._drawing.show()

    def action_go(self, spans: float) -> None:
        """Go back in time by a part of the span; forward where negative, at most to now."""
        longest = max(0.0, self.state.now - SPANS[self._span])
        self._back = min(longest, max(0.0, self._back + spans * SPANS[self._span]))
        self._reload()

    def _reload(self) -> None:
        if not self.state.channels:
            return
        self._loaded = self.state.now
        until = max(self.state.now - self._back, 1.0)
        since = max(0.0, until - SPANS[self._span])
        channel = self.state.channels[self._at].channel
        if self._page is None or self._page.channel.name != channel.name:
            self._take(TrendPage(channel, since, until, problem="reading the session …"))
        enough = max(1, int((until - since) / (_READINGS_A_PART * channel.period)))
        parts = min(_MOST_PARTS, max(10, self.size.width - _MARGIN), enough)
        self._load(TrendPage(channel, since, until), parts)

    @work(thread=True, exclusive=True)
    def _load(self, page: TrendPage, parts: int) -> None:
        """Read a span, in a thread; what a newer wish has overtaken is dropped."""
        name, since, until = page.channel.name, page.since, page.until
        try:
            read = self.context.session.trend(name, since, until, parts)
            wanted = self.context.session.band(name, since, until, parts)
            page = TrendPage(page.channel, since, until, read, wanted)
        except BenchmonError as problem:
            page = TrendPage(page.channel, since, until, problem=str(problem))
        if not get_current_worker().is_cancelled:
            self.app.call_from_thread(self._take, page)

    def _take(self, page: TrendPage) -> None:
        self._page = page
        self._drawing.show()

    def _draw(self, width: int, height: int) -> list[Line]:
        if self._page is None:
            return []
        page = replace(self._page, zoomed=self._is_zoomed)
        if self.state.guesses.hides(page.channel.quantity):
            page = replace(page, wanted=())
        return trend_lines(page, tuple(self.state.events), self._cursor, (width, height), self.symbols)


class SweepView(View, record=SWEEP):
    """The curves of a sweep, measured points on the predicted band, and what it asks for."""

    def __init__(self, context: ViewContext) -> None:
        super().__init__(context)
        self._at = 0
        self._drawing = Canvas(self._draw, lambda: (self._at, self.state.sweep, self.state.events_seen))

    def body(self) -> Iterable[Widget]:
        """Return the drawing."""
        yield self._drawing

    def show(self, state: SessionState) -> None:
        """Show what has come."""
        super().show(state)
        self._drawing.show()

    def action_choose(self, steps: int) -> None:
        """Turn to another curve."""
        self._at += steps
        self._drawing.show()

    def action_sweep(self, steps: int) -> None:
        """Turn to another sweep."""
        names = list(self.state.plan.sweeps.runs)
        if names:
            at = names.index(self.state.sweep) if self.state.sweep in names else 0
            self.state.sweep = names[(at + steps) % len(names)]
        self._drawing.show()

    def _draw(self, width: int, height: int) -> list[Line]:
        return sweep_lines(self.state, self._at, (width, height), self.symbols)
