"""One line that answers "is it right, is it safe?", the worst first.

It never calls anything safe: mains and stored charge remain whatever the readings say. It says what is known: as
expected, within limits, or not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import EventKind
from benchmon.quantities import format_value
from benchmon.watch import without_power
from benchmon.watch.ahead import Ahead
from benchmon.watch.limits import has_limits, trip_crossed, warning_crossed
from benchmon.watch.records import Event, Flag, Judgement, Verdict
from benchmon.watch.wording import past, stands, with_uncertainty

_Pair = tuple[Channel, Judgement]


class Level(StrEnum):
    """How the whole bench stands, in words of a glance."""

    DANGER = "danger"
    BLIND = "blind"
    CAUTION = "caution"
    WAITING = "waiting"
    AS_EXPECTED = "as expected"
    ENDED = "ended"


SIGNS: Mapping[Level, str] = {
    Level.DANGER: "✖",
    Level.BLIND: "?",
    Level.CAUTION: "!",
    Level.WAITING: "…",
    Level.AS_EXPECTED: "✓",
    Level.ENDED: "■",
}


FAR_TOO_MUCH = 1.5
"""Times what is expected from which on a current or a power asks for a hand at the switch, limits or none."""
_SWITCH_OFF = {"gone": "Switch off now, the recorder is gone too", "finished": "Switch off if it is still on"}


@dataclass(frozen=True, slots=True)
class Glance:
    """How the bench stands: a level, its sign (one character), and one sentence with numbers and units."""

    level: Level
    sign: str
    sentence: str


def glance(
    latest: Mapping[str, Judgement],
    bench: Bench,
    state: str = "recording",
    ahead: Ahead | None = None,
    switching: Event | None = None,
) -> Glance:
    """Return how the bench stands, from the latest judgement of each channel and from what lies `ahead`.

    `state` is the recorder's: `recording`, `finished` or `gone`. Channels that `latest` lacks are waited for.
    `switching` is the latest event that tells of a switching off, if there was one.
    """
    if switching is not None and switching.kind == EventKind.SWITCH_OFF_FAILED:
        return Glance(Level.DANGER, SIGNS[Level.DANGER], switching.message)
    level, sentence = _worst(latest, bench, state, ahead or Ahead(), switching)
    return Glance(level, SIGNS[level], sentence)


def _worst(
    latest: Mapping[str, Judgement], bench: Bench, state: str, ahead: Ahead, switching: Event | None
) -> tuple[Level, str]:
    known = [(channel, latest[channel.name]) for channel in bench.channel if channel.name in latest]
    tripped = _flagged(known, Flag.TRIPPED)
    if tripped:
        lead = without_power.lead_of_a_trip(switching, _SWITCH_OFF.get(state, "Switch off now"))
        return Level.DANGER, f"{lead}: {_tripped(*tripped[0])}{_more(tripped)}"
    if state == "gone":
        return Level.BLIND, "The recorder is gone and nothing is watched: switch off, then start it again"
    if state == "finished":
        return Level.ENDED, f"Ended, no longer watched. {_at_the_end(known, switching)}"
    if switching is not None and switching.kind in (EventKind.SWITCHING_OFF, EventKind.SWITCHED_OFF):
        return _after_switching_off(known, switching)
    return _while_watched(known, latest, bench, ahead)


def _while_watched(
    known: list[_Pair], latest: Mapping[str, Judgement], bench: Bench, ahead: Ahead
) -> tuple[Level, str]:
    mains = without_power.mains_off(bench, latest)
    doubted, no_mains = (False, "") if mains is None else without_power.mains_off_in_words(bench, latest, mains)
    for level, lead, items, tell in _findings(known, ahead, off=mains is not None):
        if items:
            return level, f"{lead}{tell(*items[0])}{_more(items)}"
    if mains is not None:
        return Level.CAUTION if doubted else Level.WAITING, no_mains
    return _calm(known, bench)


def _after_switching_off(known: list[_Pair], switching: Event) -> tuple[Level, str]:
    """Return what to say after a switching off: what is past a limit nonetheless, or how it stands.

    What is low, and differs from what was expected, is so because the power is gone; it is not worth a word.
    """
    words = without_power.in_words(switching)
    if not without_power.was_seen_off(switching):
        return Level.CAUTION, words
    past = [pair for pair in _flagged(known, Flag.HOT) if without_power.still_past(*pair)]
    if past:
        return Level.CAUTION, f"Switched off, yet {without_power.still_past(*past[0])}{_more(past)}"
    silent = [(channel, judgement) for channel, judgement in _flagged(known, Flag.STALE) if has_limits(channel)]
    if silent:
        return Level.BLIND, f"Switched off, but not watched: {_silent(*silent[0])}{_more(silent)}"
    return Level.WAITING, words


_Finding = tuple[Level, str, list[_Pair], Callable[[Channel, Judgement], str]]


def _findings(known: list[_Pair], ahead: Ahead, *, off: bool) -> list[_Finding]:
    """Return what may be wrong, the worst first: its level, the words before it, and where it is so.

    `off` says that there is no mains, so that what is low is so because of it.
    """
    stale, heading = _flagged(known, Flag.STALE), _heading_for_limits(known, ahead)
    guards = [(channel, judgement) for channel, judgement in stale if has_limits(channel)]
    warned = [pair for pair in _flagged(known, Flag.HOT) if not without_power.is_low_without_power(*pair, off=off)]
    surely = [pair for pair in heading if ahead.surely_passes(pair[0].name)]

    def heads(channel: Channel, judgement: Judgement) -> str:
        hot = f"{_hot(channel, judgement)}, and " if Flag.HOT in judgement.flags else f"{channel.name} "
        return hot + ahead.limit_words(channel)

    def differs(channel: Channel, judgement: Judgement) -> str:
        return _differs(channel, judgement) + _perhaps(channel, ahead)

    return [
        (Level.CAUTION, "Get ready to switch off: ", surely, heads),
        (Level.CAUTION, "Get ready to switch off: ", warned, _hot),
        (Level.CAUTION, "Get ready to switch off: ", _far_too_much(known, ahead), differs),
        (Level.BLIND, "Not watched: ", guards, _silent),
        (Level.CAUTION, "Keep an eye on it: ", heading, heads),
        (Level.CAUTION, "Not as expected: ", _explained_first(_of_verdict(known, Verdict.DISAGREES), ahead), differs),
        (Level.CAUTION, "", _flagged(known, Flag.OVERRANGE), _differs),
        (Level.CAUTION, "", stale, _silent),
        (Level.CAUTION, "Contradicts other readings: ", _flagged(known, Flag.IMPLAUSIBLE), _differs),
        (Level.CAUTION, "Drifting: ", _flagged(known, Flag.DRIFTING), _differs),
        (Level.CAUTION, "Questionable: ", _explained_first(_of_verdict(known, Verdict.QUESTIONABLE), ahead), differs),
    ]


def _far_too_much(known: list[_Pair], ahead: Ahead) -> list[_Pair]:
    """Return the currents and powers that are far above what was expected, the farthest first: a short, an overload.

    Those that the likely cause is about are left out: there a meter is wrong, and not the circuit.
    """
    mistaken = ahead.likely_cause.channels if ahead.likely_cause is not None else ()

    def times(pair: _Pair) -> float:
        value, expected, spread = pair[1].value, pair[1].expected, pair[1].expected_uncertainty
        if value is None or expected is None or not math.isfinite(value):
            return 0.0
        most = abs(expected) + (spread or 0.0)
        return abs(value) / most if most > 0 else 0.0

    wrong = [pair for pair in _of_verdict(known, Verdict.DISAGREES) if pair[0].unit in ("A", "W")]
    far = [pair for pair in wrong if times(pair) > FAR_TOO_MUCH and pair[0].name not in mistaken]
    return sorted(far, key=times, reverse=True)


def _heading_for_limits(known: list[_Pair], ahead: Ahead) -> list[_Pair]:
    """Return the channels that may pass their trip limit, the soonest first."""
    lefts = ((ahead.seconds_to_limit(pair[0].name), pair) for pair in known if pair[1].value is not None)
    found = [(left, pair) for left, pair in lefts if left is not None]
    return [pair for _, pair in sorted(found, key=lambda each: each[0])]


def _explained_first(pairs: list[_Pair], ahead: Ahead) -> list[_Pair]:
    """Return `pairs` with those first that the likely cause is about."""
    cause = ahead.likely_cause
    return pairs if cause is None else sorted(pairs, key=lambda pair: pair[0].name not in cause.channels)


def _perhaps(channel: Channel, ahead: Ahead) -> str:
    """Return the likely cause, without the channel's name where that has just been said."""
    cause = ahead.likely_cause
    return "" if cause is None else f"; likely {cause.cause.removeprefix(f'{channel.name}: ')}"


