"""What a terminal shows, cell by cell, so that only the cells that changed have to be sent.

Textual writes whole lines of a widget. Over a slow line most of that is known at the far end already.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import chain

from rich.cells import get_character_cell_size

Cell = tuple[str, str]
"""What stands in a cell ("" in the right half of a wide character), and its style: the parameters of SGR."""

BLANK: Cell = (" ", "")
_TEXT = r"[^\x00-\x1f\x7f-\x9f]+"
_TOKEN = re.compile(
    rf"\x1b\[([\d;]+)m({_TEXT})\x1b\[0m|({_TEXT})|\x1b\[(\d+);(\d+)H|\x1b\[([\d;]*m)|(\r?\n)"
    r"|\x1b\[[0-?]*[ -/]*[@-~]|\x1b\][^\x07\x1b]*(?:\x07|\x1b\\)|.",
    re.DOTALL,
)
"""Text in a style that ends with it, other text, a cursor position, a style, a new line; and what is no cell: other
sequences and control characters."""
_JOIN = 4
"""Unchanged cells of the same style between two changed ones that are sent again: shorter than to move the cursor."""
_MOVE_COST = 9
"""Bytes, about, to move the cursor to a run and to change the style."""
_FIRST_ROWS, _LAST_ROWS = 5, 4
"""Rows at the top, and at the bottom, that are sent before the others."""
_ENDS = {22: (1, 2), 23: (3, 20), 24: (4, 21), 25: (5, 6), 27: (7,), 28: (8,), 29: (9,), 54: (51, 52), 55: (53,)}
"""Parameters of SGR that end others."""
_FOREGROUND, _BACKGROUND = 38, 48


@dataclass(slots=True)
class TerminalCells:
    """The cells of a terminal as far as they were written; the rest is blank.

    `touched` is what was written to: by row, from which column to which.
    """

    rows: dict[int, list[Cell]] = field(default_factory=dict)
    touched: dict[int, list[tuple[int, int]]] = field(default_factory=dict)

    def feed(self, text: str) -> None:
        """Write what a terminal would show of `text`, which begins at the top left in the plain style."""
        x, y, style = 0, 0, ""
        for own, styled_words, words, row, column, sgr, newline in _TOKEN.findall(text):
            if styled_words:
                x = self._write(y, x, styled_words, styled(style, own))
                style = ""
            elif words:
                x = self._write(y, x, words, style)
            elif row:
                y, x = int(row) - 1, int(column) - 1
            elif sgr:
                style = styled(style, sgr.removesuffix("m"))
            elif newline:
                y, x = y + 1, 0

    def row(self, y: int, columns: int | None = None) -> list[Cell]:
        """Return the cells of a row as far as they were written, and at most the first `columns` of them."""
        row = self.rows.get(y, [])
        if columns is None or len(row) <= columns:
            return row
        cut = row[:columns]
        if columns and row[columns][0] == "":
            cut[-1] = BLANK  # the left half of a wide character does not stand alone
        return cut

    def _write(self, y: int, x: int, words: str, style: str) -> int:
        """Write `words` and return the column after them."""
        cells = _cells(words, style)
        if not cells:
            return x
        end = x + len(cells)
        row = self.rows.setdefault(y, [])
        if row[x:end] == cells:
            return end
        row.extend([BLANK] * (end - len(row)))
        first, last = x, end
        if row[x][0] == "" and x:  # half of a wide character is left, which no terminal shows
            first = x - 1
            row[first] = BLANK
        if end < len(row) and row[end][0] == "":
            last = end + 1
            row[end] = BLANK
        row[x:end] = cells
        self.touched.setdefault(y, []).append((first, last))
        return end


@lru_cache(maxsize=4096)
def _cells(words: str, style: str) -> list[Cell]:
    """Return the cells of `words`; the list is not to be changed."""
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


@lru_cache(maxsize=1024)
def styled(style: str, sgr: str) -> str:
    """Return `style` after SGR `sgr`, written in one way only: its attributes in order, then its two colours."""
    codes = [int(code or 0) for part in (style, sgr) if part or part is sgr for code in part.split(";")]
    attributes: set[int] = set()
    colours: dict[int, str] = {}
    while codes:
        code = codes.pop(0)
        ground = _BACKGROUND if code // 10 in (4, 10) else _FOREGROUND
        if code == 0:
            attributes.clear()
            colours.clear()
        elif code in _ENDS:
            attributes.difference_update(_ENDS[code])
        elif code in (39, 49):
            colours.pop(ground, None)
        elif code in (_FOREGROUND, _BACKGROUND):
            count = {5: 2, 2: 4}.get(codes[0] if codes else 0, 0)
            colours[ground] = ";".join(map(str, [code, *codes[:count]]))
            del codes[:count]
        elif code // 10 in (3, 4, 9, 10):
            colours[ground] = str(code)
        else:
            attributes.add(code)
    return ";".join([*map(str, sorted(attributes)), *(colours[ground] for ground in sorted(colours))])


@dataclass(frozen=True, slots=True)
class _Run:
    """Cells side by side of one style that are to be sent."""

    y: int
    x: int
    text: str
    style: str
    end: int

    @property
    def cost(self) -> int:
        """Return about how many bytes it takes to send it."""
        return len(self.text.encode()) + _MOVE_COST


class DiffWriter:
    """Knows what a terminal shows and returns what to send so that it shows something else.

    What is beyond its size is left out, since terminals differ in what they make of that.
    """

    def __init__(self, columns: int = 10_000, lines: int = 10_000) -> None:
        self._columns, self._lines = columns, lines
        self._shown: TerminalCells | None = None
        self._pen = ""

    def resize(self, columns: int, lines: int) -> None:
        """Take that the terminal has another size now, and that nobody knows what it made of what it showed."""
        self._columns, self._lines = columns, lines
        self.forget()

    def forget(self) -> None:
        """Take that nobody knows what the terminal shows: next time it is cleared and all is sent."""
        self._shown = None

    def update(self, wanted: TerminalCells, at_most: int | None = None) -> str:
        """Return what to send, "" where nothing differs; from then on it counts as shown.

        Once `at_most` bytes are reached, the other rows wait: they stay touched in `wanted`. The rows at the top come
        first, then those at the bottom, then those that have waited longest.
        """
        start = ""
        if self._shown is None and not wanted.rows:
            return ""
        if self._shown is None:
            self._shown, self._pen, start = TerminalCells(), "", "\x1b[0m\x1b[2J"
            wanted.touched = {y: [(0, len(row))] for y, row in wanted.rows.items()}
        runs: list[_Run] = []
        size = 0
        for y in sorted(wanted.touched, key=self._rank):
            if at_most is not None and size >= at_most:
                break
            where = wanted.touched.pop(y)
            if y < self._lines:
                row = wanted.row(y, self._columns)
                found = list(_changed(y, self._shown.row(y), row, where))
                size += sum(run.cost for run in found)
                runs += found
                self._shown.rows[y] = list(row)
        for y, where in wanted.touched.items():
            wanted.touched[y] = [(min(first for first, _ in where), max(last for _, last in where))]
        # By style, so that it is changed seldom; what the pen has already comes first. But where rows wait, the line is
        # slow, and then the rows at the top come before everything else.
        slow = bool(wanted.touched)
        runs.sort(key=lambda run: (slow and self._rank(run.y), run.style != self._pen, run.style))
        return start + "".join(self._draw(runs))

    def _rank(self, y: int) -> int:
        """Return the place of a row among those that wait: the status at the top, questions at the bottom, others."""
        return 0 if y < _FIRST_ROWS else 1 if y >= self._lines - _LAST_ROWS else 2

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
    parts, end = [], 0
    for first, last in sorted(where):
        parts.append(range(max(first, end), min(last, width)))
        end = max(end, last)
    return chain.from_iterable(parts)


def _run(y: int, begin: int, end: int, row: list[Cell]) -> _Run:
    """Return the cells from `begin` to `end` as a run; wide characters are sent whole."""
    if row[begin][0] == "" and begin:
        begin -= 1
    while end < len(row) and row[end][0] == "":
        end += 1
    return _Run(y, begin, "".join(cell[0] for cell in row[begin:end]), row[begin][1], end)
