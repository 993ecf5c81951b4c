"""A session judged by another bench, once and in order, so that a replay can go back without judging again.

Without a screen a table compares both: how often each channel agreed, and the events, as recorded and by the bench.
"""

from __future__ import annotations

import math
import time
from array import array
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from benchmon.bench import Bench, Channel
from benchmon.errors import BadInput
from benchmon.event_kinds import EventGroup, EventKind, traits_of
from benchmon.prediction.predict import at_step, with_load
from benchmon.quantities import UNITS, Expected
from benchmon.report.reevaluate import Reevaluation
from benchmon.session.records import RECENT_SECONDS, RecorderState, SessionInfo, SessionView, TrendBin, Update
from benchmon.session.replay import ReplayView
from benchmon.session.requests import OperatorRequest
from benchmon.session.schema import decode_state, encode_state
from benchmon.text import clock, one_line, table
from benchmon.watch.conditions import MeasuredConditions
from benchmon.watch.diagnosis.explainer import Explainer
from benchmon.watch.expectation import Predictions
from benchmon.watch.plan import Plan
from benchmon.watch.records import Event, Explanation, Flag, Judgement, Verdict
from benchmon.watch.wording import flag_words, likelihood_in_words

_SLICE = 5.0
"""Seconds of session that are judged at a time."""
_AHEAD = 0.02
"""Seconds of every poll of a view in which what comes later is judged, so that jumps find it done."""


