"""Keys in the order they were typed, also those typed while a view or a dialogue is still opening.

Over a slow line several keys arrive at once: `o`, `O`, `F`, `F`, Enter. Textual gives them all to what has the focus
when they arrive, so the letters behind the first would be lost, and the word that switches off with them. A
question that one key answers gets only keys that were pressed when it was there.
"""

from __future__ import annotations

import time
from typing import Any, TypeVar

from textual import events
from textual.app import App
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Input

Answer = TypeVar("Answer")
_LOOK_EVERY = 0.01
_LONGEST = 1.0
"""Seconds after which a view that never has the focus gets its keys all the same."""


class KeyScreen(Screen[Answer]):
    """A screen that keys wait for. `takes_keys`: it is open. `shown_at`: when it first was, by the clock of events."""

    takes_keys = False
    shown_at: float | None = None

    def on_mount(self) -> None:
        """Note when it is shown."""
        self.screen_layout_refresh_signal.subscribe(self, self._note_time, immediate=True)

    def is_open(self) -> bool:
        """Return whether it is there to take keys; once it is, it stays so."""
        if not self.takes_keys:
            self.takes_keys = self.is_mounted and (self.focused is not None or not self.focus_chain)
        return self.takes_keys

    def _note_time(self, _screen: Screen[Any]) -> None:
        if self.shown_at is None and self.size:
            self.shown_at = events.Idle().time

    def _extend_compose(self, widgets: list[Widget]) -> None:
        """Add none of Textual's own: there are no tooltips, and notices are shown above the keys."""


class KeyQueue(App[Answer]):
    """Holds keys back while the screen they are for is opening."""

    _held: tuple[events.Key, ...] = ()
    _deadline = 0.0

    async def on_event(self, event: events.Event) -> None:
        """Take an event; a key only when what was typed before it has had its effect."""
        if isinstance(event, events.Key) and not event.is_forwarded:
            if self._held or self._is_opening():
                if not self._held:
                    self._deadline = time.monotonic() + _LONGEST
                    self.set_timer(_LOOK_EVERY, self._release)
                self._held = (*self._held, event)
                return
            if self._was_pressed_before_shown(event):
                return
            # Escape closes a line to type in, whose own keys take their effect later: what follows is not for it.
            at_once = event.key == "escape" or not isinstance(self.focused, Input)
            if at_once and (
                await self._check_bindings(event.key, priority=True) or await self._check_bindings(event.key)
            ):
                return
        await super().on_event(event)

    def _is_opening(self) -> bool:
        return isinstance(self.screen, KeyScreen) and not self.screen.is_open()

    async def _release(self) -> None:
        """Give the keys that were held back to what has opened meanwhile."""
        if self._is_opening() and time.monotonic() < self._deadline:
            self.set_timer(_LOOK_EVERY, self._release)
            return
        if isinstance(self.screen, KeyScreen):
            self.screen.takes_keys = True
        held, self._held = self._held, ()
        for key in held:
            await self.on_event(key)

    def _was_pressed_before_shown(self, key: events.Key) -> bool:
        """Return whether a question that one key answers is on top, and `key` was pressed before it could be seen.

        A word typed by mistake must not answer it.
        """
        screen = self.screen
        if not isinstance(screen, KeyScreen) or not screen.is_modal or isinstance(self.focused, Input):
            return False
        return screen.shown_at is None or key.time < screen.shown_at


class TypedLine(Input):
    """Textual's line to type in, without its haste.

    There a key that deletes or moves takes effect only after the letters typed behind it, where several arrive at once,
    as on a slow line: `22.5`, Backspace, `4` would become `22.5`.
    """

    async def _on_key(self, event: events.Key) -> None:
        for binding in self._bindings.key_to_bindings.get(event.key, ()):
            if await self.app.run_action(binding.action, self):
                event.stop()
                event.prevent_default()
                return
        await super()._on_key(event)
