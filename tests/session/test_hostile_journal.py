"""What stands beside a session file never acts when the session is read: no file is rolled back, emptied or deleted."""

import os
import sqlite3
import struct
from contextlib import closing

import pytest

from benchmon.errors import RecorderError, SessionFileError
from benchmon.report.session_reader import RecordedSession
from benchmon.session.database import recorded_by
from benchmon.session.follower import open_session_view
from benchmon.session.replay import ReplayView
from benchmon.session.requests import Note

MAGIC = bytes.fromhex("d9d505f920a163d7")
"""Of a rollback journal (SQLite's file format, "The Rollback Journal")."""


def journal_naming(victim, pages):
    """Return a hot journal without pages that names `victim` as its super-journal, which SQLite deletes at the end."""
    header = MAGIC + struct.pack(">5I", 0, 1, pages, 512, 4096)
    name = os.fsencode(victim)
    checksum = sum(name) & 0xFFFFFFFF
    lock_page = 0x40000000 // 4096 + 1
    return (
        header.ljust(512, b"\0") + struct.pack(">I", lock_page) + name + struct.pack(">2I", len(name), checksum) + MAGIC
    )


@pytest.fixture
def session(tmp_path, record):
    record(tmp_path / "a.benchmon")
    return tmp_path / "a.benchmon"


@pytest.fixture
def victim(tmp_path, session):
    """Return a file that a journal beside the session names."""
    victim = tmp_path / "thesis.odt"
    victim.write_text("years of work", encoding="utf-8")
    session.with_name("a.benchmon-journal").write_bytes(journal_naming(victim, session.stat().st_size // 4096))
    return victim


def test_the_journal_is_one_that_sqlite_itself_would_obey(session, victim):
    with closing(sqlite3.connect(session)) as connection:
        connection.execute("SELECT count(*) FROM readings").fetchone()
    assert not victim.exists()


@pytest.mark.parametrize(
    "read",
    [
        lambda path: open_session_view(path).poll(),
        lambda path: open_session_view(path).close(),
        lambda path: ReplayView(path, 1e9).poll(),
        lambda path: ReplayView(path, 1e9).close(),
        lambda path: RecordedSession(path).events,
        recorded_by,
    ],
)
def test_reading_deletes_nothing(session, victim, read):
    before = session.read_bytes()
    read(session)
    assert victim.read_text(encoding="utf-8") == "years of work"
    assert session.read_bytes() == before
    assert session.with_name("a.benchmon-journal").exists()


def test_no_request_is_written_beside_a_journal(session, victim):
    with pytest.raises(RecorderError):
        open_session_view(session).request(Note("x"))
    assert victim.exists()


@pytest.mark.parametrize("ending", ["-wal", "-shm"])
@pytest.mark.parametrize("link", [os.symlink, os.link])
def test_a_log_that_is_a_link_is_refused(session, tmp_path, ending, link):
    victim = tmp_path / "thesis.odt"
    victim.write_bytes(b"years of work")
    session.with_name("a.benchmon-wal").touch()
    session.with_name(f"a.benchmon{ending}").unlink(missing_ok=True)
    link(victim, f"{session}{ending}")
    with pytest.raises(SessionFileError, match="is a link"):
        open_session_view(session)
    assert victim.read_bytes() == b"years of work"


def test_a_log_and_a_journal_at_once_are_refused(session, victim):
    session.with_name("a.benchmon-wal").write_bytes(b"\x37\x7f\x06\x82" + bytes(60))
    with pytest.raises(SessionFileError, match="journal"):
        open_session_view(session)
    assert victim.exists()
