"""Opening a session file: to read any, to leave a request in a running one, or to write a new one (`WritableFile`).

A reader trusts nothing: the file must carry our mark and exactly our tables (no view, trigger or virtual table that
could run something), text is cut and decoded leniently, and every complaint of SQLite becomes one line.
"""

from __future__ import annotations

import errno
import fcntl
import os
import sqlite3
import stat
import struct
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

from benchmon.atomic_file import put_in_place
from benchmon.errors import SessionFileError
from benchmon.session.records import Request
from benchmon.session.schema import APPLICATION_ID, LAYOUTS, TABLES, VERSION
from benchmon.text import one_line

Statement = tuple[str, tuple[Any, ...]]
"""A statement of SQL and the row it takes."""

_BUSY_TIMEOUT = 2.0
_LARGEST_VALUE = 4_000_000
"""Bytes of the largest text that is read; the longest is a bench file of at most 1 MB."""


def display_path(path: Path) -> str:
    """Return a path as messages show it."""
    return one_line(path, 1000)


@contextmanager
def sqlite_errors_as_session_errors(path: Path) -> Iterator[None]:
    """Raise every complaint of SQLite about the file at `path` as a `SessionFileError` of one line."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as problem:
        # A damaged schema can stand in SQLite's own complaint, which then is no UTF-8.
        reason = "it is damaged" if isinstance(problem, UnicodeDecodeError) else one_line(problem)
        raise SessionFileError(f"{display_path(path)}: cannot be read as a session: {reason}") from problem


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the session file at `path` for one look: a read-only connection inside one transaction.

    Nothing is held between looks, so a recorder can always tidy up. Raises `SessionFileError`.
    """
    _look_at_file(path)
    with sqlite_errors_as_session_errors(path), closing(_connect(path, _how_to_read(path))) as connection:
        connection.execute("BEGIN")
        yield connection


def check_is_session(connection: sqlite3.Connection, path: Path) -> int:
    """Return the version of a session's layout. Raises `SessionFileError` where the file is none, or is too new."""
    mark = connection.execute("PRAGMA application_id").fetchone()[0]
    if mark != APPLICATION_ID:
        raise SessionFileError(f"{display_path(path)}: is no benchmon session file")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > VERSION:
        raise SessionFileError(
            f"{display_path(path)}: is of a newer benchmon (layout {version}, {VERSION} is known here); update benchmon"
        )
    found = connection.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    if set(found) != {("table", name, sql) for name, sql in LAYOUTS.get(version, {}).items()}:
        raise SessionFileError(f"{display_path(path)}: is damaged or foreign: its tables are not those of a session")
    return int(version)


def recorded_by(path: Path) -> int | None:
    """Return the number of the process that records or recorded the session at `path`; None while there is none."""
    try:
        with reading(path) as connection:
            check_is_session(connection, path)
            row = connection.execute("SELECT text FROM facts WHERE name = 'process'").fetchone()
    except SessionFileError:
        return None
    return int(row[0]) if row is not None and str(row[0]).isdecimal() else None


@contextmanager
def writing(path: Path, wait: float = _BUSY_TIMEOUT) -> Iterator[sqlite3.Connection]:
    """Open an existing session file to write a row into it, in one transaction.

    Raises `SessionFileError`, also where another writer holds the file for longer than `wait` seconds.
    """
    _look_at_file(path)
    if _has_journal(path):
        raise SessionFileError(f"{display_path(path)}: a journal stands beside it, so nothing is written into it")
    _check_log(path)
    with (
        sqlite_errors_as_session_errors(path),
        # Where the file was replaced beside its recorder's log, SQLite would take that log into the wrong file, and the
        # recorder would write over it. It does so only for the last connection, and never for one that only reads.
        closing(_connect(path, "mode=ro")) as last,
        closing(_connect(path, "mode=rw", wait)) as connection,
    ):
        check_is_session(connection, path)
        last.execute("SELECT count(*) FROM requests").fetchone()
        connection.execute("BEGIN IMMEDIATE")
        yield connection
        connection.execute("COMMIT")


def checkpoint_wal(path: Path) -> None:
    """Leave one file where a recorder was killed: take in what is in its `-wal`, if nobody else has the file open.

    Does nothing where the file is in use, already whole, or not ours to write, or where a journal stands beside it.
    """
    if _has_journal(path) or not Path(f"{path}-wal").exists() or not os.access(path, os.W_OK):
        return
    try:
        _check_log(path)
    except SessionFileError:
        return
    with sqlite_errors_as_session_errors(path), closing(_connect(path, "mode=rw", wait=0.0)) as connection:
        leave_one_file(connection)


def leave_one_file(connection: sqlite3.Connection) -> bool:
    """Take the write-ahead log into the file and give it up. Return False where someone else has the file open."""
    try:
        return bool(connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0] == "delete")
    except sqlite3.OperationalError as problem:
        if problem.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return False
        raise


def create(path: Path) -> sqlite3.Connection:
    """Create a session file with empty tables at `path` and return the one connection that writes it.

    Write-ahead logging with `synchronous=NORMAL`: a commit is handed to the operating system before it is seen by any
    reader, so killing the recorder (even SIGKILL) loses nothing that was shown. Only a crash of the machine itself can
    lose the last commits, never the file. Raises `SessionFileError` where the file exists or cannot be made.
    """
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644))
    except FileExistsError as problem:
        raise SessionFileError(
            f"{display_path(path)}: is there already; a recording needs a new file, name another"
        ) from problem
    except (OSError, ValueError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) else problem
        raise SessionFileError(f"{display_path(path)}: cannot be created: {reason}") from problem
    try:
        with sqlite_errors_as_session_errors(path):
            return _lay_out(path)
    except SessionFileError:
        path.unlink(missing_ok=True)
        raise


