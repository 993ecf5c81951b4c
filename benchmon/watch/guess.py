"""A learner's own guess of what a channel will read, typed before the expected value is shown.

A guess is an event with its facts in the details, so that screens, reports and replays follow it alike. It counts for
the quantity of its channel, and for the step of the plan in which it was typed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from benchmon.bench import Channel
from benchmon.event_kinds import EventKind
from benchmon.quantities import KINDS_BY_UNIT, parse_value
from benchmon.text import one_line
from benchmon.watch.records import Event, EventDetails
from benchmon.watch.wording import shown_unit, value_in_words

NOT_GUESSED = ("mains.voltage.rms", "ambient.temperature")
"""The quantities that are given to the supply: there is nothing to work out."""


@dataclass(frozen=True, slots=True)
class GuessRequest:
    """A guess to be recorded: `channel` will read what `shows` says, a number with its unit."""

    channel: str
    shows: str


@dataclass(frozen=True, slots=True)
class Guess:
    """A guess of what `channel` settles at, typed at `time` (session seconds), in its quantity's unit.

    `step` is the number of the step of the plan that was active, from 1, None where none was. `read` is what the
    channel read when the guess was typed, None where it had no reading.
    """

    channel: str
    time: float
    value: float
    step: int | None
    read: float | None


def event_of_guess(request: GuessRequest, channel: Channel, now: float, step: int | None, read: float | None) -> Event:
    """Return the event by which a guess for `channel` is recorded at `now` (s). Raises `BadInput` if it is no value."""
    value = parse_value(request.shows.replace(",", "."), KINDS_BY_UNIT[channel.unit])
    known = read if read is not None and math.isfinite(read) else None
    unit = shown_unit(channel.quantity, channel.unit)
    while_reading = "before it had a reading" if known is None else f"while it read {value_in_words(known, unit)}"
    words = f"{channel.name}: guessed {value_in_words(value, unit)}, {while_reading}"
    details = EventDetails(step=step, shows=one_line(request.shows, 40), guess=float(value), read=known)
    return Event(now, channel.name, EventKind.GUESSED, words, details)


def guesses_of(events: Iterable[Event]) -> list[Guess]:
    """Return the guesses among `events`, in their order; a later one for the same channel and step takes its place."""
    found: dict[tuple[str, int | None], Guess] = {}
    for event in events:
        details = event.details
        if event.kind != EventKind.GUESSED or details is None or details.guess is None:
            continue
        if math.isfinite(details.guess):
            guess = Guess(event.channel, event.time, details.guess, details.step, details.read)
            found[event.channel, details.step] = guess
    return list(found.values())


def off_in_words(guess: float, expected: float | None, unit: str) -> str:
    """Return how far a guess is from `expected`, both in `unit`: in per cent, or in kelvins; "" where nobody knows.

    >>> off_in_words(24.0, 20.0, "V"), off_in_words(19.0, 20.0, "V"), off_in_words(70.0, 60.0, "°C")
    ('20 % above', '5 % below', '10 K above')
    """
    if expected is None or not math.isfinite(expected):
        return ""
    difference = guess - expected
    where = "above" if difference >= 0 else "below"
    if unit == "°C":
        return f"{abs(difference):.3g} K {where}"
    if expected == 0:
        return f"{value_in_words(abs(difference), unit)} {where}"
    return f"{100 * abs(difference / expected):.3g} % {where}"
