"""The status of a bench, which answers "is it right, is it safe?": derived once, with all that its sentence needs.

The worst finding decides the level. Nothing is ever called safe: mains and stored charge remain whatever the readings
are. `Outlooks` holds what is known beyond the latest readings: which limit a channel is heading for and how soon, and
the likely causes. The sentences are made where they are shown, see `benchmon.watch.status_wording`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import AlarmKind, EventKind
from benchmon.text import about
from benchmon.watch import power_state
from benchmon.watch.limits import has_limits
from benchmon.watch.records import Event, Explanation, Flag, Forecast, Judgement, Verdict
from benchmon.watch.verdict import verdict_of
from benchmon.watch.wording import value_words

STALE_AFTER = 120.0
"""Seconds after which a forecast that nothing has renewed no longer gives the time to a limit."""

LIKELY = 0.5
"""The likelihood from which on the first line names a cause."""

NOTHING_WRONG, NONE_OF_THESE = "nothing wrong", "none of these"
"""Answers of the explanation that name no cause."""


@dataclass(frozen=True, slots=True)
class Outlooks:
    """What is known beyond the latest readings at `now` (session seconds): the course of channels, and causes."""

    now: float = 0.0
    forecasts: Mapping[str, Forecast] = field(default_factory=dict)
    causes: Sequence[Explanation] = ()

    @property
    def likely_cause(self) -> Explanation | None:
        """Return the likeliest cause, None where none is more likely than not."""
        first = self.causes[0] if self.causes else None
        return (
            None
            if first is None or first.likelihood < LIKELY or first.cause in (NOTHING_WRONG, NONE_OF_THESE)
            else first
        )

    def seconds_to_limit(self, channel: str) -> float | None:
        """Return in how many seconds a channel passes its trip limit, never below 0; None where it is not known to."""
        forecast = self.forecasts.get(channel)
        if forecast is None or forecast.to_limit is None or not math.isfinite(forecast.to_limit):
            return None
        gone = self.now - forecast.time
        return None if gone > forecast.to_limit + STALE_AFTER else max(0.0, forecast.to_limit - gone)

    def surely_passes(self, channel: str) -> bool:
        """Return whether every course that the readings allow passes the limit."""
        forecast = self.forecasts.get(channel)
        return forecast is not None and forecast.latest is not None and math.isfinite(forecast.latest)

    def may_pass_words(self, channel: Channel) -> str:
        """Return when a channel may pass its trip limit at the earliest, "" where that is not known or not needed."""
        forecast, limit = self.forecasts.get(channel.name), channel.trip_above
        if forecast is None or limit is None or forecast.earliest is None or not math.isfinite(forecast.earliest):
            return ""
        left = forecast.earliest - (self.now - forecast.time)
        if forecast.to_limit is not None or left < -STALE_AFTER:
            return ""
        return f"may pass {value_words(channel, limit)} {about(max(0.0, left))} at the earliest, or never"

    def limit_words(self, channel: Channel) -> str:
        """Return that a channel is heading for its limit, "" if it is not; see `limit_words`."""
        return limit_words(channel, self.seconds_to_limit(channel.name), surely=self.surely_passes(channel.name))


def limit_words(channel: Channel, left: float | None, *, surely: bool) -> str:
    """Return that a channel passes its limit in `left` seconds: `will pass 105.0 °C in about 3 min 40 s`.

    "" where it has no limit, or `left` is None. `surely` is whether it does on every course.
    """
    limit = channel.trip_above if channel.trip_above is not None else channel.trip_below
    if left is None or limit is None:
        return ""
    return f"{'will' if surely else 'may'} pass {value_words(channel, limit)} {about(left)}"


_Pair = tuple[Channel, Judgement]

FAR_TOO_MUCH = 1.5
"""Times what is expected from which on a current or a power asks for a hand at the switch, limits or none."""


class Level(StrEnum):
    """The state of the whole bench in a word or two."""

    DANGER = "danger"
    BLIND = "blind"
    CAUTION = "caution"
    WAITING = "waiting"
    AS_EXPECTED = "as expected"
    ENDED = "ended"


class StatusFinding(StrEnum):
    """What decides the level, the worst of all that is so."""

    SWITCH_OFF_FAILED = "switch-off failed"
    TRIPPED = "tripped"
    LOAD_NOT_RELEASED = "load not released"
    RECORDER_GONE = "recorder gone"
    ENDED = "ended"
    END_UNKNOWN = "ended, its last status unknown"
    SWITCHED = "switched off, or on its way"
    SWITCHED_YET_PAST = "switched off, yet past a warning"
    SWITCHED_AND_SILENT = "switched off, and not watched"
    SURELY_HEADING = "surely heading for its limit"
    WARNED = "past its warning"
    FAR_TOO_MUCH = "far too much"
    NOT_WATCHED = "not watched"
    HEADING = "heading for its limit"
    DISAGREES = "disagrees"
    OVERRANGE = "overrange"
    SILENT = "silent"
    IMPLAUSIBLE = "implausible"
    DRIFTING = "drifting"
    QUESTIONABLE = "questionable"
    NO_MAINS = "no mains"
    NO_CHANNELS = "no channels"
    WAITING = "waiting for readings"
    NOTHING_PREDICTED = "nothing predicted"
    AS_EXPECTED = "as expected"


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alarm that is active, raised at `since` (session seconds). `channel` is "" where it concerns none.

    `value` is the channel's latest reading in its unit, None where there is none or it does not matter.
    """

    kind: AlarmKind
    channel: str
    since: float
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Subject:
    """A channel that a status is about, as it reads, values in its unit; `others` is how many more are like it."""

    channel: str
    value: float | None = None
    expected: float | None = None
    expected_uncertainty: float | None = None
    is_hot: bool = False
    others: int = 0