def _calm(known: list[_Pair], bench: Bench) -> tuple[Level, str]:
    """Return what to say where nothing is wrong: still waiting, or as expected."""
    if not bench.channel:
        return Level.WAITING, "This bench has no channels, so nothing is watched"
    silent = len(bench.channel) - sum(judgement.value is not None for _, judgement in known)
    if silent:
        return Level.WAITING, f"Waiting for readings from {silent} of {_channels(len(bench.channel))}"
    agreeing = len(_of_verdict(known, Verdict.AGREES))
    if not agreeing:
        return Level.WAITING, f"Nothing is predicted to compare with; {_limits(bench)}"
    rest = len(known) - agreeing
    unpredicted = f" ({rest} not predicted)" if rest else ""
    return (
        Level.AS_EXPECTED,
        f"As expected: {_channels(agreeing)} agree{'s' if agreeing == 1 else ''}{unpredicted}; {_limits(bench)}",
    )


def _at_the_end(known: list[_Pair], switching: Event | None) -> str:
    if without_power.was_seen_off(switching) and switching is not None:
        return f"It was switched off: {switching.message}"
    hot, wrong = _flagged(known, Flag.HOT), _of_verdict(known, Verdict.DISAGREES)
    past_warning = f"{hot[0][0].name}{_more(hot)} was past its warning" if hot else ""
    disagreed = f"{wrong[0][0].name}{_more(wrong)} disagreed" if wrong else ""
    ended = " and ".join(part for part in (past_warning, disagreed) if part)
    return f"At its end {ended or 'nothing disagreed or was past a limit'}"


