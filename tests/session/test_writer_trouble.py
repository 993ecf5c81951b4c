"""A session file that cannot be written for a while: nothing stops, nothing is lost that fits, and all is reported."""

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing, suppress
from pathlib import Path

import pytest

from benchmon.errors import RecorderError, SessionFileError
from benchmon.session import writable_file
from benchmon.session.follower import open_session_view
from benchmon.session.records import Heartbeat, RecorderState
from benchmon.session.requests import Note
from benchmon.session.writable_file import WritableFile
from benchmon.session.writer import SessionWriter
from benchmon.watch.records import Event, EventDetails
from support.waiting import until


@pytest.fixture
def writing(bench):
    """Return a function that makes writers, which are ended at the end."""
    writers = []

    def write(path, most=100_000):
        writers.append(SessionWriter(path, bench, time.monotonic(), most_waiting=most))
        return writers[-1]

    yield write
    for writer in writers:
        writer.abandon()


def kinds(events):
    return [event.kind for event in events]


def test_a_full_disk_makes_readings_wait_until_there_is_room(disk, fill_disk, writing, readings):
    writer = writing(disk / "a.benchmon")
    put = readings(3000)
    fill_disk(disk)
    for judgement in put:
        writer.put(judgement)
    assert "cannot be written: database or disk is full" in until(lambda: writer.trouble)
    view = open_session_view(disk / "a.benchmon")
    before = len(view.poll().judgements)
    assert before < len(put)
    (disk / "ballast").unlink()
    until(lambda: not writer.trouble)
    writer.finish(80.0)
    update = open_session_view(disk / "a.benchmon").poll()
    assert list(update.judgements) == put
    assert kinds(update.events) == ["unwritten", "written"]
    assert [file.name for file in disk.iterdir()] == ["a.benchmon"]


def test_a_session_that_a_full_disk_has_no_room_for_leaves_nothing_behind(disk, fill_disk, writing):
    fill_disk(disk)
    with pytest.raises(SessionFileError, match=r"a\.benchmon: cannot be created: "):
        writing(disk / "a.benchmon")
    assert [file.name for file in disk.iterdir()] == ["ballast"]


def test_a_disk_that_fails_at_the_end_is_reported(tmp_path, writing, readings, monkeypatch):
    def fail(_):
        problem = sqlite3.OperationalError("disk I/O error")
        problem.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC
        raise problem

    monkeypatch.setattr(writable_file, "leave_one_file", fail)
    writer = writing(tmp_path / "a.benchmon")
    put = readings(10)
    for judgement in put:
        writer.put(judgement)
    with pytest.raises(RecorderError, match=r"its disk fails \(disk I/O error\): copy it, and a\.benchmon-wal"):
        writer.finish(80.0)
    assert list(open_session_view(tmp_path / "a.benchmon").poll().judgements) == put


