"""Writing a session file: one thread owns the connection, and everybody else hands it records.

What waits is committed every 100 ms, and at once where it holds an event. So a slow disk never stands in the path of
the watch, and a follower sees every reading within a fifth of a second.
"""

from __future__ import annotations

import queue
import sqlite3
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Thread

from benchmon.bench import Bench
from benchmon.errors import RecorderError, SessionFileError, one_line
from benchmon.session.database import create, leave_one_file, shown, translated
from benchmon.session.records import Record, Request
from benchmon.session.schema import to_microseconds
from benchmon.session.storing import Encoder, description
from benchmon.watch.records import Event

COMMIT_EVERY = 0.1
_PATIENCE = 30.0
"""Seconds that a commit is tried again while another program locks the file."""
_FOLLOWERS_LEAVE_WITHIN = 3.0


@dataclass(frozen=True, slots=True)
class _End:
    """The recording is over; at a session time where it ended as it should."""

    time: float | None


class SessionWriter:
    """A new session file and the thread that writes it.

    `started_monotonic` is the monotonic time of session time 0. The file is complete and can be followed when the
    constructor returns; it raises `SessionFileError` where the file exists or cannot be made.
    """

    def __init__(self, path: Path, bench: Bench, started_monotonic: float) -> None:
        self._path = path
        self._started = started_monotonic
        self._encoder = Encoder(bench)
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
        for statement, row in description(bench, self._started):
            self._connection.execute(statement, row)
        self._connection.execute("COMMIT")
        # So that even a copy of this one file, made while it is recorded, says what it is.
        self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")

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
        if not records and end is None:
            return
        statements = [statement for record in records for statement in self._encoder.encode(record)]
        if end is not None:
            statements += self._encoder.finish(end.time)
        self._begin()
        for statement, row in statements:
            self._connection.execute(statement, row)
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
