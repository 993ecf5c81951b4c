"""What the commands do where standard output goes nowhere: a reader that has gone, a full disk, a closed stream."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest

from benchmon.cli.main import main
from support.commands import run_command

BENCH = files("benchmon_simulated") / "benches" / "bridge.toml"
COMMANDS = [["--help"], ["keys"], ["manual", "plan"], ["predict", str(BENCH)], ["check", str(BENCH)]]
BENCHMON = [sys.executable, "-m", "benchmon"]


def run(command, *, stdout=None, closed=()):
    """Run a command in a process of its own, with some of its standard streams `closed`."""

    def close():
        for number in closed:
            os.close(number)

    return subprocess.run(
        [*BENCHMON, *command],
        stdin=subprocess.DEVNULL,
        stdout=stdout,
        stderr=subprocess.PIPE if 2 not in closed else None,
        text=True,
        check=False,
        preexec_fn=close,
    )


@pytest.mark.parametrize("command", COMMANDS, ids=lambda words: words[0])
def test_a_reader_that_has_gone_is_no_answer(command):
    """Status 1 would say that a margin is negative; `| head -1` must not."""
    read, write = os.pipe()
    os.close(read)
    try:
        done = run(command, stdout=write)
    finally:
        os.close(write)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
@pytest.mark.parametrize("command", COMMANDS, ids=lambda words: words[0])
def test_an_answer_that_cannot_be_written_is_an_error_of_one_line(command):
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        done = run(command, stdout=full)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "standard output cannot be written: No space left on device" in done.stderr


@pytest.mark.parametrize("closed", [(1,), (0, 1), (0, 1, 2)], ids=["output", "input and output", "all"])
def test_closed_streams_are_no_trouble(closed):
    for command in (["keys"], ["manual", "plan"]):
        done = run(command, closed=closed)
        assert (done.returncode, done.stderr or "") == (0, "")


def test_the_program_alone_shows_its_help():
    assert (alone := run_command()).returncode == 0
    assert alone.stdout == run_command("--help").stdout


def test_an_error_names_the_help_of_its_own_command(capsys):
    for command, where in ((["predict"], "benchmon predict --help"), (["nope"], "benchmon --help")):
        with pytest.raises(SystemExit, match="2"):
            main(command)
        assert f"(see {where})" in capsys.readouterr().err
