"""A document as one HTML page: nothing is fetched, no script runs, and it prints on A4 and Letter."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from functools import singledispatch

from benchmon.report import document as d
from benchmon.report.escaping import for_page

_LONGEST_WORD = 24
_SVG = "image/svg+xml"
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
_STYLE = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { font: 10.5pt/1.45 "Liberation Sans", "DejaVu Sans", Arial, sans-serif; color: #1a1a1a; background: #fff;
  margin: 0 auto; padding: 2rem 1.5rem 4rem; max-width: 60rem; }
h1 { font-size: 1.7em; margin: 0 0 .2em; }
h2 { font-size: 1.2em; margin: 2.2em 0 .6em; padding-bottom: .2em; border-bottom: 1px solid #999; break-after: avoid; }
h3 { font-size: 1em; margin: 1.5em 0 .4em; break-after: avoid; }
p { margin: .5em 0; }
.under { color: #444; margin-bottom: 1.5em; }
ul { margin: .5em 0; padding-left: 1.4em; }
li { margin: .25em 0; }
table { border-collapse: collapse; width: 100%; margin: .6em 0; font-size: .92em; }
th, td { text-align: left; vertical-align: top; padding: .25em .8em .25em 0; border-bottom: 1px solid #ddd;
  overflow-wrap: break-word; }
.long { overflow-wrap: anywhere; }
th { border-bottom: 1px solid #666; font-weight: 600; overflow-wrap: normal; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
.right { text-align: right; padding-right: 1.2em; font-variant-numeric: tabular-nums; white-space: nowrap; }
.fields td { overflow-wrap: anywhere; }
.fields th { width: 30%; border-bottom: 1px solid #ddd; font-weight: 400; color: #444; }
.good { color: #14532d; }
.doubt { color: #7a4a00; font-weight: 600; }
.bad { color: #9b1c1c; font-weight: 700; }
p.bad, p.doubt { border-left: 4px solid currentColor; padding-left: .7em; }
figure { margin: 1em 0; break-inside: avoid; }
figure img { width: 100%; height: auto; }
.photograph img { width: auto; max-width: 100%; max-height: 75mm; }
.logo { float: right; margin: 0 0 .5em 1.5em; }
.logo img { max-height: 20mm; max-width: 60mm; }
figcaption { font-size: .88em; color: #444; }
pre { font: .8em/1.4 "Liberation Mono", "DejaVu Sans Mono", monospace; white-space: pre-wrap; overflow-wrap: anywhere;
  background: #f5f5f5; padding: .8em; margin: .6em 0; }
.signature { display: flex; gap: 2em; margin-top: 3.5em; break-inside: avoid; }
.signature div { flex: 1; border-top: 1px solid #1a1a1a; padding-top: .3em; font-size: .88em; }
@page { margin: 14mm 14mm 15mm; @bottom-right { content: counter(page) " / " counter(pages); font-size: 7pt; } }
@media print {
  body { max-width: none; padding: 0; font-size: 8.5pt; }
  h2 { margin: 1.2em 0 .4em; }
  .last { break-after: page; }
  p, li { line-height: 1.3; }
  th, td { padding-top: .15em; padding-bottom: .15em; line-height: 1.25; }
  pre { background: none; border: 1px solid #ccc; font-size: 5.2pt; line-height: 1.2; columns: 3; column-gap: 1.5em;
    padding: .5em; orphans: 1; widows: 1; }
}
""".strip()


def as_page(document: d.Document) -> str:
    """Return the document as the text of one HTML file."""
    return "\n".join(_lines(document)) + "\n"


def _lines(document: d.Document) -> Iterator[str]:
    yield '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">'
    yield f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<title>{for_page(document.title)}</title>\n<style>\n{_STYLE}\n</style>\n</head>\n<body>"
    if document.logo is not None:
        yield f'<div class="logo">{_image(document.logo)}</div>'
    yield f'<h1>{for_page(document.title)}</h1>\n<p class="under">{for_page(document.subtitle)}</p>'
    for place, section in enumerate(document.sections, 1):
        yield '<section class="last">' if place == document.first_page else "<section>"
        yield f"<h2>{for_page(section.title)}</h2>"
        yield from (_block(block) for block in section.blocks)
        yield "</section>"
    yield "</body>\n</html>"


@singledispatch
def _block(block: d.Block) -> str:
    raise TypeError(f"{type(block).__name__} is not a part of a document")


@_block.register
def _heading(block: d.Heading) -> str:
    return f"<h3>{for_page(block.text)}</h3>"


@_block.register
def _paragraph(block: d.Paragraph) -> str:
    return f'<p class="{block.emphasis}">{for_page(block.text)}</p>'


@_block.register
def _items(block: d.Items) -> str:
    return "<ul>\n" + "\n".join(f"<li>{for_page(text)}</li>" for text in block.texts) + "\n</ul>"


@_block.register
def _fields(block: d.Fields) -> str:
    rows = "\n".join(f"<tr><th>{for_page(name)}</th><td>{for_page(value)}</td></tr>" for name, value in block.pairs)
    return f'<table class="fields">\n{rows}\n</table>'


@_block.register
def _picture(block: d.DocumentFigure) -> str:
    kind = "" if block.media == _SVG else ' class="photograph"'
    return f"<figure{kind}>{_image(block)}<figcaption>{for_page(block.words)}</figcaption></figure>"


def _image(block: d.DocumentFigure) -> str:
    data = base64.b64encode(block.image).decode()
    return f'<img alt="{for_page(block.words)}" src="data:{block.media};base64,{data}">'


@_block.register
def _code(block: d.Code) -> str:
    return "<pre>" + "\n".join(for_page(line) for line in block.text.splitlines()) + "</pre>"


@_block.register
def _signature(block: d.Signature) -> str:
    return '<div class="signature">' + "".join(f"<div>{for_page(one)}</div>" for one in block.labels) + "</div>"


@_block.register
def _table(table: d.Table) -> str:
    head = "".join(f"<th{_side(table, place)}>{for_page(text)}</th>" for place, text in enumerate(table.head))
    rows = "\n".join(
        "<tr>" + "".join(_cell(table, place, cell) for place, cell in enumerate(row)) + "</tr>" for row in table.rows
    )
    return f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table>"


def _side(table: d.Table, place: int) -> str:
    return ' class="right"' if place in table.right else ""


def _cell(table: d.Table, place: int, cell: d.Cell) -> str:
    text = for_page(d.text_of(cell))
    if isinstance(cell, d.Toned):
        text = f'<span class="{cell.emphasis}">{text}</span>'
    classes = ["right"] if place in table.right else []
    # Only words that no column can hold are broken: elsewhere a column is as wide as its longest word.
    if any(len(word) > _LONGEST_WORD for word in d.text_of(cell).split()):
        classes.append("long")
    return f'<td class="{" ".join(classes)}">{text}</td>' if classes else f"<td>{text}</td>"
