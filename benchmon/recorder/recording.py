"""The recording loop: takes readings from the instruments, has them judged, hands the records to the session writer.

Besides the events of the watch it records these kinds: `started`, `stopped`; `connected`, `lost`, `complaint` (an
instrument), `late` (one that did not end in time); `prediction` (there is none, and why); `note`, `typed` (a reading by
hand), `acknowledged` (an alarm), `refused` (an operator's request); those of the plan (see `benchmon.watch.plan`) and
of an edited bench file (see `benchmon.watch.bench_changes`); `clock`, `gap` (see `benchmon.recorder.heartbeat`);
`beacon` (there is none, so a second recorder of this bench would not be refused). The recording goes on while the
session file cannot be written.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from queue import Empty, SimpleQueue

from benchmon.bench import Bench, Channel, ReportEntries
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.instruments.acquisition import Acquisition
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.registry import prepare
from benchmon.instruments.types import CapturedWave, InstrumentNews, Reading
from benchmon.recorder.bench_reload import BenchFileWatcher
from benchmon.recorder.diagnosis_thread import DiagnosisService
from benchmon.recorder.heartbeat import Clocks, ClockWatch, HeartbeatWriter, say
from benchmon.recorder.load_control import LoadControl
from benchmon.recorder.operator_requests import PlanControl, answering, decode_request, enter_manual, take_zero
from benchmon.recorder.predictor import Expectations, SettledPredictions
from benchmon.recorder.process import StopRequest, stopped_by_signals
from benchmon.recorder.storage_filter import StatusRecorder, WaveformFilter
from benchmon.recorder.summary import Summary, Tally
from benchmon.recorder.sweep_control import SweepControl
from benchmon.recorder.switch_off import SwitchOffControl, TripGuard
from benchmon.session.records import BenchChange, Heartbeat, Identity, Request, Settings
from benchmon.session.requests import (
    BY_SIGNAL,
    Acknowledge,
    LoadBench,
    Note,
    StopRecording,
    SwitchPowerOff,
    TypedReading,
)
from benchmon.session.writer import SessionWriter
from benchmon.text import one_line
from benchmon.watch.guess import GuessRequest
from benchmon.watch.limits import has_limits
from benchmon.watch.plan import RecordRequest, StepRequest, SweepRequest
from benchmon.watch.records import Event, EventDetails, Judgement, Waveform
from benchmon.watch.watch import Watch

_TICK = 0.1
_GATHER = 0.01
"""Seconds to wait for the rest of a burst: channels are often due together, and taking them one by one would wake this
thread for each. A trip does not wait for this thread."""
_JUDGED_WITHIN = 1.0
"""Seconds within which a reading that tripped is judged, so that its event comes before those of the switch."""
_ROUND = 0.05
_TYPED_WAITS = 20.0
"""Seconds for which a typed reading waits for what is expected of it; a slow machine predicts for several."""
_HEARTBEAT_EVERY = 0.25
_INSTRUMENTS_END_WITHIN = 1.5


def record(
    bench: Bench,
    path: Path | str,
    *,
    duration: float | None = None,
    on_ready: Callable[[], object] | None = None,
    drivers: Iterable[AnyDriver] | None = None,
    facts: Mapping[str, str] | None = None,
    unfinished: Sequence[Event] = (),
) -> Summary:
    """Record `bench` into a new session file at `path` until asked to stop, or for `duration` seconds.

    A `stop` request, SIGTERM and SIGINT (where this runs in the main thread) end it cleanly; SIGHUP does not.
    `on_ready` is called when the file can be followed. `drivers` replace those of the bench file.
    `facts` are stored with the session: `serial`, which unit is tested, and `operator`, who tests it. `unfinished`
    are the points of a sweep that another session left (see `unfinished_in`); a person may go on with it. Raises
    `BenchFileError` before anything is opened, `SessionFileError` if the file exists or cannot be created, and
    `RecorderError` if another recorder has this bench, or at the end if not everything could be written.
    """
    # Signals first: as soon as the file exists, this process may be stopped.
    with stopped_by_signals() as stop:
        return Recording(bench, Path(path), stop, drivers, facts, unfinished=unfinished).run(duration, on_ready)


class Recording:
    """The recording of one bench into one session file. See `record` for what the constructor raises."""

    def __init__(
        self,
        bench: Bench,
        path: Path,
        stop: StopRequest,
        drivers: Iterable[AnyDriver] | None = None,
        facts: Mapping[str, str] | None = None,
        *,
        unfinished: Sequence[Event] = (),
    ) -> None:
        self._inbox: SimpleQueue[Reading | InstrumentNews] = SimpleQueue()
        self._drivers = list(prepare(bench) if drivers is None else drivers)
        self._waves: SimpleQueue[CapturedWave] = SimpleQueue()
        self._waveform_filter = WaveformFilter()
        self._bench, self._path = bench, path
        self._channels = {channel.name: channel for channel in bench.channel}
        self._held: list[Reading] = []
        self._held_for = _TYPED_WAITS
        self._diagnosis = DiagnosisService(bench)
        self._watch = Watch(bench.channel, self._diagnosis.history)
        self._predictor = Expectations(bench)
        self._plan_control = PlanControl(bench)
        self._load = LoadControl(bench, self._drivers, self._now)
        self._sweeps, self._unfinished = SweepControl(bench, self._plan_control.plan, self._load), unfinished
        self._settled_predictions = SettledPredictions(bench)
        self._bench_file = BenchFileWatcher(bench)
        self._switch_off = SwitchOffControl(bench, self._drivers, self._now)
        self._trip_guard = TripGuard(bench.channel, self._switch_off, self._load)
        self._switch_events: list[Event] = []
        self._reported_beacon = ""
        self._acquisition = Acquisition(bench, self._receive, drivers=self._drivers, on_wave=self._waves.put)
        self._tally = Tally(bench)
        self._status = StatusRecorder(bench)
        self._stop = stop
        self._next_round = self._next_heartbeat = 0.0
        self._started = time.monotonic()
        self._clocks = ClockWatch(self._started, Clocks.now())
        self._heartbeat_writer = HeartbeatWriter(bench, path)
        try:
            # The pictures of a report lie beside the bench file.
            given = {name: fact for name, fact in (facts or {}).items() if fact}
            given |= {"bench file": str(Path(bench.origin).absolute())} if bench.report != ReportEntries() else {}
            self._writer = SessionWriter(path, bench, self._started, given | self._heartbeat_writer.facts)
        except BaseException:
            self._heartbeat_writer.end()
            raise

    def run(self, duration: float | None = None, on_ready: Callable[[], object] | None = None) -> Summary:
        """Record until asked to stop. Raises `RecorderError` if the session could not be written completely."""
        try:
            return self._record(duration, on_ready)
        finally:
            # Without its lock file the recorder is asked by no signal any more; the last one is answered here.
            self._heartbeat_writer.end()
            for event in self._see_switch_off_through():
                say(event.message)
            self._switch_off.end()
            self._load.end()

    def _record(self, duration: float | None, on_ready: Callable[[], object] | None) -> Summary:
        try:
            if on_ready is not None:
                on_ready()
            self._writer.put(self._clocks.first_anchor())
            self._write_settings()
            self._predictor.start()
            self._diagnosis.start()
            self._settled_predictions.start()
            self._sweeps.start()
            self._acquisition.start()
            self._switch_off.start()
            self._bench_file.start()
            self._events([self._event(EventKind.STARTED, f"recording of {one_line(self._bench.title)} started")])
            self._take_over()
            while not self._stop.reason or self._switch_off.holds() or self._load.holds():
                if self._stop.reason:
                    self._end_sweep(f"the recording ends {self._stop.reason}")
                self._step()
                if duration is not None and self._now() >= duration:
                    self._stop.ask(f"after {duration:g} s, as asked")
            self._end_sweep(f"the recording ends {self._stop.reason}")
            self._end()
        except BaseException:
            self._load.release("the recorder failed")
            self._acquisition.stop(0.0)
            self._writer.abandon()
            raise
        finally:
            self._bench_file.stop()
            self._predictor.stop()
            self._diagnosis.stop()
            self._settled_predictions.stop()
            self._sweeps.stop()
        ended = self._now()
        while requests := self._writer.finish(ended):
            for request in requests:
                self._process_request(request)
            self._see_switch_off_through()
            ended = self._now()
        return self._tally.summary(self._path, ended, self._status.latest)

    def _take_over(self) -> None:
        """Take over the points of a sweep that an earlier session left unfinished."""
        for event in self._unfinished:
            self._plan_control.plan.take(event)
        self._events(self._unfinished)
        self._follow_plan()

    def _end_sweep(self, why: str) -> None:
        """Stop a running sweep, and wait for the release of a load that it had set."""
        events = self._sweeps.end(why, self._now())
        if events:
            self._events(events)
            self._follow_plan()

    def _see_switch_off_through(self) -> Sequence[Event]:
        """Wait until the switch has done what was asked for after the instruments were stopped; return its events."""
        found: list[Event] = []
        while True:
            if self._stop.switch_off:
                asked, self._stop.switch_off = self._stop.switch_off, ""
                found += self._request_switch_off(asked)
            is_over = not self._switch_off.holds()
            found += self._switch_off.events()
            if is_over:
                self._events(found)
                return found
            for request in self._writer.requests():
                self._process_request(request)
            time.sleep(_ROUND)

    def _write_settings(self) -> None:
        """Store the settings of every instrument and channel, defaults included, for readers years later."""
        for driver in self._drivers:
            self._writer.put(
                Settings("instrument", driver.name, driver.settings.model_dump(mode="json", by_alias=True))
            )
            for name, channel in driver.channels.items():
                self._writer.put(Settings("channel", name, channel.settings.model_dump(mode="json", by_alias=True)))

    def _step(self) -> None:
        collected = self._collect()
        # A waveform is stored before the readings computed from it.
        self._process_waveforms()
        for news in collected:
            self._process_reading(news)
        self._report_switching()
        self._events(self._load.events())
        now = self._now()
        # Readings are processed at once, since one may trip; everything else is done once for many readings.
        if now >= self._next_round or self._stop.switch_off:
            self._next_round = now + _ROUND
            self._periodic(now)
            self._store_status()
        elif self._status.is_due:
            self._store_status()

    def _report_switching(self) -> None:
        """Store the events of the switch; those of a trip follow the trip itself, if that is judged soon."""
        self._switch_events += self._switch_off.events()
        is_late = bool(self._switch_events) and self._now() - self._switch_events[0].time > _JUDGED_WITHIN
        if self._switch_events and (is_late or not self._trip_guard.is_ahead):
            events, self._switch_events = self._switch_events, []
            self._events(events)

    def _periodic(self, now: float) -> None:
        """Do the periodic work: find silent channels, store what other threads have found, process requests."""
        for judgement, events in self._watch.tick(now):
            self._write(judgement, events)
        self._process_held()
        self._events([self._event(EventKind.PREDICTION, f"no prediction: {why}") for why in self._predictor.problems()])
        self._diagnosis.expect(self._predictor.prediction, self._predictor.power_on)
        for record in self._diagnosis.news(now):
            if isinstance(record, Event):
                self._events([record])
            else:
                self._status.observe(record)
                self._writer.put(record)
        is_ready = self._predictor.prediction is not None
        situation = self._predictor.situation(now)
        for prediction in self._settled_predictions.news(now, situation, self._plan_control.plan, is_ready=is_ready):
            self._writer.put(prediction)
        if moved := self._sweeps.events(now):
            self._events(moved)
            self._follow_plan()
        self._events(self._bench_file.events(now, self._plan_control.begun))
        for request in self._writer.requests():
            self._process_request(request)
        if self._stop.switch_off:
            asked, self._stop.switch_off = self._stop.switch_off, ""
            self._events(self._request_switch_off(asked))
        if now >= self._next_heartbeat or self._heartbeat_writer.differs(self._writer.trouble):
            self._next_heartbeat = now + _HEARTBEAT_EVERY
            self._heartbeat()

    def _end(self) -> None:
        """Stop the instruments and process what they still sent."""
        self._heartbeat()
        late = self._acquisition.stop(_INSTRUMENTS_END_WITHIN)
        self._switch_off.readings_ended()
        self._heartbeat()
        self._held_for = 0.0
        for news in [*self._held, *self._collect(wait=0.0)]:
            self._process_reading(news)
        self._process_waveforms()
        self._events([*self._switch_events, *self._switch_off.events(), *self._load.events()])
        self._events([self._event(EventKind.LATE, f"{name} did not let go of its line in time") for name in late])
        self._events([self._event(EventKind.STOPPED, f"recording stopped {self._stop.reason}")])
        self._store_status("finished")

    def _store_status(self, state: str = "recording") -> None:
        """Store the bench's status if that is due."""
        status = self._status.look(self._now(), state)
        if status is not None:
            self._heartbeat_writer.show(status)
            self._writer.put(status)

    def _receive(self, news: Reading | InstrumentNews) -> None:
        """Take a report of an instrument, in the instrument's thread: limits first, everything else later."""
        if isinstance(news, Reading):
            self._trip_guard.observe(news.channel, news.value)
        elif news.kind == EventKind.LOST:
            self._load.release(f"{news.instrument} was lost")
        self._inbox.put(news)

    def _collect(self, wait: float = _TICK) -> list[Reading | InstrumentNews]:
        """Return what has arrived, in the order of time, after at most `wait` seconds."""
        found = []
        try:
            if wait:
                found.append(self._inbox.get(timeout=wait))
                time.sleep(_GATHER)
            while True:
                found.append(self._inbox.get_nowait())
        except Empty:
            return sorted(found, key=lambda news: news.time)

    def _process_reading(self, news: Reading | InstrumentNews) -> None:
        at = self._session_time(news.time)
        if isinstance(news, InstrumentNews):
            if news.kind == EventKind.CONNECTED:
                self._writer.put(Identity(news.instrument, news.text, at))
            self._events([Event(at, "", news.kind, one_line(f"{news.instrument}: {news.text}"))])
            return
        channel = self._channels[news.channel]
        self._predictor.observe(channel, at, news.value)
        shorted = self._plan_control.is_shorted(channel.name)
        expected = None if shorted else self._predictor.expected(channel, at)
        if expected is None and not has_limits(channel) and self._waits_for_prediction(channel, at):
            self._held.append(news)
            return
        judgement, events = self._watch.judge(channel.name, at, news.value, expected, news.problem)
        for event in events:
            if event.kind == EventKind.TRIPPED:
                self._trip_guard.reported(channel.name)
        self._switch_off.observe(channel.name, at, news.value)
        self._write(judgement, events)

    def _waits_for_prediction(self, channel: Channel, at: float) -> bool:
        """Return whether a reading is to wait: a person types one a minute, and it stands that long."""
        if not self._predictor.is_pending or self._now() - at > self._held_for:
            return False
        return any(one.name == channel.name for one in self._bench.typed_channels)

    def _process_held(self) -> None:
        """Process typed readings that waited for what is expected of them."""
        held, self._held = self._held, []
        for news in held:
            self._process_reading(news)

    def _process_waveforms(self) -> None:
        while not self._waves.empty():
            wave = self._waves.get()
            waveform = Waveform(wave.channel, self._session_time(wave.time), wave.times, wave.values, wave.unit)
            for kept in self._waveform_filter.offer(waveform):
                self._writer.put(kept)

    def _process_request(self, request: Request) -> None:
        self._events([answering(request, event) for event in self._answers(request)])
        self._writer.answered(request)

    def _answers(self, request: Request) -> Sequence[Event]:
        """Do what an operator asks; return the events that answer."""
        try:
            decoded = decode_request(request)
        except BadInput as problem:
            return [self._event(EventKind.REFUSED, str(problem))]
        events: Sequence[Event] = []
        match decoded:
            case Note(text):
                events = [self._event(EventKind.NOTE, text)]
            case StepRequest() | SweepRequest():
                events = self._move_plan(decoded)
            case RecordRequest() | GuessRequest():
                events = [self._plan_control.record(decoded, self._now())]
            case LoadBench(offered_at):
                events = [self._load_bench(offered_at)]
            case Acknowledge(channel):
                seen = f"{channel}: its alarm was seen" if channel else "the alarm was seen"
                events = [Event(self._now(), channel, EventKind.ACKNOWLEDGED, seen)]
            case TypedReading():
                events = [enter_manual(self._acquisition, decoded, self._started, self._now())]
            case SwitchPowerOff(reason):
                events = self._request_switch_off(reason, request.number)
            case StopRecording():
                self._stop.ask("by request")
        return events

    def _move_plan(self, request: StepRequest | SweepRequest) -> list[Event]:
        if isinstance(request, SweepRequest):
            events = self._sweeps.answer(request, self._now(), self._predictor.situation(self._now()))
            self._follow_plan()
            return events
        moved = self._plan_control.answer(request, self._now(), self._diagnosis.history.hand.lapsed)
        zeros, now = self._plan_control.zeros(moved).items(), self._now()
        self._follow_plan()
        return [*moved, *(take_zero(self._acquisition, self._channels[name], value, now) for name, value in zeros)]

    def _follow_plan(self) -> None:
        self._predictor.follow(self._plan_control.plan)
        self._diagnosis.follow(self._plan_control.plan)

    def _load_bench(self, offered_at: float) -> Event:
        """Put the edited bench file into force that the event at `offered_at` (session seconds) offered."""
        try:
            bench, changes = self._bench_file.take(offered_at, self._plan_control.begun)
        except BadInput as problem:
            return self._event(EventKind.REFUSED, str(problem))
        self._bench = bench
        self._channels = {channel.name: channel for channel in bench.channel}
        self._writer.put(BenchChange(self._now(), bench))
        self._watch.change(bench.channel)
        self._trip_guard.change(bench.channel)
        self._switch_off.change(bench)
        self._status.change(bench)
        self._diagnosis.change(bench)
        self._predictor.change(bench)
        self._settled_predictions.change(bench)
        self._plan_control.change(bench)
        self._sweeps.change(bench)
        self._follow_plan()
        return self._event(EventKind.BENCH_LOADED, f"the edited bench file is in force: {changes}")

    def _request_switch_off(self, text: str, request: int = BY_SIGNAL) -> Sequence[Event]:
        """Switch off; return the events that answer, none where the switch answers itself."""
        words = f"OFF was asked for {text}".rstrip()
        self._load.release(words)
        self._end_sweep(words)
        if not self._switch_off.exists:
            words = "this bench has no [switch_off]: use the switch at the bench"
            return [Event(self._now(), "", EventKind.REFUSED, words, EventDetails(request=request))]
        self._switch_off.trip(f"asked for {text}".rstrip(), request)
        return []

    def _write(self, judgement: Judgement, events: Sequence[Event]) -> None:
        self._tally.judgement(judgement)
        shown = self._status.judgement(judgement)
        self._plan_control.observe(shown)
        self._sweeps.observe(shown)
        self._diagnosis.observe(judgement)
        self._writer.put(judgement)
        if events:
            self._events(events)
            for wave in self._waveform_filter.at_event():
                self._writer.put(wave)

    def _events(self, events: Sequence[Event]) -> None:
        self._tally.events(events)
        self._status.events(events)
        self._heartbeat_writer.observe(events)
        for event in events:
            self._writer.put(event)
        if stopped := self._sweeps.follow(events):
            self._events(stopped)
            self._follow_plan()

    def _event(self, kind: EventKind, message: str) -> Event:
        return Event(self._now(), "", kind, message)

    def _report_beacon(self) -> None:
        """Report once that there is no lock file, and once that it is there again."""
        missing = self._heartbeat_writer.missing
        if missing != self._reported_beacon:
            self._reported_beacon = missing
            self._events([self._event(EventKind.BEACON, missing or "this recorder has its beacon again")])

    def _heartbeat(self) -> None:
        self._report_beacon()
        for record in self._clocks.look(Clocks.now()):
            if isinstance(record, Event):
                self._events([record])
            else:
                self._writer.put(record)
        self._writer.put(Heartbeat(self._now(), time.monotonic()))
        self._heartbeat_writer.beat(self._now(), self._writer.trouble)

    def _now(self) -> float:
        return self._session_time(time.monotonic())

    def _session_time(self, monotonic: float) -> float:
        """Return a monotonic time as session time, in whole microseconds as stored in the file."""
        return round(max(0.0, monotonic - self._started), 6)