@dataclass(frozen=True, slots=True)
class BenchStatus:
    """The status of a bench at `time` (session seconds) by its recorder; `until` is when it was last confirmed.

    `state` is the recorder's: `recording`, `finished` or `gone`. `about` is the channel that matters most, `also` a
    second one: that speaks against a mains that reads none, or that disagreed at the end. `unwatched` is a channel with
    limits that gives no reading, where something graver decides. `limit_at` is when (session
    seconds) the channel passes its trip limit, `surely` whether it does on every course that the readings allow.
    `cause` is the likely one, "" where there is none. `agreeing`, `silent` and `known` count channels. `switching` is
    the latest event of a switching off. `not_agreeing` holds the verdicts that rows show of channels that do not agree,
    as they are steady; None where that is not known. `due` are the channels that a person is to read now, and `lapsed`
    those whose last value was typed before the supply changed.
    """

    time: float
    level: Level
    finding: StatusFinding
    state: str = "recording"
    about: Subject | None = None
    also: Subject | None = None
    unwatched: Subject | None = None
    limit_at: float | None = None
    surely: bool = False
    cause: str = ""
    agreeing: int = 0
    silent: int = 0
    known: int = 0
    switching: Event | None = None
    alarms: tuple[Alarm, ...] = ()
    due: tuple[str, ...] = ()
    lapsed: tuple[str, ...] = ()
    until: float = 0.0
    not_agreeing: Mapping[str, Verdict] | None = None

    def verdict_shown(self, judgement: Judgement) -> Verdict:
        """Return the verdict that a row shows beside a reading: the steady one, else that of the reading by itself."""
        if self.not_agreeing is None or judgement.verdict is Verdict.UNPREDICTED:
            return judgement.verdict
        return self.not_agreeing.get(judgement.channel, Verdict.AGREES)

    @property
    def tripped(self) -> tuple[str, ...]:
        """Return the channels that have passed a limit."""
        return tuple(alarm.channel for alarm in self.alarms if alarm.kind is AlarmKind.TRIPPED)

    def is_the_same_as(self, other: BenchStatus) -> bool:
        """Return whether `other` differs in its times alone."""
        return replace(self, time=other.time, until=other.until) == other

    def is_alike(self, other: BenchStatus) -> bool:
        """Return whether level, finding, channels and alarms are those of `other`; readings may differ."""
        return _gist(self) == _gist(other)

    def seen_in(self, state: str, now: float) -> BenchStatus:
        """Return this status at `now` (session seconds) where the recorder's state turns out to be `state`.

        A recorder that is gone, or has ended without a last word, cannot say so itself.
        """
        if state in (self.state, "recording"):
            return self
        seen = replace(self, state=state)
        if state == "gone":
            seen = replace(seen, alarms=in_order([*self.alarms, Alarm(AlarmKind.RECORDER_GONE, "", now)]))
        if self.finding in (StatusFinding.SWITCH_OFF_FAILED, StatusFinding.TRIPPED, StatusFinding.LOAD_NOT_RELEASED):
            return seen
        if state == "gone":
            return replace(seen, level=Level.BLIND, finding=StatusFinding.RECORDER_GONE)
        return replace(seen, level=Level.ENDED, finding=StatusFinding.END_UNKNOWN)


