"""What goes to the terminal: only cells that changed, and no frame before the last one has arrived.

Frames are read into a picture of the terminal instead of being sent. After what differs, the terminal is asked for its
cursor's position. Its answer says that all before it was drawn; until then newer frames only change the picture. So on
a slow line, where a program cannot see what is queued on the way, the screen shows fewer frames and never old ones.
"""

from __future__ import annotations

import os
import re
import select
import threading
import time
from codecs import getincrementaldecoder
from collections.abc import Callable, Mapping
from typing import Any

from rich.segment import Segment
from rich.style import Style
from textual import constants, events
from textual._xterm_parser import XTermParser
from textual.color import TRANSPARENT
from textual.drivers.linux_driver import LinuxDriver
from textual.message import Message

from benchmon.screen.frame import Frame, Rows
from benchmon.screen.styles import StyleRole
from benchmon.screen.terminal.cell_diff import DiffWriter, TerminalCells

_SYNC_START, _SYNC_END = "\x1b[?2026h", "\x1b[?2026l"
_ENTER, _LEAVE = "\x1b[?1049h", "\x1b[?1049l"
_FRAME = re.compile(r"\x1b\[\d+;\d+H")
_ARRIVED = "\x1b[6n"
_FIRST_ANSWER_WITHIN = 1.0
"""Seconds in which a terminal must answer for the first time, or else it is not asked again until it does."""
_ANSWER_WITHIN = 4.0
"""Seconds after which an answer counts as lost on a line that has answered before."""
_LAST_ANSWER_WITHIN = 0.5
"""Seconds that leaving waits for an answer of a terminal that has given none so far."""
_LOOK_EVERY = 0.1
"""Seconds after which the reading of keys looks whether the screen was left."""
_AT_ONCE = 4096
_WORTH_SYNC = 400
"""Bytes of a frame from which on its drawing is kept together, where the terminal knows how."""


NO_MOUSE_VARIABLE = "BENCHMON_NO_MOUSE"


def wants_mouse() -> bool:
    """Return whether clicks are for the screen; where not, the terminal's own selecting needs no Shift key."""
    return not os.environ.get(NO_MOUSE_VARIABLE)


