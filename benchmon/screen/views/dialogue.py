"""What every dialogue has: the head stays on top, the bench goes on moving behind, the question is at the bottom."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widget import Widget

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.picture import Picture
from benchmon.screen.terminal.key_queue import Answer, KeyScreen
from benchmon.screen.widgets.head import Head


class Dialogue(ModalScreen[Answer], KeyScreen[Answer]):
    """A question at the bottom of the screen. Escape closes it without an answer."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "drop", "Close")]

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__()
        self.picture = picture
        self.alphabet = alphabet
        self.head = Head(picture, alphabet)

    def compose(self) -> ComposeResult:
        """Put the head on top and the question at the bottom."""
        yield self.head
        with Vertical(id="question"):
            yield from self.body()

    def body(self) -> Iterable[Widget]:
        """Return what the question is made of."""
        raise NotImplementedError

    def on_screen_resume(self) -> None:
        """Show what has changed while it was not in sight."""
        self.show(self.picture)

    def on_resize(self) -> None:
        """Show the picture in the room there is."""
        self.show(self.picture)

    def show(self, picture: Picture) -> None:
        """Show how the session stands now, in the head."""
        self.picture = picture
        self.head.show(picture)

    def action_drop(self) -> None:
        """Close without an answer."""
        self.dismiss(None)
