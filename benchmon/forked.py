"""A process that begins as a copy of this one: what is loaded and read here need not be loaded and read there again.

A new interpreter needs a quarter of a second of the processor's time until it knows what a bench file is.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from typing import IO, NoReturn

_LOOK_EVERY = 0.01
_BROKE_DOWN = 1


class ForkedProcess:
    """A copy of this process that runs. It answers as `subprocess.Popen` does, as far as that is asked here."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self._status: int | None = None

    def poll(self) -> int | None:
        """Return the exit status, None while it runs; that of one which was killed is its signal's number below 0."""
        if self._status is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            self._status = os.waitstatus_to_exitcode(status) if pid else None
        return self._status

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end and return the exit status. Raises `subprocess.TimeoutExpired` after `timeout` seconds."""
        began = time.monotonic()
        while (status := self.poll()) is None:
            if timeout is not None and time.monotonic() - began > timeout:
                raise subprocess.TimeoutExpired(f"process {self.pid}", timeout)
            time.sleep(_LOOK_EVERY)
        return status

    def terminate(self) -> None:
        """Ask it to end, if it runs."""
        self._send(signal.SIGTERM)

    def kill(self) -> None:
        """End it, if it runs."""
        self._send(signal.SIGKILL)

    def _send(self, number: signal.Signals) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)


def fork(work: Callable[[], int | None], errors: IO[bytes]) -> ForkedProcess:
    """Have a copy of this process do `work`, whose answer is its exit status; return at once.

    The copy has a session of its own, nothing to read, nobody who reads what it prints, and `errors` for its errors.
    Only to be called while this process has a single thread: a copy would hold forever what another one had locked.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    return ForkedProcess(pid) if pid else _do(work, errors)


def _do(work: Callable[[], int | None], errors: IO[bytes]) -> NoReturn:
    """Do `work` and end; what called `fork` is never gone back to."""
    status = _BROKE_DOWN
    try:
        os.setsid()
        nowhere = os.open(os.devnull, os.O_RDWR)
        for number, file in enumerate((nowhere, nowhere, errors.fileno())):
            os.dup2(file, number)
        status = work() or 0
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else _BROKE_DOWN
    except BaseException:  # noqa: BLE001 - nobody is left to take it
        traceback.print_exc()
    finally:
        with suppress(OSError, ValueError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(status)
