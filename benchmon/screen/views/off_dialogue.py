"""Switching off: a word must be typed, so that no key hit by accident does it."""

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

WORD = "OFF"
_LONGEST = 12


class OffDialogue(Dialogue[bool]):
    """Asks for the word. Answers True where it was typed, None where the dialogue was closed."""

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__(picture, alphabet)
        self._hint = Words(alphabet, "Enter switches off, Esc does not. The switch in your hand is faster.")

    def body(self) -> Iterable[Widget]:
        """Return what it does, and the line to write in."""
        section = self.picture.info.bench.switch_off
        instrument = section.instrument if section is not None else ""
        yield Words(self.alphabet, f"It tells {instrument} to switch off.", title=f"switch off: type {WORD}")
        yield TypedLine(max_length=_LONGEST, select_on_focus=False, compact=True)
        yield self._hint

    @on(Input.Submitted)
    def take(self, message: Input.Submitted) -> None:
        """Answer where the word is right."""
        if message.value.strip().upper() == WORD:
            self.dismiss(True)
        else:
            self._hint.say(f"That is not {WORD}: nothing was switched off. Type {WORD} and Enter, or Esc.")
