"""Loading an edited bench file while it is recorded."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.picture import Picture
from benchmon.screen.views.dialogue import Dialogue
from benchmon.screen.widgets.words import Words


class LoadDialogue(Dialogue[bool]):
    """Asks whether `changes`, in words, come into force. Answers None where they do not."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "load", "Load"),
        Binding("escape", "drop", "Leave"),
    ]

    def __init__(self, picture: Picture, alphabet: Alphabet, changes: str) -> None:
        super().__init__(picture, alphabet)
        self._changes = changes

    def body(self) -> Iterable[Widget]:
        """Return the question."""
        yield Words(
            self.alphabet,
            f"It changes: {self._changes}.",
            "Enter loads it: readings from now on are judged by it; earlier ones stay.",
            "Esc   leaves in force what was loaded before.",
            title="load the edited bench file?",
        )

    def action_load(self) -> None:
        """Let it come into force."""
        self.dismiss(True)