def test_what_does_not_fit_the_buffer_is_reported_as_a_gap(tmp_path, writing, readings):
    writer = writing(tmp_path / "a.benchmon", most=50)
    put = readings(200)
    with closing(sqlite3.connect(tmp_path / "a.benchmon", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        writer.put(put[0])
        until(lambda: "locked" in writer.trouble)
        for judgement in put[1:]:
            writer.put(judgement)
        assert "50 can" in writer.trouble
    until(lambda: not writer.trouble)
    until(lambda: "gap" in kinds(open_session_view(tmp_path / "a.benchmon").poll().events))
    writer.finish(3.0)
    update = open_session_view(tmp_path / "a.benchmon").poll()
    kept = list(update.judgements)
    [gap] = [event for event in update.events if event.kind == "gap"]
    lost = [judgement for judgement in put if judgement not in kept]
    assert gap.message.startswith(
        f"{len(lost)} readings from {lost[0].time:.1f} s to {lost[-1].time:.1f} s are missing"
    )
    assert kept == [put[0], *put[-50:]]


def test_a_file_taken_away_is_written_again_whole(tmp_path, writing, readings):
    path = tmp_path / "a.benchmon"
    writer = writing(path)
    put = readings(300)
    for judgement in put[:300]:
        writer.put(judgement)
    view = open_session_view(path)
    seen = until(lambda: view.poll().judgements)
    for file in list(tmp_path.iterdir()):
        file.unlink()
    with pytest.raises(SessionFileError, match="no such session file"):
        view.poll()
    for judgement in put[300:]:
        writer.put(judgement)
    until(path.exists)
    more = until(lambda: view.poll().judgements)
    assert list(seen) + list(more) == put[: len(seen) + len(more)]
    writer.finish(3.0)
    update = open_session_view(path).poll()
    assert list(update.judgements) == put
    assert "taken away" in update.events[0].message
    assert update.state is RecorderState.FINISHED
    assert [file.name for file in tmp_path.iterdir()] == ["a.benchmon"]


def test_another_file_in_its_place_is_never_written_over(tmp_path, writing, readings):
    path = tmp_path / "a.benchmon"
    writer = writing(path)
    for file in list(tmp_path.iterdir()):
        file.unlink()
    path.write_text("somebody's letter")
    put = readings(300)
    for judgement in put:
        writer.put(judgement)
    assert "another file has its name" in until(lambda: writer.trouble)
    with pytest.raises(RecorderError, match="the whole session is in"):
        writer.finish(3.0)
    assert path.read_text() == "somebody's letter"
    [rescued] = tmp_path.glob("a_taken-away-*.benchmon")
    assert list(open_session_view(rescued).poll().judgements) == put
    assert len(list(tmp_path.iterdir())) == 2


def test_a_folder_taken_away_is_made_again(tmp_path, writing, readings):
    folder = tmp_path / "sessions"
    folder.mkdir()
    writer = writing(folder / "a.benchmon")
    shutil.rmtree(folder)
    put = readings(50)
    for judgement in put:
        writer.put(judgement)
    until((folder / "a.benchmon").exists)
    writer.finish(1.0)
    assert list(open_session_view(folder / "a.benchmon").poll().judgements) == put


def test_an_end_that_cannot_be_written_is_reported(disk, fill_disk, writing, readings, monkeypatch):
    monkeypatch.setattr("benchmon.session.writer._LAST_PATIENCE", 0.3)
    monkeypatch.setattr("tempfile.tempdir", str(disk))
    writer = writing(disk / "a.benchmon")
    fill_disk(disk)
    for judgement in readings(3000):
        writer.put(judgement)
    until(lambda: writer.trouble)
    with pytest.raises(RecorderError, match=r"not complete.*disk is full; \d+ records that waited are lost"):
        writer.finish(9.0)
    assert open_session_view(disk / "a.benchmon").poll().state is not RecorderState.FINISHED


def test_a_record_that_is_none_is_left_out_and_reported(tmp_path, writing, readings):
    writer = writing(tmp_path / "a.benchmon")
    [one, _] = readings(1)
    writer.put(one.__class__(**{name: getattr(one, name) for name in one.__slots__} | {"channel": "nobody's"}))
    writer.put(one)
    writer.finish(1.0)
    update = open_session_view(tmp_path / "a.benchmon").poll()
    assert list(update.judgements) == [one]
    assert kinds(update.events) == ["fault"]


def test_a_log_that_is_deleted_is_written_again(tmp_path, writing, readings):
    writer, path = writing(tmp_path / "a.benchmon"), tmp_path / "a.benchmon"
    put = readings(300)
    for judgement in put[:100]:
        writer.put(judgement)
    until(lambda: len(open_session_view(path).poll().judgements) == 100)
    (tmp_path / "a.benchmon-wal").unlink()
    for judgement in put[100:]:
        writer.put(judgement)
    until(lambda: "written" in kinds(open_session_view(path).poll().events))
    assert list(open_session_view(path).poll().judgements) == put
    assert not writer.trouble
    writer.finish(9.0)
    assert list(open_session_view(path).poll().judgements) == put


def copied(path):
    """Put a copy in the place of a session that is written, as a program does that synchronises folders."""
    shutil.copy(path, path.with_suffix(".copy"))
    path.with_suffix(".copy").replace(path)


def test_what_is_asked_of_a_file_that_is_replaced_is_asked_again(tmp_path, writing, readings):
    writer, path = writing(tmp_path / "a.benchmon"), tmp_path / "a.benchmon"
    put = readings(300)
    view = open_session_view(path)

    def asked():
        writer.put(Heartbeat(1.0, time.monotonic()))
        # A copy beside a log that is not its own may not be readable at all.
        with suppress(SessionFileError):
            view.poll()
        return writer.requests()

    for judgement in put:
        writer.put(judgement)
    until(lambda: len(open_session_view(path).poll().judgements) == len(put))
    copied(path)
    number = view.request(Note("the lamp is lit"))
    [request] = until(asked)
    assert (request.kind, request.text) == ("note", '{"text": "the lamp is lit"}')
    answer = Event(2.0, "", "note", "the lamp is lit", EventDetails(request=request.number))
    writer.put(answer)
    writer.answered(request)
    [seen] = until(lambda: [event for event in view.poll().events if event.kind == "note"])
    assert seen.details.request == number
    assert not asked()
    writer.finish(9.0)
    assert list(open_session_view(path).poll().judgements) == put
    assert [file.name for file in tmp_path.iterdir()] == ["a.benchmon"]


def test_a_file_that_cannot_be_opened_where_it_was_written_again_is_written_once_more(
    tmp_path, writing, readings, monkeypatch
):
    writer, path = writing(tmp_path / "a.benchmon"), tmp_path / "a.benchmon"
    put, refusals = readings(300), [1, 2]

    opens = writable_file.open_to_write

    def refuse(path):
        if refusals and refusals.pop():
            raise sqlite3.OperationalError("unable to open database file")
        return opens(path)

    monkeypatch.setattr(writable_file, "open_to_write", refuse)
    for judgement in put[:100]:
        writer.put(judgement)
    until(lambda: len(open_session_view(path).poll().judgements) == 100)
    for file in list(tmp_path.iterdir()):
        file.unlink()
    for judgement in put[100:]:
        writer.put(judgement)
    until(lambda: not refusals and not writer.trouble)
    writer.finish(9.0)
    assert list(open_session_view(path).poll().judgements) == put
    assert [file.name for file in tmp_path.iterdir()] == ["a.benchmon"]


def test_a_folder_out_of_reach_for_a_moment_is_no_trouble_afterwards(tmp_path, writing, monkeypatch):
    writer = writing(tmp_path / "a.benchmon")
    in_place = WritableFile.is_in_place
    monkeypatch.setattr(WritableFile, "is_in_place", property(lambda _: False))
    monkeypatch.setattr(WritableFile, "put_back", lambda *_: os.stat("/proc/self/nothing"))  # noqa: PTH116
    until(lambda: writer.put(Heartbeat(1.0, time.monotonic())) or "cannot be written again" in writer.trouble)
    monkeypatch.setattr(WritableFile, "is_in_place", in_place)
    until(lambda: writer.put(Heartbeat(1.0, time.monotonic())) or not writer.trouble)
    writer.finish(2.0)
    assert not writer.trouble
    assert open_session_view(tmp_path / "a.benchmon").poll().state is RecorderState.FINISHED


RECORDS = """
import os, sys, time
from pathlib import Path
from benchmon.bench import read_bench
from benchmon.session.records import Heartbeat
from benchmon.session.writer import SessionWriter
from support import small_sessions

bench = read_bench(small_sessions.BENCH)
put = small_sessions.judgements(bench, 300)
if os.getuid() == 0:
    # A session of root's loads what another user may not be able to read.
    SessionWriter(Path(sys.argv[1]).with_name("first.benchmon"), bench, time.monotonic()).abandon()
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
writer = SessionWriter(Path(sys.argv[1]), bench, time.monotonic())
shown = None
os.set_blocking(0, False)
while not (asked := sys.stdin.readline()):
    for judgement in put[:3]:
        writer.put(judgement)
    del put[:3]
    writer.put(Heartbeat(1.0, time.monotonic()))
    if writer.trouble != shown:
        shown = writer.trouble
        print(shown or "no trouble", flush=True)
    time.sleep(0.01)
for judgement in put:
    writer.put(judgement)
writer.finish(80.0)
print("ended", writer.trouble or "without trouble", flush=True)
"""


@pytest.mark.skipif(not hasattr(os, "setuid"), reason="there are no rights of users here")
def test_a_folder_without_rights_for_a_moment_is_reported_and_nothing_is_lost(readings):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # Whoever may do everything is not hindered, so the process that records is then another user's.
        if os.getuid() == 0:
            os.chown(folder, 65534, 65534)
        search = os.pathsep.join([str(Path(__file__).parents[1]), *sys.path])
        with subprocess.Popen(
            [sys.executable, "-c", RECORDS, str(folder / "a.benchmon")],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": search},
        ) as process:  # fmt: skip
            assert process.stdout.readline() == "no trouble\n"
            folder.chmod(0)
            trouble = process.stdout.readline()
            folder.chmod(0o700)
            assert "Permission denied" in trouble
            assert process.stdout.readline() == "no trouble\n"
            process.stdin.write("end\n")
            process.stdin.close()
            assert process.stdout.read() == "ended without trouble\n"
        update = open_session_view(folder / "a.benchmon").poll()
        assert list(update.judgements) == readings(300)
        assert update.state is RecorderState.FINISHED


@pytest.mark.parametrize("keep", [0, 4096, 9000])
def test_a_session_that_is_truncated_is_not_ended_as_if_nothing_were(tmp_path, writing, readings, keep):
    path = tmp_path / "a.benchmon"
    writer = writing(path)
    for judgement in readings(100):
        writer.put(judgement)
    until(lambda: len(open_session_view(path).poll().judgements) == 200)
    os.truncate(path, keep)
    with pytest.raises(RecorderError, match=r"truncated|damaged|malformed|cannot be"):
        writer.finish(2.0)


def test_what_waits_at_the_end_for_a_full_disk_is_saved_on_another(disk, fill_disk, writing, readings, monkeypatch):
    folder = disk.parent
    monkeypatch.setattr("tempfile.tempdir", str(folder))
    monkeypatch.setattr("benchmon.session.writer._LAST_PATIENCE", 0.5)
    writer = writing(disk / "a.benchmon")
    put = readings(3000)
    for judgement in put[:1000]:
        writer.put(judgement)
    until(lambda: len(open_session_view(disk / "a.benchmon").poll().judgements) == 1000)
    fill_disk(disk)
    for judgement in put[1000:]:
        writer.put(judgement)
    until(lambda: writer.trouble)
    with pytest.raises(RecorderError, match="the whole session is in"):
        writer.finish(80.0)
    [saved] = folder.glob("a_unwritten-*.benchmon")
    update = open_session_view(saved).poll()
    assert list(update.judgements) == put
    assert update.state is RecorderState.FINISHED
