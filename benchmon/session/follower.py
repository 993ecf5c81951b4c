"""Following a session file, live or after its end, by the same code; and sending one request from the command line."""

from __future__ import annotations

import os
import sqlite3
import time
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from benchmon.errors import BadInput, RecorderError, SessionFileError
from benchmon.event_kinds import EventKind
from benchmon.quantities import Expected
from benchmon.session.database import checkpoint_wal, display_path, reading, writing
from benchmon.session.encodings import (
    MOST_IN_A_BEAT,
    decode_beat_events,
    decode_beat_status,
    is_for_heartbeat,
    read_status,
)
from benchmon.session.reader import (
    OLD_AFTER,
    JudgementRows,
    TableReader,
    TableReaders,
    read_beacon_path,
    read_ending,
    read_identities,
    read_info,
)
from benchmon.session.recorder_lock import SIGNALS, Beat, ask_by_signal, read_beacon
from benchmon.session.records import RecorderState, SessionInfo, SessionView, Timed, TrendBin, Update
from benchmon.session.requests import KINDS, OperatorRequest, SwitchPowerOff, TypedReading, encode_request
from benchmon.session.trends import Trends, first_reading_at
from benchmon.text import one_line
from benchmon.watch.records import Event, Judgement

_AT_ONCE = 10_000
"""Rows read in one poll: a long session arrives in parts."""
AT_A_LOOK = 2_000
"""Readings read in one poll of a screen, so that no key waits longer than reading so many takes."""

_WAIT, _URGENT_WAIT = 2.0, 0.5
"""Seconds for which a request waits for another writer of the file, and one that may go by a signal."""
_SENT_AGAIN_WITHIN = 10.0
"""Seconds within which a request that a replaced session file has lost is sent again."""
WAVEFORMS_AT_ONCE = 20
_RECENT = 5000

T = TypeVar("T", bound=Timed)


def open_session_view(path: Path | str, *, read_only: bool = False, recent: float | None = None) -> SessionView:
    """Return a view of the session file at `path`, live if its recorder runs. Raises `SessionFileError`.

    A `read_only` view refuses every request. If `recent` is given, its first polls return the readings of the last
    `recent` seconds, the last earlier reading of every channel, the last 5000 events and those earlier ones that still
    count (steps of the plan, switching off, acknowledged alarms); so a long session opens at once. Its readings then
    come in parts of 2000.
    """
    return SessionFollower(Path(path), read_only=read_only, recent=recent)


@dataclass
class _SentRequest:
    """A request in the file under `number`, sent as `asked_as` at a monotonic time; the numbers may differ later."""

    asked_as: int
    number: int
    kind: str
    text: str
    sent: float

    def found(self, connection: sqlite3.Connection) -> tuple[int | None] | None:
        """Return when the request was done, in a row of its own; None where the file does not hold it."""
        query = "SELECT done FROM requests WHERE (id, kind, text) = (?, ?, ?)"
        row: tuple[int | None] | None = connection.execute(query, (self.number, self.kind, self.text)).fetchone()
        return row


class _SentRequests:
    """The requests of one view that are not done: a file that is replaced, or loses its log, loses them."""

    def __init__(self) -> None:
        self._waiting: list[_SentRequest] = []
        self._asked_as: dict[int, int] = {}

    def add(self, number: int, kind: str, text: str) -> None:
        """Note a request that was written into the file."""
        self._waiting.append(_SentRequest(number, number, kind, text, time.monotonic()))

    def take(self, events: Iterable[Event]) -> None:
        """Forget what is answered: nothing is switched off twice."""
        for event in events:
            number = None if event.details is None else event.details.request
            switches = KINDS[SwitchPowerOff] if event.kind == EventKind.SWITCHING_OFF else ""
            self._waiting = [each for each in self._waiting if number != each.number and each.kind != switches]

    def lost(self, connection: sqlite3.Connection) -> list[_SentRequest]:
        """Return those that the file does not hold any more; those that are done are forgotten."""
        now, lost, waiting = time.monotonic(), [], []
        for sent in self._waiting:
            found = sent.found(connection)
            is_done = found is not None and found[0] is not None
            if not is_done and now - sent.sent <= _SENT_AGAIN_WITHIN:
                waiting.append(sent)
                lost += [sent] if found is None else []
        self._waiting = waiting
        return lost

    def renumber(self, sent: _SentRequest, number: int) -> None:
        """Note that a request was sent again under another number."""
        sent.number = number
        self._asked_as[number] = sent.asked_as

    def as_asked(self, event: Event) -> Event:
        """Return an event with the number under which this view has asked what it answers."""
        details = event.details
        if details is None or details.request not in self._asked_as:
            return event
        return replace(event, details=replace(details, request=self._asked_as[details.request]))


