"""Work that takes long, beside the screen: how far it has come is told above the keys, and it can be called off."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from threading import Event, Thread
from typing import TYPE_CHECKING

from benchmon.bench import Bench
from benchmon.errors import BenchmonError
from benchmon.quantities import format_value
from benchmon.text import countdown, one_line

if TYPE_CHECKING:
    from benchmon.prediction.monte_carlo import Distribution

DRAWS = 10_000
CALL_OFF = "c calls it off"
_LOOK_EVERY = 0.1
_ENDS_WITHIN = 5.0

TakeSpreads = Callable[[dict[str, "Distribution"]], object]


class CalledOffError(BenchmonError):
    """The work was called off."""


class BackgroundJob:
    """Does `work` in a thread; `title` says what that is, and the answer is what is told at its end.

    `work` is given a function to which it tells in words how far it has come, often: that raises `CalledOffError` when
    the work is called off.
    """

    def __init__(self, title: str, work: Callable[[Callable[[str], None]], str]) -> None:
        self._title, self._work = title, work
        self._how_far = ""
        self._began = time.monotonic()
        self._called_off = Event()
        self.answer: str | None = None
        Thread(target=self._run, name=title, daemon=True).start()

    @property
    def in_words(self) -> str:
        """Return what is done, how far it has come and for how long it has been going on."""
        how_far = "being called off" if self._called_off.is_set() else self._how_far
        passed = countdown(time.monotonic() - self._began)
        return f"{self._title}: {f'{how_far}, ' if how_far else ''}{passed}; {CALL_OFF}."

    def call_off(self) -> None:
        """Have the work end soon, with nothing done."""
        self._called_off.set()

    def _tell(self, how_far: str) -> None:
        self._how_far = how_far
        if self._called_off.is_set():
            raise CalledOffError

    def _run(self) -> None:
        try:
            self.answer = self._work(self._tell)
        except CalledOffError:
            self.answer = f"{self._title}: called off, nothing was done."
        except BenchmonError as problem:
            self.answer = str(problem)
        except Exception as problem:  # noqa: BLE001 - whatever goes wrong here, the screen goes on, and says so
            self.answer = one_line(f"{self._title}: {type(problem).__name__}: {problem}")


def export(session: str, out: Path) -> BackgroundJob:
    """Write the readings of a session to a file, in a process of its own, in the format of the file's ending."""

    def work(show_message: Callable[[str], None]) -> str:
        command = [sys.executable, "-P", "-m", "benchmon", "export", session, "-o", str(out), "--progress"]
        with tempfile.TemporaryFile() as errors:
            process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=errors)  # noqa: S603
            try:
                written = _follow(process, show_message)
            except CalledOffError:
                # It clears away what it has written.
                process.terminate()
                raise
            finally:
                process.wait(_ENDS_WITHIN)
            if process.returncode == 0 and written is not None:
                return f"{written} readings in {one_line(out, 300)}"
            errors.seek(0)
            return one_line(errors.read().decode("utf-8", "replace").strip().removeprefix("benchmon: "), 300)

    return BackgroundJob(f"Writing {one_line(out.name, 60)}", work)


def _follow(process: subprocess.Popen[bytes], show_message: Callable[[str], None]) -> int | None:
    """Pass on how far an export has come until it ends; return how many readings it has written, None if it failed."""
    assert process.stdout is not None  # noqa: S101 - for the type checker
    how_far, written, rest = "reading the session", None, b""
    with process.stdout as pipe:
        while True:
            show_message(how_far)
            if not select.select([pipe], [], [], _LOOK_EVERY)[0]:
                continue
            if not (said := os.read(pipe.fileno(), 65_536)):
                return written
            *lines, rest = (rest + said).split(b"\n")
            for line in lines:
                match json.loads(line):
                    case {"done": float(done)}:
                        how_far = f"{100 * done:.0f} %"
                    case {"written": int(count)}:
                        written = count


def draw_circuits(bench: Bench, mains_voltage: float | None, take: TakeSpreads) -> BackgroundJob:
    """Draw supplies within the tolerances of `bench` at a mains in V, None for its own.

    `take` is given how every quantity is distributed then.
    """

    def work(show_message: Callable[[str], None]) -> str:
        from benchmon.prediction.monte_carlo import monte_carlo  # noqa: PLC0415 - seldom needed, long to load

        def so_far(part: float) -> None:
            show_message(f"{100 * part:.0f} %")

        found = monte_carlo(bench, DRAWS, mains_voltage=mains_voltage, progress=so_far)
        take(found.quantities)
        return f"{DRAWS:,} supplies were drawn{at}: see the details of a channel."

    at = "" if mains_voltage is None else f" at {format_value(mains_voltage, 'V')}"
    return BackgroundJob(f"Drawing {DRAWS:,} supplies{at}", work)
