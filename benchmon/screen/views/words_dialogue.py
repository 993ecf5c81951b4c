"""Asking for a line of words: a note, a reason."""

from __future__ import annotations

from collections.abc import Iterable

from textual import on
from textual.widget import Widget
from textual.widgets import Input

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.picture import Picture
from benchmon.screen.terminal.key_queue import TypedLine
from benchmon.screen.views.dialogue import Dialogue
from benchmon.screen.widgets.words import Words
from benchmon.text import one_line

LONGEST = 200


class WordsDialogue(Dialogue[str | None]):
    """Asks for one line of text, which begins as `usual`.

    Answers it, "" where `may_be_empty` and nothing was written, None where dropped.
    """

    def __init__(
        self,
        picture: Picture,
        alphabet: Alphabet,
        title: str,
        hint: str,
        *,
        may_be_empty: bool = False,
        usual: str = "",
    ) -> None:
        super().__init__(picture, alphabet)
        self._title, self._hint, self._may_be_empty, self._usual = title, hint, may_be_empty, usual

    def body(self) -> Iterable[Widget]:
        """Return the line to write in."""
        yield Words(self.alphabet, title=self._title)
        yield TypedLine(self._usual, max_length=LONGEST, select_on_focus=bool(self._usual), compact=True)
        yield Words(self.alphabet, self._hint)

    @on(Input.Submitted)
    def keep(self, message: Input.Submitted) -> None:
        """Answer what was written."""
        words = one_line(message.value.strip(), LONGEST)
        self.dismiss(words if words or self._may_be_empty else None)
