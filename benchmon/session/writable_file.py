"""The session file as its recorder writes it: commits, the requests in it, damage, and writing it whole once more.

Other programs may take the file or its log away, or put a copy in its place, while it is written. What was committed is
in the open descriptors of both, and is copied from there.
"""

from __future__ import annotations

import errno
import fcntl
import os
import sqlite3
import struct
import time
from collections.abc import Sequence
from contextlib import ExitStack, closing, suppress
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

from benchmon.atomic_file import put_in_place
from benchmon.errors import SessionFileError
from benchmon.session.database import (
    check_is_session,
    create,
    display_path,
    leave_one_file,
    open_to_write,
    reading,
    remove,
    sqlite_errors_as_session_errors,
)
from benchmon.session.records import Request
from benchmon.text import one_line

Statement = tuple[str, tuple[Any, ...]]
"""A statement of SQL and the row it takes."""

_HEADER, _MAGIC = 100, b"SQLite format 3\0"
_LARGEST_CHECKED = 30_000_000
"""Bytes of a file that is checked whole at the end: that takes a few tenths of a second."""
_COPIED_AT_ONCE = 16_000_000
_SHARED_LOCK = 0x4000_0002, 510
"""First byte and number of those that every SQLite connection to a file locks, shared while it is open in WAL mode."""
_FOLLOWERS_LEAVE_WITHIN = 3.0
_LOCKED_PATIENCE = 2.0
_NO_ROW = (sqlite3.IntegrityError, sqlite3.InterfaceError, sqlite3.ProgrammingError, ValueError, OverflowError)
"""What is raised where a statement and its row do not fit together, which is not the file's fault."""


