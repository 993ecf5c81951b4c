"""The state of a session in memory: what the screen draws, fed by the updates of a view. No clock, no file.

Beside the latest judgements it holds a short trend of each channel and the alarms. An acknowledged alarm stays, as
words, until its cause is over; a trip is never over. An acknowledgement is an event of the session, so every screen has
it; where no recorder can be asked it silences this screen alone.
"""

from __future__ import annotations

import math
from collections import OrderedDict, deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import AlarmKind, EventGroup, EventKind, traits_of
from benchmon.quantities import POINTS, UNITS, format_value
from benchmon.screen.guessing import (
    Guesses,
    cause_without_expected,
    event_without_expected,
    status_without_expected,
    without_expected,
)
from benchmon.screen.symbols import SymbolSet
from benchmon.session.encodings import StatusReader
from benchmon.session.records import RecorderState, SessionInfo, TrendBin, Update
from benchmon.text import countdown, duration
from benchmon.watch import plan, status
from benchmon.watch.plan import Plan
from benchmon.watch.records import Event, Explanation, Forecast, Judgement, Waveform
from benchmon.watch.status import Level, Outlooks
from benchmon.watch.status_wording import SIGNS, StatusLine, shown
from benchmon.watch.wording import warned

if TYPE_CHECKING:
    from benchmon.prediction.explained.derivation import Derivation
    from benchmon.prediction.monte_carlo import Distribution
    from benchmon.session.records import StepPrediction, StoredPrediction

_SEVERE = (AlarmKind.SWITCH_OFF_FAILED, AlarmKind.TRIPPED, AlarmKind.RECORDER_GONE, AlarmKind.LOAD_NOT_RELEASED)


@dataclass(frozen=True, slots=True)
class ShownAlarm:
    """Something that a person must see. `channel` is "" where it concerns none."""

    kind: AlarmKind
    channel: str
    acknowledged: bool = False
    words_instead: str = field(default="", compare=False)
    """How the alarm is worded where its kind is not the word: what is past its warning may be low."""

    @property
    def is_severe(self) -> bool:
        """Return whether the alarm asks to switch off at once."""
        return self.kind in _SEVERE

    @property
    def words(self) -> str:
        """Return what it is, in a few words."""
        return f"{self.channel} {self.words_instead or self.kind}".strip()


class AlarmPanel:
    """Follows the status of a session, and what has been acknowledged."""

    def __init__(self) -> None:
        self._acknowledged: dict[str, float] = {}
        self._alarms: tuple[status.Alarm, ...] = ()
        self._channels: Mapping[str, Channel] = {}
        self.standing: tuple[ShownAlarm, ...] = ()

    @property
    def unacknowledged(self) -> tuple[ShownAlarm, ...]:
        """Return those that nobody has acknowledged, the most severe first."""
        return tuple(alarm for alarm in self.standing if not alarm.acknowledged)

    def note_events(self, events: Iterable[Event]) -> None:
        """Take events in the order of their times: others may acknowledge, too."""
        for event in events:
            if event.kind == EventKind.ACKNOWLEDGED:
                self.acknowledge(event.channel, event.time)

    def acknowledge(self, channel: str, time: float) -> None:
        """Count the alarms of `channel` up to `time` as seen; "" stands for those of no channel."""
        self._acknowledged[channel] = max(time, self._acknowledged.get(channel, -math.inf))
        self._find_standing()

    def update(self, alarms: tuple[status.Alarm, ...], channels: Iterable[Channel]) -> None:
        """Take the alarms of the latest status, the most severe first; `channels` are those of the bench."""
        self._alarms, self._channels = alarms, {channel.name: channel for channel in channels}
        self._find_standing()

    def _find_standing(self) -> None:
        self.standing = tuple(
            ShownAlarm(alarm.kind, alarm.channel, self._is_acknowledged(alarm), self._words(alarm))
            for alarm in self._alarms
        )

    def _words(self, alarm: status.Alarm) -> str:
        channel = self._channels.get(alarm.channel)
        return warned(channel, alarm.value) if alarm.kind is AlarmKind.HOT and channel is not None else ""

    def _is_acknowledged(self, alarm: status.Alarm) -> bool:
        return self._acknowledged.get(alarm.channel, -math.inf) >= alarm.since


SPAN_SECONDS = 5.0
_KEPT = 64


