"""Writing a session file: one thread owns the connection, and everybody else hands it records.

What waits is committed every 100 ms, and at once where it holds an event. So a slow disk never stands in the path of
the watch, and a follower sees every reading within a fifth of a second.
"""

from __future__ import annotations

import hashlib
import queue
import sqlite3
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Any

import benchmon
from benchmon.bench import Bench
from benchmon.errors import RecorderError, SessionFileError, one_line
from benchmon.session.database import create, leave_one_file, shown, translated
from benchmon.session.heartbeat import boot
from benchmon.session.schema import encode_state, to_microseconds
from benchmon.watch.records import Event, Judgement

COMMIT_EVERY = 0.1
_PATIENCE = 30.0
"""Seconds that a commit is tried again while another program locks the file."""
_FOLLOWERS_LEAVE_WITHIN = 3.0


@dataclass(frozen=True, slots=True)
class Identity:
    """What an instrument called itself when it was reached."""

    instrument: str
    text: str


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """The watch was alive at this session time, and at this reading of the machine's monotonic clock."""

    time: float
    monotonic: float


@dataclass(frozen=True, slots=True)
class Request:
    """Something an operator asked of the recorder."""

    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class _End:
    """The recording is over; at a session time where it ended as it should."""

    time: float | None


Record = Judgement | Event | Identity | Heartbeat


