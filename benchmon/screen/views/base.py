"""The bases of views and dialogs: the status header on top, the keys at the bottom, a message line above them.

Behind a dialog the values go on changing; the question is at the bottom.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.timer import Timer
from textual.widget import Widget

from benchmon.screen.keys import MAIN, ViewRecord, keys_in_bar
from benchmon.screen.session_state import SessionState
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.terminal.key_queue import Answer, KeyScreen
from benchmon.screen.widgets.key_bar import KeyBar
from benchmon.screen.widgets.status_header import NoticeLine, StatusHeader
from benchmon.session.records import SessionView

_NOTICE_SECONDS = 6.0


@dataclass(frozen=True, slots=True)
class ViewContext:
    """What every view is opened with.

    `chosen` is the name of the channel under the cursor, "" where there is none; `session` gives the trends of a
    session; `opened_from` is the view that was open before.
    """

    state: SessionState
    symbols: SymbolSet
    session: SessionView
    chosen: str = ""
    opened_from: ViewRecord = MAIN


class View(KeyScreen[None], inherit_bindings=False):
    """A view that fills the screen under the status header.

    `class PlanView(View, record=PLAN)` has the keys of that record alone, none of Textual's for a screen.
    """

    AUTO_FOCUS = "*"

    record: ClassVar[ViewRecord]

    def __init_subclass__(cls, record: ViewRecord | None = None) -> None:
        """Give the class the keys of its `record`."""
        if record is not None:
            cls.record, cls.BINDINGS = record, record.bindings
        super().__init_subclass__(inherit_bindings=False)

    def __init__(self, context: ViewContext) -> None:
        super().__init__()
        self.context = context
        self.state, self.symbols = context.state, context.symbols
        self.head = StatusHeader(self.state, self.symbols)
        self.notice = NoticeLine(self.symbols)
        self.key_bar = KeyBar(keys_in_bar(self.record.keys, self.state), self.symbols)
        self._notice_timer: Timer | None = None
        self._message = ""

    def compose(self) -> ComposeResult:
        """Put the status header on top and the keys at the bottom."""
        yield self.head
        yield from self.body()
        yield self.notice
        yield self.key_bar

    def body(self) -> Iterable[Widget]:
        """Return the widgets between the status header and the keys. Every view implements it."""
        raise NotImplementedError

    def on_screen_resume(self) -> None:
        """Show what has changed while it was hidden."""
        self.show(self.state)

    def on_resize(self) -> None:
        """Show the state in the room there is."""
        self.show(self.state)

    def show(self, state: SessionState) -> None:
        """Show `state`."""
        self.state = state
        self.head.show(state)
        self.key_bar.show(keys_in_bar(self.record.keys, state))
        self._notice()

    def show_message(self, words: str) -> None:
        """Show a notice above the keys for some seconds."""
        if self._notice_timer is not None:
            self._notice_timer.stop()
        self._notice_timer = self.set_timer(_NOTICE_SECONDS, self._clear_message)
        self._message = words
        self.show(self.state)

    def _clear_message(self) -> None:
        self._message = ""
        self.show(self.state)

    def _notice(self) -> None:
        """Show the last message; else the progress of the background job, or that the bench file was edited."""
        words = self._message or self.state.progress or self.state.edit_in_words
        self.notice.show_message(words)
        self.notice.set_height(len(self.notice.lines))


class Dialog(ModalScreen[Answer], KeyScreen[Answer]):
    """A question at the bottom of the screen. Escape closes it without an answer."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "cancel", "Close")]

    def __init__(self, state: SessionState, symbols: SymbolSet) -> None:
        super().__init__()
        self.state = state
        self.symbols = symbols
        self.head = StatusHeader(state, symbols)

    def compose(self) -> ComposeResult:
        """Put the status header on top and the question at the bottom."""
        yield self.head
        with Vertical(id="question"):
            yield from self.body()

    def body(self) -> Iterable[Widget]:
        """Return the widgets of the question. Every dialog implements it."""
        raise NotImplementedError

    def on_screen_resume(self) -> None:
        """Show what has changed while it was hidden."""
        self.show(self.state)

    def on_resize(self) -> None:
        """Show the state in the room there is."""
        self.show(self.state)

    def show(self, state: SessionState) -> None:
        """Show the present status in the header."""
        self.state = state
        self.head.show(state)

    def action_cancel(self) -> None:
        """Close without an answer."""
        self.dismiss(None)