_Span = tuple[float, int, float | None]
"""The sum of the readings of a span of time, their number, and their mean, None where that is no finite number."""
_EMPTY: _Span = (0.0, 0, None)


def _span(total: float, count: int) -> _Span:
    mean = total / count
    return total, count, mean if math.isfinite(mean) else None


class TrendBuffer:
    """Means of a channel over spans of time, the latest `_KEPT` of them.

    A span lasts five seconds, or two periods of a channel that is read more slowly, so that every span has a reading.
    """

    def __init__(self, period: float = 1.0) -> None:
        self.span = max(SPAN_SECONDS, 2.0 * period)
        self._spans: OrderedDict[int, _Span] = OrderedDict()
        self._floor = 0.0

    def add(self, time: float, value: float | None, uncertainty: float | None = None) -> None:
        """Take a reading; one without a finite value leaves a gap.

        Movement within the meter's `uncertainty` is drawn small, so that noise looks like the nothing it is.
        """
        if value is None or not math.isfinite(value) or not math.isfinite(time):
            return
        if uncertainty is not None and math.isfinite(uncertainty):
            self._floor = abs(uncertainty)
        index = math.floor(time / self.span)
        total, count, _ = self._spans.get(index, _EMPTY)
        self._spans[index] = _span(total + value, count + 1)
        while len(self._spans) > _KEPT:
            self._spans.popitem(last=False)

    @property
    def reach(self) -> float:
        """Return how far back it goes at most, in seconds."""
        return _KEPT * self.span

    def prime(self, parts: Iterable[TrendBin]) -> None:
        """Take what was before the first reading that was added, from a trend of the session."""
        first = min(self._spans, default=math.inf)
        before = {math.floor(part.start / self.span): _span(part.mean, 1) for part in parts if part.mean is not None}
        older = {index: span for index, span in before.items() if index < first}
        self._spans = OrderedDict(sorted((older | self._spans).items())[-_KEPT:])

    def latest(self, now: float) -> int | None:
        """Return the number of the span that `now` is in; what is drawn moves on with it."""
        return math.floor(now / self.span) if math.isfinite(now) else None

    def means(self, now: float, count: int) -> list[float | None]:
        """Return the means of the `count` spans up to `now`, oldest first; None where there was no reading."""
        if not math.isfinite(now):
            return [None] * count
        last, found = math.floor(now / self.span), self._spans.get
        return [found(index, _EMPTY)[2] for index in range(last - count + 1, last + 1)]

    def draw(self, now: float, width: int, symbols: SymbolSet) -> str:
        """Return the trend up to `now`, exactly `width` columns, a blank for every gap."""
        means = self.means(now, max(0, width))
        known = [mean for mean in means if mean is not None]
        if not known:
            return " " * max(0, width)
        # Halves, since the sum of two large means is no number. The middle is that of a level, not a line between two,
        # so that a steady value does not flicker; `room` is what the half of all levels stand for.
        low, high = min(known) / 2, max(known) / 2
        middle, room = (high + low) / 2, max(high - low, 2 * self._floor, 1e-12)
        levels, count = symbols.trend, len(symbols.trend)
        return "".join(
            " "
            if mean is None
            else levels[min(count - 1, max(0, count // 2 + round((mean / 2 - middle) / room * count)))]
            for mean in means
        )


_MOST_EVENTS = 5000
_ORDER = {quantity: index for index, quantity in enumerate(UNITS)}


class ChannelState:
    """One channel: its settings in the bench file, its latest judgement and its trend.

    `shown` is the latest judgement with the verdict that its row shows, which no last digit of a display changes.
    Of a meter that a person reads (`by_hand`) the last typed value stays, however old; `is_waited_for` is whether it
    counts as silent. Where `is_hidden`, what is expected of it is left out until it has been guessed.
    """

    def __init__(self, channel: Channel, *, by_hand: bool = False) -> None:
        self.channel = channel
        self.by_hand = by_hand
        self.is_waited_for = False
        self.is_hidden = False
        self._judgement: Judgement | None = None
        self._shown: Judgement | None = None
        self.trend = TrendBuffer(channel.period)

    @property
    def point(self) -> str:
        """Return the point of the circuit it is measured at."""
        return self.channel.quantity.partition(".")[0]

    @property
    def judgement(self) -> Judgement | None:
        """Return the latest judgement, None where there is none."""
        return self._judgement if self._judgement is None or not self.is_hidden else without_expected(self._judgement)

    @property
    def shown(self) -> Judgement | None:
        """Return the latest judgement with the verdict that its row shows, None where there is none."""
        return self._shown if self._shown is None or not self.is_hidden else without_expected(self._shown)

    @property
    def value(self) -> float | None:
        """Return the latest value, None where there is none."""
        return None if self._judgement is None else self._judgement.value

    def update(self, judgement: Judgement) -> None:
        """Take a judgement that is newer than all before."""
        self.is_waited_for = self.by_hand and judgement.value is None
        if not self.is_waited_for or self._judgement is None:
            self._judgement = judgement
        self.trend.add(judgement.time, judgement.value, judgement.uncertainty)

    def show(self, bench: status.BenchStatus) -> None:
        """Show the latest judgement with the verdict that it has by the status of the `bench`."""
        judgement = self._judgement
        if judgement is None or (verdict := bench.verdict_shown(judgement)) is judgement.verdict:
            self._shown = judgement
        else:
            self._shown = replace(judgement, verdict=verdict)


class SessionState:
    """The whole session as known after the updates so far.

    `channels` are in the order of the vocabulary, so points stay together. `events` holds the latest 5000;
    `events_seen` counts all. `marked` are the channels the user chose for the large digits. `waveforms` are the latest
    of each channel. `settled` is what the bench should settle at under the measured conditions, None while that is not
    known, and `steps` what it should in steps of the plan. `distributions` are over many supplies within the
    tolerances, once somebody has had them drawn, `derivations` are where expected values come from, by quantity, once
    somebody has asked, and `progress` names what runs in the background just now.
    `problem` is why the session cannot be read now, and `trouble` what keeps the recorder from writing it. `unheard` is
    the warning that nobody has answered a request to switch off, "" where there is none.
    """

    def __init__(self, info: SessionInfo, live: bool = False) -> None:
        self.info = info
        self.live = live
        self.now = 0.0
        self.recorder_state = RecorderState.RECORDING
        self.problem = self.trouble = self.unheard = ""
        self.read_only = False
        self.is_replay = False
        self.identities: dict[str, str] = {}
        self.events: deque[Event] = deque(maxlen=_MOST_EVENTS)
        self.events_seen = 0
        self.marked: set[str] = set()
        self.waveforms: dict[str, Waveform] = {}
        self.settled: StoredPrediction | None = None
        self.settled_problem = ""
        self.steps: dict[int, StepPrediction] = {}
        self.distributions: dict[str, Distribution] = {}
        self.derivations: dict[str, Derivation] = {}
        self.progress = ""
        self._forecasts: dict[str, Forecast] = {}
        self.alarms = AlarmPanel()
        self.bell = True
        self.plan = Plan.of(info.bench)
        self.guesses = Guesses(hides_others=info.is_guessed_first and live)
        self.sweep = ""
        """The sweep that is looked at, "" for the one that moved last."""
        self._edit: Event | None = None
        self._causes: tuple[Explanation, ...] = ()
        self.outlooks = Outlooks()
        ordered = sorted(info.bench.channel, key=lambda channel: _ORDER[channel.quantity])
        by_hand = {channel.name for channel in info.bench.typed_channels}
        self.channels = tuple(ChannelState(channel, by_hand=channel.name in by_hand) for channel in ordered)
        self._by_name = {state.channel.name: state for state in self.channels}
        self._status = StatusReader(info.bench)
        self._stored_line = self._status.glance

    def update(self, update: Update, live: bool) -> None:
        """Take what a poll brought. Judgements of channels that the bench does not have are of no row, and left out."""
        self.problem, self.trouble, self.live = "", update.trouble, live
        if update.bench is not None:
            self._change(update.bench)
        self.now, self.recorder_state = update.now, update.state
        hidden = self._hidden_channels(update.events)
        for judgement in update.judgements:
            if judgement.channel in self._by_name:
                self._by_name[judgement.channel].update(judgement)
        if update.explanations is not None:
            self._causes = update.explanations.ranked
        self.events.extend(event_without_expected(event, hidden, self._causes) for event in update.events)
        for event in update.events:
            self.plan.take(event)
            group = traits_of(event.kind).group
            if group is EventGroup.BENCH_FILE:
                self._edit = event if event.kind in (EventKind.BENCH_EDITED, EventKind.BENCH_NOT_LOADABLE) else None
        self.alarms.note_events(update.events)
        self.events_seen += len(update.events) + update.events_before
        self.identities.update(update.identities)
        self._forecasts.update({forecast.channel: forecast for forecast in update.forecasts})
        self.take_predictions(update)
        self.waveforms.update({waveform.channel: waveform for waveform in update.waveforms})
        causes = tuple(cause_without_expected(cause, hidden) for cause in self._causes)
        self.outlooks = Outlooks(self.now, self._forecasts, causes)
        self._status.take(update)
        self._stored_line = self._status.glance
        if hidden:
            covered = status_without_expected(self._status.status, hidden)
            self._stored_line = shown(covered, self.info.bench, self.now)
        for channel in self.channels:
            channel.show(self._status.status)
        self.alarms.update(self._status.status.alarms, self.info.bench.channel)

    def _hidden_channels(self, events: Iterable[Event]) -> list[str]:
        """Take the guesses among `events`; return the names of the channels of which the expected value is hidden.

        Nothing is hidden once the recording is over.
        """
        self.guesses.hides_others &= self.recorder_state is RecorderState.RECORDING
        self.guesses.take(events, {name: state.channel.quantity for name, state in self._by_name.items()})
        for state in self.channels:
            state.is_hidden = self.guesses.hides(state.channel.quantity)
        return [state.channel.name for state in self.channels if state.is_hidden]

    def take_predictions(self, update: Update) -> None:
        """Take the settled predictions of an update."""
        if update.settled is not None:
            self.settled, self.settled_problem = update.settled.prediction, update.settled.problem
        self.steps.update({step.step: step for step in update.steps})

    def _change(self, bench: Bench) -> None:
        """Use an edited bench file: it has the same channels."""
        self.info = replace(self.info, bench=bench)
        for channel in bench.channel:
            known = self._by_name.get(channel.name)
            if known is not None:
                known.channel = channel
        self.plan.change(bench.step, bench.sweep)
        self.settled, self.settled_problem, self.steps = None, "", {}
        self.distributions, self.derivations = {}, {}

    @property
    def edit(self) -> Event | None:
        """Return the latest event of an edited bench file, None if the file is the one in force."""
        return self._edit

    @property
    def edit_in_words(self) -> str:
        """Return a sentence on an edited bench file, "" if the file is the one in force."""
        edit = self._edit
        if edit is None or not self.live:
            return ""
        if edit.kind == EventKind.BENCH_NOT_LOADABLE:
            return f"Edits not loaded: {edit.message}."
        how = "" if self.read_only else " l loads it."
        return f"Bench file edited: {edit.message}.{how}"

    def fail(self, problem: str) -> None:
        """Note why the session could not be read. What is shown is old from here on."""
        self.problem = problem

    def mark(self, name: str) -> None:
        """Mark a channel, or take its mark away."""
        self.marked ^= {name} & set(self._by_name)

    def channel(self, name: str) -> ChannelState | None:
        """Return the channel called `name`."""
        return self._by_name.get(name)

    @property
    def why_not_settled(self) -> str:
        """Return why it is not known what the bench settles at as it is measured, "" where it is."""
        return "" if self.settled is not None else self.settled_problem or self._still_to_come

    def step_expected(self, place: int) -> tuple[StoredPrediction | None, str]:
        """Return what the bench settles at in a step of the plan, from 1; or None, and why it is not known."""
        known = self.steps.get(place)
        if known is None:
            return None, self._still_to_come
        return known.prediction, known.problem

    @property
    def _still_to_come(self) -> str:
        comes = self.live or not self.info.holds_predictions
        return "being worked out …" if comes else "this session holds no such prediction"

    @property
    def blocking_reasons(self) -> list[str]:
        """Return what keeps the plan from going on, in a few words each."""
        stage = self.plan.current_step
        if stage is None:
            return []
        old = [each.channel.name for each in self.channels if each.by_hand and self.is_old(each)]
        return plan.blocking_reasons(stage, self.now, self.info.bench.channel, self._latest, old)

    def is_old(self, channel: ChannelState) -> bool:
        """Return whether a value does not count for now: nobody watches, or a person is to read it again."""
        return self.old or channel.is_waited_for or channel.channel.name in self._status.status.lapsed

    def age_in_words(self, channel: ChannelState) -> str:
        """Return how long ago a value was typed, in whole seconds, minutes or hours; "" where none was typed."""
        judgement = channel.judgement
        if not channel.by_hand or judgement is None or judgement.value is None:
            return ""
        seconds = max(0.0, self.now - judgement.time)
        unit = 3600.0 if seconds >= 3600.0 else 60.0 if seconds >= 60.0 else 1.0
        return duration(unit * (seconds // unit))

    @property
    def due(self) -> list[ChannelState]:
        """Return the channels that a person is to read now, in the order of the plan; none where nobody can type."""
        if not self.live or self.read_only or self.old:
            return []
        return [self._by_name[name] for name in self._status.status.due if name in self._by_name]

    @property
    def turn_in_words(self) -> str:
        """Return which meters are to be read now: `DMM (output, ripple), clamp (mains current)`; "" for none."""
        meters: dict[str, list[str]] = {}
        for channel in self.due:
            meters.setdefault(channel.channel.instrument, []).append(channel.channel.name)
        return ", ".join(f"{meter} ({', '.join(names)})" for meter, names in meters.items())

    @property
    def step_in_words(self) -> str:
        """Return which step of the plan stands, "" where none does."""
        place, stage = self.plan.step_number, self.plan.current_step
        if place is None or stage is None:
            return ""
        left = stage.left(self.now)
        return f"step {place} of {len(self.plan.steps)}" + (f", hold {countdown(left)}" if left > 0 else "")

    def _measured(self, quantity: str) -> float | None:
        values = (channel.value for channel in self.channels if channel.channel.quantity == quantity)
        return next((value for value in values if value is not None and math.isfinite(value)), None)

    @property
    def ahead(self) -> Outlooks:
        """Return what is known beyond the latest readings: courses and causes."""
        return self.outlooks

    @property
    def points(self) -> tuple[str, ...]:
        """Return the points that have channels, in the order of the vocabulary."""
        there = {state.point for state in self.channels}
        return tuple(point for point in POINTS if point in there)

    @property
    def old(self) -> bool:
        """Return whether the values are past ones that nobody watches any more."""
        return bool(self.problem or self.trouble) or self.recorder_state is RecorderState.GONE

    @property
    def state_in_words(self) -> str:
        """Return the recorder's state as the screen words it."""
        if self.problem:
            return "session unreadable"
        if self.recorder_state is RecorderState.GONE:
            return "recorder gone"
        if self.recorder_state is RecorderState.FINISHED:
            return "finished"
        if self.trouble:
            return "not written"
        words = "recording" if self.live else "replay"
        return f"{words}, read only" if self.live and self.read_only else words

    @property
    def mains_in_words(self) -> str:
        """Return the measured mains voltage in words, "" where no channel measures it."""
        measured = [state for state in self.channels if state.channel.quantity == "mains.voltage.rms"]
        if not measured:
            return ""
        value = measured[0].value
        if value is None or not math.isfinite(value):
            return "mains not measured"
        return f"mains {format_value(value, 'V')}"

    @property
    def status_line(self) -> StatusLine:
        """Return the first line, the answer to "is it right, is it safe?".

        A session that cannot be read comes first, unless the last status was a danger: that stays.
        """
        if self.unheard:
            return StatusLine(Level.DANGER, SIGNS[Level.DANGER], self.unheard)
        if self.problem and self._stored_line.level is not Level.DANGER:
            return StatusLine(Level.BLIND, SIGNS[Level.BLIND], f"Nothing is watched here: {self.problem}")
        if self.trouble:
            words = f"These values are old, {self.trouble}. The recorder watches on: alarms and switching off work."
            if self._stored_line.level is Level.DANGER:
                return StatusLine(Level.DANGER, self._stored_line.sign, f"{self._stored_line.sentence}. {words}")
            return StatusLine(Level.BLIND, SIGNS[Level.BLIND], words)
        return self._stored_line

    @property
    def ambient(self) -> float:
        """Return the ambient temperature of the bench file, in °C, where the temperature bars begin."""
        return self.info.bench.ambient.temperature

    @property
    def _latest(self) -> dict[str, Judgement]:
        return {name: state.shown for name, state in self._by_name.items() if state.shown is not None}
