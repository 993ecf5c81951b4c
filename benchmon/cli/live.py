"""The command for a meter without an interface.

Commands for a lab with several benches.

The simulated bench as a process of its own, so that a demo goes the same way over the wire as a real bench.
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

from benchmon.cli.options import ASCII, PATH
from benchmon.errors import EXIT_ANSWER_IS_NO, EXIT_DONE, BadInput, BenchmonError
from benchmon.session.session_files import path_for
from benchmon_simulated.scenarios import scenario_named


# A value may be negative, and "-5 V" is no option.
@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("channel")
@click.argument("value")
@click.option("--session", type=PATH, metavar="FILE", help="The session; the latest that is recorded, if not named.")
def enter(channel: str, value: str, session: Path | None) -> int:
    """Hand to a running recorder what the display of a `hand` instrument shows: enter vout "22.14 V"."""
    from benchmon.session.client import enter_reading
    from benchmon.session.session_files import latest_session

    click.echo(enter_reading(session or latest_session(), channel, value))
    return EXIT_DONE


HAND_COMMANDS = (enter,)


_BROKER_WITHIN = 5.0
_LISTEN = 2.0
"""Seconds in which every bench that lives is heard at least once."""


@click.command()
@click.argument("url")
@click.option("--once", is_flag=True, help="Print how the benches stand now, and end; status 1 if one is in danger.")
@ASCII
def benches(url: str, once: bool, ascii_only: bool) -> int:
    """Show all benches that are published to a broker: URL is mqtt://host/lab."""
    from benchmon.publish.broker import read_broker
    from benchmon.publish.lab import Overview, overview_as_text
    from benchmon.watch.status import Level

    overview = Overview(read_broker(url))
    if not once and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise BadInput("the screen needs a terminal; use --once where there is none")
    overview.start()
    try:
        overview.wait_for_broker(_BROKER_WITHIN)
        if not once:
            from benchmon.screen.lab_app import show_lab

            show_lab(overview, ascii_only=ascii_only)
            return EXIT_DONE
        time.sleep(_LISTEN)
        found = overview.benches()
    finally:
        overview.stop()
    click.echo(overview_as_text(found))
    return EXIT_ANSWER_IS_NO if any(bench.level is Level.DANGER for bench in found) else EXIT_DONE


LAB_COMMANDS = (benches,)


START_LIMIT = 15.0
_LOOK_EVERY = 0.01


class DemoBench:
    """A simulated bench of a scenario: `like` is its bench file but for the addresses.

    `bench_file` is to come, `session` is new. A context: `start` and `until_ready` belong in it, and at its end the
    files of the bench are gone. The instruments are a process of their own. It ends by itself when the session is
    over, so that a recorder which goes on after the screen was left still has instruments to read. Raises `BadInput`
    for no scenario.
    """

    def __init__(self, scenario: str, session: Path | None) -> None:
        self._scenario = scenario_named(scenario)
        self.like = self._scenario.path
        self.session = session or path_for(tomllib.loads(self.like.read_text(encoding="utf-8"))["title"])
        self._simulator: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self._kept = ExitStack()
        folder = self._kept.enter_context(tempfile.TemporaryDirectory(prefix="benchmon-"))
        self._errors = self._kept.enter_context(tempfile.TemporaryFile())
        self.bench_file = Path(folder) / self.like.name
        return self

    def start(self, faults: Sequence[str]) -> None:
        """Start the instruments. `faults` befall them besides those of the scenario."""
        command = [sys.executable, "-P", "-m", "benchmon", "simulate", str(self.like)]
        command += ["--save-bench", str(self.bench_file), "--until-finished", str(self.session)]
        command += [f"--fault={fault}" for fault in (*self._scenario.faults, *faults)]
        self._simulator = subprocess.Popen(  # noqa: S603 - this program
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=self._errors,
            start_new_session=True,
        )

    def until_ready(self) -> None:
        """Wait until the bench file is there. Raises `BadInput`, in the simulator's words, where it does not come."""
        give_up = time.monotonic() + START_LIMIT
        while not self.bench_file.exists():
            if self._simulator is None or self._simulator.poll() is not None:
                raise BadInput(self._last_words().removeprefix("benchmon: "))
            if time.monotonic() > give_up:
                self._simulator.kill()
                raise BadInput(f"the simulated bench did not start within {START_LIMIT:.0f} s")
            time.sleep(_LOOK_EVERY)

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
                click.echo(self._last_words(), err=True)
        elif not _is_recording(self.session):
            simulator.terminate()
            simulator.wait(10)

    def _last_words(self) -> str:
        self._errors.seek(0)
        said = self._errors.read().decode("utf-8", "replace").strip()
        return said or "benchmon: the simulated bench ended, and did not say why"


def _is_recording(session: Path) -> bool:
    """Return whether a recorder writes the session file at `session`."""
    from benchmon.session.follower import open_session_view

    try:
        return open_session_view(session).live
    except BenchmonError:
        return False
