"""The dialogs: find channels, load an edited bench file, switch off, leave, type in a reading, enter a line of text.

Switching off needs a typed word, so that no key hit by accident does it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from enum import StrEnum
from typing import ClassVar

from textual import on
from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import Input

from benchmon.bench import Channel, RecordEntry, read_recorded
from benchmon.errors import BadInput
from benchmon.quantities import KINDS_BY_UNIT, example, parse_value
from benchmon.screen.session_state import SessionState
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.terminal.key_queue import TypedLine
from benchmon.screen.views.base import Dialog
from benchmon.screen.widgets.lines import TextLines
from benchmon.session.requests import TypedReading
from benchmon.text import clock, one_line
from benchmon.watch.plan import RecordRequest
from benchmon.watch.wording import shown_unit, value_in_words


class FindDialog(Dialog[None]):
    """Asks what to find and passes it to `find` at every key, so that the rows behind follow."""

    def __init__(self, state: SessionState, symbols: SymbolSet, wanted: str, find: Callable[[str], None]) -> None:
        super().__init__(state, symbols)
        self._wanted = wanted
        self._find = find

    def body(self) -> Iterable[Widget]:
        """Return the line to write in."""
        yield TextLines(self.symbols, title="find channels by name, quantity, instrument or state")
        yield TypedLine(self._wanted, max_length=40, compact=True)
        yield TextLines(
            self.symbols, "Enter keeps the selection, Esc shows all. A channel past its warning or limit stays."
        )

    @on(Input.Changed)
    def follow(self, message: Input.Changed) -> None:
        """Let the rows follow what is typed."""
        self._find(message.value)

    @on(Input.Submitted)
    def accept(self, _message: Input.Submitted) -> None:
        """Close, the rows staying as they are."""
        self.dismiss(None)

    def action_cancel(self) -> None:
        """Close and show all rows."""
        self._find("")
        self.dismiss(None)


class LoadDialog(Dialog[bool]):
    """Asks whether `changes`, in words, come into force. Answers None where they do not."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "load", "Load"),
        Binding("escape", "cancel", "Leave"),
    ]

    def __init__(self, state: SessionState, symbols: SymbolSet, changes: str) -> None:
        super().__init__(state, symbols)
        self._changes = changes

    def body(self) -> Iterable[Widget]:
        """Return the question."""
        yield TextLines(
            self.symbols,
            f"It changes: {self._changes}.",
            "Enter loads it: later readings are judged by it, earlier verdicts stay.",
            "Esc   keeps the bench file that is in force.",
            title="load the edited bench file?",
        )

    def action_load(self) -> None:
        """Let it come into force."""
        self.dismiss(True)


WORD = "OFF"
_LONGEST = 12


class SwitchOffDialog(Dialog[bool]):
    """Asks for the word OFF. Answers True if it was typed, None if the dialog was cancelled."""

    def __init__(self, state: SessionState, symbols: SymbolSet) -> None:
        super().__init__(state, symbols)
        self._hint = TextLines(symbols, "Enter switches off, Esc does not. The switch at the bench is faster.")

    def body(self) -> Iterable[Widget]:
        """Return what it does, and the line to write in."""
        section = self.state.info.bench.switch_off
        instrument = section.instrument if section is not None else ""
        yield TextLines(
            self.symbols, f"This sends the switch-off command of {instrument}.", title=f"switch off: type {WORD}"
        )
        yield TypedLine(max_length=_LONGEST, select_on_focus=False, compact=True)
        yield self._hint

    @on(Input.Submitted)
    def accept(self, message: Input.Submitted) -> None:
        """Answer where the word is right."""
        if message.value.strip().upper() == WORD:
            self.dismiss(True)
        else:
            self._hint.set_text(f"This is not {WORD}: nothing was switched off. Type {WORD} and Enter, or Esc.")


_LONGEST_READING = 40
_BARE = re.compile(r"[-+−]?\d+(?:[.,]\d+)?")
_OVERLOAD = re.compile(r"[-+]?[A-Za-z. ]{1,12}")


