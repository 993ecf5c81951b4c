"""Leaving the screen: whether the recorder goes on."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget

from benchmon.screen.leaving import Leaving
from benchmon.screen.views.dialogue import Dialogue
from benchmon.screen.widgets.words import Words


class QuitDialogue(Dialogue[Leaving | None]):
    """Asks what becomes of the recorder. Answers None where the user stays."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("k,enter", "keep", "Keep recording"),
        Binding("s", "stop", "Stop recording"),
        Binding("escape", "drop", "Stay"),
    ]

    def body(self) -> Iterable[Widget]:
        """Return the question."""
        yield Words(
            self.alphabet,
            "k    keep recording: the recorder and its watch go on without this screen",
            "s    stop recording: the session ends; nothing is watched any more",
            "Esc  stay",
            "Leaving switches nothing off: the bench keeps its power.",
            title="leave the screen?",
        )

    def action_keep(self) -> None:
        """Leave, the recorder going on."""
        self.dismiss(Leaving.RECORDER_GOES_ON)

    def action_stop(self) -> None:
        """Leave and stop the recorder."""
        self.dismiss(Leaving.STOP_RECORDER)