def _gist(status: BenchStatus) -> tuple[object, ...]:
    subjects = (one and (one.channel, one.is_hot) for one in (status.about, status.also, status.unwatched))
    alarms = tuple((alarm.kind, alarm.channel) for alarm in status.alarms)
    also = status.due, status.lapsed, status.not_agreeing
    return status.level, status.finding, status.state, status.cause, status.switching, *also, *subjects, alarms


def in_order(alarms: Iterable[Alarm]) -> tuple[Alarm, ...]:
    """Return alarms, the gravest first, then the oldest."""
    order = list(AlarmKind)
    return tuple(sorted(alarms, key=lambda alarm: (order.index(alarm.kind), alarm.since)))


def bench_status(
    latest: Mapping[str, Judgement],
    bench: Bench,
    state: str = "recording",
    ahead: Outlooks | None = None,
    switching: Event | None = None,
) -> BenchStatus:
    """Return the status of the bench from the latest judgement of each channel and from what lies `ahead`.

    `state` is the recorder's: `recording`, `finished` or `gone`. Channels that `latest` lacks are waited for.
    `switching` is the latest event of a switching off, if there was one. Alarms are not among it.
    """
    ahead = ahead or Outlooks()
    found = _worst(latest, bench, state, ahead, switching)
    known = [(channel, latest[channel.name]) for channel in bench.channel if channel.name in latest]
    return replace(
        found,
        time=ahead.now,
        until=ahead.now,
        state=state,
        switching=switching,
        agreeing=len(_of_verdict(known, Verdict.AGREES)),
        silent=len(bench.channel) - sum(judgement.value is not None for _, judgement in known),
        known=len(known),
        not_agreeing={
            channel.name: judgement.verdict
            for channel, judgement in known
            if judgement.verdict in (Verdict.QUESTIONABLE, Verdict.DISAGREES)
        },
    )


def _worst(
    latest: Mapping[str, Judgement], bench: Bench, state: str, ahead: Outlooks, switching: Event | None
) -> BenchStatus:
    if switching is not None and switching.kind == EventKind.SWITCH_OFF_FAILED:
        return _status(Level.DANGER, StatusFinding.SWITCH_OFF_FAILED)
    known = [(channel, latest[channel.name]) for channel in bench.channel if channel.name in latest]
    tripped = _flagged(known, Flag.TRIPPED)
    if tripped:
        return _status(Level.DANGER, StatusFinding.TRIPPED, tripped)
    if state == "gone":
        return _status(Level.BLIND, StatusFinding.RECORDER_GONE)
    if state == "finished":
        ended = _status(Level.ENDED, StatusFinding.ENDED, _flagged(known, Flag.HOT))
        return replace(ended, also=_subject(_of_verdict(known, Verdict.DISAGREES)))
    if switching is not None and switching.kind in (EventKind.SWITCHING_OFF, EventKind.SWITCHED_OFF):
        return _after_switching_off(known, switching)
    return _while_watched(known, latest, bench, ahead)


