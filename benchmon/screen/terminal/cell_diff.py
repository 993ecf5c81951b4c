"""What a terminal shows, cell by cell, so that only the cells that changed have to be sent.

Textual writes whole widgets' worth of cells. Over a slow line most of that is known at the far end already.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from rich.cells import get_character_cell_size

Cell = tuple[str, str]
"""What stands in a cell ("" in the right half of a wide character), and its style: the parameters of SGR."""

BLANK: Cell = (" ", "")
_TOKEN = re.compile(
    r"\x1b\[(\d+);(\d+)H|\x1b\[([\d;]*)m|(\r?\n)|([^\x00-\x1f\x7f-\x9f]+)"
    r"|\x1b\[[0-?]*[ -/]*[@-~]|\x1b\][^\x07\x1b]*(?:\x07|\x1b\\)|.",
    re.DOTALL,
)
"""A cursor position, a style, a new line, text; and what is no cell: other sequences and control characters."""
_JOIN = 4
"""Unchanged cells of the same style between two changed ones that are sent again: shorter than to move the cursor."""


@dataclass(slots=True)
class TerminalCells:
    """The cells of a terminal as far as they were written; the rest is blank.

    `touched` is what was written to: by row, from which column to which. What would be written beyond `columns` and
    `lines` is left out, since terminals differ in what they make of that.
    """

    columns: int = 10_000
    lines: int = 10_000
    rows: dict[int, list[Cell]] = field(default_factory=dict)
    touched: dict[int, list[tuple[int, int]]] = field(default_factory=dict)

    def feed(self, text: str) -> None:
        """Write what a terminal would show of `text`, which begins at the top left in the plain style."""
        x, y, style = 0, 0, ""
        for match in _TOKEN.finditer(text):
            row, column, sgr, newline, words = match.groups()
            if words is not None:
                x = self._write(y, x, words, style)
            elif row is not None:
                y, x = int(row) - 1, int(column) - 1
            elif sgr is not None:
                style = _with(style, sgr)
            elif newline is not None:
                y, x = y + 1, 0

    def put(self, y: int, x: int, width: int, runs: Iterable[tuple[str, str]]) -> None:
        """Write runs of a text and its style side by side into `width` columns; what is left of them becomes blank."""
        cells: list[Cell] = []
        for text, style in runs:
            cells += _cells(text, style)
        if len(cells) > width:
            if width and cells[width][0] == "":
                cells[width - 1] = BLANK  # the left half of a wide character does not stand alone
            del cells[width:]
        cells += [BLANK] * (width - len(cells))
        self._set(y, x, cells)

    def resize(self, columns: int, lines: int) -> None:
        """Take another size; what has no room any more is left out."""
        self.columns, self.lines = columns, lines
        for y, row in list(self.rows.items()):
            if y >= lines:
                del self.rows[y]
                self.touched.pop(y, None)
                continue
            if columns < len(row) and row[columns][0] == "":
                row[columns - 1] = BLANK
            del row[columns:]

    def row(self, y: int) -> list[Cell]:
        """Return the cells of a row as far as they were written."""
        return self.rows.get(y, [])

    def _write(self, y: int, x: int, words: str, style: str) -> int:
        """Write `words` and return the column after them."""
        cells = _cells(words, style)
        self._set(y, x, cells)
        return x + len(cells)

    def _set(self, y: int, x: int, cells: list[Cell]) -> None:
        after, end = x + len(cells), min(x + len(cells), self.columns)
        if y >= self.lines or end <= x:
            return
        if end < after and cells[end - x][0] == "":
            cells[end - x - 1] = BLANK  # the left half of a wide character does not stand alone
        row = self.rows.setdefault(y, [])
        row.extend([BLANK] * (end - len(row)))
        first, last = x, end
        if row[x][0] == "" and x:  # half of a wide character is left, which no terminal shows
            first = x - 1
            row[first] = BLANK
        if end < len(row) and row[end][0] == "":
            last = end + 1
            row[end] = BLANK
        row[x:end] = cells[: end - x]
        self.touched.setdefault(y, []).append((first, last))


def _cells(words: str, style: str) -> list[Cell]:
    """Return the cells of `words`."""
    if words.isascii() or {1}.issuperset(map(get_character_cell_size, words)):
        return [(char, style) for char in words]
    return list(_cells_of_all_widths(words, style))


def _cells_of_all_widths(words: str, style: str) -> Iterator[Cell]:
    """Yield the cells of `words`; a mark without a width of its own belongs to the character before it."""
    held = ""
    for char in words:
        width = get_character_cell_size(char)
        if width == 0:
            held += char
            continue
        yield from _cell(held, style)
        held = char
    yield from _cell(held, style)


def _cell(text: str, style: str) -> Iterator[Cell]:
    if text:
        yield text, style
        if get_character_cell_size(text[0]) == 2:
            yield "", style


def _with(style: str, sgr: str) -> str:
    """Return the style after SGR `sgr`."""
    first, _, rest = sgr.partition(";")
    if first in ("", "0"):
        return rest
    return f"{style};{sgr}" if style else sgr


@dataclass(frozen=True, slots=True)
class _Run:
    """Cells side by side of one style that are to be sent."""

    y: int
    x: int
    text: str
    style: str
    end: int


class DiffWriter:
    """Knows what a terminal shows and returns what to send so that it shows something else."""

    def __init__(self) -> None:
        self._shown: TerminalCells | None = None
        self._pen = ""

    def forget(self) -> None:
        """Take that nobody knows what the terminal shows: next time it is cleared and all is sent."""
        self._shown = None

    def update(self, wanted: TerminalCells) -> str:
        """Return what to send, "" where nothing differs; from then on it counts as shown."""
        start = ""
        if self._shown is None and not wanted.rows:
            return ""
        if self._shown is None:
            self._shown, self._pen, start = TerminalCells(), "", "\x1b[0m\x1b[2J"
            wanted.touched = {y: [(0, len(row))] for y, row in wanted.rows.items()}
        runs: list[_Run] = []
        for y, where in sorted(wanted.touched.items()):
            row = wanted.row(y)
            runs += _changed(y, self._shown.row(y), row, where)
            self._shown.rows[y] = list(row)
        wanted.touched.clear()
        # By style, so that it is changed seldom; what the pen has already comes first.
        runs.sort(key=lambda run: (run.style != self._pen, run.style))
        return start + "".join(self._draw(runs))

    def _draw(self, runs: list[_Run]) -> Iterator[str]:
        at: tuple[int, int] | None = None
        for run in runs:
            yield _move(at, run)
            if run.style != self._pen:
                yield f"\x1b[{'0;' if self._pen and run.style else ''}{run.style}m"
                self._pen = run.style
            yield run.text
            # Terminals differ in how wide they draw some signs; after such a one its place is not taken for granted.
            at = (run.y, run.end) if run.text.isascii() else None


def _move(at: tuple[int, int] | None, run: _Run) -> str:
    """Return the shortest way from `at` (row, column; None where it is not known) to the beginning of `run`."""
    if at == (run.y, run.x):
        return ""
    if at is not None and at[0] == run.y and run.x > at[1]:
        steps = run.x - at[1]
        return f"\x1b[{steps if steps > 1 else ''}C"
    return f"\x1b[{run.y + 1};{run.x + 1 if run.x else ''}H"


def _changed(y: int, shown: list[Cell], wanted: list[Cell], where: list[tuple[int, int]]) -> Iterator[_Run]:
    """Yield the runs of a row that differ; outside of `where` nothing does."""
    if shown == wanted:
        return
    known, begin, end = len(shown), 0, 0
    for x in _columns(where, len(wanted)):
        if wanted[x] == (shown[x] if x < known else BLANK):
            continue
        if end and x - end <= _JOIN and {wanted[begin][1]}.issuperset(between[1] for between in wanted[end : x + 1]):
            end = x + 1
            continue
        if end:
            yield _run(y, begin, end, wanted)
        begin, end = x, x + 1
    if end:
        yield _run(y, begin, end, wanted)


def _columns(where: list[tuple[int, int]], width: int) -> Iterable[int]:
    """Return the columns of a row that are in one of the ranges `where`, each once and from left to right."""
    if len(where) == 1:
        return range(where[0][0], min(where[0][1], width))
    return sorted({x for first, last in where for x in range(first, min(last, width))})


def _run(y: int, begin: int, end: int, row: list[Cell]) -> _Run:
    """Return the cells from `begin` to `end` as a run; wide characters are sent whole."""
    if row[begin][0] == "" and begin:
        begin -= 1
    while end < len(row) and row[end][0] == "":
        end += 1
    return _Run(y, begin, "".join(cell[0] for cell in row[begin:end]), row[begin][1], end)
