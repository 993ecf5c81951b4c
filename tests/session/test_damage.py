"""Session files that are none, or are damaged, or mean harm: one line each, never a traceback."""

import random
import shutil
import sqlite3
import time
from contextlib import closing

import pytest

from benchmon.errors import SessionFileError
from benchmon.session.database import recorded_by
from benchmon.session.follower import open_session_view
from benchmon.session.records import Heartbeat
from benchmon.session.replay import ReplayView
from benchmon.session.schema import VERSION
from benchmon.session.writer import SessionWriter
from support.waiting import until


def read_through(path):
    """Read a session as a screen and as a replay would, until nothing more comes; return the messages of its events."""
    messages = []
    for view in (open_session_view(path), ReplayView(path, speed=1e12)):
        for _ in range(5):
            messages += [event.message for event in view.poll().events]
        view.close()
    return messages


def refusal_of(path):
    with pytest.raises(SessionFileError) as caught:
        read_through(path)
    message = str(caught.value)
    assert message.isprintable()
    assert str(path.name) in message
    return message


@pytest.fixture
def session(tmp_path, record):
    """Return a whole session of some size."""
    record(tmp_path / "good.benchmon", 400)
    return tmp_path / "good.benchmon"


def change(path, *statements):
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in statements:
            connection.execute(statement)


def test_files_that_are_no_session(tmp_path):
    (tmp_path / "empty.benchmon").touch()
    (tmp_path / "text.benchmon").write_text("title = 'a bench file, not a session'\n" * 100)
    change(tmp_path / "other.benchmon", "CREATE TABLE readings (value)")
    assert "is empty" in refusal_of(tmp_path / "empty.benchmon")
    assert "not a database" in refusal_of(tmp_path / "text.benchmon")
    assert "not a benchmon session" in refusal_of(tmp_path / "other.benchmon")
    assert "no such session" in refusal_of(tmp_path / "missing.benchmon")
    assert "is not a file" in refusal_of(tmp_path)
    assert recorded_by(tmp_path / "text.benchmon") is None


def test_a_newer_layout_is_refused_in_words(session):
    change(session, f"PRAGMA user_version = {VERSION + 1}")
    assert "newer benchmon" in refusal_of(session)


@pytest.mark.parametrize(
    "statement",
    [
        "DROP TABLE events",
        "ALTER TABLE readings ADD COLUMN more TEXT",
        "CREATE TABLE more (a)",
        "CREATE TRIGGER t AFTER INSERT ON requests BEGIN DELETE FROM readings; END",
        "CREATE VIEW v AS SELECT 1",
    ],
)
def test_other_tables_than_ours_are_refused(session, statement):
    change(session, statement)
    assert "tables are not those" in refusal_of(session)


