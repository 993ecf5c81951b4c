"""The bases of views and dialogs: the status header on top, the keys at the bottom, a message line above them.

Behind a dialog the bench goes on moving; the question stands at the bottom.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.timer import Timer
from textual.widget import Widget

from benchmon.screen.session_state import SessionState
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.terminal.key_queue import Answer, KeyScreen
from benchmon.screen.widgets.key_bar import KeyBar
from benchmon.screen.widgets.status_header import NoticeLine, StatusHeader

_NOTICE_SECONDS = 6.0


EVERYWHERE: list[BindingType] = [
    Binding("o", "app.switch_off", "OFF"),
    Binding("a", "app.acknowledge", "Seen"),
    Binding("p", "app.turn_to('plan')", "Plan"),
    Binding("b", "app.turn_to('big figures')", "Big"),
    Binding("t", "app.turn_to('trend')", "Trend"),
    Binding("w", "app.turn_to('waves')", "Wave"),
    Binding("r", "app.reading", "Read"),
    Binding("n", "app.note", "Note"),
    Binding("m", "app.mute", "Bell", show=False),
    Binding("l", "app.load", "Load", show=False),
    Binding("d", "app.export", "Data", show=False),
    Binding("u", "app.draw_circuits", "Uncertainty", show=False),
    Binding("k", "app.colours", "Colours", show=False),
    Binding("c", "app.call_off", "Call off", show=False),
    Binding("question_mark", "app.turn_to('help')", "Help", key_display="?"),
]
"""The keys that every view has. A view that has its own puts them first, so that they are seen on a narrow screen."""

TO_READ: list[BindingType] = [
    Binding("escape,q", "app.pop_screen", "Back", key_display="Esc"),
    *EVERYWHERE,
    Binding("tab", "app.focus_next", "Scroll", key_display="arrows"),
    Binding("e", "app.turn_to('events')", "Events", show=False),
]
"""The keys of a view to read in and go back from."""


_IN_A_REPLAY = [
    Binding("f", "app.freeze", "Freeze"),
    Binding("full_stop", "app.step", "Step", key_display="."),
    Binding("right_square_bracket", "app.to_event(1)", "Events", key_display="] ["),
    Binding("greater_than_sign", "app.pace(1)", "Pace", key_display="> <"),
]
_OF_THE_RECORDER = {"app.switch_off", "app.acknowledge", "app.reading", "app.note"}


def keys_to_show(bindings: Sequence[BindingType], *, is_replay: bool) -> list[BindingType]:
    """Return the keys of the last line: in a replay those that hold it, in the place of those that ask a recorder."""
    if not is_replay:
        return list(bindings)
    kept = [one for one in bindings if not (isinstance(one, Binding) and one.action in _OF_THE_RECORDER)]
    first = 1 if kept and isinstance(kept[0], Binding) and kept[0].key.startswith("escape") else 0
    return [*kept[:first], *_IN_A_REPLAY, *kept[first:]]


class View(KeyScreen[None], inherit_bindings=False):
    """A view that fills the screen under the head. Its keys are its own: none of Textual's for a screen."""

    AUTO_FOCUS = "*"

    BINDINGS: ClassVar[list[BindingType]] = EVERYWHERE

    def __init__(self, state: SessionState, symbols: SymbolSet) -> None:
        super().__init__()
        self.state = state
        self.symbols = symbols
        self.head = StatusHeader(state, symbols)
        self.notice = NoticeLine(symbols)
        self._notice_timer: Timer | None = None
        self._told = ""

    def compose(self) -> ComposeResult:
        """Put the head on top and the keys at the bottom."""
        yield self.head
        yield from self.body()
        yield self.notice
        yield KeyBar(keys_to_show(self.BINDINGS, is_replay=self.state.is_replay), self.symbols)

    def body(self) -> Iterable[Widget]:
        """Return what is between head and keys."""
        raise NotImplementedError

    def on_screen_resume(self) -> None:
        """Show what has changed while it was not in sight."""
        self.show(self.state)

    def on_resize(self) -> None:
        """Show the state in the room there is."""
        self.show(self.state)

    def show(self, state: SessionState) -> None:
        """Show `state`."""
        self.state = state
        self.head.show(state)
        self._notice()

    def show_message(self, words: str) -> None:
        """Show a notice above the keys for some seconds."""
        if self._notice_timer is not None:
            self._notice_timer.stop()
        self._notice_timer = self.set_timer(_NOTICE_SECONDS, self._silence)
        self._told = words
        self.show(self.state)

    def _silence(self) -> None:
        self._told = ""
        self.show(self.state)

    def _notice(self) -> None:
        """Show what was told last; else what is done just now, or that the bench file was edited."""
        words = self._told or self.state.work or self.state.edit_in_words
        self.notice.show_message(words)
        self.notice.take_height(len(self.notice.lines))


class ReadingView(View, inherit_bindings=False):
    """A view to read in and go back from."""

    BINDINGS: ClassVar[list[BindingType]] = TO_READ


class Dialog(ModalScreen[Answer], KeyScreen[Answer]):
    """A question at the bottom of the screen. Escape closes it without an answer."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "drop", "Close")]

    def __init__(self, state: SessionState, symbols: SymbolSet) -> None:
        super().__init__()
        self.state = state
        self.symbols = symbols
        self.head = StatusHeader(state, symbols)

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
        self.show(self.state)

    def on_resize(self) -> None:
        """Show the state in the room there is."""
        self.show(self.state)

    def show(self, state: SessionState) -> None:
        """Show how the session stands now, in the head."""
        self.state = state
        self.head.show(state)

    def action_drop(self) -> None:
        """Close without an answer."""
        self.dismiss(None)
