"""What goes to the terminal: only cells that changed, and no frame before the previous one has arrived.

Frames that Textual writes are kept as cells instead of being sent. After the cells that differ, the terminal is asked
for its cursor's position. Its answer shows that everything before it was drawn; until then newer frames only change the
cells that are kept. So on a slow line, where a program cannot see what is queued on the way, the screen shows fewer
frames and never old ones. No more is sent at once than the line carries in about a second: first the rows at the top,
which have the status and the alarms, then those at the bottom with messages and questions, then those that have waited
longest.
"""

from __future__ import annotations

import errno
import math
import os
import re
import select
import signal
import termios
import threading
import time
from codecs import getincrementaldecoder
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from textual import constants, events
from textual._xterm_parser import XTermParser
from textual.app import App
from textual.drivers.linux_driver import LinuxDriver
from textual.message import Message
from textual.messages import TerminalSupportsSynchronizedOutput

from benchmon.screen.terminal.cell_diff import DiffWriter, TerminalCells

BAUD_VARIABLE = "BENCHMON_BAUD"
"""Bits per second of the line to a terminal that never answers, ten of them a byte."""
_BITS_A_BYTE = 10
_SLOWEST = 300.0
"""Bytes per second that are assumed until the speed is known: a line of 3000 bits per second."""
_MOST_RISE, _QUICK_RISE, _QUICK = 4.0, 20.0, 0.1
"""Times as fast, at most, that an answer makes a line, since one may be chance; and one that came within 0.1 s."""
_MOST_QUEUED = 1.0
"""Seconds for which a line may be busy with what was sent at once."""

_PSEUDO_TERMINALS = ("/dev/pts/", "/dev/ttys", "/dev/pty")
"""How the names of pseudo-terminals begin, on Linux and on macOS."""
_BAUD_NAMES = [name for name in dir(termios) if name[0] == "B" and name[1:].isdecimal()]


class LineSpeed:
    """The speed of the line to a terminal, in bytes per second, and what it is busy with. Times are in seconds."""

    def __init__(self, assumed: float = _SLOWEST) -> None:
        self._assumed = self._speed = assumed
        self._sent, self._sent_at = 0, 0.0

    @property
    def at_once(self) -> int:
        """Return how many bytes may be sent at once."""
        return int(self._speed * _MOST_QUEUED)

    def note_sent(self, count: int, now: float) -> None:
        """Note that `count` bytes were sent at `now`."""
        self._sent, self._sent_at = count, now

    def note_answer(self, now: float) -> None:
        """Note that the terminal has answered what was sent last, and so has drawn it.

        An answer to a few bytes shows nothing: it takes its time on any line, and buffers may take few bytes at once.
        """
        taken = max(now - self._sent_at, 1e-4)
        measured = self._sent / taken
        if measured > self._speed:
            if self._sent >= self.at_once / 2:
                rise = _QUICK_RISE if taken < _QUICK else _MOST_RISE
                self._speed = min(measured, rise * self._speed)
        elif taken > _MOST_QUEUED:
            self._speed = max(_SLOWEST, measured)
        self._sent = 0

    def note_silence(self) -> None:
        """Note that the terminal does not answer: its line has the speed that was assumed."""
        self._speed = self._assumed

    def seconds_busy(self, now: float) -> float:
        """Return for how many seconds the line is still busy with what was sent last, at its speed."""
        return max(0.0, self._sent_at + self._sent / self._speed - now)


def assumed_speed(fileno: int) -> float:
    """Return the speed to assume of the terminal at `fileno`, in bytes per second.

    It is that of the variable BENCHMON_BAUD, else that which a serial line is set to; a pseudo-terminal is set to none.
    """
    with suppress(ValueError):
        if (named := float(os.environ.get(BAUD_VARIABLE, ""))) > 0:
            return max(named, _BITS_A_BYTE) / _BITS_A_BYTE
    with suppress(OSError, termios.error):
        if not os.ttyname(fileno).startswith(_PSEUDO_TERMINALS):
            code = termios.tcgetattr(fileno)[5]
            baud = next((int(name[1:]) for name in _BAUD_NAMES if getattr(termios, name) == code), 0)
            return max(_SLOWEST, baud / _BITS_A_BYTE)
    return _SLOWEST


