"""The one connection that writes a session file, and what can be done when the file is taken away under it."""

from __future__ import annotations

import errno
import os
import sqlite3
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from benchmon.atomic_file import put_in_place
from benchmon.errors import SessionFileError
from benchmon.session.database import create, leave_one_file, open_to_write, translated
from benchmon.session.records import Request
from benchmon.session.storing import Statement

_FOLLOWERS_LEAVE_WITHIN = 3.0
_LOCKED_PATIENCE = 2.0
_NOT_THE_FILE_S_FAULT = (sqlite3.IntegrityError, sqlite3.InterfaceError, sqlite3.ProgrammingError)


class SessionFile:
    """A new session file at `path`, open for writing. Raises `SessionFileError` where it exists or cannot be made."""

    def __init__(self, path: Path, description: Sequence[Statement]) -> None:
        self.path = path
        self._connection = create(path)
        self._last_request = 0
        try:
            with translated(path):
                for statement, row in description:
                    self._connection.execute(statement, row)
                self._connection.execute("COMMIT")
                # So that even a copy of this one file, made while it is recorded, says what it is.
                self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
            self._stat = path.stat()
        except (SessionFileError, OSError):
            self._connection.close()
            path.unlink(missing_ok=True)
            raise

    def commit(self, statements: Sequence[Statement]) -> list[str]:
        """Write all of `statements` or none; return what of them is no row, in words, and was left out.

        Raises `sqlite3.Error` where the file cannot be written.
        """
        left_out = []
        self._begin()
        try:
            for statement, row in statements:
                try:
                    self._connection.execute(statement, row)
                except (*_NOT_THE_FILE_S_FAULT, ValueError, OverflowError) as problem:
                    left_out.append(f"{problem} ({statement.partition('(')[0].strip()})")
            self._connection.execute("COMMIT")
        except sqlite3.Error:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        return left_out

    def new_requests(self) -> list[tuple[int, Request]]:
        """Return, with their numbers, the requests that came since the last call. Raises `sqlite3.Error`."""
        rows = self._connection.execute(
            "SELECT id, kind, text FROM requests WHERE done IS NULL AND id > ? ORDER BY id", (self._last_request,)
        ).fetchall()
        if rows:
            self._last_request = rows[-1][0]
        return [(number, Request(str(kind), str(text))) for number, kind, text in rows]

    @property
    def is_in_place(self) -> bool:
        """Whether the file that is written still is the one at its path."""
        try:
            return os.path.samestat(self.path.stat(), self._stat)
        except OSError:
            return False

    def put_back(self, path: Path) -> None:
        """Write the whole session to `path`, from the file that was taken away, and go on there.

        Raises `OSError` or `sqlite3.Error` where that cannot be; what was written stays safe and is gone on with.
        """
        path.parent.mkdir(parents=True, exist_ok=True)
        with put_in_place(path) as part:
            with closing(sqlite3.connect(part, isolation_level=None)) as copy:
                self._connection.backup(copy)
            if path.exists():
                raise FileExistsError(errno.EEXIST, "another file has its name")
            # Closed before the new file has the name: SQLite removes the log of that name when it closes.
            self._connection.close()
        self.path = path
        self._connection = open_to_write(path)
        self._stat = path.stat()

    def leave_one_file(self) -> None:
        """Take the log into the file. Where followers or a full disk forbid it, it stays beside it, whole."""
        give_up = time.monotonic() + _FOLLOWERS_LEAVE_WITHIN
        while time.monotonic() < give_up:
            try:
                self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                if leave_one_file(self._connection):
                    return
            except sqlite3.OperationalError:
                return
            time.sleep(0.1)

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

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