class ReevaluatedReadings:
    """The readings of a session judged by another bench, as far as asked for; 50 bytes are kept for each reading.

    A replay that goes back and forth judges nothing twice. The constructor raises
    `BadInput` where no channel is common to both benches, `PredictionError` where the bench cannot be solved, and
    `SessionFileError` where the file is damaged.
    """

    def __init__(self, path: Path | str, bench: Bench) -> None:
        self._play = ReplayView(path, 1.0, lambda: 0.0)
        self._bench = bench
        self.names = _common(bench, self._play.info.bench)
        self._conditions = MeasuredConditions(bench)
        self._judged = Reevaluation(bench, Predictions(bench, self._conditions.mains_accuracy), self._conditions)
        self._plan = Plan.of(bench)
        self._channels = [channel.name for channel in bench.channel if channel.name in self.names]
        self._units = {channel.name: channel.unit for channel in bench.channel}
        self._places: dict[str, array[int]] = {name: array("L") for name in self._channels}
        self._which, self._states = array("H"), array("B")
        self._times, self._numbers = array("d"), array("d")
        self.events: list[Event] = []
        self._event_times: list[float] = []
        self._reached, self._is_whole = -1.0, False

    def judge_until(self, until: float) -> None:
        """Judge the readings up to a session time that are not judged yet. Raises `SessionFileError`."""
        while self._reached < until and not self._is_whole:
            self._judge_a_slice(min(until, self._reached + _SLICE))

    def judge_for(self, seconds: float) -> None:
        """Judge the next readings for so many seconds of real time, so that they are known when asked for."""
        end = time.monotonic() + seconds
        while not self._is_whole and time.monotonic() < end:
            self._judge_a_slice(self._reached + _SLICE)

    def event_times(self, after: float, progress: Callable[[float], object] = lambda _: None) -> Sequence[float]:
        """Return the times of the events, in order: all until the first one after a session time, perhaps more.

        `progress` is called with the session time (s) that the judging has reached; an exception that it raises ends
        the judging, and nothing judged is lost.
        """
        while not self._is_whole and (not self._event_times or self._event_times[-1] <= after):
            progress(self._reached)
            self._judge_a_slice(self._reached + _SLICE)
        return self._event_times

    def explanations(self) -> list[Explanation]:
        """Return the causes of how the channels read at the end of the powered time, by this bench.

        Judges the rest of the session first. Raises `PredictionError`.
        """
        self.judge_until(math.inf)
        last = {name: self._judgement(places[-1]) for name, places in self._places.items() if places}
        mains = self._plan.mains
        explainer = Explainer(at_step(self._bench, self._plan.load, mains), mains_is_set_by_hand=mains is not None)
        return self._judged.explanations(explainer, last)

    def count_until(self, until: float) -> int:
        """Return how many readings there are until a session time that has been judged."""
        return bisect_right(self._times, until)

    def begin_at(self, since: float) -> tuple[int, list[Judgement]]:
        """Return the place of the first reading from a session time on, and the last one of every channel before."""
        place = bisect_left(self._times, since)
        last = [places[at - 1] for places in self._places.values() if (at := bisect_left(places, place))]
        return place, [self._judgement(one) for one in sorted(last)]

    def judgements(self, first: int, last: int) -> list[Judgement]:
        """Return the readings of these places, judged."""
        return [self._judgement(place) for place in range(first, last)]

    def events_between(self, first: int, until: float) -> list[Event]:
        """Return the events from a place on until a session time."""
        return self.events[first : bisect_right(self._event_times, until)]

    def expected(self, channel: str, at: float) -> Expected | None:
        """Return what `channel` was expected to read at a session time, None where nothing was, or is known yet."""
        places = self._places.get(channel)
        if not places or at > self._reached:
            return None
        found = bisect_right(places, at, key=self._times.__getitem__)
        value, spread = (
            self._numbers[5 * places[found - 1] + 2 : 5 * places[found - 1] + 4] if found else (math.nan,) * 2
        )
        return Expected(value, spread, self._units[channel]) if math.isfinite(value) else None

    def _judge_a_slice(self, until: float) -> None:
        self._play.advance_to(until)
        update = self._play.poll()
        records: list[Judgement | Event] = list(update.judgements)
        records += [event for event in update.events if traits_of(event.kind).kept]
        events: list[Event] = []
        for record in sorted(records, key=lambda record: record.time):
            events += self._take_event(record) if isinstance(record, Event) else self._take_reading(record)
        for event in sorted(events, key=lambda event: event.time):
            self.events.append(event)
            self._event_times.append(max(event.time, self._event_times[-1] if self._event_times else 0.0))
        self._reached = until
        if update.state is not RecorderState.RECORDING:
            self._reached, self._is_whole = math.inf, True

    def _take_event(self, event: Event) -> list[Event]:
        """Follow the plan, whose steps may set a load and the mains; return the event, which is kept."""
        before = self._plan.load
        self._plan.take(event)
        self._conditions.follow(self._plan)
        if self._plan.load != before:
            self._judged.channel_history.change(with_load(self._bench, self._plan.load))
        return [event]

    def _take_reading(self, record: Judgement) -> list[Event]:
        """Judge a reading by the bench. Where one was silent, others may count as silent too."""
        if record.channel not in self.names:
            return []
        if record.value is None and Flag.STALE in record.flags:
            judged = self._judged.silences(record.time, self.names)
        else:
            judged = [self._judged.judge(record.channel, record.time, record.value)]
        for judgement, _ in judged:
            self._keep(judgement)
        return [event for _, events in judged for event in events]

    def _keep(self, one: Judgement) -> None:
        self._places[one.channel].append(len(self._times))
        self._which.append(self._channels.index(one.channel))
        self._states.append(encode_state(one.verdict, one.flags))
        # Instruments overtake each other by a little; the times kept never fall.
        self._times.append(max(one.time, self._times[-1] if self._times else 0.0))
        numbers = (one.value, one.uncertainty, one.expected, one.expected_uncertainty, one.en)
        self._numbers.extend(math.nan if number is None else number for number in numbers)

    def _judgement(self, place: int) -> Judgement:
        verdict, flags = decode_state(self._states[place])
        value, uncertainty, expected, spread, en = (
            None if math.isnan(one) else one for one in self._numbers[5 * place : 5 * place + 5]
        )
        channel, at = self._channels[self._which[place]], self._times[place]
        return Judgement(channel, at, value, uncertainty, expected, spread, en, verdict, flags)


