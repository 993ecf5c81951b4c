"""Finding channels among many."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from textual import on
from textual.widget import Widget
from textual.widgets import Input

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.picture import Picture
from benchmon.screen.terminal.key_queue import TypedLine
from benchmon.screen.views.dialogue import Dialogue
from benchmon.screen.widgets.words import Words


class FindDialogue(Dialogue[None]):
    """Asks what to find and hands it to `find` at every key, so that the rows behind follow."""

    def __init__(self, picture: Picture, alphabet: Alphabet, wanted: str, find: Callable[[str], None]) -> None:
        super().__init__(picture, alphabet)
        self._wanted = wanted
        self._find = find

    def body(self) -> Iterable[Widget]:
        """Return the line to write in."""
        yield Words(self.alphabet, title="find channels by name, quantity, instrument or state")
        yield TypedLine(self._wanted, max_length=40, compact=True)
        yield Words(self.alphabet, "Enter keeps the choice, Esc shows all. What is past its warning or limit stays.")

    @on(Input.Changed)
    def follow(self, message: Input.Changed) -> None:
        """Let the rows follow what is typed."""
        self._find(message.value)

    @on(Input.Submitted)
    def keep(self, _message: Input.Submitted) -> None:
        """Close, the rows staying as they are."""
        self.dismiss(None)

    def action_drop(self) -> None:
        """Close and show all rows."""
        self._find("")
        self.dismiss(None)