class ReadingDialog(Dialog[None]):
    """Goes round meters and asks of each what it shows; `enter` takes what is typed and returns whether it was sent.

    It asks for the first `due` of `channels`, one after the other; up and down turn to any other. A reading bears the
    time at which it was asked for, which `clock` gives in session seconds.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "choose(-1)", "Other channel", priority=True),
        Binding("down", "choose(1)", "Other channel", priority=True),
    ]

    def __init__(  # noqa: PLR0917 - what a question needs
        self,
        state: SessionState,
        symbols: SymbolSet,
        channels: Sequence[Channel],
        due: int,
        clock: Callable[[], float],
        enter: Callable[[TypedReading], bool],
    ) -> None:
        super().__init__(state, symbols)
        self._channels, self._due, self._clock, self._enter = channels, due, clock, enter
        self._chosen = 0
        self._asked_back = ("", "")
        self._time = clock()
        self._question = TextLines(symbols, self._last(), title=self._title())
        self._hint = TextLines(symbols, self._advice())

    def body(self) -> Iterable[Widget]:
        """Return the line to write in."""
        yield self._question
        yield TypedLine(max_length=_LONGEST_READING, select_on_focus=False, compact=True)
        yield self._hint

    def action_choose(self, steps: int) -> None:
        """Turn to another channel."""
        self._ask((self._chosen + steps) % len(self._channels))

    @on(Input.Submitted)
    def accept(self, message: Input.Submitted) -> None:
        """Take the reading and go on to the next; an impossible one is explained and can be corrected."""
        channel = self._channels[self._chosen]
        shows = _spelt(one_line(message.value.strip(), _LONGEST_READING), channel)
        if _BARE.fullmatch(shows) and channel.unit:
            # A meter may show mV where volts are meant, so a unit that was left out is asked back once.
            whole = f"{shows} {channel.unit}"
            if self._asked_back != (channel.name, whole):
                self._asked_back = channel.name, whole
                self._hint.set_text(f"{shows} has no unit: Enter again takes it as {whole}, or type the unit behind it")
                return
            shows = whole
        problem = _problem(shows, channel) if shows else ""
        if problem:
            self._hint.set_text(problem)
            return
        is_sent = not shows or self._enter(TypedReading(channel.name, shows, self._time))
        message.input.value = ""
        if is_sent and self._chosen + 1 < self._due:
            self._ask(self._chosen + 1)
        else:
            self.dismiss(None)

    def _ask(self, chosen: int) -> None:
        self._chosen, self._time = chosen, self._clock()
        self._question.set_title(self._title())
        self._question.set_text(self._last())
        self._hint.set_text(self._advice())

    def _title(self) -> str:
        channel = self._channels[self._chosen]
        place = f"{self._chosen + 1} of {self._due} " if self._chosen < self._due and self._due > 1 else ""
        return f"{place}at {clock(self._time)}: what does {channel.name} show?"

    def _last(self) -> str:
        channel = self._channels[self._chosen]
        known = self.state.channel(channel.name)
        age = "" if known is None else self.state.age_in_words(known)
        last = (
            f"last {value_in_words(known.value, shown_unit(channel.quantity, channel.unit))}, {age} ago"
            if known is not None and age
            else "not read yet"
        )
        return f"{channel.instrument}, {channel.quantity}: {last}"

    def _advice(self) -> str:
        channel = self._channels[self._chosen]
        others = "; up, down: others" if len(self._channels) > 1 else ""
        like = example(KINDS_BY_UNIT[channel.unit])
        return f"like {like}; Enter takes it, or skips if empty; Esc leaves{others}"


class GuessDialog(ReadingDialog):
    """Goes round channels and asks of each what it will settle at, before what is expected is shown."""

    def _title(self) -> str:
        channel = self._channels[self._chosen]
        place = f"{self._chosen + 1} of {self._due} " if self._chosen < self._due and self._due > 1 else ""
        step = self.state.step_in_words.partition(",")[0]
        when = f" in {step}" if step else ""
        return f"{place}your guess{when}: what will {channel.name} settle at?"

    def _last(self) -> str:
        channel = self._channels[self._chosen]
        known = self.state.channel(channel.name)
        value = None if known is None else known.value
        unit = shown_unit(channel.quantity, channel.unit)
        reads = "it has no reading yet" if value is None else f"it reads {value_in_words(value, unit)} now"
        return f"{channel.quantity}: {reads}"


def _spelt(shows: str, channel: Channel) -> str:
    """Return `shows` with the degree sign that a keyboard may lack."""
    return re.sub(r"(?<=\d)\s*C$", " °C", shows) if channel.unit == "°C" else shows


def _problem(shows: str, channel: Channel) -> str:
    """Return why `shows` can be no reading of `channel`, "" where it can. An overload word is one."""
    if _OVERLOAD.fullmatch(shows):
        return ""
    try:
        parse_value(shows.replace(",", "."), KINDS_BY_UNIT[channel.unit])
    except BadInput as problem:
        return f"{shows!r} {problem}"
    return ""


_FIELDS = ("shows", "meter", "calibrated", "who")


class RecordDialog(Dialog[None]):
    """Goes round what is to be recorded in a step: of each entry the value, then the meter, its calibration, and who.

    `enter` takes what was typed and returns whether it was sent. A line that begins with a dash is the reason why there
    is no value. What was typed for one entry is offered for the next; `who` is offered for the first.
    """

    def __init__(  # noqa: PLR0917 - what a question needs
        self,
        state: SessionState,
        symbols: SymbolSet,
        step: int,
        entries: Sequence[RecordEntry],
        who: str,
        enter: Callable[[RecordRequest], bool],
    ) -> None:
        super().__init__(state, symbols)
        self._step, self._entries, self._enter = step, entries, enter
        self._at = self._field = 0
        self._typed = {"meter": "", "calibrated": "", "who": who}
        self._question = TextLines(symbols, self._asks(), title=self._title())
        self._hint = TextLines(symbols, self._advice())

    def body(self) -> Iterable[Widget]:
        """Return the line to write in."""
        yield self._question
        yield TypedLine(max_length=_LONGEST_RECORD, select_on_focus=False, compact=True)
        yield self._hint

    @on(Input.Submitted)
    def accept(self, message: Input.Submitted) -> None:
        """Take one answer and go on to the next; an impossible one is explained and can be corrected."""
        entry, name = self._entries[self._at], _FIELDS[self._field]
        text = one_line(message.value.strip(), _LONGEST_RECORD)
        if name == "shows" and not text:
            self._next_entry(message.input)
            return
        problem = _record_problem(entry, name, text)
        if problem:
            self._hint.set_text(problem)
            return
        self._typed[name] = text
        # A reason and a look need no meter.
        is_last = name == "shows" and (text.startswith("-") or entry.is_in_words)
        self._field = len(_FIELDS) - 1 if is_last else self._field + 1
        if self._field < len(_FIELDS):
            self._ask(message.input)
        elif self._enter(self._request(entry)):
            self._next_entry(message.input)
        else:
            self.dismiss(None)

    def _request(self, entry: RecordEntry) -> RecordRequest:
        shows, meter, calibrated, who = (self._typed[name] for name in _FIELDS)
        if shows.startswith("-"):
            return RecordRequest(self._step, entry.name, reason=shows.lstrip("- "), who=who)
        if entry.is_in_words:
            return RecordRequest(self._step, entry.name, shows, who=who)
        return RecordRequest(self._step, entry.name, shows, "", meter, calibrated, who)

    def _next_entry(self, line: Input) -> None:
        self._at, self._field = self._at + 1, 0
        if self._at < len(self._entries):
            self._ask(line)
        else:
            self.dismiss(None)

    def _ask(self, line: Input) -> None:
        entry, name = self._entries[self._at], _FIELDS[self._field]
        given = {"meter": entry.meter, "calibrated": str(entry.calibrated or "")}
        line.value = "" if name == "shows" else given.get(name) or self._typed[name]
        line.cursor_position = len(line.value)
        self._question.set_title(self._title())
        self._question.set_text(self._asks())
        self._hint.set_text(self._advice())

    def _title(self) -> str:
        entry = self._entries[self._at]
        place = f"{self._at + 1} of {len(self._entries)} to record: " if len(self._entries) > 1 else "to record: "
        return place + ", ".join(part for part in (entry.name, entry.limits_in_words, entry.note) if part)

    def _asks(self) -> str:
        entry = self._entries[self._at]
        value = "what do you see?" if entry.is_in_words else f"its value{f' in {entry.unit}' if entry.unit else ''}"
        return {
            "shows": value,
            "meter": "measured with which meter (name or serial number; empty for none)",
            "calibrated": "when was it calibrated, like 2026-03-01 (empty where nobody knows)",
            "who": "who measured?",
        }[_FIELDS[self._field]]

    def _advice(self) -> str:
        if _FIELDS[self._field] == "shows":
            return "Enter goes on; not measured: - and the reason; empty: later; Esc leaves"
        return "Enter goes on; Esc leaves, and this value is not recorded"


_LONGEST_RECORD = 80


def _record_problem(entry: RecordEntry, name: str, text: str) -> str:
    """Return why `text` is no answer, "" where it is one."""
    if name == "shows" and text.startswith("-"):
        has_words = any(char.isalpha() for char in text)
        return "" if has_words else "Say in words why it was not measured, behind the dash."
    if name == "shows" and not entry.is_in_words:
        try:
            read_recorded(text, entry.unit)
        except BadInput as problem:
            return f"{text!r} {problem}"
    if name == "who" and not text:
        return "Type who it was: a name or initials."
    if name == "calibrated" and text:
        try:
            date.fromisoformat(text)
        except ValueError:
            return f"{text!r} is not a date; write it like 2026-03-01, or nothing"
    return ""


LONGEST = 200


class TextDialog(Dialog[str | None]):
    """Asks for one line of text, which begins as `usual`.

    Answers the text, "" if `may_be_empty` and nothing was written, None if cancelled.
    """

    def __init__(
        self,
        state: SessionState,
        symbols: SymbolSet,
        title: str,
        hint: str,
        *,
        may_be_empty: bool = False,
        usual: str = "",
    ) -> None:
        super().__init__(state, symbols)
        self._title, self._hint, self._may_be_empty, self._usual = title, hint, may_be_empty, usual

    def body(self) -> Iterable[Widget]:
        """Return the line to write in."""
        yield TextLines(self.symbols, title=self._title)
        yield TypedLine(self._usual, max_length=LONGEST, select_on_focus=bool(self._usual), compact=True)
        yield TextLines(self.symbols, self._hint)

    @on(Input.Submitted)
    def accept(self, message: Input.Submitted) -> None:
        """Answer what was written."""
        words = one_line(message.value.strip(), LONGEST)
        self.dismiss(words if words or self._may_be_empty else None)


class ExitChoice(StrEnum):
    """What happens to the recorder when the screen is left, as the last message to the user.

    NOTHING: there was no recorder to decide about.
    """

    RECORDER_GOES_ON = "The recorder goes on without a screen; `benchmon attach` shows it again."
    STOP_RECORDER = "The recorder was asked to stop."
    NOTHING = "The session file stays as it is."


class ExitDialog(Dialog[ExitChoice | None]):
    """Asks whether the recorder goes on. Answers None if the user stays."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("k,enter", "keep", "Keep recording"),
        Binding("s", "stop", "Stop recording"),
        Binding("escape", "cancel", "Stay"),
    ]

    def body(self) -> Iterable[Widget]:
        """Return the question."""
        yield TextLines(
            self.symbols,
            "k    keep recording: the recorder goes on watching without this screen",
            "s    stop recording: the session ends; nothing is watched any more",
            "Esc  stay",
            "Leaving switches nothing off: the bench stays powered.",
            title="leave the screen?",
        )

    def action_keep(self) -> None:
        """Leave, the recorder going on."""
        self.dismiss(ExitChoice.RECORDER_GOES_ON)

    def action_stop(self) -> None:
        """Leave and stop the recorder."""
        self.dismiss(ExitChoice.STOP_RECORDER)
