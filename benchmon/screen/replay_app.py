"""The screen on a replay: the same views, and keys to freeze, step, change the pace and go to events."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual.binding import BindingType

from benchmon.errors import BenchmonError
from benchmon.screen.app import BenchmonApp
from benchmon.screen.background_job import BackgroundJob
from benchmon.screen.keys import REPLAY, bindings_of
from benchmon.screen.session_state import SessionState
from benchmon.screen.symbols import needs_ascii
from benchmon.screen.terminal.differential_driver import wants_mouse
from benchmon.screen.views.dialogs import ExitChoice
from benchmon.session.replay import Player
from benchmon.text import clock

_SOON = 0.02
"""Seconds after which most events have been reached."""
_GREETING = "f freezes and resumes, . steps, [ and ] go to events, < and > change the pace"


class ReplayApp(BenchmonApp):
    """Follows a player, which the user freezes, steps and moves to events."""

    BINDINGS: ClassVar[list[BindingType]] = bindings_of(REPLAY)

    def __init__(self, player: Player, *, ascii_only: bool = False) -> None:
        super().__init__(player, ascii_only=ascii_only)
        self._player = player
        self.state.is_replay = True
        self._is_going = False

    def on_mount(self) -> None:
        """Start following, and show the keys."""
        self.call_after_refresh(self.show_message, _GREETING)

    def follow(self) -> None:
        """Take what the replay has reached; after a jump the state begins empty."""
        if self._is_going:
            self.show_progress()
            self.show_all()
            return
        if self._player.consume_restart():
            self._reset_state()
        super().follow()

    def action_freeze(self) -> None:
        """Freeze the replay, or resume it."""
        if self._is_going and self._is_busy():
            return
        self._player.freeze()
        self._show_position()

    def action_step(self) -> None:
        """Freeze at the next reading."""
        if self._is_going and self._is_busy():
            return
        if self._player.step():
            self.follow()
            self._show_position()
        else:
            self.show_message("There is no later reading.")

    def action_to_event(self, direction: int) -> None:
        """Freeze at the next event or the previous one, in the background: with another bench that takes a while."""
        if self._is_busy():
            return
        player = self._player

        def go(progress: Callable[[str], None]) -> str:
            try:
                there = player.to_event(direction, lambda reached: progress(f"judged up to {clock(max(0.0, reached))}"))
            finally:
                self._is_going = False
            where = "There is no later event." if direction > 0 else "There is no earlier event."
            return self._position_text() if there else where

        self._is_going = True
        self.job = BackgroundJob("Going to the event", go)
        self.set_timer(_SOON, self.follow)

    def action_pace(self, direction: int) -> None:
        """Play twice or half as fast."""
        if self._is_going and self._is_busy():
            return
        if direction > 0:
            self._player.faster()
        else:
            self._player.slower()
        self._show_position()

    def _show_position(self) -> None:
        self.show_message(self._position_text())

    def _position_text(self) -> str:
        player = self._player
        pace = f"{player.speed:g} times as fast"
        how = f"Frozen, f resumes {pace}" if player.frozen else f"Plays {pace}"
        return f"{how}; at {clock(player.position)}."

    def _reset_state(self) -> None:
        """Replace the state, which may know what has not happened yet, by an empty one."""
        former = self.state
        self.state = SessionState(self._player.info, self._player.live)
        if self.derived is not None:
            self.derived.restart()
        self.state.read_only, self.state.bell, self.state.is_replay = former.read_only, former.bell, True
        same = former.info.bench is self.state.info.bench
        self.state.marked = former.marked
        if same:
            self.state.distributions, self.state.derivations = former.distributions, former.derivations


def run_replay(player: Player, *, ascii_only: bool = False) -> ExitChoice:
    """Show a replay until the user leaves. Raises `BenchmonError` where the screen broke down."""
    app = ReplayApp(player, ascii_only=ascii_only or needs_ascii())
    choice = app.run(mouse=wants_mouse())
    if app.return_code:
        raise BenchmonError("the screen broke down; `benchmon replay` shows the session again")
    return choice or ExitChoice.NOTHING
