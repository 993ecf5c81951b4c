"""Text that several parts make alike: lines that are safe to print, tables, times, and values that JSON can hold."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from typing import Any

MINUS = "−"
"""The sign of a negative number in text that a person reads; what a program reads has a hyphen."""
NOTHING = "–"
"""What stands where there is no value."""

_LONGEST_CLOCK = 359_999_999
_LONGEST_COUNTDOWN = 360_000
_LONGEST_SPELT = 80
_STEPS = ((60.0, 5), (600.0, 10), (7200.0, 60))


def one_line(text: object, limit: int = 300) -> str:
    """Return `text` as one printable line of at most `limit` characters.

    Control codes become visible escapes, so a reply or a file can never steer the terminal.
    """
    clean = str(text)
    if not clean.isprintable():
        clean = "".join(char if char.isprintable() else repr(char)[1:-1] for char in clean)
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"


def did_you_mean(name: str, names: Iterable[str]) -> str:
    """Return `did you mean X?` with the one of `names` that is spelt most like `name`, "" where none is like it."""
    near = get_close_matches(name[:_LONGEST_SPELT].lower(), list(names), 1)
    return f"did you mean {near[0]}?" if near else ""


def line_end_of(text: str) -> str:
    """Return how the lines of a file end, as its first one does: CR and LF, or LF."""
    first, _, _ = text.partition("\n")
    return "\r\n" if first.endswith("\r") else "\n"


def with_minus(number: str) -> str:
    """Return a formatted number with a true minus in place of each hyphen: `-20.00` as `−20.00`."""
    return number.replace("-", MINUS)


def table(head: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int] = ()) -> str:
    """Return rows in columns two spaces apart; `right` lists the columns that end flush."""
    lines = [list(head), *(list(row) for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    return "\n".join(
        "  ".join(
            text.rjust(width) if column in right else text.ljust(width)
            for column, (text, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    )


def clock(seconds: float) -> str:
    """Return a session time as hours, minutes and seconds: `0:03:12`."""
    if not math.isfinite(seconds):
        return "-:--:--"
    whole = min(int(abs(seconds)), _LONGEST_CLOCK)
    return f"{'-' if seconds <= -1 else ''}{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def countdown(seconds: float) -> str:
    """Return a time that runs down, to the second: `0:05`, `12:40`, `1:12:40`."""
    whole = min(_LONGEST_COUNTDOWN, max(0, math.ceil(seconds))) if math.isfinite(seconds) else _LONGEST_COUNTDOWN
    hours = f"{whole // 3600}:{whole // 60 % 60:02}" if whole >= 3600 else f"{whole // 60}"
    return f"{hours}:{whole % 60:02}"


def duration(seconds: float, decimals: int = 0) -> str:
    """Return how long something takes: `8 s`, `3 min 40 s`, `20 min`, `2 h 05 min`; a dash where it is not finite.

    `decimals` are those of the seconds, where it is less than a minute.
    """
    if not math.isfinite(seconds):
        return NOTHING
    whole = round(seconds)
    if whole < 60:
        return f"{seconds:.{decimals}f} s"
    if whole < 3600:
        return f"{whole // 60} min" + (f" {whole % 60:02d} s" if whole % 60 else "")
    minutes = round(seconds / 60)
    return f"{minutes // 60} h" + (f" {minutes % 60:02d} min" if minutes % 60 else "")


def coarse(seconds: float) -> float:
    """Return a time rounded to what an estimate of it is worth: 5 s below a minute, then 10 s, a minute, an hour."""
    if not math.isfinite(seconds):
        return seconds
    step = next((step for below, step in _STEPS if seconds < below - step / 2), 3600)
    return float(step * round(max(0.0, seconds) / step))


def about(seconds: float) -> str:
    """Return how long something takes, no finer than it is known: `in about 3 min 40 s`, `within seconds`."""
    return "within seconds" if seconds < 5 else f"in about {duration(coarse(seconds))}"


def finite(content: Any) -> Any:
    """Return `content`, however deep, with None in place of every number that is not finite: JSON knows none."""
    if isinstance(content, dict):
        return {key: finite(value) for key, value in content.items()}
    if isinstance(content, list | tuple):
        return [finite(value) for value in content]
    return None if isinstance(content, float) and not math.isfinite(content) else content
