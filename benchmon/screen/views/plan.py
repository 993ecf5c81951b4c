"""The plan of a staged power-on, step by step."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget

from benchmon.screen.lines.plan import step_page
from benchmon.screen.lines.text import Cell, Line, wrap
from benchmon.screen.session_state import SessionState
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.views.base import TO_READ, ReadingView
from benchmon.screen.widgets.scroll_page import ScrollPage, StepList

_NO_PLAN = (
    "This bench has no plan. Add [[step]] sections to its bench file: name, mains, load, hold, and needs, the channels "
    "that must agree before going on; `benchmon manual plan` shows one."
)


class PlanView(ReadingView, inherit_bindings=False):
    """Every step, and in full the one that stands; the arrows to the sides look at the others."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "app.go_on", "Go on", key_display="Enter"),
        Binding("s", "app.skip", "Skip"),
        Binding("x", "app.stop_plan", "Stop plan"),
        *TO_READ,
        Binding("left", "choose(-1)", "Former", show=False),
        Binding("right", "choose(1)", "Next", show=False),
    ]

    def __init__(self, state: SessionState, symbols: SymbolSet) -> None:
        super().__init__(state, symbols)
        self._stood = state.plan.place
        self._chosen = self._stood or 1
        self._steps, self._page = StepList(state, symbols), ScrollPage(self._write, symbols)

    def body(self) -> Iterable[Widget]:
        """Return the list of steps and the page of one of them."""
        if self.state.plan.stages:
            yield self._steps
        yield self._page

    def show(self, state: SessionState) -> None:
        """Show how the plan stands; when a step begins, it is the one shown."""
        super().show(state)
        place = state.plan.place
        if place is not None and place != self._stood:
            self._chosen = place
        self._stood = place
        if state.plan.stages:
            self._steps.show(state, self._chosen)
        self._page.show()

    def action_choose(self, steps: int) -> None:
        """Look at another step."""
        self._chosen = max(1, min(len(self.state.plan.stages), self._chosen + steps))
        self.show(self.state)

    def _write(self, width: int) -> list[Line]:
        if not self.state.plan.stages:
            return [(Cell(f" {piece}"),) for piece in wrap(self.symbols.plain(_NO_PLAN), max(1, width - 2))]
        return step_page(self.state, self._chosen, width, self.symbols)
