"""Writing a session file: one thread owns it, and everybody else hands it records.

What waits is committed every 150 ms, and at once where it holds an event. So a slow disk never stands in the path of
the watch, and a follower sees every reading within a fifth of a second.

Where the file cannot be written (a full disk, a file taken away) the recorder goes on: what comes waits in a bounded
buffer, `trouble` says so, and it is written as soon as that can be done. The session tells of it by events of the kinds
`unwritten` (it began), `written` (it is over) and `gap` (readings that had to give way).
"""

from __future__ import annotations

import math
import os
import sqlite3
import tempfile
import time
from pathlib import Path
from queue import SimpleQueue
from threading import Thread

from benchmon.bench import Bench
from benchmon.errors import RecorderError
from benchmon.event_kinds import EventKind
from benchmon.session.database import shown
from benchmon.session.records import Record, Request
from benchmon.session.schema import to_microseconds
from benchmon.session.session_file import SessionFile
from benchmon.session.storing import Encoder, Statement, description
from benchmon.session.waiting import MOST_WAITING, Waiting
from benchmon.text import one_line
from benchmon.watch.records import Event

COMMIT_EVERY = 0.15
_AT_ONCE = 5000
_TRY_AGAIN_EVERY = 0.25
_LOOK_FOR_THE_FILE_EVERY = 1.0
_LAST_PATIENCE = 5.0
"""Seconds that the end waits for a file that cannot be written."""


