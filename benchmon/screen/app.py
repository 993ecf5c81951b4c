"""The screen as a program: it follows a session view, shows it, and takes the user's keys."""

from __future__ import annotations

import asyncio
import gc
import math
import time
from collections.abc import Sequence
from importlib import import_module
from threading import Thread
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType
from textual.screen import Screen

from benchmon.bench import Bench
from benchmon.errors import BenchmonError, SessionFileError
from benchmon.event_kinds import EventKind
from benchmon.screen.actions import OperatorActions
from benchmon.screen.commit_pace import CommitPace
from benchmon.screen.keys import MAIN, VIEWS, ViewRecord, view_called
from benchmon.screen.session_state import SessionState
from benchmon.screen.styles import (
    PALETTE_VARIABLE,
    Palette,
    follow_background,
    palette_problem,
    use_terminal_colours,
    wants_background,
)
from benchmon.screen.symbols import ASCII, UNICODE, needs_ascii
from benchmon.screen.terminal.differential_driver import (
    BackgroundReported,
    DifferentialDriver,
    redraw_terminal,
    wants_mouse,
)
from benchmon.screen.views.base import Dialog, View, ViewContext
from benchmon.screen.views.dialogs import ExitChoice
from benchmon.screen.views.main import BenchView
from benchmon.session.follower import AT_A_LOOK
from benchmon.session.records import (
    RECENT_SECONDS,
    RecorderState,
    SessionView,
)
from benchmon.watch.records import Event

if TYPE_CHECKING:
    from benchmon.screen.derived_predictions import DerivedPredictions


_FIRST_POLL_SECONDS = 0.04
_CATCH_UP_WITHIN = 0.4
_NEXT_PART_SECONDS = 0.01
"""A session that is already long comes in parts, this time apart, so that keys are taken between them."""
_RING_EVERY = 4.0
_LOAD_AFTER = 1.5


_VIEWS_PACKAGE = "benchmon.screen.views"


