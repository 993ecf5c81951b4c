"""The recorder as a process of its own: started, refused, stopped, killed."""

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from itertools import pairwise

import pytest
from click.testing import CliRunner

from benchmon.cli.live import run
from benchmon.errors import BadInput, RecorderError, SessionFileError
from benchmon.recorder import process, spawn_recorder
from benchmon.recorder.__main__ import record_file
from benchmon.report.export import export
from benchmon.report.sections.report import report
from benchmon.report.session_reader import RecordedSession
from benchmon.session.follower import open_session_view
from benchmon.session.records import RecorderState
from benchmon.session.requests import StopRecording, SwitchPowerOff
from support.waiting import until


@pytest.fixture
def bench_file(tmp_path, bench_text):
    """Return the bench file."""
    file = tmp_path / "bench.toml"
    file.write_text(bench_text, encoding="utf-8")
    return file


@pytest.fixture
def spawn(bench_file, tmp_path):
    """Return a function that starts recorders, which are killed at the end."""
    started = []

    def start(name="a.benchmon", **options):
        started.append(spawn_recorder(bench_file, tmp_path / name, **options))
        return started[-1]

    yield start
    for recorder in started:
        if recorder.poll() is None:
            os.kill(recorder.pid, signal.SIGKILL)
            recorder.wait(60)


def test_it_can_be_followed_when_it_is_ready_and_outlives_a_lost_terminal(spawn):
    recorder = spawn()
    view = open_session_view(recorder.path)
    assert view.live
    assert until(lambda: view.poll().judgements)
    assert os.getsid(recorder.pid) == recorder.pid
    os.kill(recorder.pid, signal.SIGHUP)
    start = view.poll().now
    until(lambda: view.poll().now > start + 0.5)
    assert recorder.poll() is None
    assert recorder.stop() == 0
    assert until(lambda: view.poll().state is RecorderState.FINISHED)
    assert not view.live


def test_the_unit_and_the_operator_are_stored_with_the_session(spawn, tmp_path):
    recorder = spawn(facts={"serial": "-A 017", "operator": "Åse, lab 2", "guess": "yes"})
    assert recorder.stop() == 0
    info = open_session_view(recorder.path).info
    assert (info.serial, info.operator, info.is_guessed_first) == ("-A 017", "Åse, lab 2", True)
    assert info.title == f"{info.bench.title}, -A 017"
    export(RecordedSession(recorder.path), tmp_path / "a.json")
    session = json.loads((tmp_path / "a.json").read_text())["session"]
    assert (session["serial"], session["operator"]) == ("-A 017", "Åse, lab 2")
    report(RecordedSession(recorder.path), tmp_path / "a.md")
    page = (tmp_path / "a.md").read_text()
    assert "-A 017" in page.splitlines()[0]
    assert "operator Åse, lab 2" in page


@pytest.mark.parametrize("serial", ["", "  ", "a\nb", "x" * 101, "\x1b[31m"])
def test_a_serial_number_is_one_short_line(bench_file, serial):
    answer = CliRunner().invoke(run, [str(bench_file), "--headless", "--for", "1", "--serial", serial])
    assert isinstance(answer.exception, BadInput)
    assert "--serial" in str(answer.exception)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_cleanly_on_a_signal(spawn, tmp_path, number):
    recorder = spawn()
    os.kill(recorder.pid, number)
    assert recorder.wait(60) == 0
    update = open_session_view(recorder.path).poll()
    assert update.state is RecorderState.FINISHED
    assert update.events[-1].message == f"recording stopped by {number.name}"
    assert sorted(file.name for file in tmp_path.iterdir()) == ["a.benchmon", "bench.toml"]


def test_it_ends_by_itself_and_reports_a_trip(spawn, meter):
    meter.line = lambda _: "m 230.0 v 15.0 t 95.0"
    assert spawn(duration=0.8).wait(60) == 1


def test_a_request_stops_it(spawn):
    recorder = spawn()
    open_session_view(recorder.path).request(StopRecording())
    assert recorder.wait(60) == 0


def test_bad_input_is_reported_in_the_recorder_s_own_words(tmp_path, spawn, bench_file):
    bench_file.write_text("title = 'no supply'", encoding="utf-8")
    with pytest.raises(BadInput, match=r"bench\.toml.*mains.*missing"):
        spawn()
    bench_file.unlink()
    with pytest.raises(BadInput, match="no such bench file"):
        spawn()
    assert list(tmp_path.iterdir()) == []


def test_two_recorders_never_share_a_file(spawn, tmp_path, monkeypatch):
    recorder = spawn()
    with pytest.raises(SessionFileError, match="is there already"):
        spawn()
    (tmp_path / "taken.benchmon").touch()
    with pytest.raises(SessionFileError, match="is there already"):
        spawn("taken.benchmon")
    # Two that begin at the same moment: the one that comes too late is never shown the other's bench as its own.
    monkeypatch.setattr(process, "_new", lambda path: path)
    with pytest.raises((BadInput, RecorderError), match=str(recorder.pid)):
        spawn()
    assert recorder.poll() is None


def test_a_recorder_that_cannot_be_ready_is_not_left_behind(spawn):
    with pytest.raises(RecorderError, match="not ready within"):
        spawn(timeout=0.0)


