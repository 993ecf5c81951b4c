"""Screens come and go; the recorder stays."""

import os
import pty
import select
import shutil
import signal
import subprocess
import sys
import time
from fcntl import ioctl
from struct import pack
from termios import TIOCSWINSZ

import pytest

from benchmon.cli.session_files import latest_session
from benchmon.errors import RecorderError
from benchmon.recorder import spawn_recorder
from benchmon.session.follower import open_session_view
from benchmon.session.recorder_lock import running_recorders
from benchmon.session.records import RecorderState
from benchmon.session.requests import StopRecording
from support.waiting import until

BENCHMON = [sys.executable, "-m", "benchmon"]


class Terminal:
    """A terminal of 80x24 with a program in it."""

    def __init__(self, *command):
        self.pid, self.line = pty.fork()
        if self.pid == 0:
            # It never answers, and is none the slower for that.
            os.environ.update({"TERM": "xterm-256color", "LC_ALL": "C.UTF-8", "BENCHMON_BAUD": "1000000"})
            os.execv(sys.executable, [*BENCHMON, *command])  # noqa: S606 - in the terminal's own process
        ioctl(self.line, TIOCSWINSZ, pack("HHHH", 24, 80, 0, 0))
        self.seen = ""

    def shows(self, word, seconds=60.0):
        end = time.monotonic() + seconds
        while word not in self.seen and time.monotonic() < end:
            if select.select([self.line], [], [], 0.1)[0]:
                try:
                    self.seen += os.read(self.line, 65536).decode("utf-8", "replace")
                except OSError:
                    break
        return word in self.seen

    def press(self, keys):
        self.seen = ""
        os.write(self.line, keys.encode())

    def hang_up(self):
        os.close(self.line)
        os.waitpid(self.pid, 0)

    def wait(self):
        while not os.waitpid(self.pid, os.WNOHANG)[0]:
            self.shows("\0", 0.1)
        os.close(self.line)


@pytest.fixture
def bench_file(tmp_path, bench_text):
    file = tmp_path / "bench.toml"
    file.write_text(bench_text, encoding="utf-8")
    return file


@pytest.fixture
def ended():
    """Kill what recorders are left at the end."""
    yield
    for beat in running_recorders():
        os.kill(beat.pid, signal.SIGKILL)


@pytest.mark.usefixtures("ended")
def test_a_line_that_drops_takes_the_screen_and_nothing_else(bench_file, tmp_path, monkeypatch):
    monkeypatch.setenv("BENCHMON_SESSIONS", str(tmp_path / "sessions"))
    screen = Terminal("run", str(bench_file))
    assert screen.shows("agrees"), screen.seen
    screen.hang_up()
    [beat] = running_recorders()
    view = open_session_view(beat.session)
    before = view.poll().now
    until(lambda: view.poll().now > before + 1)
    again = Terminal("attach")
    assert again.shows("agrees"), again.seen
    again.press("q")
    assert again.shows("leave the screen"), again.seen
    again.press("s")
    again.wait()
    until(lambda: view.poll().state is RecorderState.FINISHED)
    until(lambda: running_recorders() == [])


@pytest.mark.usefixtures("ended")
def test_the_recorder_of_a_demo_outlives_its_screen_too(tmp_path):
    path = tmp_path / "demo.benchmon"
    screen = Terminal("demo", "--session", str(path))
    assert screen.shows("agrees"), screen.seen
    [beat] = running_recorders()
    assert os.getsid(beat.pid) == beat.pid
    os.kill(screen.pid, signal.SIGKILL)
    screen.hang_up()
    view = open_session_view(path)
    before = view.poll().now
    assert until(lambda: view.poll().now > before + 1 and view.poll().judgements)
    view.request(StopRecording())
    assert until(lambda: view.poll().state is RecorderState.FINISHED)
    assert until(lambda: running_recorders() == [])


def test_two_screens_and_one_that_only_looks(bench_file, tmp_path):
    recorder = spawn_recorder(bench_file, tmp_path / "a.benchmon")
    screens = [Terminal("attach", str(recorder.path)), Terminal("attach", str(recorder.path), "--read-only")]
    for screen in screens:
        assert screen.shows("agrees"), screen.seen
    assert screens[1].shows("read only")
    screens[1].press("n")
    assert screens[1].shows("only read"), screens[1].seen
    screens[1].press("q")
    assert screens[1].shows("The session file stays"), screens[1].seen
    screens[1].wait()
    os.kill(recorder.pid, signal.SIGKILL)
    assert screens[0].shows("recorder gone"), screens[0].seen
    screens[0].press("q")
    screens[0].wait()
    recorder.wait(60)


def test_who_only_looks_asks_for_nothing(bench_file, tmp_path):
    recorder = spawn_recorder(bench_file, tmp_path / "a.benchmon")
    try:
        view = open_session_view(recorder.path, read_only=True)
        assert view.live
        with pytest.raises(RecorderError, match="--read-only"):
            view.request(StopRecording())
    finally:
        assert recorder.stop() == 0


def test_the_latest_session_is_the_one_that_is_recorded(bench_file, tmp_path, monkeypatch):
    monkeypatch.setenv("BENCHMON_SESSIONS", str(tmp_path / "sessions"))
    (tmp_path / "sessions").mkdir()
    recorder = spawn_recorder(bench_file, tmp_path / "elsewhere.benchmon")
    try:
        (tmp_path / "sessions" / "later.benchmon").write_text("written later")
        assert latest_session() == recorder.path
    finally:
        recorder.stop()
    assert latest_session() == tmp_path / "sessions" / "later.benchmon"


def test_headless_in_a_terminal_that_hangs_up(bench_file, tmp_path):
    path = tmp_path / "a.benchmon"
    screen = Terminal("run", str(bench_file), "--headless", "--for", "3s", "--session", str(path))
    view = open_session_view(until(lambda: path if path.exists() and path.stat().st_size > 4096 else None))
    until(lambda: view.poll().judgements)
    os.close(screen.line)
    os.waitpid(screen.pid, 0)
    update = open_session_view(path).poll()
    assert update.state is RecorderState.FINISHED
    assert update.events[-1].message == "recording stopped after 3 s, as asked"


@pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed here")
def test_two_screens_in_tmux_on_one_recorder(bench_file, tmp_path):
    recorder = spawn_recorder(bench_file, tmp_path / "a.benchmon")
    tmux = ["tmux", "-S", str(tmp_path / "tmux"), "-f", "/dev/null"]
    attach = f"LC_ALL=C.UTF-8 {' '.join(BENCHMON)} attach {recorder.path}"

    def pane(number):
        command = [*tmux, "capture-pane", "-p", "-t", f"bench:0.{number}"]
        return subprocess.run(command, capture_output=True, text=True, check=False).stdout

    try:
        subprocess.run([*tmux, "new-session", "-d", "-s", "bench", "-x", "162", "-y", "24", attach], check=True)
        subprocess.run([*tmux, "split-window", "-h", "-t", "bench", attach], check=True)
        until(lambda: all("agrees" in pane(number) for number in (0, 1)))
        subprocess.run([*tmux, "kill-pane", "-t", "bench:0.0"], check=True)
        view = open_session_view(recorder.path)
        before = view.poll().now
        until(lambda: view.poll().now > before + 0.5)
        until(lambda: "recording" in pane(0))
        assert view.poll().state is RecorderState.RECORDING
    finally:
        subprocess.run([*tmux, "kill-server"], check=False)
        recorder.stop()