class SessionFollower:
    """A `SessionView` that opens the file for each poll and keeps nothing open in between.

    Any number may follow one recorder. The first poll gives what was recorded before, in parts if it is long.
    """

    def __init__(self, path: Path, *, read_only: bool = False, recent: float | None = None) -> None:
        self._path, self._read_only = path, read_only
        self._at_once = _AT_ONCE if recent is None else AT_A_LOOK
        self._known_as = ""
        """The path by which the recorder's heartbeat names this file, "" while that is not known."""
        with reading(path) as connection:
            self._info = read_info(connection, path)
            self._readings = JudgementRows(connection, self._info.bench)
            self._tables = TableReaders(connection, self._info)
            self._beacon = read_beacon_path(connection, self._info)
            self._trends = Trends(connection, self._info.bench, self._info.layout)
            ending = read_ending(connection, self._beat())
            self._state = ending.state
            self._before: list[Judgement] = []
            self._events_kept: list[Event] = []
            self._events_before = 0
            if recent is not None and ending.time > recent and self._info.layout >= 2:
                self._before = self._readings.start_at(connection, first_reading_at(connection, ending.time - recent))
                self._events_kept, self._events_before = self._tables.skip_to_recent(connection, _RECENT)
            self._tables.skip_what_is_past(connection, WAVEFORMS_AT_ONCE)
        self._identities: dict[str, str] = {}
        self._ahead: list[Event] = []
        """Events that the recorder's heartbeat brought before the file did."""
        self._recent_grave: deque[Event] = deque(maxlen=2 * MOST_IN_A_BEAT)
        self._end: Update | None = None
        self._sent = _SentRequests()

    @property
    def info(self) -> SessionInfo:
        """Return the facts that do not change."""
        return self._info

    @property
    def live(self) -> bool:
        """Return whether a recorder was writing at the last poll."""
        return self._state is RecorderState.RECORDING

    def poll(self) -> Update:
        """Return the records since the last poll.

        While the file cannot be read and its recorder goes on, they are what its heartbeat holds, and `trouble` is the
        reason. Raises `SessionFileError` where the file is damaged or gone, and so is its recorder.
        """
        if self._end is not None:
            return self._end
        beat = self._beat()
        try:
            with reading(self._path) as connection, self._all_or_nothing():
                update, lost = self._read(connection, beat), self._sent.lost(connection)
            for sent in lost:
                self._send_again(sent)
            return update
        except SessionFileError as problem:
            if beat is None or not beat.is_recent:
                raise
            goes_on = f"its recorder, process {beat.pid}, goes on"
            return Update(
                beat.time,
                RecorderState.RECORDING,
                events=in_order(self._ahead_of_file(decode_beat_events(beat.events))),
                trouble=f"{problem}; {goes_on}{f': {beat.trouble}' if beat.trouble else ''}",
                status=decode_beat_status(beat.status),
            )

    @contextmanager
    def _all_or_nothing(self) -> Iterator[None]:
        """Take back how far each table was read, where one of them cannot be: nothing is passed over unseen."""
        rows = [self._readings.rows, *self._tables.rows]
        places = [each.last for each in rows]
        kept = self._before, self._events_kept, self._events_before
        try:
            yield
        except (sqlite3.Error, UnicodeDecodeError):
            for each, place in zip(rows, places, strict=True):
                each.last = place
            self._before, self._events_kept, self._events_before = kept
            raise

    def _read(self, connection: sqlite3.Connection, beat: Beat | None) -> Update:
        tables = self._tables
        newest = tables.newest(connection)

        def new_of(reader: TableReader[T] | None, limit: int = _AT_ONCE) -> list[T]:
            if reader is None or not reader.is_behind(newest[reader.table]):
                return []
            return reader.after_last(connection, limit)

        changes = new_of(tables.benches)
        self._readings.take(changes)
        ending = read_ending(connection, beat)
        judgements, more = self._readings.after_last(connection, self._at_once)
        judgements, self._before = [*self._before, *judgements], []
        before, self._events_before = self._events_before, 0
        latest = new_of(tables.events)
        unknown = self._without_known(latest)
        self._sent.take(unknown)
        events = [*self._events_kept, *map(self._sent.as_asked, unknown)]
        self._events_kept = []
        status = read_status(connection, self._info.layout)
        if beat is not None and ending.lag > OLD_AFTER:
            events += self._ahead_of_file(decode_beat_events(beat.events))
            status = decode_beat_status(beat.status) or status
        explanations, forecasts = new_of(tables.explanations), new_of(tables.forecasts)
        waveforms = new_of(tables.waveforms, WAVEFORMS_AT_ONCE)
        settled, steps = new_of(tables.settled), new_of(tables.steps)
        # An identity comes together with an event, `connected`.
        identities = read_identities(connection, self._info.bench) if latest or not self._identities else {}
        news = {name: identity for name, identity in identities.items() if self._identities.get(name) != identity}
        self._identities |= news
        self._state = ending.state
        more = more or len(latest) == _AT_ONCE
        now = judgements[-1].time if more and judgements else ending.time
        # While there is more to come the session has not ended for the screen.
        state = RecorderState.RECORDING if more else ending.state
        if state is RecorderState.FINISHED:
            self._end = Update(now, state, status=status)
        return Update(
            now,
            state,
            in_order(judgements),
            in_order(events),
            news,
            explanations[-1] if explanations else None,
            in_order(forecasts),
            in_order(waveforms),
            ending.trouble,
            before,
            changes[-1].bench if changes else None,
            status,
            settled[-1] if settled else None,
            tuple(steps),
        )

    def _ahead_of_file(self, events: Sequence[Event]) -> list[Event]:
        """Return those events of a heartbeat that have not been returned yet."""
        news = [event for event in events if not any(_is_same(event, known) for known in self._recent_grave)]
        self._ahead += news
        self._recent_grave.extend(news)
        return news

    def _without_known(self, events: Sequence[Event]) -> list[Event]:
        """Return the events of the file without those that a heartbeat has brought already."""
        self._recent_grave.extend(event for event in events if is_for_heartbeat(event))
        if not self._ahead:
            return list(events)
        found = [event for event in events if not any(_is_same(event, known) for known in self._ahead)]
        self._ahead = [known for known in self._ahead if not any(_is_same(event, known) for event in events)]
        return found

    def _beat(self) -> Beat | None:
        """Return the last heartbeat of this file's recorder, None where there is none."""
        beat = None if self._beacon is None else read_beacon(self._beacon)
        if beat is None or beat.session == self._known_as:
            return beat
        is_this = os.path.realpath(beat.session) == os.path.realpath(self._path)
        self._known_as = beat.session if is_this else ""
        return beat if is_this else None

    def request(self, request: OperatorRequest) -> int | None:
        """Send a request to the recorder through the session file, and return its number.

        The request is one of those of `benchmon.session.requests`: `Note` (recorded as an event), `TypedReading` (a
        reading by hand), `Acknowledge` (an alarm was seen), `StepRequest` (begin, confirm, skip or stop a step of the
        plan), `LoadBench` (put an edited bench file into force), `SwitchPowerOff`, and `StopRecording`.

        One that the file has lost, as where it is replaced by a copy, is sent again by a later poll. Where the file
        cannot be written, `SwitchPowerOff` and `StopRecording` reach a recorder of the same user by a
        signal; such a request has no number, and None is returned. Raises `RecorderError` if no recorder runs, this
        view is read-only or the recorder cannot be reached.
        """
        kind, text = encode_request(request)
        if self._read_only:
            raise RecorderError("this screen was opened with --read-only, so it cannot ask the recorder for anything")
        is_urgent = kind in SIGNALS
        try:
            with writing(self._path, _URGENT_WAIT if is_urgent else _WAIT) as connection:
                if read_ending(connection, self._beat()).state is not RecorderState.RECORDING:
                    if is_urgent and self.request_by_signal(request):
                        return None
                    raise RecorderError(f"{display_path(self._path)}: no recorder is writing this session any more")
                number = _insert(connection, kind, text)
            self._sent.add(number, kind, text)
            return number
        except SessionFileError as problem:
            if not self.request_by_signal(request):
                raise RecorderError(f"the recorder cannot be asked: {problem}") from problem
            return None

    def _send_again(self, sent: _SentRequest) -> None:
        with suppress(SessionFileError), writing(self._path, _URGENT_WAIT) as connection:
            is_running = read_ending(connection, self._beat()).state is RecorderState.RECORDING
            # Looked for once more: the last look may have come while the recorder put its file back.
            if is_running and sent.found(connection) is None:
                self._sent.renumber(sent, _insert(connection, sent.kind, sent.text))

    def request_by_signal(self, request: OperatorRequest) -> bool:
        """Send `SwitchPowerOff` or `StopRecording` by a signal, past the file; return whether that could be done."""
        kind, _ = encode_request(request)
        if self._read_only or self._beacon is None or self._beat() is None:
            return False
        return ask_by_signal(self._beacon, kind)

    def trend(self, channel: str, since: float, until: float, parts: int) -> tuple[TrendBin, ...]:
        """Return what `channel` read from `since` to `until` (session seconds) in `parts` parts of the same length.

        Raises `SessionFileError`.
        """
        with reading(self._path) as connection:
            return self._trends.trend(connection, channel, since, until, parts)

    def band(self, channel: str, since: float, until: float, parts: int) -> tuple[Expected | None, ...]:
        """Return what `channel` was expected to read in the middle of each of such parts, None where nothing was.

        Raises `SessionFileError`.
        """
        with reading(self._path) as connection:
            return self._trends.band(connection, channel, since, until, parts)

    def close(self) -> None:
        """Close the view; a write-ahead log that a killed recorder left is merged into the file."""
        if self._state is not RecorderState.RECORDING:
            checkpoint_wal(self._path)


