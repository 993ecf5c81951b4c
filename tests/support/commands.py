"""Commands of benchmon in this process: what a shell would get of them, without loading everything again."""

from __future__ import annotations

import contextlib
import io
import subprocess

from benchmon.cli.main import main


def run_command(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run a command with its output in a pipe; return its exit status and what it wrote."""
    written, errors = io.StringIO(), io.StringIO()
    given = [str(argument) for argument in arguments]
    status: object = None
    with contextlib.redirect_stdout(written), contextlib.redirect_stderr(errors):
        try:
            main(given)
        except SystemExit as ended:
            status = ended.code
    return subprocess.CompletedProcess(given, status, written.getvalue(), errors.getvalue())
