"""The process of the simulated bench: it runs the instruments of a bench file and takes commands."""

from __future__ import annotations

import signal
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from threading import Event

import click

from benchmon.atomic_file import whole_file
from benchmon.bench import load_bench
from benchmon.errors import BadInput, BenchmonError
from benchmon.session.follower import open_session_view
from benchmon.session.recorder_lock import is_recorded
from benchmon.session.records import RecorderState
from benchmon.text import one_line, table
from benchmon_simulated import SimulatedBench, rewrite_addresses
from benchmon_simulated.commands import CommandLines
from benchmon_simulated.faults import FAULTS, Fault
from benchmon_simulated.scenarios import SCENARIOS

_SESSION_LIMIT = 60.0
_CHECK_SECONDS = 1.0


def scenarios_as_text() -> str:
    """Return the scenarios and the faults as tables."""
    rows = [(scenario.name, scenario.description) for scenario in SCENARIOS]
    scenarios = table(("scenario", "what is on the bench (all invented)"), rows)
    faults = [(_usage_of(fault), fault.description) for fault in FAULTS]
    return f"{scenarios}\n\n{table(('fault (--fault NAME)', 'what happens'), faults)}"


def _usage_of(fault: type[Fault]) -> str:
    return f"{fault.name}[:{fault.target}]" if fault.target else fault.name


def run_simulator(
    bench_file: Path, save_bench: Path | None, until_finished: Path | None, seed: int, faults: Sequence[str] = ()
) -> None:
    """Run the simulated instruments of a bench file, print a line with name and address each, and wait for the end.

    The end is Ctrl-C, SIGTERM, or that the session `until_finished` is over. `save_bench` is written with the addresses
    filled in. Commands come line by line on standard input. Raises `BadInput` where an instrument cannot be simulated,
    a fault is none, or the file cannot be written; `BenchmonError` where the simulated bench breaks.
    """
    bench = load_bench(bench_file)
    if not bench.instrument:
        raise BadInput(f"{bench_file}: has no [[instrument]], so there is nothing to simulate")
    stop = Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: stop.set())
    with SimulatedBench(bench, seed, faults, notify=_print_line) as simulated:
        for name, address in simulated.addresses.items():
            _print_line(f"{name} {address}")
        if save_bench is not None:
            with whole_file(save_bench, force=True) as part:
                part.write_text(rewrite_addresses(bench.source, simulated.addresses), encoding="utf-8")
        _serve(simulated, stop, until_finished)


def _print_line(line: str) -> None:
    # The process that started this one may have ended, and then nobody reads.
    with suppress(BrokenPipeError):
        click.echo(line)


def _serve(simulated: SimulatedBench, stop: Event, until_finished: Path | None) -> None:
    """Execute commands until the end. Raises `BenchmonError` if the simulated bench broke."""
    lines = CommandLines()
    give_up, next_check = time.monotonic() + _SESSION_LIMIT, time.monotonic()
    began = False
    while not stop.is_set():
        for line in lines.wait(0.2):
            _print_line(_answer(simulated, line))
        _raise_if_broken(simulated)
        if until_finished is None or time.monotonic() < next_check:
            continue
        next_check = time.monotonic() + _CHECK_SECONDS
        # The file exists a moment before its recorder is seen to run: what has not begun has not ended.
        state = _state_of(until_finished)
        began = began or state is RecorderState.RECORDING
        if state is RecorderState.FINISHED or (
            state is not RecorderState.RECORDING
            and (began or time.monotonic() >= give_up)
            and not is_recorded(until_finished)  # a recorder that was suspended reads on when it continues
        ):
            return


def _state_of(session: Path) -> RecorderState:
    try:
        return open_session_view(session, recent=0.0).poll().state
    except BenchmonError:
        return RecorderState.GONE


def _answer(simulated: SimulatedBench, line: str) -> str:
    try:
        return simulated.execute(line)
    except BadInput as problem:
        return str(problem)


def _raise_if_broken(simulated: SimulatedBench) -> None:
    try:
        simulated.wait(0)
    except BenchmonError:
        raise
    except Exception as problem:
        raise BenchmonError(f"the simulated bench broke: {type(problem).__name__}: {one_line(problem)}") from problem