def _common(bench: Bench, recorded: Bench) -> frozenset[str]:
    """Return the channels that both benches have. Raises `BadInput` where there are none, or one has another unit."""
    before = {channel.name: channel.quantity for channel in recorded.channel}
    names = frozenset(channel.name for channel in bench.channel) & frozenset(before)
    if not names:
        names_before = one_line(", ".join(before) or "none", 200)
        raise BadInput(f"the other bench file has no channel of this session; it needs some of {names_before}")
    for channel in bench.channel:
        if channel.name in names and UNITS[channel.quantity] != UNITS[before[channel.name]]:
            raise BadInput(
                f"channel {one_line(channel.name, 40)} is {channel.quantity} in the other bench file, and was "
                f"{before[channel.name]}: that is another unit; give it another name"
            )
    return names


class ReevaluatedView:
    """A `SessionView` that plays another view with its readings judged by another bench.

    Channels are matched by name; those that `bench` does not have are left out. The recorded events of the watch,
    causes and forecasts are left out too: the bench has its own. What `judged` holds is not judged again. Raises
    `BadInput` where no channel is common to both.
    """

    def __init__(self, view: ReplayView, bench: Bench, judged: ReevaluatedReadings | None = None) -> None:
        self._view = view
        self._judged = judged or ReevaluatedReadings(view.info.path, bench)
        self._info = replace(view.info, bench=bench, holds_predictions=False)
        self._next_reading: int | None = None
        self._next_event = 0

    @property
    def info(self) -> SessionInfo:
        """Return the facts that do not change, with the other bench."""
        return self._info

    @property
    def live(self) -> bool:
        """Return False: nobody can be asked for anything."""
        return False

    def poll(self) -> Update:
        """Return the records since the last poll, judged by the bench. Raises `SessionFileError`."""
        update, judged = self._view.poll(), self._judged
        until = update.now if update.state is RecorderState.RECORDING else math.inf
        judged.judge_until(until)
        before: list[Judgement] = []
        if self._next_reading is None:
            self._next_reading, before = judged.begin_at(update.now - RECENT_SECONDS)
        last = judged.count_until(until)
        judgements = [*before, *judged.judgements(self._next_reading, last)]
        events = judged.events_between(self._next_event, until)
        self._next_reading, self._next_event = max(last, self._next_reading), self._next_event + len(events)
        judged.judge_for(_AHEAD)
        return replace(
            update,
            judgements=tuple(judgements),
            events=tuple(events),
            explanations=None,
            forecasts=(),
            bench=None,
            status=None,
            settled=None,
            steps=(),
            waveforms=tuple(wave for wave in update.waveforms if wave.channel in judged.names),
        )

    def request(self, request: OperatorRequest) -> int | None:
        """Raise `RecorderError`: there is no recorder."""
        return self._view.request(request)

    def request_by_signal(self, request: OperatorRequest) -> bool:  # noqa: ARG002 - the protocol's argument
        """Return False: there is no recorder."""
        return False

    def trend(self, channel: str, since: float, until: float, parts: int) -> tuple[TrendBin, ...]:
        """Return the trend of `channel`, which no bench changes."""
        return self._view.trend(channel, since, until, parts) if channel in self._judged.names else ()

    def band(self, channel: str, since: float, until: float, parts: int) -> tuple[Expected | None, ...]:
        """Return what `channel` would have been expected to read, as far as the play has come."""
        width = (until - since) / max(1, parts)
        middles = [since + (at + 0.5) * width for at in range(parts)]
        position = self._view.position
        return tuple(None if at > position else self._judged.expected(channel, at) for at in middles)

    def close(self) -> None:
        """Close the view."""
        self._view.close()


