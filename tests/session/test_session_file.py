import sqlite3
import time
from contextlib import closing

import pytest

from benchmon.errors import RecorderError, SessionFileError
from benchmon.session.follower import open_session_view
from benchmon.session.records import Identity, RecorderState
from benchmon.session.schema import TABLES, decode_state, encode_state
from benchmon.session.writable_file import WritableFile
from benchmon.session.writer import SessionWriter
from benchmon.watch.records import Event, Flag, Verdict


def test_what_was_put_in_comes_out(tmp_path, bench, record):
    put, events = record(tmp_path / "a.benchmon")
    view = open_session_view(tmp_path / "a.benchmon")
    update = view.poll()
    assert list(update.judgements) == put
    assert list(update.events) == events
    assert (update.state, update.now) == (RecorderState.FINISHED, pytest.approx(1.3))
    assert view.info.bench.model_dump() == bench.model_dump()
    assert view.info.bench.source == bench.source
    assert abs(view.info.started - time.time()) < 60
    assert view.poll().judgements == ()


def test_a_finished_session_is_one_file(tmp_path, record):
    record(tmp_path / "a.benchmon")
    assert [file.name for file in tmp_path.iterdir()] == ["a.benchmon"]
    open_session_view(tmp_path / "a.benchmon").poll()
    assert [file.name for file in tmp_path.iterdir()] == ["a.benchmon"]


def test_a_session_in_a_folder_that_cannot_be_written_is_read(tmp_path, record):
    put, _ = record(tmp_path / "a.benchmon")
    (tmp_path / "a.benchmon").chmod(0o444)
    tmp_path.chmod(0o555)
    try:
        view = open_session_view(tmp_path / "a.benchmon")
        assert list(view.poll().judgements) == put
        view.close()
    finally:
        tmp_path.chmod(0o755)


def test_anyone_can_read_it_with_sql(tmp_path, record):
    record(tmp_path / "a.benchmon")
    with closing(sqlite3.connect(tmp_path / "a.benchmon")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert tables == set(TABLES)
        query = "SELECT count(value) FROM readings JOIN channels ON channels.id = channel WHERE name = 'vout'"
        assert connection.execute(query).fetchone() == (90,)


def test_a_reading_takes_at_most_thirty_bytes(tmp_path, record):
    record(tmp_path / "a.benchmon", 1)
    record(tmp_path / "b.benchmon", 10_001)
    more = (tmp_path / "b.benchmon").stat().st_size - (tmp_path / "a.benchmon").stat().st_size
    assert more / 20_000 < 30 + 2  # two for the events and expectations among them


def test_instruments_are_known_by_what_they_called_themselves(tmp_path, bench):
    writer = SessionWriter(tmp_path / "a.benchmon", bench, time.monotonic())
    writer.put(Identity("meter", "INVENTED,METER\x1b[31m,1"))
    writer.put(Event(0.0, "", "connected", "meter"))
    view = open_session_view(tmp_path / "a.benchmon")
    writer.finish(1.0)
    assert view.poll().identities == {"meter": "INVENTED,METER\\x1b[31m,1"}
    assert view.poll().identities == {}


def test_a_second_recorder_on_the_same_file_is_refused(tmp_path, bench):
    writer = SessionWriter(tmp_path / "a.benchmon", bench, time.monotonic())
    with pytest.raises(SessionFileError, match="is there already"):
        SessionWriter(tmp_path / "a.benchmon", bench, time.monotonic())
    writer.finish(0.0)
    with pytest.raises(SessionFileError, match="is there already"):
        SessionWriter(tmp_path / "a.benchmon", bench, time.monotonic())


@pytest.mark.parametrize("name", ["missing/a.benchmon", "a\0b", "x" * 300])
def test_a_file_that_cannot_be_made_is_one_line(tmp_path, bench, name):
    with pytest.raises(SessionFileError, match="cannot be created") as caught:
        SessionWriter(tmp_path / name, bench, time.monotonic())
    assert str(caught.value).isprintable()


def test_a_writer_that_fails_says_so_and_tries_a_few_times_a_second(tmp_path, bench, readings, monkeypatch):
    tries, look = [], WritableFile.new_requests
    monkeypatch.setattr(WritableFile, "new_requests", lambda file: tries.append(file) or look(file))
    writer = SessionWriter(tmp_path / "a.benchmon", bench, time.monotonic())
    with closing(sqlite3.connect(tmp_path / "a.benchmon")) as connection:
        connection.execute("DROP TABLE readings")
    writer.put(readings(1)[0])
    with pytest.raises(RecorderError, match="not complete, it cannot be written: no such table"):
        writer.finish(1.0)
    assert "no such table" in writer.trouble
    assert len(tries) < 60, "without a pause it would be thousands"


@pytest.mark.parametrize("verdict", list(Verdict))
def test_every_state_is_a_byte_and_comes_back(verdict):
    for bits in range(2 ** len(Flag)):
        flags = frozenset(flag for bit, flag in enumerate(Flag) if bits & 1 << bit)
        state = encode_state(verdict, flags)
        assert 0 <= state < 256
        assert decode_state(state) == (verdict, flags)
