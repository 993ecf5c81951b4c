"""A screen whose parts are painted straight into the picture of the terminal.

Textual lays the parts out and brings the keys; its own way from a widget to the terminal (styles, segments, a frame of
escape sequences, and reading that frame again to find what differs) would take most of the processor's time. Nothing is
shown before every part has drawn for the size it got, so that no half-empty frame has to travel first.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TypeVar

from textual import events
from textual.geometry import Region, Size
from textual.screen import Screen
from textual.widget import Widget

from benchmon.screen.frame import Piece, Rows
from benchmon.screen.terminal.differential_driver import LeanDriver
from benchmon.screen.widgets.lines import CellLines

Answer = TypeVar("Answer")
_MOST_LAYOUTS = 3
"""A part may want another height once it knows its width; and then another part may too."""


class Painted(Screen[Answer]):
    """The base of views and dialogues. `lies_over`: what is behind it stays in sight. `takes_keys`: it is open.

    `shown_at` is when it was first laid out, by the clock of events.
    """

    lies_over = False
    takes_keys = False
    shown_at: float | None = None
    _laid_out = False
    _is_laying_out = False
    _is_reshaped = False
    _is_due = False

    def settle(self) -> None:
        """Show what there is in the room there is."""
        raise NotImplementedError

    def changed(self, widget: CellLines) -> None:
        """Paint what has changed, soon."""
        if isinstance(self.app._driver, LeanDriver):
            self.paint_soon()
        else:
            widget.refresh()

    def reshaped(self) -> None:
        """Lay out anew, and paint then, soon."""
        self._is_reshaped = True
        self.paint_soon()

    def paint_soon(self) -> None:
        """Paint once what goes on now is done."""
        if not self._is_due and not self._is_laying_out and self._laid_out:
            self._is_due = True
            self.call_next(self._paint)

    def on_screen_resume(self) -> None:
        """Show what has changed while another view was in sight."""
        if self._laid_out:
            self.settle()
            self.paint_soon()

    def _paint(self) -> None:
        self._is_due = False
        if not self.is_attached or not self.is_current:
            return
        if self._is_reshaped:
            self._refresh_layout()
        else:
            self._compositor_refresh()

    def _refresh_layout(self, size: Size | None = None, scroll: bool = False) -> None:
        """Lay out, and let every part draw for its size; then only is it painted."""
        if self._is_laying_out:
            super()._refresh_layout(size, scroll)
            return
        self._is_laying_out = True
        # Also those that are not in sight now: one that comes into sight wants another layout.
        for part in self.query(CellLines):
            part.painter = self
        try:
            for _ in range(_MOST_LAYOUTS):
                self._is_reshaped = False
                self._clear_arrangement_cache()
                super()._refresh_layout(size, scroll)
                for widget in list(self._compositor.visible_widgets):
                    if isinstance(widget, CellLines):
                        widget.settle()
                self.settle()
                if not self._is_reshaped:
                    break
            self._is_reshaped = False
        finally:
            self._is_laying_out = False
        if self.size and not self._laid_out:
            self._laid_out, self.shown_at = True, events.Idle().time
        self._compositor_refresh()

    def _compositor_refresh(self) -> None:
        """Paint what is in sight: this view, or the one behind, and all that lies over it."""
        driver = self.app._driver
        if self._is_laying_out:
            return
        if not isinstance(driver, LeanDriver):
            super()._compositor_refresh()
            return
        self._dirty_widgets.clear()
        self._compositor._dirty_regions.clear()
        stack = in_sight(self.app.screen_stack)
        if self not in stack or not stack[0]._laid_out:
            return
        if self.app._batch_count:
            self.refresh()
        else:
            driver.paint(rows_of(stack))

    def _extend_compose(self, widgets: list[Widget]) -> None:
        """Add none of Textual's own: there are no tooltips, and what is told is told above the keys."""


def in_sight(screens: list[Screen[Any]]) -> list[Painted[Any]]:
    """Return the view on top and the dialogues over it, the view first."""
    found: list[Painted[Any]] = []
    for screen in reversed(screens):
        if isinstance(screen, Painted):
            found.insert(0, screen)
            if not screen.lies_over:
                break
    return found


def rows_of(stack: list[Painted[Any]]) -> Rows:
    """Return what each row of the terminal is made of, what is on top last."""
    width, height = stack[0].size
    rows: Rows = [[] for _ in range(height)]
    for screen in stack:
        for widget, region in _parts(screen):
            for y, piece in _pieces(widget, region.intersection(Region(0, 0, width, height))):
                rows[y].append(piece)
    return rows


def _parts(screen: Painted[Any]) -> Iterator[tuple[Widget, Region]]:
    """Yield the parts of a screen and where they are, those on top last."""
    if screen._laid_out:
        for widget, (region, _) in reversed(screen._compositor.visible_widgets.items()):
            if widget is not screen:
                yield widget, region


def _pieces(widget: Widget, region: Region) -> Iterator[tuple[int, Piece]]:
    if isinstance(widget, CellLines):
        lines = widget.lines
        for at in range(region.height):
            yield region.y + at, (region.x, region.width, lines[at] if at < len(lines) else ())
    elif region:
        for at, strip in enumerate(widget.render_lines(Region(0, 0, region.width, region.height))):
            yield region.y + at, (region.x, region.width, strip)
