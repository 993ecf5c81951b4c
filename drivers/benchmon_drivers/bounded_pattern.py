"""Regular expressions of a bench file, matched within a bound of time: a line of noise never stops a recorder."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import regex

MATCH_WITHIN = 0.02
"""Seconds that one match may take; an ordinary one takes microseconds."""
_NOISE = tuple(piece * 200 + end for piece in ("1", "a", " ", "1.1", "1 ", "+-") for end in ("\0", "V\0"))
"""Lines that fit no pattern, though their beginnings may."""


class BoundedPattern:
    """A regular expression that fits nothing where its match takes too long; `on_slow` is then called with the text.

    Other threads run meanwhile: `regex` gives up the interpreter's lock while it matches. Raises `regex.error`.
    """

    def __init__(self, pattern: str, on_slow: Callable[[str], object] = lambda _: None) -> None:
        self._pattern = regex.compile(pattern)
        self._on_slow = on_slow

    @property
    def pattern(self) -> str:
        """The expression."""
        return str(self._pattern.pattern)

    @property
    def groups(self) -> int:
        """How many groups it has."""
        return int(self._pattern.groups)

    @property
    def names(self) -> Sequence[str]:
        """The names of its groups."""
        return list(self._pattern.groupindex)

    def fullmatch(self, text: str) -> regex.Match[str] | None:
        """Return the match of the whole `text`, None where there is none within the bound."""
        try:
            return self._pattern.fullmatch(text, timeout=MATCH_WITHIN)
        except TimeoutError:
            self._on_slow(text)
            return None

    def search(self, text: str) -> regex.Match[str] | None:
        """Return the first match in `text`, None where there is none within the bound."""
        try:
            return self._pattern.search(text, timeout=MATCH_WITHIN)
        except TimeoutError:
            self._on_slow(text)
            return None

    def caution(self) -> str:
        """Return a caution where a line of noise takes too long to match, "" where none of those tried does."""
        slow: list[str] = []
        tried = BoundedPattern(self.pattern, slow.append)
        for noise in _NOISE:
            tried.fullmatch(noise)
            tried.search(noise)
        if not slow:
            return ""
        return (
            f"the pattern {self.pattern!r} takes longer than {1000 * MATCH_WITHIN:.0f} ms on a line of noise, which "
            "then counts as no reading; write it without a repetition inside a repetition"
        )
