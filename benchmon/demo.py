"""The simulated bench as a process of its own, so that a demo goes the same way over the wire as a real bench."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Event

import click

from benchmon.bench import load_bench
from benchmon.errors import BadInput, BenchmonError, one_line
from benchmon.printing import table
from benchmon.session.follower import open_session_view
from benchmon.session.places import new_session_path
from benchmon_simulated import SimulatedBench, rewrite_addresses
from benchmon_simulated.faults import FAULTS, Fault
from benchmon_simulated.order_lines import OrderLines
from benchmon_simulated.scenarios import SCENARIOS, scenario_named

_START_LIMIT = 15.0
_SESSION_LIMIT = 60.0


def scenarios_as_text() -> str:
    """Return the scenarios and the faults as tables."""
    rows = [(scenario.name, scenario.description) for scenario in SCENARIOS]
    scenarios = table(("scenario", "what is on the bench (all invented)"), rows)
    faults = [(_spelt(fault), fault.description) for fault in FAULTS]
    return f"{scenarios}\n\n{table(('fault (--fault NAME)', 'what happens'), faults)}"


def _spelt(fault: type[Fault]) -> str:
    return f"{fault.name}[:{fault.strikes}]" if fault.strikes else fault.name


@contextmanager
def demo_bench(scenario: str, session: Path | None, faults: Sequence[str] = ()) -> Iterator[tuple[Path, Path]]:
    """Start the simulated instruments of a scenario; give the bench file with their addresses, and the session file.

    `faults` befall it besides those of the scenario.
    The instruments are a process of their own. It ends by itself when the session is over, so that a recorder which
    goes on after the screen was left still has instruments to read.
    """
    chosen = scenario_named(scenario)
    source = chosen.path
    path = session or new_session_path(load_bench(source))
    with tempfile.TemporaryDirectory(prefix="benchmon-") as folder:
        bench_file = Path(folder) / source.name
        simulator = _start_simulator(source, bench_file, path, (*chosen.faults, *faults))
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


def _start_simulator(source: Path, bench_file: Path, session: Path, faults: Sequence[str]) -> subprocess.Popen[str]:
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
    give_up = time.monotonic() + _START_LIMIT
    while not bench_file.exists():
        if simulator.poll() is not None:
            raise BadInput(_last_words(simulator).removeprefix("benchmon: "))
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


def run_simulator(
    bench_file: Path, save_bench: Path | None, until_finished: Path | None, seed: int, faults: Sequence[str] = ()
) -> None:
    """Run the simulated instruments of a bench file, print a line with name and address each, and wait for the end.

    The end is Ctrl-C, SIGTERM, or that the session `until_finished` is over. `save_bench` is written with the addresses
    filled in. Orders come line by line on standard input. Raises `BadInput` where an instrument has no simulated twin,
    a fault is none, or the file cannot be written; `BenchmonError` where the simulated bench breaks.
    """
    bench = load_bench(bench_file)
    if not bench.instrument:
        raise BadInput(f"{bench_file}: has no [[instrument]], so there is nothing to simulate")
    stop = Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: stop.set())
    with SimulatedBench(bench, seed, faults, tell=_tell) as simulated:
        for name, address in simulated.addresses.items():
            _tell(f"{name} {address}")
        if save_bench is not None:
            _write_beside(save_bench, rewrite_addresses(bench.source, simulated.addresses))
        _serve(simulated, stop, until_finished)


def _tell(line: str) -> None:
    # Who started it may have gone, and then nobody reads.
    with suppress(BrokenPipeError):
        click.echo(line)


def _write_beside(path: Path, text: str) -> None:
    """Write `text` to `path` so that it is there whole or not at all."""
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as problem:
        raise BadInput(f"{path}: cannot be written: {problem.strerror or problem}") from problem


def _serve(simulated: SimulatedBench, stop: Event, until_finished: Path | None) -> None:
    """Obey orders until the end; raise `BenchmonError` where the simulated bench broke."""
    orders = OrderLines()
    give_up, look_again = time.monotonic() + _SESSION_LIMIT, time.monotonic()
    while not stop.is_set():
        for line in orders.wait(0.2):
            _tell(_answer(simulated, line))
        _raise_if_broken(simulated)
        if until_finished is None or time.monotonic() < look_again:
            continue
        look_again = time.monotonic() + 1.0
        begins = not until_finished.exists() and time.monotonic() < give_up
        if not begins and not _is_recording(until_finished):
            return


def _answer(simulated: SimulatedBench, line: str) -> str:
    try:
        return simulated.order(line)
    except BadInput as problem:
        return str(problem)


def _raise_if_broken(simulated: SimulatedBench) -> None:
    try:
        simulated.wait(0)
    except BenchmonError:
        raise
    except Exception as problem:
        raise BenchmonError(f"the simulated bench broke: {type(problem).__name__}: {one_line(problem)}") from problem