class SessionWriter:
    """A new session file and the thread that writes it.

    `started_monotonic` is the monotonic time of session time 0; `facts` are told beside those of the program and the
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
        self._waiting, self._most = Waiting(most_waiting), most_waiting
        self._requests: SimpleQueue[Request] = SimpleQueue()
        self._problem = self._misplaced = ""
        self._unwritten_since = 0.0
        self._end: float | None = None
        self._give_up = math.inf
        self._next_look = 0.0
        self._file = SessionFile(path, list(description(bench, started_monotonic, facts or {})))
        self._thread = Thread(target=self._run, name="session writer", daemon=True)
        self._thread.start()

    def put(self, record: Record) -> None:
        """Hand over something to be written; returns at once."""
        self._waiting.put(record)

    @property
    def trouble(self) -> str:
        """Why the session is not written just now, in words, and what waits; "" where all is well."""
        if self._problem:
            waits = f"{self._waiting.count} records wait to be written, {self._most} can"
            return f"the session cannot be written: {self._problem}; {waits}"
        return self._misplaced

    def requests(self) -> list[Request]:
        """Return what operators have asked since the last call."""
        taken: list[Request] = []
        while not self._requests.empty():
            taken.append(self._requests.get())
        return taken

    def finish(self, at: float) -> None:
        """Write what waits, mark the session as ended at session time `at`, and leave one file.

        Where a follower keeps the file busy for seconds, its log stays beside it until the follower closes. Raises
        `RecorderError` where something could not be written.
        """
        self._end = at
        self._close()
        if self._problem:
            waits = f"{self._waiting.count} records that waited are lost" if self._waiting.count else "see its end"
            raise RecorderError(f"{shown(self._path)}: is not complete, it cannot be written: {self._problem}; {waits}")
        if self._misplaced:
            raise RecorderError(self._misplaced)

    def abandon(self) -> None:
        """Write what waits and let go; the session stays without an end, as after a kill."""
        self._close()

    def _close(self) -> None:
        self._waiting.end()
        self._thread.join()

    def _run(self) -> None:
        try:
            while not (self._waiting.ended and self._waiting.count == 0) and not self._is_hopeless():
                self._write_down(self._collect())
            self._write_down(list(self._encoder.finish(self._end)))
            if not self._file.is_in_place:
                self._rescue()
            if self._end is not None and not self._problem:
                self._file.leave_one_file()
        except sqlite3.Error as problem:
            self._problem = one_line(problem)
        except Exception as problem:
            self._problem = f"its writer has failed: {type(problem).__name__}: {one_line(problem)}"
            raise
        finally:
            self._file.close()

    def _collect(self) -> list[Statement]:
        """Return the statements of what came within 150 ms, or up to an event."""
        statements: list[Statement] = []
        for record in self._waiting.collect(COMMIT_EVERY, _AT_ONCE):
            try:
                statements += self._encoder.encode(record)
            except Exception as problem:  # noqa: BLE001 - one record that is none must not end the recording
                self._tell(
                    EventKind.FAULT, f"a {type(record).__name__} was left out: {type(problem).__name__}: {problem}"
                )
        return statements

    def _write_down(self, statements: list[Statement]) -> None:
        """Commit `statements` and what operators ask; try again until it can be done, or the end waits no longer."""
        while not self._is_hopeless():
            try:
                self._look_for_the_file()
                for number, request in self._file.new_requests():
                    self._requests.put(request)
                    done = to_microseconds(self._now())
                    statements.append(("UPDATE requests SET done = ? WHERE id = ?", (done, number)))
                for reason in self._file.commit(statements) if statements else ():
                    self._tell(EventKind.FAULT, f"a record was left out: {reason}")
            except sqlite3.Error as problem:
                self._not_written(one_line(problem))
                self._waiting.pause(_TRY_AGAIN_EVERY)
            else:
                self._written()
                return

    def _not_written(self, problem: str) -> None:
        if not self._problem:
            self._unwritten_since = self._now()
            self._tell(EventKind.UNWRITTEN, f"the session cannot be written: {problem}; what comes waits")
        self._problem = problem

    def _written(self) -> None:
        if self._problem:
            self._problem = ""
            self._tell(
                EventKind.WRITTEN, f"the session is written again, after {self._now() - self._unwritten_since:.1f} s"
            )
        lost = self._waiting.take_lost()
        if lost is not None:
            self._tell(
                EventKind.GAP,
                f"{lost.count} readings from {lost.first:.1f} s to {lost.last:.1f} s are missing: "
                f"the session could not be written and no more than {self._most} can wait",
            )

    def _look_for_the_file(self) -> None:
        """Write the session anew where its file has been taken away; go on in what is left of it where that fails."""
        now = time.monotonic()
        if now < self._next_look or self._file.is_in_place:
            return
        self._next_look = now + _LOOK_FOR_THE_FILE_EVERY
        try:
            self._file.put_back(self._path)
        except (OSError, sqlite3.Error) as problem:
            reason = problem.strerror if isinstance(problem, OSError) else problem
            self._misplaced = f"{shown(self._path)}: was taken away and cannot be written again: {one_line(reason)}"
        else:
            self._misplaced = ""
            self._tell(EventKind.WRITTEN, "the session file was taken away; all of it has been written again")

    def _rescue(self) -> None:
        """Write the session to another place at the end, where its own is taken."""
        name = f"{self._path.stem}_taken-away-{os.getpid()}{self._path.suffix}"
        for folder in (self._path.parent, Path(tempfile.gettempdir())):
            try:
                self._file.put_back(folder / name)
            except (OSError, sqlite3.Error):
                continue  # the next place may do; where none does, what is told of the file stands
            self._misplaced = f"{shown(self._path)}: was taken away; the whole session is in {shown(folder / name)}"
            return

    def _is_hopeless(self) -> bool:
        """Return whether the file could not be written for all the time that the end waits for it."""
        if not (self._problem and self._waiting.ended):
            return False
        self._give_up = min(self._give_up, time.monotonic() + _LAST_PATIENCE)
        return time.monotonic() > self._give_up

    def _tell(self, kind: EventKind, message: str) -> None:
        self._waiting.put(Event(self._now(), "", kind, one_line(message, 1000)))

    def _now(self) -> float:
        return max(0.0, time.monotonic() - self._started)
