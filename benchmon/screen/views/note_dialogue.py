"""Writing a note."""

from __future__ import annotations

from collections.abc import Iterable

from textual import on
from textual.widget import Widget
from textual.widgets import Input

from benchmon.errors import one_line
from benchmon.screen.alphabet import Alphabet
from benchmon.screen.picture import Picture
from benchmon.screen.views.dialogue import Dialogue
from benchmon.screen.widgets.words import Words

_LONGEST = 200


class NoteDialogue(Dialogue[str | None]):
    """Asks for one line of text. Answers the text, or None where nothing is to be kept."""

    def __init__(self, picture: Picture, alphabet: Alphabet, began: str) -> None:
        super().__init__(picture, alphabet)
        self._began = began

    def body(self) -> Iterable[Widget]:
        """Return the line to write in."""
        yield Words(self.alphabet, title=f"note at {self._began}: what do you see, hear or smell?")
        yield Input(max_length=_LONGEST, select_on_focus=False, compact=True)
        yield Words(self.alphabet, "Enter keeps it, Esc drops it")

    @on(Input.Submitted)
    def keep(self, message: Input.Submitted) -> None:
        """Answer what was written."""
        self.dismiss(one_line(message.value.strip(), _LONGEST) or None)