class SessionWriter:
    """A new session file and the thread that writes it.

    `started_monotonic` is the monotonic time of session time 0. The file is complete and can be followed when the
    constructor returns; it raises `SessionFileError` where the file exists or cannot be made.
    """

    def __init__(self, path: Path, bench: Bench, started_monotonic: float) -> None:
        self._path = path
        self._started = started_monotonic
        self._channels = {channel.name: number for number, channel in enumerate(bench.channel, 1)}
        self._expected: dict[str, tuple[float | None, float | None]] = {}
        self._next_reading = 1
        self._records: queue.SimpleQueue[Record | _End] = queue.SimpleQueue()
        self._requests: queue.SimpleQueue[Request] = queue.SimpleQueue()
        self._failure: sqlite3.Error | None = None
        self._ended = False
        self._connection = create(path)
        try:
            with translated(path):
                self._describe(bench)
        except SessionFileError:
            self._connection.close()
            path.unlink(missing_ok=True)
            raise
        self._thread = Thread(target=self._run, name="session writer", daemon=True)
        self._thread.start()

    def put(self, record: Record) -> None:
        """Hand over something to be written; returns at once. Raises `RecorderError` where writing has failed."""
        self.check()
        self._records.put(record)

    def check(self) -> None:
        """Raise `RecorderError` where the file cannot be written any more."""
        if self._failure is not None:
            raise RecorderError(
                f"{shown(self._path)}: the recording stops, it cannot be written: {one_line(self._failure)}"
            )
        if not (self._ended or self._thread.is_alive()):
            raise RecorderError(f"{shown(self._path)}: the recording stops, its writer has ended unexpectedly")

    def requests(self) -> list[Request]:
        """Return what operators have asked since the last call."""
        taken: list[Request] = []
        while not self._requests.empty():
            taken.append(self._requests.get())
        return taken

    def finish(self, at: float) -> None:
        """Write what waits, mark the session as ended at session time `at`, and leave one file.

        Where a follower keeps the file busy for seconds, its log stays beside it until the follower closes. Raises
        `RecorderError` where writing has failed.
        """
        self._close(_End(at))
        self.check()

    def abandon(self) -> None:
        """Write what waits and let go; the session stays without an end, as after a kill."""
        self._close(_End(None))

    def _close(self, end: _End) -> None:
        self._records.put(end)
        self._thread.join()

    def _describe(self, bench: Bench) -> None:
        digest = hashlib.sha256(bench.source.encode()).hexdigest()
        since_start = time.monotonic() - self._started
        described = (bench.title, bench.source, digest, benchmon.__version__, time.time() - since_start, self._started)
        db = self._connection
        db.execute("INSERT INTO session VALUES (1, ?, ?, ?, ?, ?, ?, NULL)", described)
        instruments = [(each.name, each.driver, each.address) for each in bench.instrument]
        db.executemany("INSERT INTO instruments (name, driver, address) VALUES (?, ?, ?)", instruments)
        channels = [(self._channels[each.name], each.name, each.quantity, each.unit) for each in bench.channel]
        db.executemany("INSERT INTO channels VALUES (?, ?, ?, ?)", channels)
        beat = (to_microseconds(since_start), self._started + since_start, boot())
        db.execute("INSERT INTO heartbeat VALUES (1, ?, ?, ?)", beat)
        db.execute("COMMIT")
        # So that even a copy of this one file, made while it is recorded, says what it is.
        db.execute("PRAGMA wal_checkpoint(PASSIVE)")

    def _run(self) -> None:
        try:
            end = None
            while end is None:
                records, end = self._collect()
                self._write(records, end)
                self._take_requests()
            if end.time is not None:
                self._leave_one_file()
            self._ended = True
        except sqlite3.Error as problem:
            self._failure = problem
        finally:
            self._connection.close()

    def _collect(self) -> tuple[list[Record], _End | None]:
        """Return what is to be committed together: all that comes within 100 ms, or up to the first event."""
        records: list[Record] = []
        until = time.monotonic() + COMMIT_EVERY
        while True:
            try:
                record = self._records.get(timeout=max(0.0, until - time.monotonic()))
            except queue.Empty:
                return records, None
            if isinstance(record, _End):
                return records, record
            records.append(record)
            if isinstance(record, Event) and self._records.empty():
                return records, None

    def _write(self, records: Sequence[Record], end: _End | None) -> None:
        ended = end is not None and end.time is not None
        if not records and not ended:
            return
        self._begin()
        for record in records:
            self._insert(record)
        if end is not None and end.time is not None:
            self._connection.execute("UPDATE session SET finished = ?", (to_microseconds(end.time),))
        self._connection.execute("COMMIT")

    def _begin(self) -> None:
        give_up = time.monotonic() + _PATIENCE
        while True:
            try:
                self._connection.execute("BEGIN IMMEDIATE")
            except sqlite3.OperationalError as problem:
                if problem.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                    raise
            else:
                return

    def _insert(self, record: Record) -> None:
        db = self._connection
        match record:
            case Judgement():
                self._insert_judgement(record)
            case Event(at, channel, kind, message):
                row: tuple[Any, ...] = (to_microseconds(at), channel, kind, one_line(message, 1000))
                db.execute("INSERT INTO events (time, channel, kind, message) VALUES (?, ?, ?, ?)", row)
            case Identity(instrument, text):
                db.execute("UPDATE instruments SET identity = ? WHERE name = ?", (one_line(text), instrument))
            case Heartbeat(at, monotonic):
                db.execute("UPDATE heartbeat SET time = ?, monotonic = ?", (to_microseconds(at), monotonic))

    def _insert_judgement(self, judgement: Judgement) -> None:
        channel = self._channels[judgement.channel]
        expected = (judgement.expected, judgement.expected_uncertainty)
        if expected != self._expected.get(judgement.channel, (None, None)):
            self._expected[judgement.channel] = expected
            row = (self._next_reading, channel, *expected)
            self._connection.execute("INSERT INTO expectations VALUES (?, ?, ?, ?)", row)
        state = encode_state(judgement.verdict, judgement.flags)
        self._connection.execute(
            "INSERT INTO readings VALUES (?, ?, ?, ?, ?)",
            (self._next_reading, channel, to_microseconds(judgement.time), judgement.value, state),
        )
        self._next_reading += 1

    def _take_requests(self) -> None:
        rows = self._connection.execute("SELECT id, kind, text FROM requests WHERE done IS NULL ORDER BY id").fetchall()
        if not rows:
            return
        self._begin()
        now = to_microseconds(time.monotonic() - self._started)
        done = [(now, number) for number, _, _ in rows]
        self._connection.executemany("UPDATE requests SET done = ? WHERE id = ?", done)
        self._connection.execute("COMMIT")
        for _, kind, text in rows:
            self._requests.put(Request(one_line(kind, 40), one_line(text, 1000)))

    def _leave_one_file(self) -> None:
        self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        give_up = time.monotonic() + _FOLLOWERS_LEAVE_WITHIN
        while not leave_one_file(self._connection) and time.monotonic() < give_up:
            time.sleep(COMMIT_EVERY)
