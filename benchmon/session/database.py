"""Opening a session file: to read any, to leave a request in a running one, or to create one.

A reader trusts nothing: the file must carry our mark and exactly our tables (no view, trigger or virtual table that
could run something), text is cut and decoded leniently, and every complaint of SQLite becomes one line.
"""

from __future__ import annotations

import os
import sqlite3
import stat
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from functools import lru_cache
from pathlib import Path

from benchmon.errors import SessionFileError
from benchmon.session.schema import APPLICATION_ID, LAYOUTS, TABLES, VERSION
from benchmon.text import one_line

_BUSY_TIMEOUT = 2.0
_LARGEST_VALUE = 4_000_000
"""Bytes of the largest text that is read; the longest is a bench file of at most 1 MB."""
_LOOKS, _BETWEEN_LOOKS = 10, 0.02
"""How often, and seconds between, it is looked whether a journal beside a log is that of a recorder that ends."""


def display_path(path: Path) -> str:
    """Return a path as messages show it."""
    return one_line(path, 1000)


@contextmanager
def sqlite_errors_as_session_errors(path: Path, what: str = "cannot be read as a session") -> Iterator[None]:
    """Raise every complaint of SQLite about the file at `path` as a `SessionFileError` of one line that says `what`."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as problem:
        # A damaged schema can stand in SQLite's own complaint, which then is no UTF-8.
        reason = "it is damaged" if isinstance(problem, UnicodeDecodeError) else one_line(problem)
        raise SessionFileError(f"{display_path(path)}: {what}: {reason}") from problem


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
        raise SessionFileError(f"{display_path(path)}: is not a benchmon session file")
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
        sqlite_errors_as_session_errors(path, "cannot be written"),
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
        with sqlite_errors_as_session_errors(path, "cannot be created"):
            return _lay_out(path)
    except SessionFileError:
        remove(path)
        raise


def remove(path: Path) -> None:
    """Remove a session file that came to nothing, and what SQLite leaves beside one that it could not write."""
    for ending in ("", "-wal", "-shm"):
        Path(f"{path}{ending}").unlink(missing_ok=True)


def open_to_write(path: Path) -> sqlite3.Connection:
    """Return the connection of the one who writes the session at `path`. Raises `sqlite3.Error`."""
    connection = _connect(path, "mode=rw")
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = NORMAL")
    except BaseException:
        connection.close()
        raise
    return connection


def _lay_out(path: Path) -> sqlite3.Connection:
    connection = open_to_write(path)
    try:
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {VERSION}")
        for statement in TABLES.values():
            connection.execute(statement)
    except BaseException:
        connection.close()
        raise
    return connection


def _connect(path: Path, how: str, wait: float = _BUSY_TIMEOUT) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{_address(path.absolute())}?{how}",
        uri=True,
        timeout=wait,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        connection.execute("PRAGMA trusted_schema = OFF")
    except BaseException:
        connection.close()
        raise
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
        found = "is not a file" if path.exists() else "no such session file"
        raise SessionFileError(f"{display_path(path)}: {found}")
    if size == 0:
        raise SessionFileError(f"{display_path(path)}: is empty, so it is no session file")
