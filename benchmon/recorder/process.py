"""Starting the recorder as a process of its own, and stopping it.

The process outlives the program and the terminal that started it. A recording ends on request, after its duration or by
a signal.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import threading
import time
import weakref
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import IO

from benchmon.errors import EXIT_BAD_INPUT, BadInput, RecorderError, SessionFileError
from benchmon.session.database import display_path, recorded_by
from benchmon.session.recorder_lock import SIGNALS
from benchmon.text import one_line

_LOOK_EVERY = 0.02

READY_WITHIN = 60.0
"""Seconds in which a recorder must be ready: it needs less than one of processor time, which takes 20 s or more where
the machine is busy with much else."""


class RecorderProcess:
    """A recorder that was started here. It goes on when this program ends; ask it to stop through its session."""

    def __init__(self, process: subprocess.Popen[bytes], path: Path, errors: IO[bytes]) -> None:
        self._process = process
        self._errors = errors
        self.path = path
        weakref.finalize(self, errors.close)

    @property
    def pid(self) -> int:
        """The number of the process."""
        return self._process.pid

    def poll(self) -> int | None:
        """Return the exit status, None while it runs."""
        return self._process.poll()

    def stop(self, timeout: float = 10.0) -> int:
        """End the recording cleanly and return the exit status. Raises `RecorderError` if that takes too long."""
        self._process.terminate()
        return self.wait(timeout)

    def wait(self, timeout: float | None = None) -> int:
        """Wait for the recording to end and return the exit status: 1 if something tripped.

        Raises `RecorderError` if that takes longer than `timeout` seconds.
        """
        try:
            return self._process.wait(timeout)
        except subprocess.TimeoutExpired as problem:
            raise RecorderError(
                f"{display_path(self.path)}: the recorder (process {self.pid}) has not ended in time"
            ) from problem

    def until_ready(self, timeout: float = READY_WITHIN) -> RecorderProcess:
        """Return this recorder when its session can be followed.

        Raises `BadInput` in its own words if it refuses, and `RecorderError` if it fails or is not ready within
        `timeout` seconds.
        """
        give_up = time.monotonic() + timeout
        # Another that began at the same moment may have got the name: its bench is not to be taken for this one.
        while recorded_by(self.path) != self.pid:
            status = self.poll()
            if status is not None and recorded_by(self.path) != self.pid:
                raise _failure(self, status)
            if time.monotonic() > give_up:
                self._process.kill()
                self._process.wait()
                words = f"the recorder was not ready within {timeout:g} s: {self.last_words()}"
                raise RecorderError(f"{display_path(self.path)}: {words}")
            time.sleep(_LOOK_EVERY)
        return self

    def last_words(self) -> str:
        """Return the last line the recorder wrote to standard error, "" if none."""
        self._errors.seek(0)
        lines = self._errors.read().decode("utf-8", "replace").strip().splitlines()
        return one_line(lines[-1], 1000) if lines else ""


def spawn_recorder(
    bench_path: Path | str,
    session_path: Path | str,
    *,
    duration: float | None = None,
    timeout: float = READY_WITHIN,
    facts: Mapping[str, str] | None = None,
    former: Path | None = None,
) -> RecorderProcess:
    """Start a recorder of the bench file into a new session file and return when that can be followed.

    `facts` are stored with the session: `serial` and `operator`. `former` is a session with an unfinished sweep.

    Raises `SessionFileError` if the session file exists, `BadInput` in the recorder's words if it refuses, and
    `RecorderError` if it fails or is not ready within `timeout` seconds.
    """
    return start_recorder(bench_path, session_path, duration=duration, facts=facts, former=former).until_ready(timeout)


def start_recorder(
    bench_path: Path | str,
    session_path: Path | str,
    *,
    duration: float | None = None,
    wait: float = 0.0,
    like: Path | None = None,
    facts: Mapping[str, str] | None = None,
    former: Path | None = None,
) -> RecorderProcess:
    """Start a recorder of the bench file and return at once.

    The bench file may appear within `wait` seconds; meanwhile the recorder loads the drivers of the bench file `like`.
    `facts` are stored with the session: `serial` and `operator`. Raises `SessionFileError` if the session file exists.
    """
    path = _new(session_path)
    command = [sys.executable, "-P", "-m", "benchmon.recorder", str(bench_path), "--session", str(path)]
    command += ["--for", str(duration)] if duration is not None else []
    command += ["--wait", str(wait)] if wait else []
    command += ["--like", str(like)] if like is not None else []
    command += ["--continue", str(former)] if former is not None else []
    command += [f"--{name}={text}" for name, text in (facts or {}).items()]
    errors = tempfile.TemporaryFile()  # noqa: SIM115 - it lives as long as the recorder's handle
    process = subprocess.Popen(  # noqa: S603 - this very program
        command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=errors, start_new_session=True
    )
    return RecorderProcess(process, path, errors)


def _new(session_path: Path | str) -> Path:
    path = Path(session_path)
    if path.exists():
        raise SessionFileError(f"{display_path(path)}: is there already; a recording needs a new file, name another")
    return path


def _failure(recorder: RecorderProcess, status: int) -> BadInput | RecorderError:
    words = recorder.last_words() or f"the recorder ended with status {status} without a message"
    return BadInput(words) if status == EXIT_BAD_INPUT else RecorderError(words)


class StopRequest:
    """The request to end a recording, and its reason; made from any thread or a signal handler.

    `switch_off` names the signal that asked for switching off, "" for none.
    """

    def __init__(self) -> None:
        self.reason = ""
        self.switch_off = ""

    def ask(self, reason: str) -> None:
        """Ask for a clean end. The first reason counts."""
        self.reason = self.reason or reason


@contextmanager
def stopped_by_signals() -> Iterator[StopRequest]:
    """Yield a `StopRequest` set by SIGTERM and SIGINT, by SIGUSR1 to switch off; SIGHUP (lost terminal) is ignored."""
    asked = StopRequest()
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return

    def stop(number: int, _: FrameType | None) -> None:
        asked.ask(f"by {signal.Signals(number).name}")

    def switch_off(number: int, _: FrameType | None) -> None:
        asked.switch_off = f"by {signal.Signals(number).name}"

    handlers: dict[int, object] = {signal.SIGTERM: stop, signal.SIGINT: stop, SIGNALS["switch off"]: switch_off}
    if hasattr(signal, "SIGHUP"):
        handlers[signal.SIGHUP] = signal.SIG_IGN
    before = {number: signal.signal(number, handler) for number, handler in handlers.items()}  # type: ignore[arg-type]
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
