"""How the width of the screen is shared among the columns of a channel row.

Columns stand in blocks side by side; a block that has nothing to say is blank.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, NamedTuple

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, Line, fit
from benchmon.screen.numbers import EXPECTED_WIDTH, NUMBER_WIDTH, UNCERTAINTY_WIDTH
from benchmon.screen.tones import Tone

LEAD = 3
GAP = 1
EXPECTED = EXPECTED_WIDTH + 3 + UNCERTAINTY_WIDTH
DIFFERENCE = 7
_LEAST_NAME, _NAME, _STATUS, _BAND, _TREND = 4, 12, 12, 9, 5
_GROWTH = (("name", 16), ("status", 14), ("trend", 9), ("status", 21), ("band", 17), ("name", 40), ("trend", 24))


class Blocks(NamedTuple):
    """One line of a channel row, in blocks."""

    name: Line
    live: Line
    expected: Line
    comparison: Line
    end: Line


@dataclass(frozen=True, slots=True)
class Columns:
    """Widths of the columns, without the gaps between them; 0 where a column is left out. `unit` is part of `live`."""

    name: int
    live: int
    expected: int
    difference: int
    band: int
    trend: int
    status: int
    unit: int

    @property
    def total(self) -> int:
        """Return the width of a whole row."""
        return sum(self.block_widths)

    @property
    def block_widths(self) -> tuple[int, int, int, int, int]:
        """Return the widths of name, live value, expected value, comparison (difference and band) and end."""
        comparison = sum(width + GAP for width in (self.difference, self.band) if width)
        end = self.status + (self.trend + GAP if self.trend else 0)
        return (
            LEAD + self.name + GAP,
            self.live + GAP,
            self.expected + GAP if self.expected else 0,
            comparison,
            end,
        )


def joined(blocks: Blocks, columns: Columns) -> Line:
    """Return the blocks side by side as one line."""
    line: list[Cell] = []
    for block, width in zip(blocks, columns.block_widths, strict=True):
        line += block or (Cell(" " * width),)
    return tuple(line)


@lru_cache(maxsize=64)
def plan_columns(width: int, longest_name: int, unit: int) -> Columns:
    """Return the columns for a row of `width`.

    Where it is narrow the trend goes first, then the difference, the band, the expected value; name, live value and
    status stay. Room to spare goes to what is worth most: the name, then the words, then the pictures.
    """
    live = NUMBER_WIDTH + 1 + unit
    name = max(_LEAST_NAME, min(longest_name, _NAME, width - LEAD - live - _STATUS - 2 * GAP))
    columns = Columns(name, live, 0, 0, 0, 0, _STATUS, unit)
    for part, wanted in (("expected", EXPECTED), ("band", _BAND), ("difference", DIFFERENCE), ("trend", _TREND)):
        wider = replace(columns, **{part: wanted})
        if wider.total > width:
            break
        columns = wider
    for part, most in _GROWTH:
        columns = _widen(columns, part, min(most, longest_name) if part == "name" else most, width)
    return columns


def _widen(columns: Columns, part: str, most: int, width: int) -> Columns:
    now = getattr(columns, part)
    wanted = min(most, now + width - columns.total)
    if part == "band" and wanted % 2 == 0:
        wanted -= 1
    return replace(columns, **{part: wanted}) if 0 < now < wanted else columns


@lru_cache(maxsize=64)
def column_titles(columns: Columns, alphabet: Alphabet) -> Blocks:
    """Return the line above the rows that names the columns."""

    def title(text: str, width: int, align: Literal["left", "right"] = "left") -> Line:
        return (Cell(fit(text, width, alphabet, align) + " " * GAP, Tone.QUIET),) if width else ()

    return Blocks(
        title(" " * LEAD + "channel", LEAD + columns.name),
        title("live" + " " * (columns.unit + 1), columns.live, "right"),
        title("  expected", columns.expected),
        title("diff.", columns.difference, "right") + title(" band", columns.band),
        title("trend", columns.trend) + title("verdict", columns.status),
    )
