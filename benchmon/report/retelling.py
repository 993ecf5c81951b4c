"""A session told again without a screen: how often each channel agreed, and what the watch said, then and now."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import EventKind, traits_of
from benchmon.report.rejudged import Rejudged, WhatIf
from benchmon.session.replay import ReplayView
from benchmon.session.view import RecorderState, SessionView, Update
from benchmon.text import clock, one_line, table
from benchmon.watch.records import Event, Flag, Judgement, Verdict
from benchmon.watch.wording import flag_words, likelihood_in_words

_SLICE = 30.0
_MOST_EVENTS = 200
_MOST_CAUSES = 5
_NOT_TOLD_ANEW = EventKind.CAUSE


@dataclass
class Told:
    """What was said of one channel: its readings by verdict, every flag it had, and its last judgement."""

    channel: Channel
    verdicts: Counter[Verdict] = field(default_factory=Counter)
    flags: set[Flag] = field(default_factory=set)
    last: Judgement | None = None

    def take(self, judgement: Judgement) -> None:
        """Take one more judgement."""
        self.verdicts[judgement.verdict] += 1
        self.flags |= judgement.flags
        self.last = judgement if judgement.value is not None else self.last

    @property
    def words(self) -> str:
        """How often it agreed, of how many readings that could be compared."""
        judged = sum(count for verdict, count in self.verdicts.items() if verdict is not Verdict.UNPREDICTED)
        return f"{self.verdicts[Verdict.AGREES]} of {judged}" if judged else "not compared"

    @property
    def flag_words(self) -> str:
        """The flags it had."""
        return ", ".join(flag_words(self.flags, self.channel)) or "–"


@dataclass(frozen=True)
class Retold:
    """A whole session as it was told: by channel, and the watch's events; what explains them where it is judged anew.

    `judged` is None where the session is as it was recorded.
    """

    channels: dict[str, Told]
    events: tuple[Event, ...]
    judged: Rejudged | None = None


class _Hand:
    """A clock that is moved by hand, so that a session passes at any pace."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def retell(path: Path, bench: Bench | None = None) -> Retold:
    """Return what is told of a session as it was recorded, or with another bench.

    Raises `SessionFileError` where it is none or is damaged, `BadInput` where the bench does not fit it.
    """
    hand = _Hand()
    play = ReplayView(path, 1.0, hand)
    judged = None if bench is None else Rejudged(path, bench)
    view: SessionView = play if bench is None else WhatIf(play, bench, judged)
    channels = {channel.name: Told(channel) for channel in view.info.bench.channel}
    events: list[Event] = []
    for update in _updates(view, hand):
        for judgement in update.judgements:
            channels[judgement.channel].take(judgement)
        events += [event for event in update.events if not traits_of(event.kind).kept]
    view.close()
    return Retold(channels, tuple(events), judged)


def _updates(view: SessionView, hand: _Hand) -> Iterator[Update]:
    while True:
        update = view.poll()
        yield update
        if update.state is not RecorderState.RECORDING:
            return
        hand.now += _SLICE


def retelling_as_text(then: Retold, now: Retold | None = None) -> str:
    """Return what was said of a session, and what would be said now where that is given."""
    if now is None:
        rows = [(one_line(name), told.words, told.flag_words) for name, told in then.channels.items()]
        lines = [table(("channel", "agreed", "flags"), rows, (1,)), "", "What was said:", *_listed(then.events)]
        return "\n".join(lines)
    rows_of_both = [
        (
            one_line(name),
            then.channels[name].words if name in then.channels else "not recorded",
            told.words if told.verdicts else "no readings",
            then.channels[name].flag_words if name in then.channels else "–",
            told.flag_words,
        )
        for name, told in now.channels.items()
    ]
    said, kept = _differences(then.events, now.events)
    lines = [table(("channel", "agreed then", "would agree", "flags then", "flags now"), rows_of_both, (1, 2))]
    lines += ["", "Would have been said, and was not:", *_listed(said)]
    lines += ["", "Was said, and would not have been:", *_listed(kept)]
    # Working out causes takes seconds: only where something was odd.
    if now.judged is not None and (now.events or any(event.kind == _NOT_TOLD_ANEW for event in then.events)):
        lines += ["", "Likely causes, by the end of the powered time (those told then are left out above):"]
        lines += [
            f"{likelihood_in_words(one.likelihood):>11}  {one_line(one.message, 300)}"
            for one in now.judged.explanations()[:_MOST_CAUSES]
        ]
    return "\n".join(lines)


def _differences(then: tuple[Event, ...], now: tuple[Event, ...]) -> tuple[list[Event], list[Event]]:
    """Return the events of now beyond those of then, by channel and kind, and the other way round."""
    return _beyond(now, then), _beyond([event for event in then if event.kind != _NOT_TOLD_ANEW], now)


def _beyond(events: Iterable[Event], others: Iterable[Event]) -> list[Event]:
    left = Counter((event.channel, event.kind) for event in others)
    beyond = []
    for event in events:
        if left[event.channel, event.kind]:
            left[event.channel, event.kind] -= 1
        else:
            beyond.append(event)
    return beyond


def _words(event: Event) -> str:
    return f"{event.kind}: {event.message}" if event.kind == EventKind.BENCH_EDITED else event.message


def _listed(events: tuple[Event, ...] | list[Event]) -> list[str]:
    lines = [f"{clock(event.time):>9}  {one_line(_words(event), 300)}" for event in events[:_MOST_EVENTS]]
    if len(events) > _MOST_EVENTS:
        lines.append(f"{'':>9}  and {len(events) - _MOST_EVENTS} more")
    return lines or [f"{'':>9}  nothing"]