def _status(level: Level, finding: StatusFinding, pairs: Sequence[_Pair] = ()) -> BenchStatus:
    return BenchStatus(0.0, level, finding, about=_subject(pairs))


def _subject(pairs: Sequence[_Pair]) -> Subject | None:
    """Return the first of `pairs`, and how many more there are."""
    if not pairs:
        return None
    channel, seen = pairs[0]
    hot = Flag.HOT in seen.flags
    return Subject(channel.name, seen.value, seen.expected, seen.expected_uncertainty, hot, len(pairs) - 1)


def _while_watched(known: list[_Pair], latest: Mapping[str, Judgement], bench: Bench, ahead: Outlooks) -> BenchStatus:
    mains = power_state.mains_off(bench, latest)
    guards = _silent_guards(known)
    unwatched = _subject(guards)
    for level, finding, pairs in _grave_findings(known, ahead, off=mains is not None):
        if pairs:
            return replace(_with_outlook(_status(level, finding, pairs), pairs[0][0], ahead), unwatched=unwatched)
    if mains is not None:
        against = power_state.speaks_for_power(bench, latest)
        level = Level.CAUTION if against is not None else Level.BLIND if guards else Level.WAITING
        there = [] if against is None else [(against, latest[against.name])]
        status = _status(level, StatusFinding.NO_MAINS, [(mains, latest[mains.name])])
        return replace(status, also=_subject(there), unwatched=unwatched)
    for level, finding, pairs in _lesser_findings(known, ahead):
        if pairs:
            return _with_outlook(_status(level, finding, pairs), pairs[0][0], ahead)
    return _calm(known, bench)


def _with_outlook(status: BenchStatus, channel: Channel, ahead: Outlooks) -> BenchStatus:
    """Return a status with the limit its channel is heading for, or the likely cause, where its sentence needs it."""
    if status.finding in (StatusFinding.SURELY_HEADING, StatusFinding.HEADING):
        left = ahead.seconds_to_limit(channel.name)
        limit_at = None if left is None else ahead.now + left
        return replace(status, limit_at=limit_at, surely=ahead.surely_passes(channel.name))
    if status.finding in (StatusFinding.FAR_TOO_MUCH, StatusFinding.DISAGREES, StatusFinding.QUESTIONABLE):
        cause = ahead.likely_cause
        return status if cause is None else replace(status, cause=cause.cause)
    return status


def _after_switching_off(known: list[_Pair], switching: Event) -> BenchStatus:
    """Return the status after a switching off: what is past a limit nonetheless, or that nothing is.

    What is low, and differs from what was expected, is so because the power is gone; it is not worth a word.
    """
    if not power_state.was_seen_off(switching):
        return _status(Level.CAUTION, StatusFinding.SWITCHED)
    past = [pair for pair in _flagged(known, Flag.HOT) if power_state.still_past(*pair)]
    if past:
        return _status(Level.CAUTION, StatusFinding.SWITCHED_YET_PAST, past)
    silent = [(channel, judgement) for channel, judgement in _flagged(known, Flag.STALE) if has_limits(channel)]
    if silent:
        return _status(Level.BLIND, StatusFinding.SWITCHED_AND_SILENT, silent)
    return _status(Level.WAITING, StatusFinding.SWITCHED)


