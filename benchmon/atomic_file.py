"""Files that are there whole or not at all: written beside their place, then renamed into it."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from benchmon.errors import BadInput
from benchmon.text import one_line


def check_may_write(path: Path, *, force: bool, never: Path | None = None) -> None:
    """Raise `BadInput` where `path` cannot be written, or is there and `force` is not given.

    `never` is a file that must not be written over whatever is asked: the one that is read.
    """
    shown = one_line(path, 1000)
    if path.is_dir():
        raise BadInput(f"{shown}: is a folder; name a file in it")
    if path.exists() and not path.is_file():
        raise BadInput(f"{shown}: is not an ordinary file; name another")
    if not path.parent.is_dir():
        raise BadInput(f"{shown}: its folder is not there; make it first")
    if path.exists():
        if never is not None and never.exists() and path.samefile(never):
            raise BadInput(f"{shown}: is the session itself; name another file")
        if not force:
            raise BadInput(f"{shown}: is there already; name another file, or give --force to write over it")


@contextmanager
def put_in_place(path: Path) -> Iterator[Path]:
    """Give a path beside `path` to write to; it takes the place of `path` where all went well, else it is removed.

    Raises `OSError` where it cannot take that place.
    """
    part = path.with_name(f".{path.name[:100]}.{os.getpid()}")
    try:
        yield part
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def whole_file(path: Path, *, force: bool, never: Path | None = None) -> Iterator[Path]:
    """Give a path to write to, as `put_in_place` does, for a file that a user names.

    It is also removed where the program is ended by SIGTERM, or its terminal goes. Raises `BadInput` where it cannot be
    written.
    """
    check_may_write(path, force=force, never=never)
    try:
        with _ended_in_order(), put_in_place(path) as part:
            yield part
            check_may_write(path, force=force, never=never)
    except (OSError, ValueError) as problem:
        if isinstance(problem, BadInput):
            raise
        reason = problem.strerror if isinstance(problem, OSError) and problem.strerror else one_line(problem)
        raise BadInput(f"{one_line(path, 1000)}: cannot be written: {reason}") from problem


@contextmanager
def _ended_in_order() -> Iterator[None]:
    """Let a signal that ends the program do so by an exception, so that what is half written is cleared away."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def leave(number: int, _: FrameType | None) -> None:
        sys.exit(128 + number)

    # One that is ignored, as under nohup, stays so.
    ending = [one for one in (signal.SIGTERM, signal.SIGHUP) if signal.getsignal(one) is not signal.SIG_IGN]
    before = [(one, signal.signal(one, leave)) for one in ending]
    try:
        yield
    finally:
        for one, handler in before:
            signal.signal(one, handler)
