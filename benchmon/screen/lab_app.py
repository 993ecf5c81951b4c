"""The program that shows all benches of a lab, a line each; it looks once a second and asks for nothing."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import BindingType

from benchmon.errors import BenchmonError
from benchmon.publish.lab import BenchStatusMessage, Overview, count_in_words, state_in_words, units_in_words
from benchmon.screen.keys import Key, bindings_of
from benchmon.screen.lines.text import Cell, Line, fit, fit_name, wrap
from benchmon.screen.styles import LEVEL_ROLES, StyleRole, follow_background, use_terminal_colours, wants_background
from benchmon.screen.symbols import ASCII, UNICODE, SymbolSet, needs_ascii
from benchmon.screen.terminal.differential_driver import BackgroundReported, DifferentialDriver, wants_mouse
from benchmon.screen.widgets.key_bar import KeyBar
from benchmon.screen.widgets.lines import CellLines
from benchmon.screen.widgets.scroll_page import ScrollPage
from benchmon.screen.widgets.status_header import level_sign
from benchmon.text import clock
from benchmon.watch.status import Level

_TITLE, _STATE, _CLOCK = 40, 10, 11
_MOST_LINES = 2


def heading(overview: Overview, benches: Sequence[BenchStatusMessage], width: int, symbols: SymbolSet) -> list[Line]:
    """Return the lines on top: how many benches stand how, and whether the broker is there."""
    connected, where = overview.connected, overview.broker
    tested = units_in_words(*overview.units_today(time.time()))
    count = count_in_words(benches, overview.left_out) + (f"; {tested}" if tested else "")
    words = f" {count}" if connected else " The broker is not reached: what is shown is old"
    role = LEVEL_ROLES.get(benches[0].level, StyleRole.PLAIN) if benches and connected else StyleRole.PLAIN
    first = Cell(fit(symbols.plain(words), width, symbols), role if connected else StyleRole.ALERT)
    return [(first,), (Cell(fit(symbols.plain(f" {where}"), width, symbols), StyleRole.QUIET),)]


def bench_lines(benches: Sequence[BenchStatusMessage], width: int, symbols: SymbolSet) -> list[Line]:
    """Return the lines on each bench: what it is and its state, and below that its sentence."""
    return [line for bench in benches for line in _lines(bench, width, symbols)]


def _lines(bench: BenchStatusMessage, width: int, symbols: SymbolSet) -> list[Line]:
    role = LEVEL_ROLES.get(bench.level, StyleRole.PLAIN)
    name = f"{bench.last.title}, {bench.last.host}" if bench.last.host else bench.last.title
    title = max(8, min(_TITLE, width - 3 - _STATE - _CLOCK))
    first = (
        Cell(f" {level_sign(bench.level, symbols)} ", role),
        Cell(fit_name(symbols.plain(name), title, symbols), StyleRole.STRONG),
        Cell(
            f"  {fit(state_in_words(bench), _STATE, symbols)}", StyleRole.ALERT if bench.is_silent else StyleRole.PLAIN
        ),
        Cell(fit(clock(bench.last.time), _CLOCK - 2, symbols, "right")),
    )
    pieces = wrap(symbols.plain(bench.sentence, 600), max(1, width - 4))[:_MOST_LINES]
    return [first, *((Cell(f"    {piece}"),) for piece in pieces)]


_LOOK_SECONDS = 1.0
_KEYS = (
    Key("q,ctrl+q,ctrl+c", "quit", "Quit", shown="q"),
    Key("tab", "app.focus_next", "Scroll", shown="arrows"),
)


class LabApp(App[None]):
    """Shows the benches of `overview`, the worst on top. The bell rings once when one gets into danger."""

    CSS_PATH = "benchmon.tcss"
    ENABLE_COMMAND_PALETTE = False
    TITLE = "benchmon"

    BINDINGS: ClassVar[list[BindingType]] = bindings_of(_KEYS)

    wants_background = staticmethod(wants_background)

    def __init__(self, overview: Overview, *, ascii_only: bool = False) -> None:
        super().__init__(driver_class=DifferentialDriver, ansi_color=True)
        use_terminal_colours(self)
        self.animation_level = "none"
        self._overview = overview
        self._symbols = ASCII if ascii_only else UNICODE
        self._benches = overview.benches()
        self._head, self._page = CellLines(), ScrollPage(self._write, self._symbols)

    def on_background_reported(self, message: BackgroundReported) -> None:
        """Take the colours for a light terminal where it is one."""
        follow_background(self, is_light=message.is_light)

    def compose(self) -> ComposeResult:
        """Put the count on top, the benches below, and the keys at the bottom."""
        yield self._head
        yield self._page
        yield KeyBar(_KEYS, self._symbols)

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
        self._head.paint(heading(self._overview, self._benches, self.size.width, self._symbols))
        self._page.show()
        if {bench.name for bench in self._benches if bench.level is Level.DANGER} - before:
            self.bell()

    def _write(self, width: int) -> list[Line]:
        return bench_lines(self._benches, width, self._symbols)


def show_lab(overview: Overview, *, ascii_only: bool = False) -> None:
    """Show the benches until the user leaves. Raises `BenchmonError` where the screen broke down."""
    app = LabApp(overview, ascii_only=ascii_only or needs_ascii())
    app.run(mouse=wants_mouse())
    if app.return_code:
        raise BenchmonError("the screen broke down; `benchmon benches --once` prints the same as text")