_SYNC_START, _SYNC_END = "\x1b[?2026h", "\x1b[?2026l"
_ENTER, _LEAVE = "\x1b[?1049h", "\x1b[?1049l"
_FRAME = re.compile(r"\n*\x1b\[\d+;\d+H")
_QUESTION_ROW, _QUESTIONS = 2, 4
"""Where the cursor stands at a question, so that its answer is known from those to questions before: each of four
columns in turn. In the first row the answer would look like a function key."""
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


_ESCAPE = "\x1b"
_ESCAPE_KEY = re.compile(r"(\x1b(?![\[\]OPX^_\\bf\t\x7f]))")
"""An Escape that begins no sequence (ECMA-48, 5.3 and 5.6; SS3 of function keys), ends none, and edits no line (Alt and
b, f, Tab or Backspace); Textual's parser takes one that another letter follows at once for a circumflex."""
_ASK_BACKGROUND = "\x1b]11;?\x1b\\"
"""xterm's control sequences: OSC 11 with a question mark is answered by the colour of the background, in this form."""
_BACKGROUND = re.compile(r"\x1b\]11;([^\x00-\x1f]*)(?:\x07|\x1b\\|(?=[\x00-\x1a\x1c-\x1f]|\x1b[^\\]))")
"""An answer, which a control code ends that is none of its own, so that it never takes keys."""
_BEGUN_BACKGROUND = re.compile(r"\x1b(?:\](?:1(?:1(?:;[^\x00-\x1f]*\x1b?)?)?)?)?\Z")
_LOOKS_FOR_THE_REST = 10
"""How often in turn nothing may have come while an answer is not whole: about a second; then it is dropped."""
_COLOUR = re.compile(r"rgba?:([0-9a-f]{1,4})/([0-9a-f]{1,4})/([0-9a-f]{1,4})", re.IGNORECASE)
_LUMINANCE = (0.2126, 0.7152, 0.0722)
"""The parts of red, green and blue in the luminance: ITU-R BT.709-6, item 3.2."""
_KNOWS_NO_QUESTIONS = re.compile(r"linux|dumb|vt\d|unknown|$")
"""How TERM begins where this question might be drawn instead of being answered; from memory."""


def is_light_colour(answer: str) -> bool | None:
    """Return whether a colour as of X11, `rgb:ffff/ffff/ffff`, is light; None where `answer` is no such colour."""
    found = _COLOUR.match(answer)
    if found is None:
        return None
    parts = (int(digits, 16) / (16 ** len(digits) - 1) for digits in found.groups())
    return math.fsum(weight * part for weight, part in zip(_LUMINANCE, parts, strict=True)) > 0.5


class BackgroundReported(Message):
    """The terminal has answered which background it has."""

    def __init__(self, *, is_light: bool) -> None:
        super().__init__()
        self.is_light = is_light


class BackgroundAnswer:
    """Takes the answer about the background out of what is typed, whenever and in whatever pieces it comes."""

    def __init__(self) -> None:
        self.is_light: bool | None = None
        self.is_answered = False
        self._held, self._quiet = "", 0

    def without(self, typed: str) -> str:
        """Return what was typed beside the answer; nothing more for now ("") releases what only looked like one."""
        text, self._held = self._held + typed, ""
        self._quiet = 0 if typed else self._quiet + 1
        found = _BACKGROUND.search(text)
        if found is not None:
            self.is_answered, self.is_light = True, is_light_colour(found[1])
            text = text[: found.start()] + text[found.end() :]
        begun = _BEGUN_BACKGROUND.search(text)
        # An Escape key looks like the beginning; a line may pause in the midst of an answer, but hardly in its name.
        # Once the answer came, Escape is a key at once; before, when nothing has followed it for a moment.
        is_key = begun is not None and begun[0] == "\x1b" and self.is_answered
        if begun is not None and not is_key and (typed or begun[0].startswith("\x1b]11;")):
            text, self._held = text[: begun.start()], begun[0] if self._quiet < _LOOKS_FOR_THE_REST else ""
        return text


NO_MOUSE_VARIABLE = "BENCHMON_NO_MOUSE"