def _tripped(channel: Channel, judgement: Judgement) -> str:
    if judgement.value is None:
        return f"{channel.name} went past its limit and gives no reading now"
    crossing = trip_crossed(channel, judgement.value)
    if crossing:
        return past(channel, judgement.value, crossing)
    return f"{channel.name} went past its limit, though it is at {format_value(judgement.value, channel.unit)} now"


def _hot(channel: Channel, judgement: Judgement) -> str:
    crossing = None if judgement.value is None else warning_crossed(channel, judgement.value)
    if crossing is None or judgement.value is None:
        return f"{channel.name} was past its warning at its last reading"
    return past(channel, judgement.value, crossing)


def _silent(channel: Channel, _: Judgement) -> str:
    return f"{channel.name} {'has limits but ' if has_limits(channel) else ''}gives no reading"


def _differs(channel: Channel, judgement: Judgement) -> str:
    expected, spread = judgement.expected, judgement.expected_uncertainty
    shown = "–" if judgement.value is None else stands(channel, judgement.value)
    if expected is None or spread is None:
        return shown
    return f"{shown}, expected {with_uncertainty(expected, spread, channel.unit)}"


def _flagged(known: list[_Pair], flag: Flag) -> list[_Pair]:
    return [pair for pair in known if flag in pair[1].flags]


def _of_verdict(known: list[_Pair], verdict: Verdict) -> list[_Pair]:
    return [pair for pair in known if pair[1].verdict is verdict]


def _limits(bench: Bench) -> str:
    guarded = sum(has_limits(channel) for channel in bench.channel)
    return f"{_channels(guarded)} within limits" if guarded else "no limits are set"


def _channels(count: int) -> str:
    return "1 channel" if count == 1 else f"{count} channels"


def _more(items: list[_Pair]) -> str:
    return f" (and {len(items) - 1} more)" if len(items) > 1 else ""
