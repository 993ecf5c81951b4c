"""The simulated bench of `demo` as a process, so that a demo uses the same sockets and lines as a real bench.

The batch of `demo batch` is recorded without lines and without a clock: ten units of an invented design in seconds.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Self

import click

from benchmon.bench import read_bench
from benchmon.cli.session_files import new_session_path
from benchmon.errors import EXIT_DONE, BadInput, BenchmonError
from benchmon.session.follower import open_session_view
from benchmon_simulated.scenarios import scenario_named

START_LIMIT = 15.0
_CHECK_SECONDS = 0.01


class DemoBench:
    """The simulated bench of a scenario, a context manager around `start` and `until_ready`.

    `like` is the scenario's bench file; `bench_file` is the one with real addresses, which the simulator writes;
    `session` is the path of the new session. The files of the bench are removed at the end. The simulator ends when
    the session is over, so that a recorder that continues without a screen still has instruments. Raises `BadInput` if
    the scenario does not exist.
    """

    def __init__(self, scenario: str, session: Path | None) -> None:
        self._scenario = scenario_named(scenario)
        self.like = self._scenario.path
        self.session = session or new_session_path(tomllib.loads(self.like.read_text(encoding="utf-8"))["title"])
        self._simulator: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self._kept = ExitStack()
        folder = self._kept.enter_context(tempfile.TemporaryDirectory(prefix="benchmon-"))
        self._errors = self._kept.enter_context(tempfile.TemporaryFile())
        self.bench_file = Path(folder) / self.like.name
        return self

    def start(self, faults: Sequence[str], effects: str) -> None:
        """Start the instruments, with `faults` in addition to those of the scenario, and `effects` of a real bench."""
        command = [sys.executable, "-P", "-m", "benchmon", "simulate", str(self.like)]
        command += ["--save-bench", str(self.bench_file), "--until-finished", str(self.session)]
        command += ["--effects", effects]
        command += [f"--fault={fault}" for fault in (*self._scenario.faults, *faults)]
        self._simulator = subprocess.Popen(  # noqa: S603 - this program
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=self._errors,
            start_new_session=True,
        )

    def until_ready(self) -> None:
        """Wait for the bench file. Raises `BadInput` with the simulator's message if it ends or takes too long."""
        give_up = time.monotonic() + START_LIMIT
        while not self.bench_file.exists():
            if self._simulator is None or self._simulator.poll() is not None:
                raise BadInput(self._error_message().removeprefix("benchmon: "))
            if time.monotonic() > give_up:
                self._simulator.kill()
                raise BadInput(f"the simulated bench did not start within {START_LIMIT:.0f} s")
            time.sleep(_CHECK_SECONDS)

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, where: TracebackType | None
    ) -> None:
        try:
            self._end()
        finally:
            self._kept.close()

    def _end(self) -> None:
        simulator = self._simulator
        if simulator is None:
            return
        if simulator.poll():
            if self.bench_file.exists():
                click.echo(self._error_message(), err=True)
        elif not _is_recording(self.session):
            simulator.terminate()
            simulator.wait(10)

    def _error_message(self) -> str:
        self._errors.seek(0)
        message = self._errors.read().decode("utf-8", "replace").strip()
        return message or "benchmon: the simulated bench ended without a message"


def _is_recording(session: Path) -> bool:
    """Return whether a recorder writes the session file at `session`."""
    try:
        return open_session_view(session).live
    except BenchmonError:
        return False


UNITS, DRIED = 10, 7
"""Units of the invented batch, and the number of the one whose reservoir has dried out."""
_SECONDS, _JUDGED, _EVERY = 40.0, 14.0, 2.0
"""Seconds that a unit is powered, how many of them are recorded, and how often each channel is read."""


def show_batch_demo(folder: Path | None) -> int:
    """Record a batch of invented units into `folder`, one that is removed where it is None, and print the batch.

    Raises `BadInput` where the folder holds anything already.
    """
    from benchmon.batch import batch_as_text
    from benchmon.batch.units import read_batch

    with ExitStack() as kept:
        if folder is None:
            place = Path(kept.enter_context(tempfile.TemporaryDirectory(prefix="benchmon-")))
        else:
            place = folder
            if place.exists() and (not place.is_dir() or any(place.iterdir())):
                raise BadInput(f"{place}: is there already; --session names a new folder for the sessions of the units")
            place.mkdir(parents=True, exist_ok=True)
        click.echo(
            f"{UNITS} units of an invented design, each with parts of its own; of unit {DRIED} the reservoir has"
        )
        click.echo("dried out. Each is recorded on the simulated bench, without waiting for the clock.\n")
        for number in range(1, UNITS + 1):
            _record_unit(place / f"unit-{number:02}.benchmon", number)
        click.echo(batch_as_text(read_batch(sorted(place.iterdir()))))
    where = place if folder is not None else "FOLDER, after benchmon demo batch --session FOLDER"
    click.echo(f"\nThe same by hand: benchmon batch {where}")
    return EXIT_DONE


def _record_unit(path: Path, number: int) -> None:
    """Write the session of one unit, cold and then powered for some time, with its expected values."""
    from benchmon.prediction.operating_point import OperatingPointPredictor
    from benchmon.session.writer import SessionWriter
    from benchmon.watch.watch import Watch
    from benchmon_simulated.offline import OfflineBench

    scenario = scenario_named("reservoir").path.read_text(encoding="utf-8")
    bench = read_bench(scenario.partition("[[step]]")[0])
    offline = OfflineBench(bench, number, faults=["dried-reservoir"] if number == DRIED else [])
    offline.advance(_SECONDS - _JUDGED)
    readings = [(one.time - _SECONDS + _JUDGED, one.channel, one.value) for one in offline.log(_SECONDS, _EVERY)]
    quantities = {channel.name: channel.quantity for channel in bench.channel}
    measured = {quantities[channel]: value for _, channel, value in readings}
    expected = OperatingPointPredictor(bench).at(
        measured.get("mains.voltage.rms"), measured.get("ambient.temperature"), None
    )
    watch = Watch(bench.channel)
    writer = SessionWriter(path, bench, time.monotonic(), {"serial": f"U-{number:02}", "operator": "the demo"})
    for at, channel, value in readings:
        quantity = quantities[channel]
        # Cases are still warming after so short a time, so nothing is expected of them yet.
        is_settled = not quantity.startswith(("diode.temperature", "load.temperature", "transformer.temperature"))
        known = expected.quantities.get(quantity) if is_settled else None
        judgement, events = watch.judge(channel, at, value, known)
        writer.put(judgement)
        for event in events:
            writer.put(event)
    writer.finish(_JUDGED)