def test_a_view_in_place_of_a_table_is_never_run(session):
    endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i AS id, 1, 1, 1, 1 FROM n"
    change(session, "DROP TABLE readings", f"CREATE VIEW readings AS {endless}")
    assert "tables are not those" in refusal_of(session)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE readings SET time = -5",
        "UPDATE readings SET time = 9e18",
        "UPDATE readings SET time = 'noon' WHERE id % 2",
        "UPDATE readings SET value = 'hot', state = 'bad'",
        "UPDATE readings SET value = x'00ff', state = 9223372036854775807",
        "UPDATE readings SET channel = 77",
        "UPDATE readings SET id = -id",
        "UPDATE readings SET id = id + 9223372036854770000",
        "UPDATE expectations SET value = 'x', uncertainty = -1",
        "UPDATE expectations SET value = 9e999, uncertainty = 9e999",
        "UPDATE channels SET name = CAST(id AS BLOB), quantity = x'ff'",
        "UPDATE channels SET name = name || char(27) || '[2J'",
        "UPDATE events SET message = char(27) || '[31m' || char(10) || 'two lines', channel = x'ffff', kind = 7",
        "UPDATE events SET message = hex(zeroblob(500000))",
        "UPDATE events SET message = CAST(x'ff80fe' AS TEXT)",
        "UPDATE events SET time = 'never'",
        "UPDATE instruments SET identity = x'00', name = 5",
        "UPDATE session SET finished = 'yes', started = 'yesterday', program_version = x'ff'",
        "UPDATE session SET finished = -1, started = 9e999",
        "UPDATE session SET finished = NULL",
        "DELETE FROM heartbeat",
        "UPDATE heartbeat SET time = 'x', monotonic = 'y', boot = x'01'",
        "UPDATE heartbeat SET monotonic = 9e999",
    ],
)
def test_hostile_rows_are_passed_over(session, statement):
    change(session, "UPDATE session SET finished = NULL" if "heartbeat" in statement else "SELECT 1", statement)
    assert [message for message in read_through(session) if not message.isprintable()] == []


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        ("DELETE FROM session", "does not say which bench it is of"),
        ("UPDATE session SET bench = x'00'", "does not say which bench it is of"),
        ("UPDATE session SET bench = ''", "its bench file: is empty"),
        ("UPDATE session SET bench = 'title = 1'", "its bench file:1: title = 1"),
        ("UPDATE session SET bench = hex(zeroblob(3000000))", "too big"),
    ],
)
def test_a_session_without_its_bench_is_refused(session, statement, why):
    change(session, statement)
    assert why in refusal_of(session)


@pytest.mark.parametrize("seed", range(6))
def test_flipped_bits_never_end_in_a_traceback(tmp_path, session, seed):
    chance = random.Random(seed)
    good = session.read_bytes()
    for number in range(25):
        damaged = bytearray(good)
        for _ in range(chance.choice((1, 3, 30))):
            # Half the time in the first pages, where the schema and the small tables are.
            place = chance.randrange(len(damaged) if chance.random() < 0.5 else 12_288)
            damaged[place] ^= 1 << chance.randrange(8)
        path = tmp_path / f"damaged{number}.benchmon"
        path.write_bytes(damaged)
        try:
            read_through(path)
        except SessionFileError as refusal:
            assert str(refusal).isprintable()  # noqa: PT017 - either is right, a traceback is not


def test_truncation_never_ends_in_a_traceback(tmp_path, session):
    good = session.read_bytes()
    for length in [*range(1, 200, 37), *range(200, len(good), 1777)]:
        path = tmp_path / f"cut{length}.benchmon"
        path.write_bytes(good[:length])
        try:
            read_through(path)
        except SessionFileError as refusal:
            assert str(refusal).isprintable()  # noqa: PT017 - either is right, a traceback is not


@pytest.mark.parametrize("seed", range(4))
def test_a_damaged_log_of_a_killed_recorder(tmp_path, bench, readings, seed):
    path = tmp_path / "a.benchmon"
    writer = SessionWriter(path, bench, time.monotonic())
    for judgement in readings(300):
        writer.put(judgement)
    writer.put(Heartbeat(3.0, time.monotonic() - 60))
    with closing(open_session_view(path)) as view:
        seen = []
        until(lambda: seen.extend(view.poll().judgements) or len(seen) == 600)
    # All of it is committed; what follows copies the files as a kill would leave them.
    for ending in ("", "-wal", "-shm"):
        shutil.copy(f"{path}{ending}", f"{tmp_path}/killed.benchmon{ending}")
    writer.abandon()
    chance = random.Random(seed)
    log = tmp_path / "killed.benchmon-wal"
    damaged = bytearray(log.read_bytes())
    assert len(damaged) > 4096
    for _ in range(seed * 5):
        damaged[chance.randrange(len(damaged))] ^= 0xFF
    log.write_bytes(damaged[: chance.randrange(len(damaged))] if seed else damaged)
    try:
        read_through(tmp_path / "killed.benchmon")
    except SessionFileError as refusal:
        assert seed, refusal  # noqa: PT017 - the undamaged one must be read


def test_a_file_taken_away_while_it_is_followed(session):
    view = open_session_view(session)
    session.unlink()
    with pytest.raises(SessionFileError, match="no such session"):
        view.poll()
