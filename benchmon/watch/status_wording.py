"""The status of a bench in one line that answers "is it right, is it safe?"."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchmon.bench import Bench, Channel
from benchmon.watch import power_state
from benchmon.watch.limits import has_limits, trip_crossed, warning_crossed
from benchmon.watch.records import Event, Judgement
from benchmon.watch.status import BenchStatus, Level, Outlooks, StatusFinding, Subject, bench_status, limit_words
from benchmon.watch.wording import expected_words, past, reading_words, value_words

__all__ = ["SIGNS", "Level", "StatusLine", "sentence", "shown", "status_line"]

SIGNS: Mapping[Level, str] = {
    Level.DANGER: "✖",
    Level.BLIND: "?",
    Level.CAUTION: "!",
    Level.WAITING: "…",
    Level.AS_EXPECTED: "✓",
    Level.ENDED: "■",
}

_SWITCH_OFF = {"gone": "Switch off now, the recorder is gone too", "finished": "Switch off if it is still on"}
_LEADS: Mapping[StatusFinding, str] = {
    StatusFinding.SURELY_HEADING: "Get ready to switch off: ",
    StatusFinding.WARNED: "Get ready to switch off: ",
    StatusFinding.FAR_TOO_MUCH: "Get ready to switch off: ",
    StatusFinding.NOT_WATCHED: "Not watched: ",
    StatusFinding.HEADING: "Keep an eye on it: ",
    StatusFinding.DISAGREES: "Not as expected: ",
    StatusFinding.IMPLAUSIBLE: "Contradicts other readings: ",
    StatusFinding.DRIFTING: "Drifting: ",
    StatusFinding.QUESTIONABLE: "Questionable: ",
    StatusFinding.SWITCHED_YET_PAST: "Switched off, yet ",
    StatusFinding.SWITCHED_AND_SILENT: "Switched off, but not watched: ",
}
OLD_AFTER = 1.5
"""Seconds after which a status that nothing has confirmed is shown with its age."""


@dataclass(frozen=True, slots=True)
class StatusLine:
    """The status of a bench: a level, its sign (one character), and one sentence with numbers and units."""

    level: Level
    sign: str
    sentence: str


def status_line(
    latest: Mapping[str, Judgement],
    bench: Bench,
    state: str = "recording",
    ahead: Outlooks | None = None,
    switching: Event | None = None,
) -> StatusLine:
    """Return the status of the bench, see `bench_status`, in words."""
    return shown(bench_status(latest, bench, state, ahead, switching), bench)


def shown(status: BenchStatus, bench: Bench, now: float | None = None) -> StatusLine:
    """Return a status of `bench` as a person reads it at `now` (session seconds), None for its own time.

    One of a recording that nothing has confirmed for more than `OLD_AFTER` seconds says how old it is.
    """
    words = sentence(status, bench, status.until if now is None else now)
    age = 0.0 if now is None or status.state != "recording" else now - status.until
    if age > OLD_AFTER:
        words = f"{words} (as it was {age:.0f} s ago)"
    return StatusLine(status.level, SIGNS[status.level], words)


def sentence(status: BenchStatus, bench: Bench, now: float) -> str:
    """Return a status in one sentence, as it is at `now` (session seconds)."""
    words = _of_the_bench(status, bench)
    if words:
        return words
    channels = {channel.name: channel for channel in bench.channel}
    subject, also = status.about, status.also
    channel = None if subject is None else channels.get(subject.channel)
    if subject is None or channel is None:
        return status.finding.capitalize()
    if status.finding is StatusFinding.TRIPPED:
        lead = power_state.lead_of_a_trip(status.switching, _SWITCH_OFF.get(status.state, "Switch off now"))
        return f"{lead}: {_tripped(channel, subject)}{_more(subject)}"
    if status.finding is StatusFinding.NO_MAINS:
        against = (channels[also.channel], also.value) if also is not None and also.channel in channels else None
        return f"{power_state.mains_off_in_words(channel, subject.value, against)}{_unwatched(status)}"
    found = f"{_LEADS.get(status.finding, '')}{_finding(status, channel, subject, now)}{_more(subject)}"
    return found + _unwatched(status)


def _of_the_bench(status: BenchStatus, bench: Bench) -> str:
    """Return what is so with the bench as a whole, "" where a channel decides."""
    switching = status.switching
    match status.finding:
        case StatusFinding.SWITCH_OFF_FAILED if switching is not None:
            words = switching.message
        case StatusFinding.SWITCHED if switching is not None:
            words = power_state.in_words(switching)
        case StatusFinding.LOAD_NOT_RELEASED:
            words = "Take the load off by hand: its instrument has not released it"
        case StatusFinding.RECORDER_GONE:
            words = "The recorder is gone and nothing is watched: switch off, then start it again"
        case StatusFinding.ENDED:
            words = f"Ended, no longer watched. {_at_the_end(status)}"
        case StatusFinding.END_UNKNOWN:
            words = "Ended, no longer watched. How it stood at its end was not recorded"
        case (
            StatusFinding.NO_CHANNELS
            | StatusFinding.WAITING
            | StatusFinding.NOTHING_PREDICTED
            | StatusFinding.AS_EXPECTED
        ):
            words = _calm(status, bench)
        case _:
            words = ""
    return words


def _finding(status: BenchStatus, channel: Channel, subject: Subject, now: float) -> str:
    """Return what is so with the channel that a status is about."""
    match status.finding:
        case StatusFinding.SURELY_HEADING | StatusFinding.HEADING:
            left = None if status.limit_at is None else max(0.0, status.limit_at - now)
            lead = f"{_hot(channel, subject)}, and " if subject.is_hot else f"{channel.name} "
            return lead + limit_words(channel, left, surely=status.surely)
        case StatusFinding.WARNED:
            return _hot(channel, subject)
        case StatusFinding.NOT_WATCHED | StatusFinding.SILENT | StatusFinding.SWITCHED_AND_SILENT:
            return f"{channel.name} {'has limits but ' if has_limits(channel) else ''}gives no reading"
        case StatusFinding.SWITCHED_YET_PAST:
            return power_state.past_words(channel, subject.value)
    # The sentence has the channel's name already, so that the cause need not repeat it.
    cause = f"; likely {status.cause.removeprefix(f'{channel.name}: ')}" if status.cause else ""
    return _differs(channel, subject) + cause


def _calm(status: BenchStatus, bench: Bench) -> str:
    """Return what to say where nothing is wrong: still waiting, or as expected."""
    if status.finding is StatusFinding.NO_CHANNELS:
        return "This bench has no channels, so nothing is watched"
    if status.finding is StatusFinding.WAITING:
        return f"Waiting for readings from {status.silent} of {_channels(len(bench.channel))}"
    if status.finding is StatusFinding.NOTHING_PREDICTED:
        return f"Nothing is predicted to compare with; {_limits(bench)}"
    rest = status.known - status.agreeing
    unpredicted = f" ({rest} not predicted)" if rest else ""
    agree = f"{_channels(status.agreeing)} agree{'s' if status.agreeing == 1 else ''}"
    return f"As expected: {agree}{unpredicted}; {_limits(bench)}"


def _at_the_end(status: BenchStatus) -> str:
    if power_state.was_seen_off(status.switching) and status.switching is not None:
        return f"It was switched off: {status.switching.message}"
    hot, wrong = status.about, status.also
    past_warning = f"{hot.channel}{_more(hot)} was past its warning" if hot is not None else ""
    disagreed = f"{wrong.channel}{_more(wrong)} disagreed" if wrong is not None else ""
    ended = " and ".join(part for part in (past_warning, disagreed) if part)
    return f"At its end {ended or 'nothing disagreed or was past a limit'}"


def _tripped(channel: Channel, subject: Subject) -> str:
    if subject.value is None:
        return f"{channel.name} went past its limit and gives no reading now"
    crossing = trip_crossed(channel, subject.value)
    if crossing:
        return past(channel, subject.value, crossing)
    return f"{channel.name} went past its limit, though it is at {value_words(channel, subject.value)} now"


def _hot(channel: Channel, subject: Subject) -> str:
    crossing = None if subject.value is None else warning_crossed(channel, subject.value)
    if crossing is None or subject.value is None:
        return f"{channel.name} was past its warning at its last reading"
    return past(channel, subject.value, crossing)


def _differs(channel: Channel, subject: Subject) -> str:
    expected, spread = subject.expected, subject.expected_uncertainty
    value = "–" if subject.value is None else reading_words(channel, subject.value)
    if expected is None or spread is None:
        return value
    return f"{value}, expected {expected_words(channel, expected, spread)}"


def _limits(bench: Bench) -> str:
    guarded = sum(has_limits(channel) for channel in bench.channel)
    return f"{_channels(guarded)} within limits" if guarded else "no limits are set"


def _channels(count: int) -> str:
    return "1 channel" if count == 1 else f"{count} channels"


def _unwatched(status: BenchStatus) -> str:
    silent = status.unwatched
    return "" if silent is None else f". Not watched: {silent.channel}{_more(silent)}"


def _more(subject: Subject) -> str:
    return f" (and {subject.others} more)" if subject.others else ""
