"""Where a key stands in a TOML text. `tomllib` reads values but does not tell lines."""

from __future__ import annotations

import re
from collections.abc import Sequence

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""\s*(?:"([^"]+)"|'([^']+)'|([\w-]+))\s*(?:\.|=)""")


def line_of(text: str, path: Sequence[str | int]) -> int | None:
    """Return the 1-based line of the key at `path` in `text`, or of the nearest section that holds it.

    `path` is as pydantic gives it: `("load", "resistance")`, `("channel", 2, "accuracy")`. None where nothing fits.
    """
    wanted = [part for part in path if isinstance(part, str)]
    index = next((part for part in path if isinstance(part, int)), None)
    if not wanted:
        return None
    section, counts = "", dict[str, int]()
    best = None
    for number, line in enumerate(text.splitlines(), 1):
        header = _HEADER.match(line)
        if header:
            section = header[2].strip().strip("\"'")
            if header[1] == "[[":
                counts[section] = counts.get(section, -1) + 1
            if section == wanted[0] and index in (None, counts.get(section)):
                best = best or number
            continue
        key = _KEY.match(line)
        if key is None:
            continue
        name = key[1] or key[2] or key[3]
        if section == "" and len(wanted) >= 1 and name == wanted[0]:
            return number
        if section == wanted[0] and index in (None, counts.get(section)) and name in wanted[1:]:
            return number
    return best
