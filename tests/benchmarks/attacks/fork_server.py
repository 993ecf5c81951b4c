"""Processes that are forked from one that has loaded the program, so that an attack may start thousands of them.

A server is `python fork_server.py MODULE…`: it loads the modules, then forks for every line of JSON on standard input.
A forked process is one of its own in every other respect: own session, own standard error, own memory.
"""

from __future__ import annotations

import importlib
import json
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True, slots=True)
class Ended:
    """How a process ended: exit status (negative for a signal), result, standard error, peak memory (MB), CPU (s)."""

    status: int
    result: Any
    errors: str
    megabytes: float
    seconds: float


class ForkServer:
    """Forks processes that call functions of `modules`, of this folder or installed."""

    def __init__(self, modules: Sequence[str], environment: dict[str, str] | None = None) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self._lock = threading.Lock()
        self._files: dict[int, Path] = {}
        self._count = 0
        self._process = subprocess.Popen(
            [sys.executable, "-W", "error::RuntimeWarning", __file__, *modules],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | (environment or {}),
        )
        self._answer()

    def start(self, function: str, *arguments: Any, bytes_at_most: int = 0) -> int:
        """Start a process that calls `module:function`, and return its number; its memory may be bounded."""
        with self._lock:
            self._count += 1
            file = Path(self._folder.name) / str(self._count)
        pid = self._ask(
            {"call": function, "with": arguments, "file": str(file), "bytes": bytes_at_most},
        )["pid"]
        self._files[pid] = file
        return int(pid)

    def wait(self, pid: int, seconds: float = 120.0) -> Ended:
        """Return how a process ended; one that has not ended in time is killed."""
        found = self._ask({"wait": pid, "seconds": seconds})
        file = self._files.pop(pid)
        errors = Path(f"{file}.err").read_text(encoding="utf-8", errors="replace")
        result = None
        with suppress(OSError, ValueError):
            result = json.loads(file.read_text(encoding="utf-8"))
        return Ended(found["status"], result, errors, found["megabytes"], found["seconds"])

    def run(self, function: str, *arguments: Any, seconds: float = 120.0, bytes_at_most: int = 0) -> Ended:
        """Call a function in a process of its own and return how that ended."""
        return self.wait(self.start(function, *arguments, bytes_at_most=bytes_at_most), seconds)

    def end(self) -> None:
        """End the server."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(60)
        self._folder.cleanup()

    def _ask(self, question: dict[str, Any]) -> dict[str, Any]:
        with self._lock:
            assert self._process.stdin is not None
            self._process.stdin.write(json.dumps(question) + "\n")
            self._process.stdin.flush()
            return self._answer()

    def _answer(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError("the server of processes has ended")
        return dict(json.loads(line))


def serve(modules: Sequence[str]) -> None:
    """Fork a process for every question."""
    sys.path[1:1] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
    for module in modules:
        importlib.import_module(module)
    _reply({})
    for line in sys.stdin:
        question = json.loads(line)
        _reply(_fork(question) if "call" in question else _wait(question["wait"], question["seconds"]))


def _reply(answer: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()


def _fork(question: dict[str, Any]) -> dict[str, Any]:
    pid = os.fork()
    if pid:
        return {"pid": pid}
    status = 70
    try:
        os.setsid()
        nothing = os.open(os.devnull, os.O_RDWR)
        errors = os.open(question["file"] + ".err", os.O_WRONLY | os.O_CREAT, 0o600)
        for number, file in ((0, nothing), (1, nothing), (2, errors)):
            os.dup2(file, number)
        sys.stdin, sys.stdout = os.fdopen(0), os.fdopen(1, "w")
        if question["bytes"]:
            import resource  # noqa: PLC0415 - of the forked process alone

            resource.setrlimit(resource.RLIMIT_AS, (question["bytes"], question["bytes"]))
        module, _, name = question["call"].partition(":")
        function: Callable[..., Any] = getattr(importlib.import_module(module), name)
        # Opened before: the function may become another user.
        with Path(question["file"]).open("w", encoding="utf-8") as file:
            result = function(*question["with"])
            json.dump(result, file)
        status = result if isinstance(result, int) else 0
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 1
    except BaseException:  # noqa: BLE001 - a traceback is what the attack looks for
        import traceback  # noqa: PLC0415

        traceback.print_exc()
    finally:
        with suppress(Exception):
            sys.stderr.flush()
            sys.stdout.flush()
        os._exit(status)


def _wait(pid: int, seconds: float) -> dict[str, Any]:
    import signal  # noqa: PLC0415
    import time  # noqa: PLC0415

    give_up = time.monotonic() + seconds
    while True:
        found, status, used = os.wait4(pid, os.WNOHANG)
        if found:
            code = os.waitstatus_to_exitcode(status)
            return {"status": code, "megabytes": used.ru_maxrss / 1024, "seconds": used.ru_utime + used.ru_stime}
        if time.monotonic() > give_up:
            os.kill(pid, signal.SIGKILL)
        time.sleep(0.005)


if __name__ == "__main__":
    serve(sys.argv[1:])
