"""What the person at the screen asks of the recorder, from any view: notes; and stopping it on leaving."""

from __future__ import annotations

from textual.app import App

from benchmon.errors import BenchmonError
from benchmon.screen.alphabet import Alphabet
from benchmon.screen.leaving import Leaving
from benchmon.screen.numbers import clock
from benchmon.screen.picture import Picture
from benchmon.screen.views.note_dialogue import NoteDialogue
from benchmon.screen.views.quit_dialogue import QuitDialogue
from benchmon.screen.views.view import View
from benchmon.session.view import SessionView


class Operator(App[Leaving]):
    """The part of the program that asks. What cannot be asked is told above the keys, with the reason."""

    picture: Picture
    view: SessionView
    alphabet: Alphabet

    def ask(self, kind: str, text: str, otherwise: str) -> bool:
        """Ask the recorder; tell `otherwise` and why, where it cannot be. Return whether it was asked."""
        try:
            self.view.request(kind, text)
        except BenchmonError as problem:
            self.tell(f"{otherwise}: {problem}")
            return False
        return True

    def tell(self, words: str) -> None:
        """Show `words` above the keys of the view in sight."""
        views = [screen for screen in self.screen_stack if isinstance(screen, View)]
        if views:
            views[-1].tell(words)

    def listens(self, what: str) -> bool:
        """Return whether a recorder can be asked; tell that `what` needs one where it cannot."""
        if self.view.live and not self.picture.read_only:
            return True
        self.tell(f"{what} needs a recorder that runs; this session is only read.")
        return False

    def action_note(self) -> None:
        """Write a note; its time is now, at the key."""
        if not self.listens("A note"):
            return
        began = clock(self.picture.now)

        def keep(text: str | None) -> None:
            if text:
                self.ask("note", f"[{began}] {text}", "The note is not kept")

        self.push_screen(NoteDialogue(self.picture, self.alphabet, began), keep)

    def action_leave(self) -> None:
        """Leave; where a recorder runs, ask first what becomes of it."""
        if not self.view.live or self.picture.read_only:
            self.exit(Leaving.NOTHING)
        elif not isinstance(self.screen, QuitDialogue):
            self.push_screen(QuitDialogue(self.picture, self.alphabet), self._leave)

    def _leave(self, choice: Leaving | None) -> None:
        stops = choice is Leaving.STOP_RECORDER
        if choice is not None and (not stops or self.ask("stop", "", "The recorder cannot be stopped")):
            self.exit(choice)
