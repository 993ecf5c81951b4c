"""What is stated of a bench: the ranked causes, as far as the rows beside them bear them out.

A statement never contradicts a row: no cause is named where every channel agrees, and nothing is called sound above a
channel that disagrees, or that still moves away.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from benchmon.bench import Channel
from benchmon.quantities import is_temperature
from benchmon.watch.diagnosis.explainer import LEAST_SHARE, NONE_OF_THESE, NOTHING_WRONG
from benchmon.watch.diagnosis.likelihood import Observation
from benchmon.watch.heating.heating import Outlook, State
from benchmon.watch.records import Explanation, Flag, Judgement, Verdict

_TELLING = (
    (Flag.TRIPPED, "is past its limit"),
    (Flag.HOT, "is past its warning"),
    (Flag.DRIFTING, "drifts"),
    (Flag.IMPLAUSIBLE, "contradicts others"),
)

_NAMED = 3
"""Channels that are named in one sentence; of more, how many there are."""

_AT_MOST, _AT_LEAST = 0.5, 0.7
"""The most likelihood of "none of these" in an open question, and the least of "nothing wrong" where all agrees."""

_BY_CHANCE, _MOST_UNKNOWN = 0.03, _AT_LEAST - 0.01
"""How much less likely a sound bench is where a settled channel disagrees, which a sound one seldom has; and the most
likelihood of "none of these" that comes from nothing else, which is never as sure as an answer that all channels bear
out."""

_LEAST_BESIDE_NOTHING = 0.0014
"""Causes below this likelihood are not worth stating where nothing is wrong."""

_CLEAR = 2.0
"""The |En| beyond which a disagreement is more than the edge of what sound supplies show."""


def steady_reading(
    channel: Channel, value: float, outlook: Outlook | None, *, was_warm: bool = False
) -> Observation | None:
    """Return what a channel reads settled, from its latest `value`; None where that is not known yet.

    A temperature that moves stands for the final one that it is heading for, with that one's uncertainty. `was_warm`
    says that the supply has long been on, so that a temperature of which too little was seen counts as it is.
    """
    if not is_temperature(channel.quantity) or channel.quantity == "ambient.temperature":
        return Observation(channel, value)
    if outlook is None or outlook.state is State.UNKNOWN:
        return Observation(channel, value) if was_warm else None
    if outlook.state is State.STEADY:
        return Observation(channel, value)
    if outlook.final is None or outlook.uncertainty is None:
        return None
    return Observation(channel, outlook.final.best, outlook.uncertainty, value)


def statements(
    ranked: Sequence[Explanation],
    last: Iterable[Judgement],
    left_out: Mapping[str, Outlook | None],
) -> list[Explanation]:
    """Return `ranked`, the likeliest first, as far as each channel's `last` judgement bears it out.

    `left_out` are the channels left out of the explanation, each with where it is going. Channels that are stale are
    the answer where that is all there is.
    """
    judged = list(last)
    found = _stated(list(ranked), judged, left_out)
    disagree = any(one.verdict is Verdict.DISAGREES for one in judged)
    is_sound = bool(ranked) and ranked[0].cause == NOTHING_WRONG and not disagree
    least = _LEAST_BESIDE_NOTHING if is_sound else LEAST_SHARE
    return [one for place, one in enumerate(found) if place == 0 or one.likelihood >= least]


def _stated(
    found: list[Explanation], judged: Sequence[Judgement], left_out: Mapping[str, Outlook | None]
) -> list[Explanation]:
    if not found:
        return found
    if _agrees(judged, left_out):
        return found if found[0].cause == NOTHING_WRONG else _all_agree(found, judged)
    disagreeing = [one.channel for one in judged if one.verdict is Verdict.DISAGREES and one.channel not in left_out]
    silent = tuple(one.channel for one in judged if Flag.STALE in one.flags)
    going_on = [one.channel for one in judged if one.channel not in silent]
    is_sound = found[0].cause == NOTHING_WRONG
    if is_sound and not disagreeing and len(going_on) == 1 and len(silent) > 1:
        return [_another_time(going_on[0], found[0].likelihood), *found[1:]]
    if disagreeing:
        is_clear = any(one.en is not None and abs(one.en) > _CLEAR for one in judged if one.channel in disagreeing)
        found = _where_some_disagree(found, disagreeing, _MOST_UNKNOWN if is_clear else _AT_MOST)
    if found[0].cause != NOTHING_WRONG:
        return found
    open_question = _open_question(found[0].likelihood, judged, left_out)
    if open_question is not None:
        return _instead_of_the_first(open_question, found)
    return [_fallen_silent(silent, found[0].likelihood), *found[1:]] if silent else found


def _instead_of_the_first(one: Explanation, found: Sequence[Explanation]) -> list[Explanation]:
    """Return `found` with another first statement, which no later one repeats."""
    return [one, *(other for other in found[1:] if other.cause != one.cause)]


def _where_some_disagree(found: Sequence[Explanation], disagreeing: Sequence[str], most: float) -> list[Explanation]:
    """Return `found` given that settled channels disagree: "nothing wrong" is no answer to that, the others gain.

    What is left of it, that the readings are so by chance or by an unknown cause, joins "none of these", which is then
    `most` likely at most.
    """
    sound = sum(one.likelihood for one in found if one.cause == NOTHING_WRONG)
    if sound == 0.0:
        return list(found)
    left = _BY_CHANCE * sound
    scale = 1.0 / (1.0 - sound + left)
    known = [
        replace(one, likelihood=scale * one.likelihood)
        for one in found
        if one.cause not in (NOTHING_WRONG, NONE_OF_THESE)
    ]
    unknown = next((one for one in found if one.cause == NONE_OF_THESE), None)
    share = left + (unknown.likelihood if unknown is not None else 0.0)
    if unknown is None or unknown.likelihood < left:
        message = f"{_named(disagreeing)} by more than expected, and no known cause fits better than chance"
        unknown = Explanation(NONE_OF_THESE, share, message, tuple(disagreeing[:1]))
        share = min(share, most / scale)
    return sorted([*known, replace(unknown, likelihood=scale * share)], key=lambda one: -one.likelihood)


def _open_question(
    likelihood: float, judged: Sequence[Judgement], left_out: Mapping[str, Outlook | None]
) -> Explanation | None:
    """Return why "nothing wrong" cannot be stated though what has settled agrees, None where it can."""
    for name, outlook in left_out.items():
        if outlook is not None and outlook.state is State.RUNAWAY:
            return _not_yet(f"{name} rises ever faster", name, likelihood)
    for flag, words in _TELLING:
        odd = next((one.channel for one in judged if flag in one.flags), None)
        if odd is not None:
            return _not_yet(f"{odd} {words}", odd, likelihood)
    disagreeing = [one.channel for one in judged if one.verdict is Verdict.DISAGREES]
    moving = next((name for name in disagreeing if name in left_out), None)
    return None if moving is None else _not_yet(f"{moving} disagrees and still moves", moving, likelihood)


def _named(channels: Sequence[str]) -> str:
    named, more = ", ".join(channels[:_NAMED]), len(channels) - _NAMED
    return f"{named}{f' and {more} more' if more > 0 else ''} {'disagrees' if len(channels) == 1 else 'disagree'}"


def _agrees(judged: Sequence[Judgement], left_out: Mapping[str, Outlook | None]) -> bool:
    """Return whether every channel agrees, and none is flagged or moves: then no cause is named."""
    verdicts = {one.verdict for one in judged if one.expected is not None}
    return verdicts == {Verdict.AGREES} and not left_out and not any(one.flags for one in judged)


def _all_agree(found: Sequence[Explanation], judged: Sequence[Judgement]) -> list[Explanation]:
    if any(one.expected is None and one.value is None for one in judged):
        return list(found)
    sound = next((one.likelihood for one in found if one.cause == NOTHING_WRONG), 0.0)
    message = "every channel agrees with the prediction: nothing needs explaining"
    return [Explanation(NOTHING_WRONG, max(sound, _AT_LEAST), message)]


def _another_time(channel: str, likelihood: float) -> Explanation:
    """Return that one channel goes on after all others ended: its clock may be off, or the others may have stopped."""
    message = (
        f"only {channel} goes on, all others have ended: either the clock of its log is of another time, or all others "
        "have fallen silent; compare the clocks and what logs them"
    )
    return Explanation(f"{channel}: its log is of another time", min(likelihood, _AT_MOST), message, (channel,))


def _fallen_silent(channels: Sequence[str], likelihood: float) -> Explanation:
    named, more = ", ".join(channels[:_NAMED]), len(channels) - _NAMED
    if more > 0:
        named += f" and {more} more"
    has, its = ("has", "its meter, its leads") if len(channels) == 1 else ("have", "their meters, their leads")
    message = (
        f"{named} {has} fallen silent, and nothing is known of {'it' if len(channels) == 1 else 'them'} since; "
        f"all that was read agrees with the prediction; look at {its} and what logs them"
    )
    return Explanation(f"{named}: no readings any more", likelihood, message, tuple(channels))


def _not_yet(words: str, channel: str, likelihood: float) -> Explanation:
    message = f"{words}: everything that has settled agrees with the prediction, and no known cause is seen yet"
    return Explanation(NONE_OF_THESE, min(likelihood, _AT_MOST), message, (channel,))
