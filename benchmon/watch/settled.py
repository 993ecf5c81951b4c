"""What a channel reads once it has settled, as an explanation needs it, and what is said where that is not known."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from benchmon.bench import Channel
from benchmon.quantities import is_temperature
from benchmon.watch.explanation import NONE_OF_THESE, NOTHING_WRONG, Explanation, Observation
from benchmon.watch.heat import Outlook, State
from benchmon.watch.records import Flag, Judgement, Verdict

_TELLING = (
    (Flag.TRIPPED, "is past its limit"),
    (Flag.HOT, "is past its warning"),
    (Flag.DRIFTING, "drifts"),
    (Flag.IMPLAUSIBLE, "contradicts others"),
)

_NAMED = 3
"""Channels that are named in one sentence; of more, how many there are."""


def settled(channel: Channel, value: float, outlook: Outlook | None, *, was_warm: bool = False) -> Observation | None:
    """Return what a channel reads settled, from its latest `value`; None where that cannot be told yet.

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
    return Observation(channel, outlook.final.best, outlook.uncertainty)


def said_with_care(
    ranked: Sequence[Explanation], last: Iterable[Judgement], left_out: Mapping[str, Outlook | None]
) -> list[Explanation]:
    """Return `ranked`, without the answer "nothing wrong" where a channel's `last` judgement says otherwise.

    That is a channel of those `left_out` of the explanation, each with where it is going, that runs away or
    disagrees, or any that is flagged hot, tripped, drifting or implausible. Channels that are stale are the answer
    where that is all there is.
    """
    found = list(ranked)
    if not found or found[0].cause != NOTHING_WRONG:
        return found
    judged = list(last)
    for name, outlook in left_out.items():
        if outlook is not None and outlook.state is State.RUNAWAY:
            return [_not_yet(f"{name} rises ever faster", name, found[0].likelihood), *found[1:]]
    for flag, words in _TELLING:
        odd = next((one.channel for one in judged if flag in one.flags), None)
        if odd is not None:
            return [_not_yet(f"{odd} {words}", odd, found[0].likelihood), *found[1:]]
    odd = next((one.channel for one in judged if one.channel in left_out and one.verdict is Verdict.DISAGREES), None)
    if odd is not None:
        return [_not_yet(f"{odd} disagrees and still moves", odd, found[0].likelihood), *found[1:]]
    silent = tuple(one.channel for one in judged if Flag.STALE in one.flags)
    return [_fallen_silent(silent, found[0].likelihood), *found[1:]] if silent else found


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
    message = f"{words}: everything that has settled agrees with the prediction, so no cause can be told yet"
    return Explanation(NONE_OF_THESE, likelihood, message, (channel,))
