"""Where a key stands in a TOML text. `tomllib` reads values but does not tell lines."""

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

    `path` is as pydantic gives it: `("load", "resistance")`, `("channel", 2, "accuracy")`. None where nothing fits.
    """
    wanted = [part for part in path if isinstance(part, str)]
    index = next((part for part in path if isinstance(part, int)), None)
    section, counts = list[str](), dict[str, int]()
    best, found = 0, None
    for number, whole in enumerate(text.split("\n"), 1):
        # Keys are short: a longer line is cut, so that none can be made slow to match.
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
    """Return how many names of `wanted` a line's `names` begin with; a line of another key counts for nothing."""
    if list(names) != list(wanted[: len(names)]):
        return 0
    return len(names)