def open_to_write(path: Path) -> sqlite3.Connection:
    """Return the connection of the one who writes the session at `path`. Raises `sqlite3.Error`."""
    connection = _connect(path, "mode=rw")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    return connection


def _lay_out(path: Path) -> sqlite3.Connection:
    connection = open_to_write(path)
    connection.execute("BEGIN IMMEDIATE")
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {VERSION}")
    for statement in TABLES.values():
        connection.execute(statement)
    return connection


def _connect(path: Path, how: str, wait: float = _BUSY_TIMEOUT) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{_address(path.absolute())}?{how}",
        uri=True,
        timeout=wait,
        isolation_level=None,
        check_same_thread=False,
    )
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LARGEST_VALUE)
    connection.text_factory = _text
    return connection


@lru_cache(maxsize=64)
def _address(path: Path) -> str:
    return path.as_uri()


def _text(stored: bytes) -> str:
    return stored.decode("utf-8", "replace")


def _how_to_read(path: Path) -> str:
    """Return the open mode: a file with no log beside it has no writer, and needs neither lock nor writable folder.

    A rollback journal is never obeyed: SQLite would write the file back, and delete whatever file the journal names. A
    recorder has one only while it leaves a whole file, so that nothing is lost by passing it over. Raises
    `SessionFileError` where what stands beside the file is not a recorder's.
    """
    if not os.path.exists(f"{path}-wal"):  # noqa: PTH110 - every poll of a screen asks
        return "mode=ro&immutable=1"
    _check_log(path)
    if not _has_journal(path):
        return "mode=ro"
    if _stays(path):
        raise SessionFileError(
            f"{display_path(path)}: has a journal beside its log, as no recorder leaves it: {path.name}-journal"
        )
    return _how_to_read(path)


def _stays(path: Path) -> bool:
    """Return whether journal and log go on standing beside each other: while a recorder ends, both do for a moment."""
    for _ in range(_LOOKS):
        time.sleep(_BETWEEN_LOOKS)
        if not (_has_journal(path) and os.path.exists(f"{path}-wal")):  # noqa: PTH110 - as above
            return False
    return True


def _has_journal(path: Path) -> bool:
    return os.path.lexists(f"{path}-journal")


def _check_log(path: Path) -> None:
    """Raise `SessionFileError` where the log beside a session file is another file under that name."""
    for ending in ("-wal", "-shm"):
        with suppress(FileNotFoundError):
            found = os.lstat(f"{path}{ending}")
            if not stat.S_ISREG(found.st_mode) or found.st_nlink > 1:
                raise SessionFileError(f"{display_path(path)}: {path.name}{ending} beside it is a link; take it away")


def _look_at_file(path: Path) -> None:
    try:
        size = path.stat().st_size if path.is_file() else None
    except (OSError, ValueError) as problem:
        reason = problem.strerror if isinstance(problem, OSError) else problem
        raise SessionFileError(f"{display_path(path)}: cannot be read: {reason}") from problem
    if size is None:
        found = "is no file" if path.exists() else "no such session file"
        raise SessionFileError(f"{display_path(path)}: {found}")
    if size == 0:
        raise SessionFileError(f"{display_path(path)}: is empty, so no session file")


_LOOKS, _BETWEEN_LOOKS = 10, 0.02
"""How often, and seconds between, it is looked whether a journal beside a log is that of a recorder that ends."""
_HEADER, _MAGIC = 100, b"SQLite format 3\0"
_LARGEST_CHECKED = 30_000_000
"""Bytes of a file that is checked whole at the end: that takes a few tenths of a second."""
_COPIED_AT_ONCE = 16_000_000
_SHARED_LOCK = 0x4000_0002, 510
"""First byte and number of those that every SQLite connection to a file locks, shared while it is open in WAL mode."""
_FOLLOWERS_LEAVE_WITHIN = 3.0
_LOCKED_PATIENCE = 2.0
_NOT_THE_FILE_S_FAULT = (sqlite3.IntegrityError, sqlite3.InterfaceError, sqlite3.ProgrammingError)


class WritableFile:
    """A new session file at `path`, open for writing. Raises `SessionFileError` where it exists or cannot be made."""

    def __init__(self, path: Path, description: Sequence[Statement]) -> None:
        self.path = path
        self._connection = create(path)
        self._last_request = self._least_size = 0
        self._placed: tuple[int, int] | None = None
        # Kept open: to close any descriptor of a file gives up the locks that SQLite holds on it (POSIX), and the next
        # screen that closes would delete the log.
        self._descriptor, self._log = os.open(path, os.O_RDONLY), -1
        try:
            with sqlite_errors_as_session_errors(path):
                for statement, row in description:
                    self._connection.execute(statement, row)
                self._connection.execute("COMMIT")
                # So that even a copy of this one file, made while it is recorded, says what it is.
                self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
            self._log = os.open(f"{path}-wal", os.O_RDONLY)
            self._identity = _identity(path)
        except (SessionFileError, OSError):
            self.close()
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
