"""The recorder's own command: records a bench file into a session file until it is asked to stop."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from benchmon.bench import load_bench
from benchmon.errors import EXIT_ANSWER_IS_NO, EXIT_BAD_INPUT, EXIT_DONE, BenchmonError, one_line
from benchmon.recorder.recording import record


def main(arguments: Sequence[str] | None = None) -> int:
    """Record, and return the exit status: 0 done, 1 a limit was passed, 2 bad input with one line that says why."""
    parser = argparse.ArgumentParser(prog="python -m benchmon.recorder", description=__doc__)
    parser.add_argument("bench", metavar="BENCH", help="the bench file")
    parser.add_argument("--session", metavar="FILE", required=True, help="the session file, which must be new")
    parser.add_argument("--for", dest="duration", metavar="SECONDS", type=float, help="end by itself after so long")
    given = parser.parse_args(arguments)
    try:
        summary = record(load_bench(given.bench), given.session, duration=given.duration)
    except BenchmonError as problem:
        print(one_line(problem, 1000), file=sys.stderr)  # noqa: T201 - this is a command
        return EXIT_BAD_INPUT
    return EXIT_ANSWER_IS_NO if summary.trips else EXIT_DONE


if __name__ == "__main__":
    sys.exit(main())
