"""The simulated bench as a process of its own, so that a demo goes the same way over the wire as a real bench."""

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

from benchmon.errors import BadInput, BenchmonError
from benchmon.session.naming import path_for
from benchmon_simulated.scenarios import scenario_named

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
    from benchmon.session.follower import open_session_view  # noqa: PLC0415 - not needed before the end

    try:
        return open_session_view(session).live
    except BenchmonError:
        return False
