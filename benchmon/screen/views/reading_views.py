"""The views that are only read, and the plan: large digits, one channel, all events, help, staged power-on."""

from __future__ import annotations

from collections.abc import Iterable

from textual.widget import Widget

from benchmon.screen.keys import DETAILS, EVENTS, HELP, LARGE_DIGITS, PLAN
from benchmon.screen.lines.details import detail_lines
from benchmon.screen.lines.help import help_lines
from benchmon.screen.lines.large_digits import draw_large_digits
from benchmon.screen.lines.plan import step_page
from benchmon.screen.lines.text import Cell, Line, wrap
from benchmon.screen.session_state import SessionState
from benchmon.screen.views.base import View, ViewContext
from benchmon.screen.widgets.event_list import EventList
from benchmon.screen.widgets.lines import Canvas
from benchmon.screen.widgets.scroll_page import ScrollPage, StepList


class LargeDigitsView(View, record=LARGE_DIGITS):
    """The marked channels, or those that matter most, as large as they fit."""

    def __init__(self, context: ViewContext) -> None:
        super().__init__(context)
        self._digits = Canvas(self._draw, self._dependencies)

    def body(self) -> Iterable[Widget]:
        """Return the figures."""
        yield self._digits

    def show(self, state: SessionState) -> None:
        """Show the latest values."""
        super().show(state)
        self._digits.show()

    def _dependencies(self) -> tuple[object, ...]:
        state = self.state
        return state, state.now, state.old, str(state.status_line.level), len(state.marked)

    def _draw(self, width: int, height: int) -> list[Line]:
        return draw_large_digits(self.state, width, height, self.symbols)


class ChannelView(View, record=DETAILS):
    """A channel's reading, expectation, limits, instrument and events; it goes on moving."""

    def __init__(self, context: ViewContext) -> None:
        super().__init__(context)
        self._page = ScrollPage(self._write, self.symbols)

    def body(self) -> Iterable[Widget]:
        """Return the page."""
        yield self._page

    def show(self, state: SessionState) -> None:
        """Show what has changed."""
        super().show(state)
        self._page.show()

    def _write(self, width: int) -> list[Line]:
        channel = self.state.channel(self.context.chosen)
        return [] if channel is None else detail_lines(channel, self.state, width, self.symbols)


class EventsView(View, record=EVENTS):
    """The events, wrapped, so that no word is cut off."""

    def __init__(self, context: ViewContext) -> None:
        super().__init__(context)
        self._events = EventList(self.state, self.symbols, wrapped=True)

    def body(self) -> Iterable[Widget]:
        """Return the list."""
        yield self._events

    def show(self, state: SessionState) -> None:
        """Show what has happened since."""
        super().show(state)
        self._events.show(state)


class HelpView(View, record=HELP):
    """What to be careful of, how to read the screen, and the keys."""

    def body(self) -> Iterable[Widget]:
        """Return the page."""
        yield ScrollPage(self._write, self.symbols)

    def _write(self, width: int) -> list[Line]:
        stores_charge = self.state.info.bench.reservoir is not None
        return help_lines(self.context.opened_from, width, self.symbols, stores_charge=stores_charge)


_NO_PLAN = (
    "This bench has no plan. Add [[step]] sections to its bench file: name, mains, load, hold, and needs, the channels "
    "that must agree before going on; `benchmon manual plan` shows one."
)


class PlanView(View, record=PLAN):
    """Every step, and in full the one that stands; the arrows to the sides look at the others."""

    def __init__(self, context: ViewContext) -> None:
        super().__init__(context)
        self._stood = self.state.plan.step_number
        self._chosen = self._stood or 1
        self._steps, self._page = StepList(self.state, self.symbols), ScrollPage(self._write, self.symbols)

    def body(self) -> Iterable[Widget]:
        """Return the list of steps and the page of one of them."""
        if self.state.plan.steps:
            yield self._steps
        yield self._page

    def show(self, state: SessionState) -> None:
        """Show how the plan stands; when a step begins, it is the one shown."""
        super().show(state)
        place = state.plan.step_number
        if place is not None and place != self._stood:
            self._chosen = place
        self._stood = place
        if state.plan.steps:
            self._steps.show(state, self._chosen)
        self._page.show()

    def action_choose(self, steps: int) -> None:
        """Look at another step."""
        self._chosen = max(1, min(len(self.state.plan.steps), self._chosen + steps))
        self.show(self.state)

    def _write(self, width: int) -> list[Line]:
        if not self.state.plan.steps:
            return [(Cell(f" {piece}"),) for piece in wrap(self.symbols.plain(_NO_PLAN), max(1, width - 2))]
        return step_page(self.state, self._chosen, width, self.symbols)
