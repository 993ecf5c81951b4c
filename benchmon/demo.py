"""The simulated bench as a process of its own, so that a demo goes the same way over the wire as a real bench.

It is started before anything else is loaded, and this side loads none of its physics.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click

from benchmon.errors import BadInput, BenchmonError
from benchmon.session.naming import path_for
from benchmon_simulated.scenarios import scenario_named

START_LIMIT = 15.0


@contextmanager
def demo_bench(
    scenario: str,
    session: Path | None,
    faults: Sequence[str] = (),
    meanwhile: Callable[[Path, Path], object] = lambda *_: None,
) -> Iterator[tuple[Path, Path]]:
    """Start the simulated instruments of a scenario; give the bench file with their addresses, and the session file.

    `faults` befall it besides those of the scenario; `meanwhile` is called with both files while it starts, and before
    they are there.
    The instruments are a process of their own. It ends by itself when the session is over, so that a recorder which
    goes on after the screen was left still has instruments to read.
    """
    chosen = scenario_named(scenario)
    source = chosen.path
    path = session or path_for(tomllib.loads(source.read_text(encoding="utf-8"))["title"])
    with tempfile.TemporaryDirectory(prefix="benchmon-") as folder:
        bench_file = Path(folder) / source.name
        simulator = _start_simulator(source, bench_file, path, (*chosen.faults, *faults), meanwhile)
        try:
            yield bench_file, path
        finally:
            if simulator.poll():
                click.echo(_last_words(simulator), err=True)
            elif not _is_recording(path):
                simulator.terminate()
                simulator.wait(10)


def _last_words(simulator: subprocess.Popen[str]) -> str:
    said = simulator.stderr.read().strip() if simulator.stderr else ""
    return said or "benchmon: the simulated bench ended, and did not say why"


def _start_simulator(
    source: Path, bench_file: Path, session: Path, faults: Sequence[str], meanwhile: Callable[[Path, Path], object]
) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "benchmon", "simulate", str(source)]
    command += ["--save-bench", str(bench_file), "--until-finished", str(session)]
    command += [f"--fault={fault}" for fault in faults]
    simulator = subprocess.Popen(  # noqa: S603 - this very program
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        meanwhile(bench_file, session)
    except BaseException:
        simulator.kill()
        raise
    give_up = time.monotonic() + START_LIMIT
    while not bench_file.exists():
        if simulator.poll() is not None:
            raise BadInput(_last_words(simulator).removeprefix("benchmon: "))
        if time.monotonic() > give_up:
            simulator.kill()
            raise BadInput(f"the simulated bench did not start within {START_LIMIT:.0f} s")
        time.sleep(0.01)
    return simulator


def _is_recording(session: Path) -> bool:
    """Return whether a recorder writes the session file at `session`."""
    from benchmon.session.follower import open_session_view  # noqa: PLC0415 - not needed before the end

    try:
        return open_session_view(session).live
    except BenchmonError:
        return False