def _insert(connection: sqlite3.Connection, kind: str, text: str) -> int:
    """Leave a request and return its number."""
    return connection.execute("INSERT INTO requests (kind, text) VALUES (?, ?)", (kind, text)).lastrowid or 0


def in_order(records: Sequence[T]) -> tuple[T, ...]:
    """Return records in the order of their times; instruments' threads may overtake each other by a little."""
    return tuple(sorted(records, key=lambda record: record.time))


def _is_same(one: Event, other: Event) -> bool:
    return (one.time, one.channel, one.kind) == (other.time, other.channel, other.kind)


_ANSWERS_WITHIN = 5.0
_LOOK_EVERY = 0.05


def enter_reading(path: Path, channel: str, shows: str) -> str:
    """Enter what the display of `channel` shows now into the running session at `path`; return the recorder's answer.

    The answer is the event that carries the request's number, so another operator's is never taken for it. Raises
    `BadInput` if the recorder refuses, `RecorderError` if none runs or it does not answer, `SessionFileError` if there
    is no such session.
    """
    view = open_session_view(path)
    try:
        _catch_up(view)
        return ask_recorder(view, TypedReading(channel, shows))[0].message
    finally:
        view.close()


def ask_recorder(view: SessionView, request: OperatorRequest) -> Sequence[Event]:
    """Ask the recorder for something, and return the events that answer it, one or more.

    The view must have caught up. Raises `BadInput` if the recorder refuses, `RecorderError` if none runs or it does not
    answer.
    """
    number = view.request(request)
    give_up = time.monotonic() + _ANSWERS_WITHIN
    while time.monotonic() < give_up:
        events = view.poll().events
        answers = [event for event in events if event.details is not None and event.details.request == number]
        if answers and answers[0].kind == EventKind.REFUSED:
            raise BadInput(answers[0].message)
        if answers:
            return answers
        time.sleep(_LOOK_EVERY)
    raise RecorderError(f"{one_line(view.info.path)}: its recorder does not answer; look at the session")


def _catch_up(view: SessionView) -> Update:
    """Skip what was recorded so far; a long session comes in several updates."""
    while (update := view.poll()).judgements and view.live:
        pass
    return update
