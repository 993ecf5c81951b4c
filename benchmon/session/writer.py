"""Writing a session file: one thread writes it, and all others hand it records.

Records are committed every 110 ms, and at once where there is an event among them. So a slow disk never delays the
watch, and a follower has every reading within a fifth of a second.

While the file cannot be written (a full disk, a file that was removed) the recorder goes on: records wait in a bounded
queue, `trouble` gives the reason, and they are written as soon as possible. The session records it by events of the
kinds `unwritten` (it began), `written` (it is over) and `gap` (readings were dropped).
"""

from __future__ import annotations

import math
import os
import sqlite3
import tempfile
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from queue import SimpleQueue
from threading import Thread
from typing import Literal

from benchmon.bench import Bench
from benchmon.errors import RecorderError
from benchmon.event_kinds import EventKind
from benchmon.session.database import display_path
from benchmon.session.encoder import Encoder, description
from benchmon.session.records import Heartbeat, Record, Request, SettledPrediction, StepPrediction
from benchmon.session.schema import to_microseconds
from benchmon.session.writable_file import Statement, WritableFile
from benchmon.text import one_line
from benchmon.watch.records import Event, Explanations, Forecast, Judgement, Waveform
from benchmon.watch.status import BenchStatus, Level

MOST_WAITING = 100_000
"""Readings that wait at most: twenty minutes of sixteen channels at five a second, in some 30 MB."""
_SAMPLES_LIKE_A_READING = 10
_DROPPABLE = (Judgement, Forecast, Explanations, Waveform, BenchStatus, SettledPrediction, StepPrediction)


@dataclass(frozen=True, slots=True)
class Dropped:
    """Readings that were dropped: how many, and the session times of the first and the last of them."""

    count: int
    first: float
    last: float


class _WeightedQueue:
    """A queue of records, each with its number in the order of arrival; its weight is counted in readings."""

    def __init__(self) -> None:
        self.records: deque[tuple[int, Record]] = deque()
        self.weight = 0

    def append(self, number: int, record: Record) -> None:
        self.records.append((number, record))
        self.weight += _weight(record)

    def popleft(self) -> Record:
        _, record = self.records.popleft()
        self.weight -= _weight(record)
        return record


def _weight(record: Record) -> int:
    return 1 + len(record.times) // _SAMPLES_LIKE_A_READING if isinstance(record, Waveform) else 1


class WriteQueue:
    """Records in the order they came. When `most` wait, the oldest readings and waves are dropped; likewise events.

    Of heartbeats only the latest waits. Events, and a status of another level than the one before, are urgent.
    """

    def __init__(self, most: int = MOST_WAITING) -> None:
        self._most = most
        # Taken by itself for a record that wakes nobody: that is most of them, and quicker than by the condition.
        self._lock = threading.RLock()
        self._news = threading.Condition(self._lock)
        self._numbers = count()
        self._readings, self._others = _WeightedQueue(), _WeightedQueue()
        self._heartbeat: Heartbeat | None = None
        self._urgent = self._ended = False
        self._level: Level | None = None
        self._dropped: Dropped | None = None

    def put(self, record: Record) -> None:
        """Take a record; returns at once."""
        with self._lock:
            if isinstance(record, Heartbeat):
                self._heartbeat = record
                return
            number = next(self._numbers)
            is_droppable = isinstance(record, _DROPPABLE)
            line = self._readings if is_droppable else self._others
            line.append(number, record)
            while line.weight > self._most and len(line.records) > 1:
                self._drop(line.popleft())
            if self._is_urgent(record):
                self._urgent = True
                self._news.notify()

    def end(self) -> None:
        """Say that nothing more comes."""
        with self._news:
            self._ended = True
            self._news.notify()

    def reopen(self) -> None:
        """Take records again after an end that was called off."""
        with self._news:
            self._ended = False

    @property
    def ended(self) -> bool:
        """Whether nothing more comes."""
        return self._ended

    @property
    def count(self) -> int:
        """How many records wait."""
        return len(self._readings.records) + len(self._others.records)

    def collect(self, within: float, limit: int) -> list[Record]:
        """Return what came within so many seconds, `limit` at most; sooner where a record is urgent, or at the end."""
        with self._news:
            self._news.wait_for(lambda: self._urgent or self._ended, within)
            taken = [self._next() for _ in range(min(limit, self.count))]
            self._urgent = self._urgent and self.count > 0
            if self._heartbeat is not None:
                taken.append(self._heartbeat)
                self._heartbeat = None
            return taken

    def pause(self, seconds: float) -> None:
        """Wait for so long, or for an end that comes meanwhile."""
        with self._news:
            was_ended = self._ended
            self._news.wait_for(lambda: self._ended and not was_ended, seconds)

    def take_dropped(self) -> Dropped | None:
        """Return what was dropped since the last call, None for nothing."""
        with self._news:
            lost, self._dropped = self._dropped, None
            return lost

    def _is_urgent(self, record: Record) -> bool:
        if not isinstance(record, BenchStatus):
            return isinstance(record, Event)
        former, self._level = self._level, record.level
        return record.level is not former

    def _next(self) -> Record:
        readings, others = self._readings.records, self._others.records
        is_reading = not others or (readings and readings[0][0] < others[0][0])
        return (self._readings if is_reading else self._others).popleft()

    def _drop(self, record: Record) -> None:
        if isinstance(record, Judgement):
            former = self._dropped
            count_before, first = (former.count, former.first) if former else (0, record.time)
            self._dropped = Dropped(count_before + 1, first, record.time)


