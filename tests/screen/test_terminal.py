"""The screen in real terminals: in tmux as a person sees it, and on a bare pty to count what is sent."""

from __future__ import annotations

import os
import pty
import re
import select
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from fcntl import ioctl
from pathlib import Path
from struct import pack
from termios import TIOCSWINSZ

import pytest

PLAY = """
import sys
from pathlib import Path
sys.path.insert(0, {folder!r})
from support.session_view import FakeView, all_agree, judgement
from benchmon.screen.app import run_screen

class View(FakeView):
    def poll(self):
        if Path({go!r}).exists() and not self.requests:
            self.requests.append("seen")
            self.push(judgement("output voltage", 24.9, 24.0))
        return super().poll()

view = View()
all_agree(view, 61.0)
print("left:", run_screen(view))
"""
PATIENCE = 60.0


def until(condition: Callable[[], bool], patience: float = PATIENCE) -> bool:
    """Look again and again, for a bounded time."""
    end = time.monotonic() + patience
    while time.monotonic() < end:
        if condition():
            return True
        select.select([], [], [], 0.05)
    return False


@pytest.fixture
def script(tmp_path: Path) -> Path:
    file = tmp_path / "play.py"
    file.write_text(PLAY.format(folder=str(Path(__file__).parents[1]), go=str(tmp_path / "go")), encoding="utf-8")
    return file


class Tmux:
    """A tmux server of its own, 80x24."""

    def __init__(self, socket: Path, command: str) -> None:
        self._tmux = ["tmux", "-S", str(socket), "-f", "/dev/null"]
        self.do("new-session", "-d", "-x", "80", "-y", "24", command)

    def do(self, *words: str) -> str:
        done = subprocess.run([*self._tmux, *words], capture_output=True, text=True, timeout=PATIENCE, check=False)
        return done.stdout

    def pane(self) -> str:
        return self.do("capture-pane", "-p")

    def shows(self, *words: str) -> bool:
        return until(lambda: all(word in self.pane() for word in words))


@pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed here; it is what shows the screen")
@pytest.mark.parametrize("colours", ["", "NO_COLOR=1 "])
def test_a_person_sees_the_bench_gets_help_and_leaves(script, tmp_path, colours):
    command = f"LC_ALL=C.UTF-8 {colours}{sys.executable} {script}; read -r _"
    tmux = Tmux(tmp_path / "tmux", command)
    try:
        assert tmux.shows("✓ As expected: 12 channels agree", "recording   0:01:01", "q Quit"), tmux.pane()
        first = tmux.pane()
        assert "24.20 V" in first
        assert "├" in first
        colour = re.compile(r"\x1b\[[\d;]*3[0-7]m")
        coloured = tmux.do("capture-pane", "-p", "-e")
        assert bool(colour.search(coloured)) == (not colours)
        tmux.do("send-keys", "?")
        assert tmux.shows("no protective device", "As expected"), tmux.pane()
        tmux.do("send-keys", "Escape")
        assert tmux.shows("output voltage", "q Quit"), tmux.pane()
        tmux.do("send-keys", "q")
        assert tmux.shows("leave the screen?", "As expected", "output voltage"), tmux.pane()
        tmux.do("send-keys", "k")
        assert tmux.shows("left: The recorder goes on"), tmux.pane()
        assert "As expected" not in tmux.pane(), "the terminal is as it was before"
    finally:
        tmux.do("kill-server")


def test_only_what_changed_is_sent(script, tmp_path):
    leader, follower = pty.openpty()
    ioctl(follower, TIOCSWINSZ, pack("HHHH", 24, 80, 0, 0))
    environment = os.environ | {"LC_ALL": "C.UTF-8", "TERM": "xterm-256color", "BENCHMON_BAUD": "1000000"}
    environment.pop("NO_COLOR", None)
    with subprocess.Popen(
        [sys.executable, str(script)], stdin=follower, stdout=follower, stderr=follower, env=environment
    ) as screen:
        os.close(follower)
        try:
            assert "Quit" in read_until(leader, lambda sent: "Quit" in sent)
            settle(leader)
            assert settle(leader, 1.2) == "", "nothing changed, and still something was sent"
            (tmp_path / "go").touch()
            sent = read_until(leader, bool) + settle(leader)
            assert "9" in sent
            assert "mains" not in sent
            assert len(sent) < 100
            os.write(leader, b"q")
            read_until(leader, lambda sent: "leave the screen" in sent)
            os.write(leader, b"k")
            read_until(leader, lambda sent: "goes on" in sent)
            assert screen.wait(PATIENCE) == 0
        finally:
            screen.kill()
            os.close(leader)


def read_until(leader: int, enough: Callable[[str], bool]) -> str:
    """Read until `enough` of what came, or for a bounded time."""
    sent = ""
    end = time.monotonic() + PATIENCE
    while not enough(sent) and time.monotonic() < end:
        sent += read_some(leader, 0.2)
    return sent


def settle(leader: int, calm: float = 0.7) -> str:
    """Read until nothing came for `calm` seconds; return what came."""
    sent = ""
    while some := read_some(leader, calm):
        sent += some
    return sent


def read_some(leader: int, wait: float) -> str:
    ready, _, _ = select.select([leader], [], [], wait)
    return os.read(leader, 65536).decode("utf-8", "replace") if ready else ""
