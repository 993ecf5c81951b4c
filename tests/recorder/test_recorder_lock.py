"""One recorder a bench: the second names the one that runs; a killed one leaves nothing that keeps others off."""

import json
import os
import select
import shutil
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path

import pytest

from benchmon.bench import read_bench
from benchmon.errors import RecorderError
from benchmon.recorder import record
from benchmon.recorder.heartbeat import HeartbeatWriter
from benchmon.session.follower import open_session_view
from benchmon.session.recorder_lock import (
    Beacon,
    Beat,
    ask_by_signal,
    beacon_path,
    beacons_folder,
    boot,
    is_recorded,
    read_beacon,
    running_recorders,
)
from benchmon.session.requests import StopRecording
from support.waiting import until

CLAIM = """
import sys, time
from pathlib import Path
from benchmon.bench import read_bench
from benchmon.session.recorder_lock import Beacon
beacon = Beacon(read_bench(Path(sys.argv[1]).read_text()), Path("/tmp/invented.benchmon"))
print("claimed", flush=True)
time.sleep(60)
"""


@pytest.fixture
def other(tmp_path, bench_text):
    """Another process that has the bench."""
    file = tmp_path / "bench.toml"
    file.write_text(bench_text, encoding="utf-8")
    with subprocess.Popen([sys.executable, "-c", CLAIM, str(file)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "claimed\n"
        yield process
        process.kill()


def test_a_second_recorder_learns_which_one_runs(tmp_path, bench, bench_text, other):
    with pytest.raises(RecorderError, match=rf"recorded already, by process {other.pid} into /tmp/invented.benchmon"):
        record(bench, tmp_path / "a.benchmon", duration=0.1)
    assert not (tmp_path / "a.benchmon").exists()
    # The same instruments make it the same bench, whatever else the file says.
    with pytest.raises(RecorderError, match="recorded already"):
        record(read_bench(f"# again\n{bench_text}"), tmp_path / "a.benchmon", duration=0.1)
    elsewhere = read_bench(bench_text.replace("socket://127.0.0.1", "socket://localhost"))
    assert record(elsewhere, tmp_path / "a.benchmon", duration=0.1).duration >= 0.1


def test_a_killed_one_keeps_nobody_off(tmp_path, bench, other):
    other.send_signal(signal.SIGKILL)
    other.wait(60)
    assert read_beacon(beacon_path(bench)) is not None, "it left its beacon"
    record(bench, tmp_path / "a.benchmon", duration=0.1)
    assert list(beacons_folder().iterdir()) == []


def test_one_that_stands_still_is_there_and_one_that_ended_is_not(bench, other):
    session = Path(read_beacon(beacon_path(bench)).session)
    other.send_signal(signal.SIGSTOP)
    assert is_recorded(session)
    assert not is_recorded(session.with_name("another.benchmon"))
    other.kill()
    os.waitid(os.P_PID, other.pid, os.WEXITED | os.WNOWAIT)  # not asked after yet, so it still has a number
    assert read_beacon(beacon_path(bench)) is not None
    assert not is_recorded(session)


def test_a_running_one_is_found_with_what_it_records(tmp_path, bench):
    found = []
    record(bench, tmp_path / "a.benchmon", duration=0.3, on_ready=lambda: found.extend(running_recorders()))
    assert [(beat.pid, beat.session, beat.title) for beat in found] == [
        (os.getpid(), str(tmp_path / "a.benchmon"), bench.title)
    ]
    assert running_recorders() == []


def test_a_recording_that_cannot_begin_gives_up_the_bench(tmp_path, bench):
    with pytest.raises(Exception, match="cannot be created"):
        record(bench, tmp_path / "missing" / "a.benchmon", duration=0.1)
    record(bench, tmp_path / "a.benchmon", duration=0.1)


def test_without_room_for_a_beacon_it_records_and_says_so(tmp_path, bench, monkeypatch):
    (tmp_path / "file").touch()
    monkeypatch.setenv("BENCHMON_RECORDERS", str(tmp_path / "file"))
    assert record(bench, tmp_path / "a.benchmon", duration=0.3).event_count >= 3
    [event] = [event for event in open_session_view(tmp_path / "a.benchmon").poll().events if event.kind == "beacon"]
    assert "would not be refused" in event.message


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"pid": "x"}', b"\xff" * 5000, b'{"pid": 1}' + b" " * 9000])
def test_a_beacon_that_makes_no_sense_is_none(tmp_path, content):
    path = tmp_path / "x.recorder"
    path.write_bytes(content)
    assert read_beacon(path) is None


def test_what_is_no_file_is_no_beacon(tmp_path, bench):
    os.mkfifo(tmp_path / "fifo.recorder")
    assert read_beacon(tmp_path / "fifo.recorder") is None
    assert read_beacon(tmp_path) is None
    assert read_beacon(Path("a\0b")) is None
    beacon = Beacon(bench, tmp_path / "a.benchmon")
    (tmp_path / "link.recorder").symlink_to(beacon.path)
    assert read_beacon(tmp_path / "link.recorder") is None
    beacon.beat(3.5, time.monotonic(), "the disk\x1b[2J is full")
    beat = read_beacon(beacon.path)
    assert (beat.time, beat.trouble, beat.is_recent) == (3.5, "the disk\\x1b[2J is full", True)
    assert not replace(beat, monotonic=beat.monotonic - 60).is_recent
    beacon.release()
    assert read_beacon(beacon.path) is None


def test_a_beacon_that_was_removed_is_set_up_again(tmp_path, bench):
    beacon = Beacon(bench, tmp_path / "a.benchmon")
    beacon.path.unlink()
    beacon.path.parent.rmdir()
    beacon.beat(1.0, time.monotonic(), "")
    assert read_beacon(beacon.path).time == 1.0
    with pytest.raises(RecorderError, match="recorded already"):
        Beacon(bench, tmp_path / "b.benchmon")
    beacon.path.unlink()
    other = Beacon(bench, tmp_path / "b.benchmon")
    with pytest.raises(OSError, match="another recorder"):
        beacon.beat(2.0, time.monotonic(), "")
    beacon.release()
    assert read_beacon(other.path).session.endswith("b.benchmon"), "the other's is left alone"
    other.release()


def test_a_watch_that_stands_still_is_not_spoken_for(tmp_path, bench):
    sign = HeartbeatWriter(bench, tmp_path / "a.benchmon")
    sign.beat(5.0, "")
    until(lambda: read_beacon(beacon_path(bench)).time == 5.0)
    assert read_beacon(beacon_path(bench)).is_recent
    until(lambda: not read_beacon(beacon_path(bench)).is_recent)
    sign.end()


def test_a_halted_terminal_halts_no_watch(tmp_path, bench, monkeypatch):
    reader, writer = os.pipe()
    full = os.fdopen(writer, "w")
    os.set_blocking(writer, False)
    with suppress(BlockingIOError):
        while True:
            os.write(writer, b"x" * 4096)
    os.set_blocking(writer, True)
    monkeypatch.setattr("sys.stderr", full)
    sign = HeartbeatWriter(bench, tmp_path / "a.benchmon")
    sign.beat(1.0, "the disk is full")
    until(lambda: read_beacon(beacon_path(bench)).trouble)
    sign.beat(2.0, "")
    assert not select.select([], [full], [], 0.0)[1], "the terminal takes something again"
    assert until(lambda: b"the disk is full" in os.read(reader, 1 << 20))
    sign.end()
    monkeypatch.undo()
    full.close()
    os.close(reader)


def test_no_process_is_signalled_that_does_not_hold_the_beacon(tmp_path, bench):
    """A hostile beacon names somebody's process."""
    beacon = Beacon(bench, tmp_path / "a.benchmon")
    beacon.beat(1.0, time.monotonic(), "")
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as victim:
        forged = tmp_path / "forged.recorder"
        shown = beacon.path.read_text().replace(f'"pid": {os.getpid()}', f'"pid": {victim.pid}')
        assert f'"pid": {victim.pid}' in shown
        forged.write_text(shown)
        assert read_beacon(forged).is_recent
        for path in (forged, tmp_path / "missing.recorder"):
            assert not ask_by_signal(path, "stop")
        assert not ask_by_signal(beacon.path, "note")
        assert victim.poll() is None
        victim.kill()
    beacon.release()


def test_the_process_that_holds_the_beacon_is_signalled(bench, other):
    time.sleep(0.1)
    assert ask_by_signal(beacon_path(bench), "stop")
    assert other.wait(60) == -signal.SIGTERM


@pytest.fixture
def stranger():
    """Return the number of another user; skips where nothing can be given to one."""
    if os.geteuid() != 0:
        pytest.skip("only root can make folders of another user")
    return 65534


@pytest.fixture
def usual_folder(tmp_path, monkeypatch):
    """Let the folder of beacons be the usual one, below a folder for temporary files of this test."""
    monkeypatch.delenv("BENCHMON_RECORDERS")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / f"benchmon-{os.getuid()}"


@pytest.mark.parametrize("made", ["a stranger's", "open to all", "a link"])
def test_a_folder_that_somebody_has_laid_out_is_not_used(usual_folder, tmp_path, bench, stranger, made):
    other = tmp_path / "elsewhere"
    other.mkdir(mode=0o700)
    if made == "a link":
        usual_folder.symlink_to(other)
    else:
        usual_folder.mkdir()
        usual_folder.chmod(0o777 if made == "open to all" else 0o755)
    if made == "a stranger's":
        os.chown(usual_folder, stranger, stranger)
    false = Beat(os.getpid(), "/invented.benchmon", "x", time.time(), 0.0, time.monotonic(), boot())
    (usual_folder / "x.recorder").write_text(json.dumps(asdict(false)), encoding="utf-8")
    assert running_recorders() == []
    found = []
    record(bench, tmp_path / "a.benchmon", duration=0.1, on_ready=lambda: found.append(running_recorders()))
    assert [beat.session for beat in found[0]] == [str(tmp_path / "a.benchmon")]
    assert beacons_folder() == tmp_path / "cache" / "benchmon" / "recorders"


def test_nobody_else_can_open_a_beacon(usual_folder, tmp_path, bench):
    modes = []
    beacon_path(bench).parent.mkdir(mode=0o700)
    beacon_path(bench).touch(0o644)
    record(
        bench,
        tmp_path / "a.benchmon",
        duration=0.1,
        on_ready=lambda: modes.append(beacon_path(bench).stat().st_mode & 0o777),
    )
    assert modes == [0o600]
    assert usual_folder.stat().st_mode & 0o777 == 0o700


def test_a_beacon_of_another_user_is_none(tmp_path, stranger):
    with_beacon = tmp_path / "x.recorder"
    beat = Beat(os.getpid(), "/invented.benchmon", "x", time.time(), 0.0, time.monotonic(), boot())
    with_beacon.write_text(json.dumps(asdict(beat)), encoding="utf-8")
    assert read_beacon(with_beacon) == beat
    os.chown(with_beacon, stranger, stranger)
    assert read_beacon(with_beacon) is None


def test_a_beacon_that_is_lost_later_is_reported_and_so_is_its_return(tmp_path, bench):
    folder, path = beacons_folder(), tmp_path / "a.benchmon"
    ready = threading.Event()
    thread = threading.Thread(target=lambda: record(bench, path, duration=60, on_ready=ready.set))

    def reported():
        return [event.message for event in open_session_view(path).poll().events if event.kind == "beacon"]

    thread.start()
    assert ready.wait(60)
    shutil.rmtree(folder)
    folder.touch()
    assert "would not be refused" in until(reported)[0]
    folder.unlink()
    assert "again" in until(lambda: reported()[1:])[0]
    open_session_view(path).request(StopRecording())
    thread.join(60)
