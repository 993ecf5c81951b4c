"""What every view has: the head on top, the keys at the bottom, and `show` for a new picture."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Footer

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.picture import Picture
from benchmon.screen.widgets.head import Head


class View(Screen[None], inherit_bindings=False):
    """A view that fills the screen under the head. Its keys are its own: none of Textual's for a screen."""

    AUTO_FOCUS = "*"

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__()
        self.picture = picture
        self.alphabet = alphabet
        self.head = Head(picture, alphabet)

    def compose(self) -> ComposeResult:
        """Put the head on top and the keys at the bottom."""
        yield self.head
        yield from self.body()
        yield Footer(show_command_palette=False, compact=True)

    def body(self) -> Iterable[Widget]:
        """Return what is between head and keys."""
        raise NotImplementedError

    def show(self, picture: Picture) -> None:
        """Show `picture`."""
        self.picture = picture
        self.head.show(picture)


class ReadingView(View):
    """A view to read in and go back from."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,q", "app.pop_screen", "Back", key_display="Esc"),
        Binding("tab", "app.focus_next", "Scroll", key_display="arrows"),
    ]
