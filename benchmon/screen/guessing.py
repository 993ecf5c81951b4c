"""What a screen leaves out while a learner has not guessed yet: expected values, and what gives them away.

What keeps a person safe is never left out: readings, verdicts, limits, alarms, forecasts, trips, causes and cautions.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from benchmon.bench import Channel
from benchmon.event_kinds import EventKind
from benchmon.text import clock
from benchmon.watch.guess import NOT_GUESSED, Guess, guesses_of, off_in_words
from benchmon.watch.records import Event, Explanation, Judgement
from benchmon.watch.status import BenchStatus, Subject
from benchmon.watch.wording import shown_unit, value_in_words

GUESS_FIRST = "guess it: g"
_COMPARING = (EventKind.AGREES, EventKind.QUESTIONABLE, EventKind.DISAGREES)


class Guesses:
    """The guesses of a session so far; `hides_others` is whether what was not guessed is hidden."""

    def __init__(self, *, hides_others: bool) -> None:
        self.hides_others = hides_others
        self._events: list[Event] = []
        self._by_channel: dict[str, list[Guess]] = {}
        self._quantities: set[str] = set()

    def take(self, events: Iterable[Event], quantities: Mapping[str, str]) -> None:
        """Take events in the order of their times; `quantities` are those of the channels, by name."""
        new = [event for event in events if event.kind == EventKind.GUESSED and event.channel in quantities]
        if not new:
            return
        self._events += new
        self._by_channel = {}
        for guess in guesses_of(self._events):
            self._by_channel.setdefault(guess.channel, []).append(guess)
            self._quantities.add(quantities[guess.channel])

    def hides(self, quantity: str) -> bool:
        """Return whether the expected value of a quantity is hidden."""
        return self.hides_others and quantity not in NOT_GUESSED and quantity not in self._quantities

    def hides_any(self, channels: Iterable[Channel]) -> bool:
        """Return whether the expected value of any of these channels is hidden."""
        return self.hides_others and any(self.hides(channel.quantity) for channel in channels)

    def latest(self, channel: str) -> Guess | None:
        """Return the latest guess for a channel, None where there is none."""
        found = self._by_channel.get(channel)
        return max(found, key=lambda guess: guess.time) if found else None


def without_expected(judgement: Judgement) -> Judgement:
    """Return a judgement without what was expected; its verdict and its flags stay."""
    return replace(judgement, expected=None, expected_uncertainty=None, en=None)


def status_without_expected(status: BenchStatus, hidden: Iterable[str]) -> BenchStatus:
    """Return a status that does not say what is expected of the channels called `hidden`."""
    names = set(hidden)

    def covered(subject: Subject | None) -> Subject | None:
        if subject is None or subject.channel not in names:
            return subject
        return replace(subject, expected=None, expected_uncertainty=None)

    return replace(status, about=covered(status.about), also=covered(status.also))


def event_without_expected(event: Event, hidden: Iterable[str], causes: Iterable[Explanation]) -> Event:
    """Return an event whose words do not say what is expected of the channels called `hidden`.

    `causes` are the explanations so far: of a cause the event then has the name and the remedy alone.
    """
    names = set(hidden)
    if event.kind in _COMPARING and event.channel in names:
        return replace(event, message=f"{event.channel}: {event.kind}; by how much is shown once it is guessed")
    if event.kind == EventKind.CAUSE and names:
        for cause in causes:
            if cause.message and event.message.startswith(cause.message):
                rest = event.message.removeprefix(cause.message)
                return replace(event, message=cause_without_expected(cause, names).message + rest)
    return event


def cause_without_expected(cause: Explanation, hidden: Iterable[str]) -> Explanation:
    """Return a cause whose words do not compare a reading of a channel called `hidden` with what is expected."""
    return replace(cause, message=cause.advice) if cause.advice and cause.evidence in set(hidden) else cause


def guess_in_words(guess: Guess, channel: Channel, expected: float | None) -> str:
    """Return a guess beside what is expected: `22.00 V at 0:00:05, 1.3 % above what is expected`."""
    unit = shown_unit(channel.quantity, channel.unit)
    words = f"{value_in_words(guess.value, unit)}, typed at {clock(guess.time)}"
    away = off_in_words(guess.value, expected, unit)
    return f"{words}; {away} what is expected" if away else words
