"""Work in the background: its progress is shown above the keys, and it can be cancelled."""

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

from benchmon.bench import Bench, SetLoad
from benchmon.errors import BenchmonError
from benchmon.quantities import format_value
from benchmon.text import countdown, one_line

if TYPE_CHECKING:
    from benchmon.prediction.explained.derivation import Derivation
    from benchmon.prediction.monte_carlo import Distribution

DRAWS = 10_000
CANCEL_HINT = "c cancels it"
_POLL_SECONDS = 0.1
_ENDS_WITHIN = 5.0

OnResult = Callable[[dict[str, "Distribution"]], object]


class JobCancelledError(BenchmonError):
    """The job was cancelled."""


class BackgroundJob:
    """Runs `work` in a thread. `title` names it; its answer is shown when it ends.

    `work` is given a function that it calls often with its progress in words; that function raises `JobCancelledError`
    once the job is cancelled.
    """

    def __init__(self, title: str, work: Callable[[Callable[[str], None]], str]) -> None:
        self._title, self._work = title, work
        self._progress = ""
        self._began = time.monotonic()
        self._cancelled = Event()
        self.answer: str | None = None
        Thread(target=self._run, name=title, daemon=True).start()

    @property
    def in_words(self) -> str:
        """Return what runs, its progress, and for how long it has been running."""
        progress = "being cancelled" if self._cancelled.is_set() else self._progress
        passed = countdown(time.monotonic() - self._began)
        return f"{self._title}: {f'{progress}, ' if progress else ''}{passed}; {CANCEL_HINT}."

    def cancel(self) -> None:
        """Ask the work to end soon, with nothing done."""
        self._cancelled.set()

    def _report(self, progress: str) -> None:
        self._progress = progress
        if self._cancelled.is_set():
            raise JobCancelledError

    def _run(self) -> None:
        try:
            self.answer = self._work(self._report)
        except JobCancelledError:
            self.answer = f"{self._title}: cancelled, nothing was done."
        except BenchmonError as problem:
            self.answer = str(problem)
        except Exception as problem:  # noqa: BLE001 - whatever goes wrong here, the screen goes on and shows it
            self.answer = one_line(f"{self._title}: {type(problem).__name__}: {problem}")


def export(session: str, out: Path) -> BackgroundJob:
    """Write the readings of a session to a file, in a process of its own, in the format of the file's ending.

    An error is the answer of the job, never raised.
    """

    def work(report: Callable[[str], None]) -> str:
        command = [sys.executable, "-P", "-m", "benchmon", "export", session, "-o", str(out), "--progress"]
        with tempfile.TemporaryFile() as errors:
            process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=errors)  # noqa: S603
            try:
                written = _follow(process, report)
            except JobCancelledError:
                # The process removes what it has written.
                process.terminate()
                raise
            finally:
                process.wait(_ENDS_WITHIN)
            if process.returncode == 0 and written is not None:
                return f"{written} readings in {one_line(out, 300)}"
            errors.seek(0)
            return one_line(errors.read().decode("utf-8", "replace").strip().removeprefix("benchmon: "), 300)

    return BackgroundJob(f"Writing {one_line(out.name, 60)}", work)


def _follow(process: subprocess.Popen[bytes], report: Callable[[str], None]) -> int | None:
    """Report the progress of an export until it ends; return how many readings it wrote, None if it failed."""
    assert process.stdout is not None  # noqa: S101 - for the type checker
    progress, written, rest = "reading the session", None, b""
    with process.stdout as pipe:
        while True:
            report(progress)
            if not select.select([pipe], [], [], _POLL_SECONDS)[0]:
                continue
            if not (received := os.read(pipe.fileno(), 65_536)):
                return written
            *lines, rest = (rest + received).split(b"\n")
            for line in lines:
                match json.loads(line):
                    case {"done": float(done)}:
                        progress = f"{100 * done:.0f} %"
                    case {"written": int(count)}:
                        written = count


def run_monte_carlo(bench: Bench, mains_voltage: float | None, take: OnResult) -> BackgroundJob:
    """Draw supplies within the tolerances of `bench`, at a mains voltage in V, or at the bench's own where None.

    `take` is given the distribution of every quantity.
    """

    def work(report: Callable[[str], None]) -> str:
        from benchmon.prediction.monte_carlo import monte_carlo  # noqa: PLC0415 - seldom needed, long to load

        def on_progress(part: float) -> None:
            report(f"{100 * part:.0f} %")

        found = monte_carlo(bench, DRAWS, mains_voltage=mains_voltage, progress=on_progress)
        take(found.quantities)
        return f"{DRAWS:,} supplies were drawn{at}: see the details of a channel."

    at = "" if mains_voltage is None else f" at {format_value(mains_voltage, 'V')}"
    return BackgroundJob(f"Drawing {DRAWS:,} supplies{at}", work)


def derive(
    bench: Bench,
    quantity: str,
    take: Callable[[Derivation], object],
    *,
    mains_voltage: float | None = None,
    ambient: float | None = None,
    load: SetLoad = None,
) -> BackgroundJob:
    """Work out where the expected value of a quantity comes from; `take` is given it.

    `mains_voltage` (V rms at the supply's terminals), `ambient` (°C) and `load` are the bench's own where None.
    """

    def work(report: Callable[[str], None]) -> str:
        from benchmon.prediction.explained.derivation import explain  # noqa: PLC0415 - seldom needed, long to load

        report("")
        found = explain(bench, quantity, mains_voltage=mains_voltage, ambient=ambient, load=load, at_terminals=True)
        report("")
        take(found)
        return "Where the expected value comes from stands below, in the details."

    return BackgroundJob(f"Explaining {quantity}", work)
