"""Typing in what the display of a meter without an interface shows."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import ClassVar

from textual import on
from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import Input

from benchmon.bench import Channel
from benchmon.errors import BadInput
from benchmon.quantities import KINDS_BY_UNIT, example, parse_value
from benchmon.screen.alphabet import Alphabet
from benchmon.screen.picture import Picture
from benchmon.screen.terminal.key_queue import TypedLine
from benchmon.screen.views.dialogue import Dialogue
from benchmon.screen.widgets.words import Words
from benchmon.session.typed_reading import TypedReading
from benchmon.text import clock, one_line

_LONGEST = 40
_OVERLOAD = re.compile(r"[-+]?[A-Za-z. ]{1,12}")


class ReadingDialogue(Dialogue[TypedReading]):
    """Asks what a display shows; the reading bears the time of the key that opened this, in session seconds."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "choose(-1)", "Other channel", priority=True),
        Binding("down", "choose(1)", "Other channel", priority=True),
    ]

    def __init__(
        self, picture: Picture, alphabet: Alphabet, channels: Sequence[Channel], chosen: int, time: float
    ) -> None:
        super().__init__(picture, alphabet)
        self._channels, self._chosen, self._time = channels, chosen, time
        self._question = Words(alphabet, title=self._title())
        self._hint = Words(alphabet, self._advice())

    def body(self) -> Iterable[Widget]:
        """Return the line to write in."""
        yield self._question
        yield TypedLine(max_length=_LONGEST, select_on_focus=False, compact=True)
        yield self._hint

    def action_choose(self, steps: int) -> None:
        """Turn to another channel."""
        self._chosen = (self._chosen + steps) % len(self._channels)
        self._question.call(self._title())
        self._hint.say(self._advice())

    @on(Input.Submitted)
    def take(self, message: Input.Submitted) -> None:
        """Answer the reading; one that cannot be is told and stays to be put right."""
        channel = self._channels[self._chosen]
        shows = _spelt(one_line(message.value.strip(), _LONGEST), channel)
        problem = _problem(shows, channel)
        if problem:
            self._hint.say(problem)
        else:
            self.dismiss(TypedReading(channel.name, shows, self._time))

    def _title(self) -> str:
        channel = self._channels[self._chosen]
        return f"at {clock(self._time)}: what does {channel.name} show?"

    def _advice(self) -> str:
        channel = self._channels[self._chosen]
        others = "; up and down: other channels" if len(self._channels) > 1 else ""
        return f"with its unit, like {example(KINDS_BY_UNIT[channel.unit])}; Enter keeps it, Esc drops it{others}"


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
        return f"{shows!r} {problem}" if shows else "Nothing is typed; type what the display shows, or Esc."
    return ""
