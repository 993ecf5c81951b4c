"""The recorder's own command: records a bench file into a session file until it is asked to stop.

As `--guard-load` it is the process that releases a load which a killed recorder has left, see `load_control`.
"""

from __future__ import annotations

import argparse
import ctypes
import platform
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from benchmon.bench import load_bench
from benchmon.errors import EXIT_ANSWER_IS_NO, EXIT_BAD_INPUT, EXIT_DONE, BenchmonError
from benchmon.instruments.registry import prepare
from benchmon.recorder.load_control import guard
from benchmon.recorder.recording import record
from benchmon.recorder.sweep_control import unfinished_in
from benchmon.text import one_line

_LOOK_EVERY = 0.01

_ALLOCATOR = ((-1, 1 << 20), (-3, 1 << 20), (-8, 2))
"""Parameters of mallopt(3) and their values: M_TRIM_THRESHOLD and M_MMAP_THRESHOLD in bytes, M_ARENA_MAX."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Record, and return the exit status: 0 done, 1 a limit was passed, 2 bad input with one line that says why."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    if given == ["--guard-load"]:
        return EXIT_DONE if guard(sys.stdin.buffer) else EXIT_ANSWER_IS_NO
    parser = argparse.ArgumentParser(prog="python -m benchmon.recorder", description=__doc__)
    parser.add_argument("bench", metavar="BENCH", help="the bench file")
    parser.add_argument("--session", metavar="FILE", required=True, help="the session file, which must be new")
    parser.add_argument("--for", dest="duration", metavar="SECONDS", type=float, help="end by itself after so long")
    parser.add_argument("--wait", metavar="SECONDS", type=float, default=0.0, help="wait so long for the bench file")
    parser.add_argument("--like", metavar="BENCH", help="get ready for this bench meanwhile: it has the same drivers")
    parser.add_argument("--serial", metavar="NUMBER", default="", help="the serial number of the unit tested")
    parser.add_argument("--operator", metavar="NAME", default="", help="who tests it")
    parser.add_argument("--continue", dest="former", metavar="SESSION", help="take over its unfinished sweep")
    parser.add_argument("--guess", metavar="yes", default="", help="screens hide expected values until guessed")
    chosen = parser.parse_args(given)
    if chosen.like is not None:
        # Errors of the bench file are reported when it is recorded.
        with suppress(BenchmonError):
            prepare(load_bench(Path(chosen.like)))
    _return_memory()
    facts = {"serial": chosen.serial, "operator": chosen.operator, "guess": chosen.guess}
    former = None if chosen.former is None else Path(chosen.former)
    return record_file(Path(chosen.bench), Path(chosen.session), chosen.duration, chosen.wait, facts, former=former)


def _return_memory() -> None:
    """Have the C library return the arrays of a prediction to the system once they are free.

    GNU's keeps them otherwise, in a heap for every thread that has predicted: with 64 channels 180 MB of 206.
    Elsewhere nothing is done.
    """
    if platform.libc_ver()[0] == "glibc":
        with suppress(OSError, AttributeError):
            mallopt = ctypes.CDLL(None).mallopt
            for parameter, value in _ALLOCATOR:
                mallopt(parameter, value)


def record_file(
    bench_file: Path,
    session: Path,
    duration: float | None,
    wait: float = 0.0,
    facts: Mapping[str, str] | None = None,
    *,
    former: Path | None = None,
) -> int:
    """Record a bench file that may still be to come for `wait` seconds, and return the exit status."""
    try:
        _wait_for(bench_file, wait)
        bench = load_bench(bench_file)
        unfinished = () if former is None else unfinished_in(former, bench)
        summary = record(bench, session, duration=duration, facts=facts, unfinished=unfinished)
    except BenchmonError as problem:
        print(one_line(problem, 1000), file=sys.stderr)  # noqa: T201 - this is a command
        return EXIT_BAD_INPUT
    return EXIT_ANSWER_IS_NO if summary.trips else EXIT_DONE


def _wait_for(file: Path, seconds: float) -> None:
    """Wait for a file, as long as its folder is there: once that is gone, nobody will write it."""
    give_up = time.monotonic() + seconds
    while time.monotonic() < give_up and file.parent.exists() and not file.exists():
        time.sleep(_LOOK_EVERY)


if __name__ == "__main__":
    sys.exit(main())