class LeanDriver(LinuxDriver):
    """Textual's driver for terminals, which sends less."""

    _asked: float | None = None
    """When the terminal was asked whether all has arrived, while it has not answered; a monotonic time."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._lock = threading.RLock()
        self._arrived = threading.Condition(self._lock)
        self._wanted, self._sender = TerminalCells(), DiffWriter()
        self._frame = Frame(self._without_colour)
        self._size: os.terminal_size | None = None
        self._ever_answered = False
        self._never_answers = False
        self._is_ours = self._leaving = False

    def _enable_mouse_support(self) -> None:
        """Have clicks and the wheel reported, and no movement, which would be a stream of bytes for nothing."""
        if self._mouse:
            self.write("\x1b[?1000h\x1b[?1006h")
            self.flush()

    def _disable_mouse_support(self) -> None:
        """Give the mouse back to the terminal."""
        if self._mouse:
            self.write("\x1b[?1000l\x1b[?1006l")
            self.flush()

    def write(self, data: str) -> None:
        """Take a frame, or send at once what is none: whatever else steers a terminal."""
        with self._lock:
            if data in (_SYNC_START, _SYNC_END):
                return
            if _FRAME.match(data):
                self._look_at_size()
                self._frame.forget()
                self._wanted.feed(data)
            else:
                super().write(data)
                self._look_where_we_are(data)

    def paint(self, rows: Rows) -> None:
        """Take a frame as rows of pieces, and send what has changed."""
        with self._lock:
            self._look_at_size()
            self._frame.paint(rows, self._wanted)
            self._send_changes()

    def dress(self, styles: Mapping[StyleRole, Style]) -> None:
        """Give the tones of what is painted from now on another look."""
        with self._lock:
            self._frame = Frame(self._without_colour, styles)

    def flush(self) -> None:
        """Send what has changed, if the last frame has arrived."""
        with self._lock:
            self._send_changes()

    def process_message(self, message: Message) -> None:
        """Take the terminal's answer; everything else goes to the application."""
        if not isinstance(message, events.CursorPosition):
            super().process_message(message)
            return
        self._in_turn(self._take_answer)

    def _take_answer(self) -> None:
        self._ever_answered, self._never_answers, self._asked = True, False, None
        if self._leaving:
            self._arrived.notify_all()
        self._send_changes()

    def run_input_thread(self) -> None:
        """Read keys until the screen is left, and send what waits when an answer is overdue.

        An Escape is one when nothing has followed it for a moment; Textual would look only every tenth of a second
        whether that moment is over.
        """
        parser, decode = XTermParser(), getincrementaldecoder("utf-8")("replace").decode
        is_there = False
        while not self.exit_event.is_set():
            patience = constants.ESCAPE_DELAY if is_there else _LOOK_EVERY
            is_there = bool(select.select([self.fileno], [], [], patience)[0])
            read = os.read(self.fileno, _AT_ONCE) if is_there else b""
            if is_there and not read:
                return  # the terminal is gone
            typed = decode(read)
            for message in parser.feed(typed) if typed else ():
                self.process_message(message)
            for message in parser.tick():
                self.process_message(message)
            if self._asked is not None:
                self._in_turn(self._send_changes)

    def _in_turn(self, do: Callable[[], None]) -> None:
        """Do something for the reading of keys while nothing else does; nothing where the screen is left meanwhile.

        Whoever leaves waits for the reading to end, and may be a signal's handler that came upon a frame being painted:
        then the lock is not let go of before.
        """
        while not self._lock.acquire(timeout=_LOOK_EVERY):
            if self.exit_event.is_set():
                return
        try:
            do()
        finally:
            self._lock.release()

    def disable_input(self) -> None:
        """Stop reading the keys, once the last answer is here: it must not end up in the user's shell."""
        with self._arrived:
            self._leaving = True
            patience = _ANSWER_WITHIN if self._ever_answered else _LAST_ANSWER_WITHIN
            self._arrived.wait_for(lambda: self._asked is None or self._never_answers, patience)
        super().disable_input()

    def redraw(self) -> None:
        """Clear the terminal and send everything again: what it shows may have been garbled."""
        with self._lock:
            self._sender.forget()
            self._asked = None
            self._send_changes()

    def _look_where_we_are(self, data: str) -> None:
        """Take that the terminal was entered, or left to the shell: to the end, or until it is entered again."""
        if data in (_ENTER, _LEAVE):
            self._sender.forget()
            self._asked = None
            self._is_ours = data == _ENTER
            self._leaving = not self._is_ours
            self._arrived.notify_all()

    def _look_at_size(self) -> None:
        """Begin anew where the terminal's size has changed: nobody knows what it made of what it showed."""
        try:
            size = os.get_terminal_size(self.fileno)
        except OSError:
            return  # no terminal, or gone: then its size does not matter
        if size != self._size:
            self._size = size
            # The old picture stays, as far as it has room, until Textual has laid out a new one.
            self._wanted.resize(size.columns, size.lines)
            self._frame.forget()
            self._sender.forget()

    def _without_colour(self, segment: Segment) -> Segment:
        """Return `segment` as this terminal is to have it: under NO_COLOR without a colour."""
        for line_filter in self._app.get_line_filters():
            [segment] = line_filter.apply([segment], TRANSPARENT)
        return segment

    def _send_changes(self) -> None:
        if not self._may_send():
            return
        changes = self._sender.update(self._wanted)
        if not changes:
            return
        if self._app._sync_available and len(changes) > _WORTH_SYNC:
            changes = f"{_SYNC_START}{changes}{_SYNC_END}"
        if not (self._never_answers or self._leaving):
            changes += _ARRIVED
            self._asked = time.monotonic()
        super().write(changes)
        super().flush()

    def _may_send(self) -> bool:
        """Return whether the last frame has arrived, or there is no waiting for it any longer."""
        if not self._is_ours or (self._patience() > 0 and not self._leaving):
            return False
        if self._asked is not None and not self._ever_answered:
            self._never_answers = True
        return True

    def _patience(self) -> float:
        """Return for how many more seconds to wait for an answer."""
        if self._asked is None or self._never_answers:
            return 0.0
        allowed = _ANSWER_WITHIN if self._ever_answered else _FIRST_ANSWER_WITHIN
        return max(0.0, self._asked + allowed - time.monotonic())