def wants_mouse() -> bool:
    """Return whether clicks are for the screen; where not, the terminal's own selecting needs no Shift key."""
    return not os.environ.get(NO_MOUSE_VARIABLE)


def redraw_terminal(app: App[Any]) -> None:
    """Clear the terminal of `app` and send everything again: what it shows may have been garbled."""
    if isinstance(app._driver, DifferentialDriver):
        app._driver.redraw()


class DifferentialDriver(LinuxDriver):
    """Textual's driver for terminals, which sends less."""

    _asked: float | None = None
    """When the terminal was asked whether all has arrived, while it has not answered; a monotonic time."""
    _background: BackgroundAnswer | None = None
    """What waits for the terminal's answer about its background, from when it was asked on."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._lock = threading.RLock()
        self._arrived = threading.Condition(self._lock)
        self._wanted, self._writer = TerminalCells(), DiffWriter()
        self._terminal_size: os.terminal_size | None = None
        self._question = 0
        self._has_answered = False
        self._never_answers = False
        self._is_active = self._leaving = False
        self._can_sync = False
        self._line = LineSpeed(assumed_speed(self.fileno))

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
                self._check_size()
                self._wanted.feed(data)
            else:
                super().write(data)
                self._track_alternate_screen(data)

    def flush(self) -> None:
        """Send what has changed, if the last frame has arrived."""
        with self._lock:
            self._send_changes()

    def process_message(self, message: Message) -> None:
        """Take the terminal's answer; everything else goes to the application."""
        if isinstance(message, events.CursorPosition):
            at = message
            self._with_lock(lambda: self._on_cursor_report(at))
            return
        if isinstance(message, TerminalSupportsSynchronizedOutput):
            self._can_sync = True
        super().process_message(message)

    def _on_cursor_report(self, at: events.CursorPosition) -> None:
        self._has_answered, self._never_answers = True, False
        now = time.monotonic()
        # One that was given up may come late; it does not say that what was sent after it is there.
        if (at.y, at.x) == (_QUESTION_ROW - 1, self._question):
            self._asked = None
            self._line.note_answer(now)
        if self._leaving:
            self._arrived.notify_all()
        self._send_changes()

    def run_input_thread(self) -> None:
        """Read keys until the screen is left, and send what waits when the line is free or an answer is overdue.

        An Escape is one when nothing has followed it for a moment; Textual would look only every tenth of a second
        whether that moment is over.
        """
        parser, decode = XTermParser(), getincrementaldecoder("utf-8")("replace").decode
        is_there, held = False, ""
        while not self.exit_event.is_set():
            patience = constants.ESCAPE_DELAY if is_there else _LOOK_EVERY
            is_there = bool(select.select([self.fileno], [], [], patience)[0])
            read = self._read() if is_there else b""
            if is_there and not read:
                if self._is_hung_up():
                    # Who ignores the signal of a closed terminal, as under nohup, would never be seen or ended again.
                    is_ignored = signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
                    os.kill(os.getpid(), signal.SIGTERM if is_ignored else signal.SIGHUP)
                return
            typed = held + self._without_background(decode(read))
            held = _ESCAPE if read and typed.endswith(_ESCAPE) else ""
            # What was held for as long as the parser would wait is not waited for a second time.
            for piece in _ESCAPE_KEY.split(typed.removesuffix(held)):
                if piece == _ESCAPE:
                    self.process_message(events.Key("escape", _ESCAPE))
                    continue
                for message in parser.feed(piece) if piece else ():
                    self.process_message(message)
            for message in parser.tick():
                self.process_message(message)
            if self._asked is not None or self._wanted.touched:
                self._with_lock(self._send_changes)

    def _without_background(self, typed: str) -> str:
        """Return what was typed beside the answer about the background, of which the application is informed."""
        if self._background is None:
            return typed
        before = self._background.is_light
        typed = self._background.without(typed)
        is_light = self._background.is_light
        if is_light is not None and before is None:
            super().process_message(BackgroundReported(is_light=is_light))
        return typed

    def _ask_background(self) -> None:
        """Ask for the background once, if the application wants to know; the question after a frame ends the wait.

        Nothing waits for the answer: the screen begins in the usual colours, and leaving it awaits the last answer.
        """
        is_wanted = getattr(self._app, "wants_background", bool)()
        if is_wanted and self._background is None and not _KNOWS_NO_QUESTIONS.match(os.environ.get("TERM", "")):
            self._background = BackgroundAnswer()
            super().write(_ASK_BACKGROUND)

    def _read(self) -> bytes:
        """Return what has been typed; nothing where the terminal is gone."""
        try:
            return os.read(self.fileno, _AT_ONCE)
        except OSError:
            return b""

    def _is_hung_up(self) -> bool:
        """Return whether the terminal was closed: then it is no terminal any more, and nothing can be read for ever."""
        try:
            termios.tcgetattr(self.fileno)
        except termios.error as problem:
            return bool(problem.args[0] == errno.EIO)
        return False

    def _with_lock(self, do: Callable[[], None]) -> None:
        """Call `do` from the thread that reads keys, holding the lock; do nothing if the screen is left meanwhile.

        Leaving waits for the reading to end, and may be the work of a signal's handler that came upon a frame being
        written: then the lock is not let go of before.
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
            self._arrived.wait_for(lambda: self._asked is None, self._final_wait())
            self._asked = None  # whatever waits for it again would wait in vain
        super().disable_input()

    def redraw(self) -> None:
        """Clear the terminal and send everything again."""
        with self._lock:
            self._writer.forget()
            self._asked = None
            self._send_changes()

    def _track_alternate_screen(self, data: str) -> None:
        """Track entering and leaving the alternate screen: for good, or until it is entered again."""
        if data in (_ENTER, _LEAVE):
            self._writer.forget()
            self._asked = None
            self._is_active = data == _ENTER
            self._leaving = not self._is_active
            self._arrived.notify_all()
            if self._is_active:
                self._ask_background()

    def _check_size(self) -> None:
        """Start again if the size of the terminal has changed.

        The old cells stay, as far as they have room, until Textual has laid out new ones.
        """
        try:
            size = os.get_terminal_size(self.fileno)
        except OSError:
            return  # no terminal, or gone: then its size does not matter
        if size != self._terminal_size:
            self._terminal_size = size
            self._writer.resize(size.columns, size.lines)

    def _send_changes(self) -> None:
        if not self._can_send():
            return
        changes = self._writer.update(self._wanted, self._line.at_once)
        if not changes:
            return
        if self._can_sync and len(changes) > _WORTH_SYNC:
            changes = f"{_SYNC_START}{changes}{_SYNC_END}"
        if not self._never_answers:
            changes += self._next_question()
        self._line.note_sent(len(changes.encode()), time.monotonic())
        super().write(changes)
        super().flush()

    def _next_question(self) -> str:
        self._question = (self._question + 1) % _QUESTIONS
        self._asked = time.monotonic()
        return f"\x1b[{_QUESTION_ROW};{self._question + 1}H\x1b[6n"

    def _can_send(self) -> bool:
        """Return whether what was sent last has arrived, or has been waited for long enough.

        Nothing is sent once the screen is being left: on a slow line that would only make leaving longer.
        """
        if not self._is_active or self._leaving or self._seconds_to_wait() > 0:
            return False
        if self._asked is not None and not self._never_answers:
            self._line.note_silence()
            if self._has_answered:
                return True
            self._never_answers, self._asked = True, None
            self._question = (self._question + 1) % _QUESTIONS  # a late answer is none to what is sent from now on
        return self._line.seconds_busy(time.monotonic()) <= 0

    def _final_wait(self) -> float:
        """Return for how many seconds leaving waits for the last answer."""
        if self._has_answered or self._asked is None:
            return _ANSWER_WITHIN
        return min(_LAST_ANSWER_WITHIN, max(0.0, self._asked + _ANSWER_WITHIN - time.monotonic()))

    def _seconds_to_wait(self) -> float:
        """Return for how many more seconds to wait for an answer."""
        if self._asked is None or self._never_answers:
            return 0.0
        allowed = _ANSWER_WITHIN if self._has_answered else _FIRST_ANSWER_WITHIN
        return max(0.0, self._asked + allowed - time.monotonic())
