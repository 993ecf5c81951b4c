"""The process of the simulated bench: it runs the instruments of a bench file and takes commands."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from threading import Event, Timer
from typing import TYPE_CHECKING

import click

from benchmon.atomic_file import whole_file
from benchmon.bench import load_bench
from benchmon.errors import EXIT_DONE, BadInput, BenchmonError
from benchmon.text import one_line, table
from benchmon_simulated import Effects, SimulatedBench
from benchmon_simulated.commands import CommandLines
from benchmon_simulated.faults import FAULTS, FURTHER_FAULTS, Fault
from benchmon_simulated.scenarios import SCENARIOS

if TYPE_CHECKING:
    from benchmon.cli.demo_session import DemoSession

ALONE_LIMIT = 120.0
"""Seconds after which a demo that nobody looks at ends."""
_END_LIMIT = 10.0
_FOLLOW_AFTER = 1.0
"""Seconds after which the session of a demo is followed: before, its recorder connects to everything at once."""


def scenarios_as_text() -> str:
    """Return the scenarios and the faults as tables."""
    rows = [(scenario.name, scenario.description) for scenario in SCENARIOS]
    rows.append(("transformer", "no bench: the tests of a transformer as it comes in, printed with what they give"))
    rows.append(("batch", "no bench: ten units of one design, recorded in seconds and set side by side"))
    scenarios = table(("scenario", "what is on the bench (all invented)"), rows)
    faults, further = ([(_usage_of(fault), fault.description) for fault in kinds] for kinds in (FAULTS, FURTHER_FAULTS))
    catalogue = table(("fault (--fault NAME)", "what happens"), faults)
    rare = table(("rarer fault", "what happens"), further)
    return f"{scenarios}\n\n{catalogue}\n\n{rare}"


def _usage_of(fault: type[Fault]) -> str:
    return f"{fault.name}[:{fault.target}]" if fault.target else fault.name


def run_simulator(
    bench_file: Path,
    save_bench: Path | None,
    until_finished: Path | None,
    seed: int,
    faults: Sequence[str] = (),
    effects: str = "none",
    alone_limit: float = ALONE_LIMIT,
) -> None:
    """Run the simulated instruments of a bench file, print a line with name and address each, and wait for the end.

    The end is Ctrl-C, SIGTERM, or that the session `until_finished` is over; that session is ended when nobody has
    looked at it for `alone_limit` seconds. `effects` of a real bench are "none", "real" or "double". `save_bench` is
    written with the addresses filled in. Commands come line by line on standard input. Raises `BadInput` where an
    instrument cannot be simulated, a fault is none, or the file cannot be written; `BenchmonError` where the simulated
    bench breaks.
    """
    bench = load_bench(bench_file)
    if not bench.instrument:
        raise BadInput(f"{bench_file}: has no [[instrument]], so there is nothing to simulate")
    stop = Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: stop.set())
    demo = os.getppid()
    # If an instrument's thread does not end, the process does: nobody would see it live on.
    watchdog = Timer(_END_LIMIT, os._exit, (EXIT_DONE,))
    watchdog.daemon = True
    try:
        with SimulatedBench(bench, seed, faults, _print_line, Effects.named(effects)) as simulated:
            authorities = simulated.authorities()
            for name, address in simulated.addresses.items():
                _print_line(f"{name} {address}" + (f" ca {authorities[name]}" if name in authorities else ""))
            if save_bench is not None:
                with whole_file(save_bench, force=True) as part:
                    part.write_text(simulated.bench_text(), encoding="utf-8")
            follow_demo = partial(_follow_demo, until_finished, alone_limit, demo) if until_finished else None
            _serve(simulated, stop, follow_demo)
            watchdog.start()
    finally:
        watchdog.cancel()
        if until_finished is not None and os.getppid() != demo and save_bench is not None:
            with suppress(OSError):
                save_bench.unlink()
                save_bench.parent.rmdir()


def _print_line(line: str) -> None:
    # The process that started this one may have ended, and then nobody reads.
    with suppress(BrokenPipeError):
        click.echo(line)


def _serve(simulated: SimulatedBench, stop: Event, follow_demo: Callable[[], DemoSession] | None) -> None:
    """Execute commands until the end. Raises `BenchmonError` if the simulated bench broke."""
    lines, demo, begin = CommandLines(), None, time.monotonic() + _FOLLOW_AFTER
    while not stop.is_set():
        for line in lines.wait(0.2):
            _print_line(_answer(simulated, line))
        _raise_if_broken(simulated)
        if demo is None and follow_demo is not None and time.monotonic() >= begin:
            demo = follow_demo()
        if demo is not None and demo.is_over():
            return


def _follow_demo(session: Path, alone_limit: float, demo: int) -> DemoSession:
    from benchmon.cli.demo_session import DemoSession

    return DemoSession(session, alone_limit, demo)


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