COMMIT_EVERY = 0.106
_AT_ONCE = 5000
_TRY_AGAIN_EVERY = 0.25
_LOOK_FOR_THE_FILE_EVERY = 1.0
_SLOW_COMMIT = 1.0
"""Seconds after which a commit that is not over yet is trouble."""
_LAST_PATIENCE = 5.0
"""Seconds that the end waits for a file that cannot be written."""


class SessionWriter:
    """A new session file and the thread that writes it.

    `started_monotonic` is the monotonic time of session time 0; `facts` are stored beside those of the program and the
    machine. The file is complete and can be followed when the constructor returns; it raises `SessionFileError` where
    the file exists or cannot be made.
    """

    def __init__(
        self,
        path: Path,
        bench: Bench,
        started_monotonic: float,
        facts: dict[str, str] | None = None,
        most_waiting: int = MOST_WAITING,
    ) -> None:
        self._path, self._started = path, started_monotonic
        self._encoder = Encoder(bench)
        self._waiting, self._most = WriteQueue(most_waiting), most_waiting
        self._requests: SimpleQueue[Request] = SimpleQueue()
        self._problem = self._misplaced = ""
        self._unwritten_since = 0.0
        self._end: float | None = None
        self._closing: list[Statement] | None = None
        self._turn = threading.Event()
        self._answered: SimpleQueue[Request] = SimpleQueue()
        self._commit_began: float | None = None
        self.written = 0.0
        """The session time of the last heartbeat that was committed."""
        self._give_up = math.inf
        self._next_look = 0.0
        self._beat: float | None = None
        self._unsaved: list[Statement] = []
        self._file = WritableFile(path, list(description(bench, started_monotonic, facts or {})))
        self._thread = Thread(target=self._run, name="session writer", daemon=True)
        self._thread.start()

    def put(self, record: Record) -> None:
        """Hand over something to be written; returns at once."""
        self._waiting.put(record)

    @property
    def trouble(self) -> str:
        """Why the session is not written just now, in words, and what waits; "" where all is well."""
        waits = f"{self._waiting.count} records wait to be written, {self._most} can"
        if self._problem:
            return f"the session cannot be written: {self._problem}; {waits}"
        began = self._commit_began
        if began is not None and time.monotonic() - began > _SLOW_COMMIT:
            return f"the session is not written: a commit has taken {time.monotonic() - began:.0f} s so far; {waits}"
        return self._misplaced

    def requests(self) -> list[Request]:
        """Return what operators have asked since the last call."""
        taken: list[Request] = []
        while not self._requests.empty():
            taken.append(self._requests.get())
        return taken

    def answered(self, request: Request) -> None:
        """Mark a request as done, once its answers have been put."""
        self._answered.put(request)

    def finish(self, at: float) -> list[Request]:
        """Write what waits, mark the session as ended at session time `at`, and leave one file.

        Requests that came before the end are returned instead, and the session goes on: answer them, and finish again.
        After the end nobody can leave a request. Where a follower keeps the file busy for seconds, its log stays beside
        it until the follower closes. Raises `RecorderError` where something could not be written.
        """
        self._turn.clear()
        self._end = at
        self._waiting.end()
        while self._thread.is_alive() and not self._turn.wait(0.05):
            pass
        if requests := self.requests():
            return requests
        self._thread.join()
        if self._problem:
            waits = f"{self._waiting.count} records that waited are lost" if self._waiting.count else "see its end"
            raise RecorderError(
                f"{display_path(self._path)}: is not complete, it cannot be written: {self._problem}; {waits}"
            )
        if self._misplaced:
            raise RecorderError(self._misplaced)
        return []

    def abandon(self) -> None:
        """Write what waits and close the file; the session stays without an end, as after a kill."""
        self._end = None
        self._waiting.end()
        self._thread.join()

    def _run(self) -> None:
        try:
            self._write_all()
            if self._is_hopeless() and self._end is not None:
                self._save_elsewhere()
            if not self._problem and not self._file.is_in_place:
                self._rescue("taken-away", "was taken away")
            if self._end is not None and not self._problem:
                failed = self._file.leave_one_file()
                self._misplaced = self._misplaced or failed or self._file.damage()
        except sqlite3.Error as problem:
            self._problem = one_line(problem)
        except Exception as problem:
            self._problem = f"its writer has failed: {type(problem).__name__}: {one_line(problem)}"
            raise
        finally:
            self._file.close()

    def _write_all(self) -> None:
        """Write what comes until the session is ended in the file, or cannot be written for too long."""
        while True:
            while not (self._waiting.ended and self._waiting.count == 0 and not self._unsaved):
                if self._is_hopeless():
                    return
                self._write_down(self._unsaved or self._collect())
            if self._is_concluded() or self._is_hopeless():
                return

    def _save_elsewhere(self) -> None:
        """Write the session with all that waits to another disk, since its own takes nothing."""
        problem, self._problem, self._give_up = self._problem, "", math.inf
        if not self._rescue("unwritten", f"cannot be written ({problem})", folders=(Path(tempfile.gettempdir()),)):
            self._problem = problem
            return
        self._write_all()

    def _is_concluded(self) -> bool:
        """End the session in the file; return False where that failed, or requests came first: they are handed over."""
        if self._closing is None:
            self._closing = list(self._encoder.finish(None))
        if self._end is None:
            self._write_down(self._closing)
            return True
        if not self._requests.empty():
            return self._hand_over([])
        end = ("UPDATE session SET finished = ?", (to_microseconds(self._end),))
        try:
            self._look_for_the_file()
            requests = self._file.conclude([*self._closing, *self._marks(), end])
        except sqlite3.Error as problem:
            self._not_written(one_line(problem))
            time.sleep(_TRY_AGAIN_EVERY)
            return False
        return self._hand_over(requests) if requests else True

    def _hand_over(self, requests: Sequence[Request]) -> Literal[False]:
        """Have the requests answered that came before the end, which is called off."""
        self._waiting.reopen()
        for request in requests:
            self._requests.put(request)
        self._turn.set()
        return False

    def _marks(self) -> list[Statement]:
        """Return the statements that mark answered requests as done."""
        marks: list[Statement] = []
        done = to_microseconds(self._now())
        while not self._answered.empty():
            marks.append(("UPDATE requests SET done = ? WHERE id = ?", (done, self._answered.get().number)))
        return marks

    def _collect(self) -> list[Statement]:
        """Return the statements of what came within 110 ms, or up to an event."""
        statements: list[Statement] = []
        self._beat = None
        for record in self._waiting.collect(COMMIT_EVERY, _AT_ONCE):
            self._beat = record.time if isinstance(record, Heartbeat) else self._beat
            try:
                statements += self._encoder.encode(record)
            except Exception as problem:  # noqa: BLE001 - one record that is none must not end the recording
                self._put_event(
                    EventKind.FAULT, f"a {type(record).__name__} was left out: {type(problem).__name__}: {problem}"
                )
        return statements

    def _write_down(self, statements: list[Statement]) -> None:
        """Commit `statements` and take requests; try again until it can be done, or the end waits no longer."""
        statements += self._marks()
        self._unsaved = statements
        while not self._is_hopeless():
            self._commit_began = time.monotonic()
            try:
                self._look_for_the_file()
                for request in self._file.new_requests():
                    self._requests.put(request)
                for reason in self._file.commit(statements) if statements else ():
                    self._put_event(EventKind.FAULT, f"a record was left out: {reason}")
            except sqlite3.Error as problem:
                self._commit_began = None
                self._not_written(one_line(problem))
                self._waiting.pause(_TRY_AGAIN_EVERY)
            else:
                self._commit_began = None
                self._unsaved = []
                self.written = self.written if self._beat is None else self._beat
                self._written()
                return

    def _not_written(self, problem: str) -> None:
        if not self._problem:
            self._unwritten_since = self._now()
            self._put_event(EventKind.UNWRITTEN, f"the session cannot be written: {problem}; what comes waits")
        self._problem = problem

    def _written(self) -> None:
        if self._problem:
            self._problem = ""
            self._put_event(
                EventKind.WRITTEN, f"the session is written again, after {self._now() - self._unwritten_since:.1f} s"
            )
        lost = self._waiting.take_dropped()
        if lost is not None:
            self._put_event(
                EventKind.GAP,
                f"{lost.count} readings from {lost.first:.1f} s to {lost.last:.1f} s are missing: "
                f"the session could not be written and no more than {self._most} can wait",
            )

    def _look_for_the_file(self) -> None:
        """Write the whole session again if its file was taken away; if that fails, go on in the open file."""
        now, is_in_place = time.monotonic(), self._file.is_in_place
        # A log that has lost its file is not written: who took it into another file may have it written over.
        if now < self._next_look and (is_in_place or self._misplaced or self._next_look == math.inf):
            return
        self._next_look = now + _LOOK_FOR_THE_FILE_EVERY
        if is_in_place:
            self._misplaced = self._file.damage(is_quick=True)
            return
        try:
            self._file.put_back(self._path)
        except (OSError, sqlite3.Error) as problem:
            reason = problem.strerror if isinstance(problem, OSError) else problem
            self._misplaced = (
                f"{display_path(self._path)}: was taken away and cannot be written again: {one_line(reason)}"
            )
        else:
            self._misplaced = ""
            self._put_event(EventKind.WRITTEN, "the session file was taken away; all of it has been written again")

    def _rescue(self, word: str, reason: str, folders: Sequence[Path] = ()) -> bool:
        """Write the session to another place at the end, and go on there; return whether that could be done."""
        name = f"{self._path.stem}_{word}-{os.getpid()}{self._path.suffix}"
        for folder in folders or (self._path.parent, Path(tempfile.gettempdir())):
            try:
                self._file.put_back(folder / name)
            except (OSError, sqlite3.Error):
                continue  # the next folder may do; if none does, `_misplaced` stays as it is
            self._misplaced = (
                f"{display_path(self._path)}: {reason}; the whole session is in {display_path(folder / name)}"
            )
            self._next_look = math.inf
            return True
        return False

    def _is_hopeless(self) -> bool:
        """Return whether the file could not be written for all the time that the end waits for it."""
        if not (self._problem and self._waiting.ended):
            return False
        self._give_up = min(self._give_up, time.monotonic() + _LAST_PATIENCE)
        return time.monotonic() > self._give_up

    def _put_event(self, kind: EventKind, message: str) -> None:
        self._waiting.put(Event(self._now(), "", kind, one_line(message, 1000)))

    def _now(self) -> float:
        return max(0.0, time.monotonic() - self._started)
