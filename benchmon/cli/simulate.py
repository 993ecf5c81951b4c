"""The process of the simulated bench: it runs the instruments of a bench file and takes commands."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Sequence
from contextlib import closing, suppress
from pathlib import Path
from threading import Event, Timer

import click

from benchmon.atomic_file import whole_file
from benchmon.bench import load_bench
from benchmon.errors import EXIT_DONE, BadInput, BenchmonError
from benchmon.session.database import recorded_by
from benchmon.session.follower import open_session_view
from benchmon.session.recorder_lock import is_recorded
from benchmon.session.records import RecorderState
from benchmon.session.requests import Note, StopRecording
from benchmon.text import one_line, table
from benchmon_simulated import Effects, SimulatedBench
from benchmon_simulated.commands import CommandLines
from benchmon_simulated.faults import FAULTS, FURTHER_FAULTS, Fault
from benchmon_simulated.scenarios import SCENARIOS

_SESSION_LIMIT = 60.0
_CHECK_SECONDS = 1.0
ALONE_LIMIT = 120.0
"""Seconds after which a demo that nobody looks at ends."""
_END_LIMIT = 10.0


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
    demo = None if until_finished is None else _DemoSession(until_finished, alone_limit)
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
            _serve(simulated, stop, demo)
            watchdog.start()
    finally:
        watchdog.cancel()
        if demo is not None and not demo.has_its_process and save_bench is not None:
            with suppress(OSError):
                save_bench.unlink()
                save_bench.parent.rmdir()


def _print_line(line: str) -> None:
    # The process that started this one may have ended, and then nobody reads.
    with suppress(BrokenPipeError):
        click.echo(line)


def _serve(simulated: SimulatedBench, stop: Event, demo: _DemoSession | None) -> None:
    """Execute commands until the end. Raises `BenchmonError` if the simulated bench broke."""
    lines = CommandLines()
    while not stop.is_set():
        for line in lines.wait(0.2):
            _print_line(_answer(simulated, line))
        _raise_if_broken(simulated)
        if demo is not None and demo.is_over():
            return


class _DemoSession:
    """The session of a demo: the simulated bench ends with it, and ends it when nobody looks any more.

    `alone_limit` is for how many seconds nobody may look: not the demo's own process, and no screen.
    """

    def __init__(self, path: Path, alone_limit: float) -> None:
        self._path, self._alone_limit = path, alone_limit
        self._demo = os.getppid()
        now = time.monotonic()
        self._give_up, self._look_again, self._last_seen = now + _SESSION_LIMIT, now, now
        self._began = False

    @property
    def has_its_process(self) -> bool:
        """Whether the process that started this one is there still."""
        return os.getppid() == self._demo

    def is_over(self) -> bool:
        """Return whether the session is over; looks once a second."""
        now = time.monotonic()
        if now < self._look_again:
            return False
        self._look_again = now + _CHECK_SECONDS
        # The file is there a moment before its recorder counts as alive: what has not begun has not ended.
        state = _state_of(self._path)
        self._began = self._began or state is RecorderState.RECORDING
        if state is RecorderState.RECORDING:
            self._end_if_alone(now)
            return False
        if state is RecorderState.FINISHED:
            return True
        # A recorder that stands still for a while reads on when it goes on.
        return (self._began or now >= self._give_up) and not is_recorded(self._path)

    def _end_if_alone(self, now: float) -> None:
        if self.has_its_process or _is_followed(self._path):
            self._last_seen = now
        elif now - self._last_seen >= self._alone_limit:
            self._last_seen = now
            with suppress(BenchmonError), closing(open_session_view(self._path)) as view:
                view.request(Note(f"nobody has looked at this demo for {self._alone_limit:.0f} s, so it ends"))
                view.request(StopRecording())


def _state_of(session: Path) -> RecorderState:
    try:
        with closing(open_session_view(session, recent=0.0)) as view:
            return view.poll().state
    except BenchmonError:
        return RecorderState.GONE


def _is_followed(session: Path) -> bool:
    """Return whether a process has the session file open besides its recorder and this one.

    Without /proc that is not known, and the session counts as not followed.
    """
    others = {recorded_by(session), os.getpid()}
    try:
        wanted = session.stat()
    except OSError:
        return False
    for folder in Path("/proc").glob("[0-9]*/fd"):
        with suppress(OSError):
            if int(folder.parent.name) not in others and any(_is_same(link, wanted) for link in folder.iterdir()):
                return True
    return False


def _is_same(link: Path, wanted: os.stat_result) -> bool:
    with suppress(OSError):
        return os.path.samestat(link.stat(), wanted)
    return False


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
