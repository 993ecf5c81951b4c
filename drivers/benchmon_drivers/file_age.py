"""How old a file may be that another program writes again and again: a value of a dead writer is no reading."""

from __future__ import annotations

from pathlib import Path

_PAUSES, _SHORTEST_PAUSE, UNTIL_KNOWN = 5.0, 1.0, 60.0
"""How old a file may be: in pauses between two writings; the least such pause (s); before a pause was seen (s)."""


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