def test_its_own_command_gives_status_and_one_line(tmp_path):
    command = [sys.executable, "-m", "benchmon.recorder", str(tmp_path), "--session", str(tmp_path / "a.benchmon")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert done.stderr.splitlines() == [f"{tmp_path}: is a folder, not a bench file"]
    assert done.stdout == ""


def test_no_screen_library_is_loaded(bench_file, tmp_path):
    code = (
        "import sys; from benchmon.recorder.__main__ import main; "
        f"main([{str(bench_file)!r}, '--session', {str(tmp_path / 'a.benchmon')!r}, '--for', '0.3']); "
        "sys.exit('textual' in sys.modules or 'scipy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], timeout=60, check=False).returncode == 0


@pytest.mark.parametrize("seed", range(2))
def test_a_kill_loses_nothing_that_was_shown(spawn, seed, tmp_path):
    recorder = spawn()
    views = [open_session_view(recorder.path) for _ in range(2)]
    shown = [[], []]
    deadline = time.monotonic() + random.Random(seed).uniform(0.3, 1.5)
    while time.monotonic() < deadline or not all(shown):
        for view, seen in zip(views, shown, strict=True):
            seen.extend(view.poll().judgements)
    os.kill(recorder.pid, signal.SIGKILL)
    for view, seen in zip(views, shown, strict=True):
        seen.extend(view.poll().judgements)
    recorder.wait(60)
    until(lambda: views[0].poll().state is RecorderState.GONE)
    kept = list(open_session_view(recorder.path).poll().judgements)
    for seen in shown:
        assert len(seen) > 3
        assert {(j.channel, j.time, j.value) for j in seen} <= {(j.channel, j.time, j.value) for j in kept}
    with pytest.raises(RecorderError, match="no recorder"):
        views[0].request(StopRecording())
    for view in views:
        view.close()
    assert sorted(file.name for file in tmp_path.iterdir()) == ["a.benchmon", "bench.toml"]
    with closing(sqlite3.connect(recorder.path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert list(open_session_view(recorder.path).poll().judgements) == kept


def test_a_full_disk_stops_neither_watch_nor_alarms_and_costs_no_reading(spawn, meter, disk, fill_disk):
    recorder = spawn("disk/a.benchmon")
    view = open_session_view(recorder.path)
    until(lambda: len(view.poll().judgements) > 3)
    fill_disk(disk)
    until(lambda: "disk is full" in view.poll().trouble)
    meter.line = lambda _: "m 230.0 v 15.0 t 95.0"
    until(lambda: "meanwhile case" in view.poll().trouble)
    update = view.poll()
    assert update.state is RecorderState.RECORDING
    later = until(lambda: next((now for now in [view.poll().now] if now > update.now + 0.5), 0))
    view.request(SwitchPowerOff())
    (disk / "ballast").unlink()
    until(lambda: not view.poll().trouble)
    assert recorder.stop() == 1
    assert "the session is written again" in recorder.last_words()
    update = open_session_view(recorder.path).poll()
    times = [judgement.time for judgement in update.judgements if judgement.channel == "vout"]
    found = {event.kind: event.time for event in update.events}
    assert max(after - before for before, after in pairwise(times)) < found["written"] - found["unwritten"]
    kinds = [event.kind for event in update.events]
    assert [kind for kind in kinds if kind in ("unwritten", "tripped", "written")] == [
        "unwritten",
        "tripped",
        "written",
    ]
    assert [event for event in update.events if "no [switch_off]" in event.message], "it was asked all the same"
    [trip] = [event for event in update.events if event.kind == "tripped"]
    assert trip.time < later


def test_a_stop_reaches_a_recorder_that_cannot_write(spawn, disk, fill_disk, tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    recorder = spawn("disk/a.benchmon")
    view = open_session_view(recorder.path)
    fill_disk(disk)
    until(lambda: "disk is full" in view.poll().trouble)
    view.request(StopRecording())
    assert recorder.wait(60) == 2
    [saved] = tmp_path.glob("a_unwritten-*.benchmon")
    assert f"the whole session is in {saved}" in recorder.last_words()
    assert open_session_view(saved).poll().state is RecorderState.FINISHED


def test_the_session_taken_away_comes_back_whole(spawn, tmp_path):
    recorder = spawn()
    view = open_session_view(recorder.path)
    until(lambda: len(view.poll().judgements) > 3)
    for file in tmp_path.glob("a.benchmon*"):
        file.unlink()
    assert f"no such session file; its recorder, process {recorder.pid}, goes on" in view.poll().trouble
    until(recorder.path.exists)
    assert recorder.stop() == 0
    update = open_session_view(recorder.path).poll()
    assert [event.kind for event in update.events].count("started") == 1
    times = [judgement.time for judgement in update.judgements if judgement.channel == "vout"]
    assert max(after - before for before, after in pairwise(times)) < 0.5


def test_a_recorder_that_is_halted_is_gone_until_it_goes_on(spawn):
    recorder = spawn()
    view = open_session_view(recorder.path)
    until(lambda: view.poll().judgements)
    os.kill(recorder.pid, signal.SIGSTOP)
    try:
        until(lambda: view.poll().state is RecorderState.GONE)
        view.close()
    finally:
        os.kill(recorder.pid, signal.SIGCONT)
    until(lambda: view.poll().state is RecorderState.RECORDING)
    until(lambda: view.poll().judgements)
    assert recorder.stop() == 0


def test_it_waits_for_no_bench_file_whose_folder_is_gone(tmp_path, capsys):
    assert record_file(tmp_path / "gone" / "late.toml", tmp_path / "late.benchmon", None, wait=600.0) == 2
    assert "no such bench file" in capsys.readouterr().err
