"""The overview of a lab as a program: it looks once a second, and only looks."""

from __future__ import annotations

from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType

from benchmon.errors import BenchmonError
from benchmon.publish.overview import Overview
from benchmon.screen.alphabet import ASCII, UNICODE, needs_ascii
from benchmon.screen.benches.bench_lines import bench_lines, heading
from benchmon.screen.cells import Line
from benchmon.screen.terminal.differential_driver import DifferentialDriver, wants_mouse
from benchmon.screen.theme import use_terminal_colours
from benchmon.screen.widgets.cell_lines import CellLines
from benchmon.screen.widgets.key_bar import KeyBar
from benchmon.screen.widgets.page import Page
from benchmon.watch.glance import Level

_LOOK_SECONDS = 1.0


class BenchesApp(App[None]):
    """Shows the benches of `overview`, the worst on top. The bell rings once when one gets into danger."""

    CSS_PATH = "../benchmon.tcss"
    ENABLE_COMMAND_PALETTE = False
    TITLE = "benchmon"

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q,ctrl+q,ctrl+c", "quit", "Quit", key_display="q"),
        Binding("tab", "app.focus_next", "Scroll", key_display="arrows"),
    ]

    def __init__(self, overview: Overview, *, ascii_only: bool = False) -> None:
        super().__init__(driver_class=DifferentialDriver, ansi_color=True)
        use_terminal_colours(self)
        self.animation_level = "none"
        self._overview = overview
        self._alphabet = ASCII if ascii_only else UNICODE
        self._benches = overview.benches()
        self._head, self._page = CellLines(), Page(self._write, self._alphabet)

    def compose(self) -> ComposeResult:
        """Put the count on top, the benches below, and the keys at the bottom."""
        yield self._head
        yield self._page
        yield KeyBar(self.BINDINGS, self._alphabet)

    def on_mount(self) -> None:
        """Begin to look."""
        self._head.styles.height = 2
        self.look()
        self.set_interval(_LOOK_SECONDS, self.look)

    def on_resize(self) -> None:
        """Draw for the new size."""
        self.look()

    def look(self) -> None:
        """Show how the benches stand now."""
        before = {bench.name for bench in self._benches if bench.level is Level.DANGER}
        self._benches = self._overview.benches()
        width, where = self.size.width, str(self._overview.broker)
        self._head.paint(heading(self._benches, where, self._overview.connected, width, self._alphabet))
        self._page.show()
        if {bench.name for bench in self._benches if bench.level is Level.DANGER} - before:
            self.bell()

    def _write(self, width: int) -> list[Line]:
        return bench_lines(self._benches, width, self._alphabet)


def show_benches(overview: Overview, *, ascii_only: bool = False) -> None:
    """Show the benches until the user leaves. Raises `BenchmonError` where the screen broke down."""
    app = BenchesApp(overview, ascii_only=ascii_only or needs_ascii())
    app.run(mouse=wants_mouse())
    if app.return_code:
        raise BenchmonError("the screen broke down; `benchmon benches --once` prints the same as text")
