"""A document as Markdown (CommonMark with tables). Pictures are left to the page; a sentence says what each shows."""

from __future__ import annotations

from collections.abc import Iterator
from functools import singledispatch

from benchmon.report import document as d
from benchmon.report.escaping import for_markdown
from benchmon.text import one_line


def as_markdown(document: d.Document) -> str:
    """Return the document as the text of one Markdown file."""
    return "\n".join(_lines(document)).rstrip() + "\n"


def _lines(document: d.Document) -> Iterator[str]:
    yield f"# {for_markdown(document.title)}\n"
    yield f"{for_markdown(document.subtitle)}\n"
    for section in document.sections:
        yield f"## {for_markdown(section.title)}\n"
        for block in section.blocks:
            yield _block(block) + "\n"


@singledispatch
def _block(block: d.Block) -> str:
    raise TypeError(f"{type(block).__name__} is not a part of a document")


@_block.register
def _heading(block: d.Heading) -> str:
    return f"### {for_markdown(block.text)}"


@_block.register
def _paragraph(block: d.Paragraph) -> str:
    words = for_markdown(block.text)
    return f"**{words}**" if block.emphasis in (d.Emphasis.BAD, d.Emphasis.DOUBT) and words else words


@_block.register
def _items(block: d.Items) -> str:
    return "\n".join(f"- {for_markdown(text)}" for text in block.texts)


@_block.register
def _fields(block: d.Fields) -> str:
    return _table(d.Table(("", ""), block.pairs))


@_block.register
def _picture(block: d.DocumentFigure) -> str:
    return f"*Picture, in the HTML report: {for_markdown(block.words)}*"


@_block.register
def _code(block: d.Code) -> str:
    # Indented code needs no fence that the text itself could close.
    return "\n".join(f"    {one_line(line, 2000)}" for line in block.text.splitlines())


@_block.register
def _signature(block: d.Signature) -> str:
    return "\n\n".join(f"{for_markdown(label)}: ______________________________" for label in block.labels)


@_block.register
def _table(table: d.Table) -> str:
    sides = ["---:" if place in table.right else "---" for place in range(len(table.head))]
    lines = [_row(table.head), "| " + " | ".join(sides) + " |", *(_row(row) for row in table.rows)]
    return "\n".join(lines)


def _row(cells: tuple[d.Cell, ...]) -> str:
    return "| " + " | ".join(_cell(cell) for cell in cells) + " |"


def _cell(cell: d.Cell) -> str:
    text = for_markdown(d.text_of(cell), in_cell=True)
    return (
        f"**{text}**"
        if isinstance(cell, d.Toned) and cell.emphasis in (d.Emphasis.BAD, d.Emphasis.DOUBT) and text
        else text
    )
