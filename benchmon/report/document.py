"""A document as plain data: sections of paragraphs, tables, lists and pictures. Its texts carry no markup of any kind.

Whoever writes it into a format (`page`, `markdown`) makes every text harmless there; whoever fills it need not think
about that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from textwrap import wrap

from benchmon.text import NOTHING, one_line, table

WIDTH = 80
"""Columns of a terminal that what is printed fits."""


class Emphasis(StrEnum):
    """How a text is set off, beside what it says in words."""

    PLAIN = "plain"
    GOOD = "good"
    DOUBT = "doubt"
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class Toned:
    """A text in a cell that is set off."""

    text: str
    emphasis: Emphasis


Cell = str | Toned


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading within a section."""

    text: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Some sentences."""

    text: str
    emphasis: Emphasis = Emphasis.PLAIN


@dataclass(frozen=True, slots=True)
class Items:
    """A list of sentences."""

    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fields:
    """Names with their values."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a head; `right` lists the columns whose numbers end flush."""

    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    right: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class DocumentFigure:
    """A picture, SVG or of the media type given, and what it shows in words."""

    image: bytes
    words: str
    media: str = "image/svg+xml"


@dataclass(frozen=True, slots=True)
class Code:
    """Lines of text as they are."""

    text: str


@dataclass(frozen=True, slots=True)
class Signature:
    """Places to sign, by what stands under each line."""

    labels: tuple[str, ...]


Block = Heading | Paragraph | Items | Fields | Table | DocumentFigure | Code | Signature


@dataclass(frozen=True, slots=True)
class DocumentSection:
    """A heading with what stands under it."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Document:
    """A whole document: its title, a line under it, sections, and a picture for its head.

    `first_page` is how many sections stand on a page of their own, the first.
    """

    title: str
    subtitle: str
    sections: tuple[DocumentSection, ...] = field(default=())
    logo: DocumentFigure | None = None
    first_page: int = 0


def text_of(cell: Cell) -> str:
    """Return the text of a cell."""
    return cell.text if isinstance(cell, Toned) else cell


def table_as_text(made: Table) -> str:
    """Return a table for a terminal. Where only few rows are wider than that, these are wrapped.

    Where more are, each row is its first cell above all others.
    """
    rows = [[one_line(text_of(cell), 200) for cell in row] for row in made.rows]
    text = table(made.head, rows, made.right)
    if max(map(len, text.splitlines())) <= WIDTH:
        return text
    lines = _lines(made, rows)
    if sum(len(line) <= WIDTH for line in lines) >= _MOST_FIT * len(lines):
        return "\n".join(piece for line in lines for piece in wrap(line, WIDTH, subsequent_indent="      "))
    lines = [made.head[0]]
    for name, *values in rows:
        # A name stays with its value, as far as a line is long enough.
        pairs = "   ".join(
            f"{head}\u00a0{value.replace(' ', chr(0xA0)) if len(value) < WIDTH // 2 else value}".strip("\u00a0")
            for head, value in zip(made.head[1:], values, strict=True)
            if value not in ("", NOTHING)
        )
        lines += [*wrap(name, WIDTH), *wrap(pairs, WIDTH, initial_indent="  ", subsequent_indent="  ")]
    return "\n".join(lines).replace("\u00a0", " ")


_MOST_FIT, _LONG_CELL = 0.75, 24
"""Part of the lines that must fit for the others to be wrapped, and from which length on a cell widens no column."""


def _lines(made: Table, rows: Sequence[Sequence[str]]) -> list[str]:
    """Return a table's lines, in columns that long cells do not widen."""
    widths = [
        max(len(cell) for cell in column if cell is column[0] or len(cell) <= _LONG_CELL)
        for column in zip(made.head, *rows, strict=True)
    ]
    return [
        "  ".join(
            cell.rjust(width) if place in made.right else cell.ljust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in (made.head, *rows)
    ]