_SUMMARY_SLICE = 30.0
_MOST_EVENTS = 200
_MOST_CAUSES = 5
_NOT_REPEATED = EventKind.CAUSE
_SWITCHING = frozenset({EventKind.SWITCH, *(one for one in EventKind if one.traits.group is EventGroup.SWITCHING_OFF)})
"""Kinds that are listed beside the watch's own, though another bench changes nothing about them."""


@dataclass
class ChannelVerdicts:
    """The judgements of one channel: its readings by verdict, every flag it had, and the last judgement."""

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
class SessionSummary:
    """A whole session by channel, with the events of the watch and of the switch.

    `judged` holds the session judged by another bench, None where it is as it was recorded.
    """

    channels: dict[str, ChannelVerdicts]
    events: tuple[Event, ...]
    judged: ReevaluatedReadings | None = None


class _ManualClock:
    """A clock that the program sets, so that a session passes at any pace."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def summarise(path: Path, bench: Bench | None = None) -> SessionSummary:
    """Return a session's summary, as it was recorded or judged by `bench`.

    Raises `SessionFileError` where it is none or is damaged, `BadInput` where the bench does not fit it.
    """
    clock_by_hand = _ManualClock()
    play = ReplayView(path, 1.0, clock_by_hand)
    judged = None if bench is None else ReevaluatedReadings(path, bench)
    view: SessionView = play if bench is None else ReevaluatedView(play, bench, judged)
    channels = {channel.name: ChannelVerdicts(channel) for channel in view.info.bench.channel}
    events: list[Event] = []
    for update in _updates(view, clock_by_hand):
        for judgement in update.judgements:
            channels[judgement.channel].take(judgement)
        events += [event for event in update.events if event.kind in _SWITCHING or not traits_of(event.kind).kept]
    view.close()
    return SessionSummary(channels, tuple(events), judged)


def _updates(view: SessionView, clock_by_hand: _ManualClock) -> Iterator[Update]:
    while True:
        update = view.poll()
        yield update
        if update.state is not RecorderState.RECORDING:
            return
        clock_by_hand.now += _SUMMARY_SLICE


def summary_as_text(then: SessionSummary, now: SessionSummary | None = None) -> str:
    """Return the summary of a session as text, or if `now` is given, the differences from `then` to `now`."""
    if now is None:
        rows = [(one_line(name), verdicts.words, verdicts.flag_words) for name, verdicts in then.channels.items()]
        lines = [table(("channel", "agreed", "flags"), rows, (1,)), "", "Events:", *_listed(then.events)]
        return "\n".join(lines)
    rows_of_both = [
        (
            one_line(name),
            then.channels[name].words if name in then.channels else "not recorded",
            verdicts.words if verdicts.verdicts else "no readings",
            then.channels[name].flag_words if name in then.channels else "–",
            verdicts.flag_words,
        )
        for name, verdicts in now.channels.items()
    ]
    added, gone = _differences(then.events, now.events)
    lines = [table(("channel", "agreed then", "would agree", "flags then", "flags now"), rows_of_both, (1, 2))]
    lines += ["", "Events by the other bench file only:", *_listed(added)]
    lines += ["", "Events of the recording only:", *_listed(gone)]
    # Working out causes takes seconds: only where something was odd.
    if now.judged is not None and (now.events or any(event.kind == _NOT_REPEATED for event in then.events)):
        lines += ["", "Likely causes, by the end of the powered time (causes of the recording are left out above):"]
        lines += [
            f"{likelihood_in_words(one.likelihood):>11}  {one_line(one.message, 300)}"
            for one in now.judged.explanations()[:_MOST_CAUSES]
        ]
    return "\n".join(lines)


def _differences(then: tuple[Event, ...], now: tuple[Event, ...]) -> tuple[list[Event], list[Event]]:
    """Return the events of now beyond those of then, by channel and kind, and the other way round."""
    return _beyond(now, then), _beyond([event for event in then if event.kind != _NOT_REPEATED], now)


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