def _grave_findings(
    known: list[_Pair], ahead: Outlooks, *, off: bool
) -> list[tuple[Level, StatusFinding, list[_Pair]]]:
    """Return what may be gravely wrong, the worst first, and where it is so.

    `off` says that there is no mains, so that what is low is so because of it.
    """
    heading = _heading_for_limits(known, ahead)
    warned = [pair for pair in _flagged(known, Flag.HOT) if not power_state.is_low_without_power(*pair, off=off)]
    surely = [pair for pair in heading if ahead.surely_passes(pair[0].name)]
    return [
        (Level.CAUTION, StatusFinding.SURELY_HEADING, surely),
        (Level.CAUTION, StatusFinding.WARNED, warned),
        (Level.CAUTION, StatusFinding.FAR_TOO_MUCH, _far_too_much(known, ahead)),
        (Level.CAUTION, StatusFinding.HEADING, heading),
        (Level.CAUTION, StatusFinding.DISAGREES, _explained_first(_of_verdict(known, Verdict.DISAGREES), ahead)),
    ]


def _lesser_findings(known: list[_Pair], ahead: Outlooks) -> list[tuple[Level, StatusFinding, list[_Pair]]]:
    """Return what is less than a reading that is wrong, or than mains that is gone; the worst first.

    A silent channel without limits hides nothing that is known of others.
    """
    return [
        (Level.BLIND, StatusFinding.NOT_WATCHED, _silent_guards(known)),
        (Level.CAUTION, StatusFinding.OVERRANGE, _flagged(known, Flag.OVERRANGE)),
        (Level.CAUTION, StatusFinding.IMPLAUSIBLE, _flagged(known, Flag.IMPLAUSIBLE)),
        (Level.CAUTION, StatusFinding.DRIFTING, _flagged(known, Flag.DRIFTING)),
        (Level.CAUTION, StatusFinding.SILENT, _flagged(known, Flag.STALE)),
        (Level.CAUTION, StatusFinding.QUESTIONABLE, _explained_first(_of_verdict(known, Verdict.QUESTIONABLE), ahead)),
    ]


def _silent_guards(known: list[_Pair]) -> list[_Pair]:
    """Return the channels that have limits and give no reading."""
    return [pair for pair in _flagged(known, Flag.STALE) if has_limits(pair[0])]


def _far_too_much(known: list[_Pair], ahead: Outlooks) -> list[_Pair]:
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

    wrong = [pair for pair in known if pair[0].unit in ("A", "W") and verdict_of(pair[1].en) is Verdict.DISAGREES]
    far = [pair for pair in wrong if times(pair) > FAR_TOO_MUCH and pair[0].name not in mistaken]
    return sorted(far, key=times, reverse=True)


def _heading_for_limits(known: list[_Pair], ahead: Outlooks) -> list[_Pair]:
    """Return the channels that may pass their trip limit, the soonest first."""
    lefts = ((ahead.seconds_to_limit(pair[0].name), pair) for pair in known if pair[1].value is not None)
    found = [(left, pair) for left, pair in lefts if left is not None]
    return [pair for _, pair in sorted(found, key=lambda each: each[0])]


def _explained_first(pairs: list[_Pair], ahead: Outlooks) -> list[_Pair]:
    """Return `pairs` with those first that the likely cause is about, then the farthest from what is expected."""
    cause = ahead.likely_cause
    explained = () if cause is None else cause.channels
    return sorted(pairs, key=lambda pair: (pair[0].name not in explained, -abs(pair[1].en or 0.0)))


def _calm(known: list[_Pair], bench: Bench) -> BenchStatus:
    """Return the status where nothing is wrong: still waiting, or as expected."""
    if not bench.channel:
        return _status(Level.WAITING, StatusFinding.NO_CHANNELS)
    if len(bench.channel) > sum(judgement.value is not None for _, judgement in known):
        return _status(Level.WAITING, StatusFinding.WAITING)
    if not _of_verdict(known, Verdict.AGREES):
        return _status(Level.WAITING, StatusFinding.NOTHING_PREDICTED)
    return _status(Level.AS_EXPECTED, StatusFinding.AS_EXPECTED)


def _flagged(known: list[_Pair], flag: Flag) -> list[_Pair]:
    return [pair for pair in known if flag in pair[1].flags]


def _of_verdict(known: list[_Pair], verdict: Verdict) -> list[_Pair]:
    return [pair for pair in known if pair[1].verdict is verdict]
