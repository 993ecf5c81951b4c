"""Files that a person names: only ordinary ones are read, and only up to a bound."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import BinaryIO

from benchmon.errors import BadInput
from benchmon.text import one_line


def reason_not_to_read(state: os.stat_result, largest: int | None = None) -> str:
    """Return what a file is that must not be read, "" where it may be: a folder, a device, or over `largest` bytes."""
    if stat.S_ISDIR(state.st_mode):
        return "is a folder"
    if not stat.S_ISREG(state.st_mode):
        return "is a device or a pipe"
    if largest is not None and state.st_size > largest:
        return f"is larger than {f'{largest // 10**6} MB' if largest >= 10**6 else f'{largest} bytes'}"
    return ""


def open_ordinary(path: Path) -> BinaryIO:
    """Return an ordinary file open for reading, unbuffered; a pipe without a writer does not block.

    Raises `BadInput` with what it is instead, and `OSError`.
    """
    file = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    reason = reason_not_to_read(os.fstat(file))
    if reason:
        os.close(file)
        raise BadInput(f"{one_line(path, 1000)}: {reason}")
    return os.fdopen(file, "rb", buffering=0)
