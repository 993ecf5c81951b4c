"""A demo whose terminal was closed ends itself, with all of its processes; one that is looked at goes on."""

import os
import signal
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from benchmon.errors import SessionFileError
from benchmon.session.follower import open_session_view
from benchmon.session.records import RecorderState
from benchmon_simulated.scenarios import scenario_named
from support.waiting import until

DEMO = """
import subprocess, sys, time
like, saved, session = sys.argv[1:]
simulate = (
    "from pathlib import Path; from benchmon.cli.simulate import run_simulator;"
    f"run_simulator(Path({like!r}), Path({saved!r}), Path({session!r}), 1, alone_limit=0.5)"
)
quiet = dict(stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)
recorder = [sys.executable, "-m", "benchmon.recorder", saved, "--session", session, "--wait", "60"]
for command in ([sys.executable, "-c", simulate], recorder):
    print(subprocess.Popen(command, **quiet).pid, flush=True)
sys.stdin.read()
"""


@pytest.fixture
def demo(tmp_path):
    """Return the process that shows a demo, the pids of its simulated bench and recorder, and its session."""
    session = tmp_path / "demo.benchmon"
    (tmp_path / "bench").mkdir()
    command = [sys.executable, "-c", DEMO, str(scenario_named("bridge").path)]
    command += [str(tmp_path / "bench" / "bench.toml"), str(session)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as shown:
        pids = [int(shown.stdout.readline()) for _ in range(2)]
        yield shown, pids, session
        shown.kill()
    for pid in pids:
        if lives(pid):
            os.kill(pid, signal.SIGKILL)


def lives(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def update_of(session):
    try:
        with closing(open_session_view(session)) as view:
            update = view.poll()
    except SessionFileError:
        return None
    return update if update.state is RecorderState.RECORDING and update.judgements else None


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="who has a file open is known from /proc")
def test_a_demo_that_nobody_looks_at_ends_with_all_its_processes(demo, tmp_path):
    shown, pids, session = demo
    until(lambda: update_of(session))
    assert all(map(lives, pids))
    with session.open("rb"), closing(open_session_view(session)) as screen:
        shown.kill()
        shown.wait()
        # Another screen looks at it still: it goes on for longer than it would alone.
        before = screen.poll().now
        until(lambda: screen.poll().now > before + 3.0)
        assert all(map(lives, pids))
    until(lambda: not any(map(lives, pids)))
    with closing(open_session_view(session)) as view:
        update = view.poll()
    assert update.state is RecorderState.FINISHED
    assert any("nobody has looked at this demo" in event.message for event in update.events)
    assert not (tmp_path / "bench").exists()