class WritableFile:
    """A new session file at `path`, open for writing. Raises `SessionFileError` where it exists or cannot be made."""

    def __init__(self, path: Path, description: Sequence[Statement]) -> None:
        self.path = path
        self._connection = create(path)
        self._last_request = self._least_size = 0
        self._placed: tuple[int, int] | None = None
        # Kept open: to close any descriptor of a file gives up the locks that SQLite holds on it (POSIX), and the next
        # screen that closes would delete the log.
        self._descriptor = self._log = -1
        try:
            self._descriptor = os.open(path, os.O_RDONLY)
            with sqlite_errors_as_session_errors(path, "cannot be created"):
                for statement, row in description:
                    self._connection.execute(statement, row)
                self._connection.execute("COMMIT")
                # So that even a copy of this one file, made while it is recorded, says what it is.
                self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
            self._log = os.open(f"{path}-wal", os.O_RDONLY)
            self._identity = _identity(path)
        except (SessionFileError, OSError) as problem:
            self.close()
            remove(path)
            if isinstance(problem, OSError):
                raise SessionFileError(f"{display_path(path)}: cannot be created: {problem.strerror}") from problem
            raise

    def commit(self, statements: Sequence[Statement]) -> list[str]:
        """Write all of `statements` or none; return what of them is no row, in words, and was left out.

        Raises `sqlite3.Error` where the file cannot be written.
        """
        left_out: list[str] = []
        try:
            self._begin()
            try:
                for statement, group in groupby(statements, key=itemgetter(0)):
                    self._connection.executemany(statement, map(itemgetter(1), group))
            except _NO_ROW:
                # Which of them it is shows only one by one.
                self._connection.execute("ROLLBACK")
                self._begin()
                left_out = self._write_one_by_one(statements)
            self._connection.execute("COMMIT")
        except sqlite3.Error:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        return left_out

    def _write_one_by_one(self, statements: Sequence[Statement]) -> list[str]:
        left_out = []
        for statement, row in statements:
            try:
                self._connection.execute(statement, row)
            except _NO_ROW as problem:
                left_out.append(f"{problem} ({statement.partition('(')[0].strip()})")
        return left_out

    def new_requests(self) -> list[Request]:
        """Return the requests that came since the last call. Raises `sqlite3.Error`."""
        rows = self._connection.execute(
            "SELECT id, kind, text FROM requests WHERE done IS NULL AND id > ? ORDER BY id", (self._last_request,)
        ).fetchall()
        if rows:
            self._last_request = rows[-1][0]
        return [Request(str(kind), str(text), number) for number, kind, text in rows]

    def conclude(self, statements: Sequence[Statement]) -> list[Request]:
        """Write the last `statements` and end the session, or return the requests that came before that.

        Both are one transaction: a request is either returned here, or its sender finds the session ended. Raises
        `sqlite3.Error`.
        """
        self._begin()
        try:
            requests = self.new_requests()
            if requests:
                self._connection.execute("ROLLBACK")
                return requests
            for statement, row in statements:
                self._connection.execute(statement, row)
            self._connection.execute("COMMIT")
        except sqlite3.Error:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        return []

    @property
    def is_in_place(self) -> bool:
        """Whether the file that is written, with its log, still is the one at its path."""
        try:
            return _identity(self.path) == self._identity
        except OSError:
            return False

    def damage(self, *, is_quick: bool = False) -> str:
        """Return what another program has done to the file, in words; "" where it is whole, as far as is seen.

        Truncation and another header are always seen. Unless `is_quick`, the structure of a file that is not large is
        checked too.
        """
        try:
            size, header = os.fstat(self._descriptor).st_size, os.pread(self._descriptor, _HEADER, 0)
            if size < self._least_size or not header.startswith(_MAGIC):
                return f"{display_path(self.path)}: was overwritten or truncated by another program; readings are lost"
            self._least_size = size
            if is_quick or size > _LARGEST_CHECKED:
                return ""
            found = self._connection.execute("PRAGMA quick_check(1)").fetchone()
        except (OSError, sqlite3.Error) as problem:
            return f"{display_path(self.path)}: cannot be read back: {one_line(problem)}"
        if found is None or found[0] == "ok":
            return ""
        return f"{display_path(self.path)}: was damaged by another program: {one_line(found[0], 200)}"

    def put_back(self, path: Path) -> None:
        """Write the whole session to `path`, from the file that was taken away, and go on there.

        A copy of this session, which has less, is written over; another file is not. Raises `OSError` or
        `sqlite3.Error` where that cannot be; what was written stays safe and is gone on with.
        """
        path.parent.mkdir(parents=True, exist_ok=True)
        with put_in_place(path) as part:
            content = self._copy_to(part)
            if path.exists() and _inode(path) not in {self._identity[0], self._placed} and not self._is_copied_to(path):
                raise FileExistsError(errno.EEXIST, "another file has its name")
            # Closed before the new file has the name: SQLite removes the log of that name when it closes.
            self._disconnect()
            self._placed = _inode(part)
            # What is left is the log of no file: the new one must not be read with it.
            for ending in ("-wal", "-shm"):
                Path(f"{path}{ending}").unlink(missing_ok=True)
        with ExitStack() as opened:
            connection = opened.enter_context(closing(open_to_write(path)))
            # The log is there from the first write on.
            connection.execute("UPDATE heartbeat SET time = time")
            if _content(connection) != content:
                raise sqlite3.DatabaseError("the log of another file has come beside it")
            files = [os.open(path, os.O_RDONLY), os.open(f"{path}-wal", os.O_RDONLY)]
            identity = _identity(path)
            opened.pop_all()
        self.close()
        self._connection, (self._descriptor, self._log) = connection, files
        self.path, self._identity, self._least_size = path, identity, 0
        # What was read of a log that is gone is not here; the next request gets its number.
        newest = connection.execute("SELECT ifnull(max(id), 0) FROM requests").fetchone()[0]
        self._last_request = min(self._last_request, newest)

    def _disconnect(self) -> None:
        """Close the connection without touching the file or its log, which are copied again where that must be."""
        shared = struct.pack("hhqqi", fcntl.F_RDLCK, os.SEEK_SET, *_SHARED_LOCK, 0)
        # A lock of our own on what SQLite locks (its file format, 2.3.1), by another open file description.
        with suppress(OSError):
            fcntl.fcntl(self._descriptor, fcntl.F_OFD_SETLK, shared)
        self._connection.close()

    def _copy_to(self, part: Path) -> tuple[Any, ...]:
        """Write the whole session to a new file, from the open descriptors of the file and its log; return `_content`.

        The index of the log is not asked: where another file has the name, whoever writes into that has changed the
        index, and SQLite, asked for a copy, would find less than is there, or nothing. It is made again from the log.
        """
        try:
            for descriptor, copy in ((self._descriptor, part), (self._log, Path(f"{part}-wal"))):
                with copy.open("wb") as file:
                    _copy(descriptor, file.fileno())
            with closing(sqlite3.connect(part, isolation_level=None)) as copied:
                if not leave_one_file(copied):
                    raise sqlite3.OperationalError("the copy of the session is in use")
                return _content(copied)
        finally:
            for ending in ("-wal", "-shm", "-journal"):
                Path(f"{part}{ending}").unlink(missing_ok=True)

    def _is_copied_to(self, path: Path) -> bool:
        """Return whether the file at `path` is a copy of this session, of any moment."""
        try:
            with reading(path) as other:
                check_is_session(other, path)
                return _recording_of(other) == _recording_of(self._connection)
        except (SessionFileError, ValueError):
            return False

    def leave_one_file(self) -> str:
        """Take the log into the file. Where followers or a full disk forbid it, it stays beside it, whole.

        Returns what a person must know, in words: where the disk fails, what is written may not have reached it.
        """
        give_up = time.monotonic() + _FOLLOWERS_LEAVE_WITHIN
        while time.monotonic() < give_up:
            try:
                self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                if leave_one_file(self._connection):
                    return ""
            except sqlite3.OperationalError as problem:
                if problem.sqlite_errorcode & 0xFF != sqlite3.SQLITE_IOERR:
                    return ""
                name = display_path(self.path)
                return (
                    f"{name}: its disk fails ({one_line(problem)}): copy it, and {self.path.name}-wal beside it, "
                    "to another disk"
                )
            time.sleep(0.1)
        return ""

    def close(self) -> None:
        """Close the file."""
        self._connection.close()
        for descriptor in (self._descriptor, self._log):
            if descriptor >= 0:
                os.close(descriptor)
        self._descriptor = self._log = -1

    def _begin(self) -> None:
        give_up = time.monotonic() + _LOCKED_PATIENCE
        while True:
            try:
                self._connection.execute("BEGIN IMMEDIATE")
            except sqlite3.OperationalError as problem:
                if problem.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > give_up:
                    raise
            else:
                return


