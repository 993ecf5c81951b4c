"""The second half of a long CSV, written by a process of its own into a file without a name.

It ends when the process that started it does: that one holds the other end of its standard input.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from threading import Thread
from types import TracebackType
from typing import IO, Self


class SecondHalf:
    """The lines of the readings of `session` above number `after`, up to `up_to`, while something else is done.

    They are kept in `folder` till they are taken.
    """

    def __init__(self, session: Path, after: int, up_to: int, folder: Path) -> None:
        self._command = [
            sys.executable,
            "-P",
            "-m",
            "benchmon.report.second_half",
            str(session),
            str(after),
            str(up_to),
        ]
        self._folder = folder

    def __enter__(self) -> Self:
        self._kept: IO[bytes] = tempfile.TemporaryFile(dir=self._folder)
        self._process = subprocess.Popen(  # noqa: S603 - this program
            self._command, stdin=subprocess.PIPE, stdout=self._kept, stderr=subprocess.PIPE
        )
        return self

    def take(self, out: IO[bytes]) -> int | None:
        """Write the lines to `out` and return how many they are; None, and nothing written, where it failed."""
        assert self._process.stderr is not None  # noqa: S101 - for the type checker
        said = self._process.stderr.read()
        if self._process.wait() != 0:
            return None
        self._kept.seek(0)
        shutil.copyfileobj(self._kept, out, 1 << 20)
        return int(said)

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, where: TracebackType | None
    ) -> None:
        self._process.kill()
        self._process.wait()
        for file in (self._process.stdin, self._process.stderr, self._kept):
            if file is not None:
                file.close()


def _end_with_the_other() -> None:
    """Wait for the process that started this one to end, and end."""
    os.read(sys.stdin.fileno(), 1)
    os._exit(1)


def main(session: str, after: str, up_to: str) -> None:
    """Write those lines to standard output, and to standard error how many they are."""
    from benchmon.report.export.csv import write_lines  # noqa: PLC0415 - which starts this process
    from benchmon.report.session_reader import RecordedSession  # noqa: PLC0415

    Thread(target=_end_with_the_other, daemon=True).start()
    count = write_lines(RecordedSession(session), sys.stdout.buffer, int(after), int(up_to))
    sys.stdout.flush()
    print(count, file=sys.stderr)  # noqa: T201 - read by the process that started this one


if __name__ == "__main__":
    main(*sys.argv[1:])
