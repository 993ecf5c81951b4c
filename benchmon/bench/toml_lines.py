"""The line of a key in a TOML text, which `tomllib` does not give."""

from __future__ import annotations

import re
from collections.abc import Sequence

_NAME = r"""(?:"[^"]+"|'[^']+'|[\w-]+)"""
_DOTTED = rf"{_NAME}(?:\s*\.\s*{_NAME})*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]")
_KEY = re.compile(rf"\s*({_DOTTED})\s*=")
_LONGEST = 300


def line_of(text: str, path: Sequence[str | int]) -> int | None:
    """Return the 1-based line of the key at `path` in `text`, or of the nearest section that holds it.

    `path` is like pydantic's: `("load", "resistance")`, `("channel", 2, "accuracy")`. None if nothing matches.
    """
    wanted = [part for part in path if isinstance(part, str)]
    index = next((part for part in path if isinstance(part, int)), None)
    section, counts = list[str](), dict[str, int]()
    best, found = 0, None
    for number, whole in enumerate(text.split("\n"), 1):
        # Keys are short: a longer line is cut, so that matching cannot be made slow.
        line = whole[:_LONGEST]
        header, key = _HEADER.match(line), _KEY.match(line)
        if header:
            section = _names(header[2])
            if header[1] == "[[":
                counts[section[0]] = counts.get(section[0], -1) + 1
        elif not key:
            continue
        if section[:1] == wanted[:1] and index is not None and counts.get(wanted[0], index) != index:
            continue
        names = section if header else [*section, *_names(key[1] if key else "")]
        common = _common(names, wanted)
        if common > best:
            best, found = common, number
    return found


def _names(dotted: str) -> list[str]:
    return [name.strip("\"'") for name in re.findall(_NAME, dotted)]


def _common(names: Sequence[str], wanted: Sequence[str]) -> int:
    """Return the number of names of `wanted` that a line's `names` match; 0 for a line of another key."""
    if list(names) != list(wanted[: len(names)]):
        return 0
    return len(names)