def _copy(descriptor: int, into: int) -> None:
    """Write all that an open descriptor holds into another. Raises `OSError`."""
    done = 0
    while sent := os.sendfile(into, descriptor, done, _COPIED_AT_ONCE):
        done += sent


def _content(connection: sqlite3.Connection) -> tuple[Any, ...]:
    """Return the newest row of every table that grows: two copies of a recording that have the same are the same."""
    tables = ("readings", "events", "requests", "statuses", "waveforms", "anchors")
    newest = (connection.execute(f"SELECT max(id) FROM {table}").fetchone() for table in tables)  # noqa: S608
    return tuple(row[0] for row in newest)


def _recording_of(connection: sqlite3.Connection) -> tuple[Any, ...]:
    """Return what sets a recording apart from all others: its bench, when it began, and the process that writes it."""
    [session] = connection.execute("SELECT bench_sha256, started, started_monotonic FROM session").fetchall()
    [process] = connection.execute("SELECT text FROM facts WHERE name = 'process'").fetchall()
    return (*session, *process)


def _inode(path: Path | str) -> tuple[int, int]:
    found = os.stat(path)  # noqa: PTH116 - of a text, too
    return found.st_dev, found.st_ino


def _identity(path: Path) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return which file and which log are at `path`. Raises `OSError` where one is missing."""
    return _inode(path), _inode(f"{path}-wal")
