"""The simulated bench as a process of its own, so that a demo goes the same way over the wire as a real bench."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event

import click

from benchmon.bench import load_bench
from benchmon.errors import BadInput, BenchmonError, SessionFileError
from benchmon.printing import table
from benchmon.session.follower import open_session_view
from benchmon.session.places import new_session_path
from benchmon_simulated import SimulatedBench, rewrite_addresses
from benchmon_simulated.scenarios import SCENARIOS, scenario_named

_START_LIMIT = 15.0
_SESSION_LIMIT = 60.0


def scenarios_as_text() -> str:
    """Return the scenarios as a table."""
    rows = [(scenario.name, scenario.description) for scenario in SCENARIOS]
    return table(("scenario", "what is on the bench (all invented)"), rows)


@contextmanager
def demo_bench(scenario: str, session: Path | None) -> Iterator[tuple[Path, Path]]:
    """Start the simulated instruments of a scenario; give the bench file with their addresses, and the session file.

    The instruments are a process of their own. It ends by itself when the session is over, so that a recorder which
    goes on after the screen was left still has instruments to read.
    """
    source = scenario_named(scenario).path
    path = session or new_session_path(load_bench(source))
    with tempfile.TemporaryDirectory(prefix="benchmon-") as folder:
        bench_file = Path(folder) / source.name
        simulator = _start_simulator(source, bench_file, path)
        try:
            yield bench_file, path
        finally:
            if not _is_recording(path):
                simulator.terminate()
                simulator.wait(10)


def _start_simulator(source: Path, bench_file: Path, session: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "benchmon", "simulate", str(source)]
    command += ["--save-bench", str(bench_file), "--until-finished", str(session)]
    simulator = subprocess.Popen(  # noqa: S603 - this very program
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    give_up = time.monotonic() + _START_LIMIT
    while not bench_file.exists():
        if simulator.poll() is not None:
            said = simulator.stderr.read().strip() if simulator.stderr else ""
            raise BadInput(said.removeprefix("benchmon: ") or "the simulated bench did not start")
        if time.monotonic() > give_up:
            simulator.kill()
            raise BadInput(f"the simulated bench did not start within {_START_LIMIT:.0f} s")
        time.sleep(0.01)
    return simulator


def _is_recording(session: Path) -> bool:
    try:
        return open_session_view(session).live
    except BenchmonError:
        return False


def run_simulator(bench_file: Path, save_bench: Path | None, until_finished: Path | None, seed: int) -> None:
    """Run the simulated instruments of a bench file, print a line with name and address each, and wait for the end.

    The end is Ctrl-C, SIGTERM, or that the session `until_finished` is over. `save_bench` is written with the addresses
    filled in. Raises `BadInput` where an instrument has no simulated twin or the file cannot be written.
    """
    bench = load_bench(bench_file)
    if not bench.instrument:
        raise BadInput(f"{bench_file}: has no [[instrument]], so there is nothing to simulate")
    stop = Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: stop.set())
    with SimulatedBench(bench, seed=seed) as simulated:
        for name, address in simulated.addresses.items():
            click.echo(f"{name} {address}")
        if save_bench is not None:
            _write_beside(save_bench, rewrite_addresses(bench.source, simulated.addresses))
        _wait(stop, until_finished)


def _write_beside(path: Path, text: str) -> None:
    """Write `text` to `path` so that it is there whole or not at all."""
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as problem:
        raise BadInput(f"{path}: cannot be written: {problem.strerror or problem}") from problem


def _wait(stop: Event, until_finished: Path | None) -> None:
    if until_finished is None:
        stop.wait()
        return
    give_up = time.monotonic() + _SESSION_LIMIT
    while not until_finished.exists() and time.monotonic() < give_up and not stop.wait(0.2):
        pass
    while not stop.wait(1.0):
        try:
            if not open_session_view(until_finished).live:
                return
        except SessionFileError:
            return