class BenchmonApp(OperatorActions):
    """Follows `view` and shows it. `ascii_only` draws with ASCII characters alone; `read_only` asks nothing."""

    CSS_PATH = "benchmon.tcss"
    ENABLE_COMMAND_PALETTE = False
    TITLE = "benchmon"

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+q,ctrl+c", "leave", "Quit", show=False, priority=True),
        Binding("ctrl+o", "switch_off", "Switch off", show=False, priority=True),
        Binding("ctrl+l", "redraw", "Redraw", show=False, priority=True),
        Binding("ctrl+z", "suspend_process", "To the shell", show=False, priority=True),
    ]

    wants_background = staticmethod(wants_background)

    def __init__(
        self,
        view: SessionView,
        *,
        ascii_only: bool = False,
        read_only: bool = False,
    ) -> None:
        super().__init__(driver_class=DifferentialDriver, ansi_color=True)
        use_terminal_colours(self)
        self.animation_level = "none"
        self.view = view
        self.symbols = ASCII if ascii_only else UNICODE
        self.state = SessionState(view.info, view.live)
        self.state.read_only = read_only
        self._last_ring = -math.inf
        self._has_more = False
        self.derived = None if view.info.holds_predictions else _derived_predictions(view.info.bench)

    def get_default_screen(self) -> Screen[None]:
        """Return the main view, with what the first poll brings already on it."""
        give_up = time.monotonic() + _CATCH_UP_WITHIN
        self._update_state()
        while self._has_more and time.monotonic() < give_up:
            self._update_state()
        self._prime_trends()
        return BenchView(self._view_context())

    def on_mount(self) -> None:
        """Begin to follow."""
        self.run_worker(self._follow_commits(), name="follow")
        self.set_timer(_FIRST_POLL_SECONDS, self._follow_soon)
        self.set_timer(_LOAD_AFTER, _load_in_background)
        complaint = palette_problem()
        if complaint:
            self.call_after_refresh(self.show_message, complaint)

    def on_unmount(self) -> None:
        """End the work that the screen has begun beside itself."""
        if self.derived is not None:
            self.derived.close()

    def follow(self) -> None:
        """Take what came since the last poll, and show it in every visible view."""
        events = self._update_state()
        self.follow_off_request(events)
        refused = [event.message for event in events if event.kind == EventKind.REFUSED]
        if refused and self.state.live:
            self.show_message(refused[-1])
        self.show_progress()
        self.show_all()
        self._ring_bell()
        if self._has_more:
            self.set_timer(_NEXT_PART_SECONDS, self.follow)

    async def _follow_commits(self) -> None:
        """Follow from now on, each time just after a commit of the recorder."""
        pace = CommitPace(self.view.info.path)
        while True:
            wait = pace.wait(time.monotonic(), time.time())
            if wait:
                await asyncio.sleep(wait)
            else:
                self.follow()

    def _follow_soon(self) -> None:
        """Look more often until the first values are there."""
        self.follow()
        if self.view.live and not self._has_values():
            self.set_timer(_FIRST_POLL_SECONDS, self._follow_soon)

    def _has_values(self) -> bool:
        return any(channel.value is not None for channel in self.state.channels)

    def show_all(self) -> None:
        """Show the present state in every visible view."""
        for screen in self.visible_screens():
            screen.show(self.state)

    @property
    def chosen(self) -> str:
        """Return the name of the channel under the cursor of the main view, "" where there is none."""
        return next((screen.chosen for screen in self.screen_stack if isinstance(screen, BenchView)), "")

    def _ring_bell(self) -> None:
        """Ring while an alarm waits to be acknowledged; in a replay nothing rings."""
        waiting = self.state.alarms.unacknowledged
        watched = self.state.live or self.state.recorder_state is RecorderState.GONE
        if not (waiting and watched and self.state.bell):
            self._last_ring = -math.inf
        elif time.monotonic() - self._last_ring >= _RING_EVERY:
            self._last_ring = time.monotonic()
            self.bell()

    def visible_screens(self) -> list[View | Dialog[object]]:
        """Return the view on top, and the dialogues over it."""
        found: list[View | Dialog[object]] = []
        for screen in reversed(self.screen_stack):
            if screen.is_attached and isinstance(screen, View | Dialog):
                found.append(screen)
                if isinstance(screen, View):
                    break
        return found

    def _update_state(self) -> Sequence[Event]:
        """Take what came since the last poll; return the events of it."""
        try:
            update = self.view.poll()
        except BenchmonError as problem:
            self._has_more = False
            self.state.fail(str(problem))
            return ()
        self.polled = time.monotonic()
        self._has_more = len(update.judgements) >= AT_A_LOOK
        self.state.update(update, self.view.live)
        if self.derived is not None:
            self.state.take_predictions(self.derived.add(update, self.state.plan))
        return update.events

    def _prime_trends(self) -> None:
        """Fill the trends of channels that are read so slowly that the first poll did not bring enough of them."""
        slow = [channel for channel in self.state.channels if channel.trend.reach > RECENT_SECONDS]
        for channel in slow:
            end = math.floor(self.state.now / channel.trend.span) * channel.trend.span
            begin = max(0.0, end - channel.trend.reach)
            parts = round((end - begin) / channel.trend.span)
            try:
                channel.trend.prime(self.view.trend(channel.channel.name, begin, end, parts) if parts else ())
            except SessionFileError as problem:
                self.state.fail(str(problem))

    def on_background_reported(self, message: BackgroundReported) -> None:
        """Take the colours for a light terminal where it is one."""
        follow_background(self, is_light=message.is_light)

    def action_redraw(self) -> None:
        """Send the whole screen again, where something else has written over it."""
        redraw_terminal(self)

    def action_colours(self) -> None:
        """Change to the next palette: for dark terminals, for light ones, high contrast."""
        palettes = list(Palette)
        palette = palettes[(palettes.index(Palette(self.theme)) + 1) % len(palettes)]
        self.theme = palette
        words = "High contrast" if palette is Palette.CONTRAST else f"Colours for a {palette} terminal"
        self.show_message(f"{words}; k: the next. {PALETTE_VARIABLE}={palette} begins with it.")

    def action_show_view(self, name: str) -> None:
        """Show a view by its name in the place of the one that is open; the same key closes it again."""
        record = view_called(name)
        now = self.screen
        opened_from = now.record if isinstance(now, View) else MAIN
        if opened_from is record:
            self.pop_screen()
            return
        view = _load(record)(self._view_context(opened_from))
        if opened_from is MAIN:
            self.push_screen(view)
        else:
            self.switch_screen(view)

    def _view_context(self, opened_from: ViewRecord = MAIN) -> ViewContext:
        return ViewContext(self.state, self.symbols, self.view, self.chosen, opened_from)


def _derived_predictions(bench: Bench) -> DerivedPredictions:
    from benchmon.screen.derived_predictions import DerivedPredictions  # noqa: PLC0415 - most sessions need none

    return DerivedPredictions(bench)


def _load(record: ViewRecord) -> type[View]:
    """Return the class of a view."""
    module, _, name = record.place.partition(":")
    kind: type[View] = getattr(import_module(f"{_VIEWS_PACKAGE}.{module}"), name)
    return kind


def _load_in_background() -> None:
    """Load the views that nobody has opened yet: plotting takes a while."""

    def load() -> None:
        try:
            for record in VIEWS:
                if record.place:
                    _load(record)
        finally:
            # What is loaded stays: looking for garbage among it would make a key wait.
            gc.freeze()

    Thread(target=load, name="loading views", daemon=True).start()


def run_screen(view: SessionView, *, ascii_only: bool = False, read_only: bool = False) -> ExitChoice:
    """Show `view` until the user leaves, and return what becomes of the recorder; `stop` is already requested then.

    It draws with ASCII alone where `ascii_only`, or where the terminal is known to have nothing else. Where `read_only`
    it only looks. The caller closes the view.
    Raises `BenchmonError` where the screen broke down.
    """
    app = BenchmonApp(view, ascii_only=ascii_only or needs_ascii(), read_only=read_only)
    choice = app.run(mouse=wants_mouse())
    if app.return_code:
        raise BenchmonError("the screen broke down; a recorder goes on without it, `benchmon attach` shows it again")
    return choice or ExitChoice.NOTHING
