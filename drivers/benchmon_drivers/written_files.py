"""Files that another program writes: how a bench file names them, how old they may be, and why one cannot be read."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from pydantic import AfterValidator

from benchmon.errors import BadInput, InstrumentError
from benchmon.text import one_line

_PAUSES: Final = 5.0
"""How old a file may be, in pauses between two writings: a value of a dead writer is no reading."""
_SHORTEST_PAUSE: Final = 1.0
"""Seconds that a pause counts at least."""
UNTIL_KNOWN: Final = 60.0
"""How old (s) a file may be before a pause was seen."""


def named_by(example: str) -> AfterValidator:
    """Return the check of a key that names a file; it raises `BadInput`, which shows `example`."""

    def read(value: str) -> str:
        if not value or one_line(value, 4000) != value:
            raise BadInput(f"must be {example}")
        return value

    return AfterValidator(read)


def explain_file(problem: Exception, address: str, *, missing: str, wanted: str) -> InstrumentError | None:
    """Return the instrument error for an error of reading the file at `address`, None for any other exception.

    `missing` is the message where there is no such file; `wanted` is what to name instead of what is no ordinary file.
    """
    if isinstance(problem, FileNotFoundError):
        return InstrumentError(f"{one_line(address)}: {missing}")
    if isinstance(problem, PermissionError):
        where = one_line(problem.filename or address)
        return InstrumentError(f"{where}: no permission to read the file; ask whoever owns it for the right to read it")
    if isinstance(problem, BadInput):
        return InstrumentError(f"{problem}; {wanted}")
    return None


class WritingPauses:
    """The longest pause between two writings of each file, as far as it was seen."""

    def __init__(self) -> None:
        self._written: dict[Path, float] = {}
        self._pauses: dict[Path, float] = {}

    def longest_age(self, path: Path, written: float) -> float:
        """Return how old (s) a file may be that was last `written` then (s)."""
        last = self._written.setdefault(path, written)
        if written > last:
            self._pauses[path] = max(self._pauses.get(path, _SHORTEST_PAUSE), written - last)
            self._written[path] = written
        return _PAUSES * self._pauses[path] if path in self._pauses else UNTIL_KNOWN
