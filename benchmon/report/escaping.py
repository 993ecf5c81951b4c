"""Text from files and people made harmless for where it goes: a spreadsheet, a page, a Markdown document."""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Iterable

from benchmon.text import one_line

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_MARKS = re.compile(r"[\\`*_{}\[\]<>|~&$@]|(?<=www)\.|:(?=//)")
_MARKS_A_LINE = re.compile(r"(\s*)([#+=-]|(?<!\d)\d{1,9}(?=[.)](\s|$)))")


def for_cell(text: str) -> str:
    """Return text that a spreadsheet takes for text: an apostrophe stands before what it would take for a formula.

    >>> for_cell("=1+1"), for_cell("vout")
    ("'=1+1", 'vout')
    """
    clean = one_line(text, 1000)
    return f"'{clean}" if clean.startswith(_FORMULA) else clean


def csv_line(cells: Iterable[str]) -> str:
    """Return cells as one line of CSV (RFC 4180), with its end."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(cells)
    return out.getvalue()


def csv_cell(text: str) -> str:
    """Return text as one cell of CSV, in quotes where it needs them, harmless in a spreadsheet."""
    return csv_line([for_cell(text)]).rstrip("\n")


def for_page(text: object) -> str:
    """Return text for HTML: one line, without control codes, escaped also for attributes."""
    return html.escape(one_line(text, 10_000), quote=True)


def for_markdown(text: object, *, in_cell: bool = False) -> str:
    r"""Return text for Markdown, where nothing in it marks anything up; in a cell of a table no line begins.

    >>> print(for_markdown("a|b <script>"))
    a\|b \<script\>
    """
    text_on_one_line = _MARKS.sub(r"\\\g<0>", one_line(text, 10_000))
    at_begin = _MARKS_A_LINE.match(text_on_one_line)
    if at_begin is None or in_cell:
        return text_on_one_line
    # A list or a heading is marked by a sign, or by the point behind a number.
    place = at_begin.end() if at_begin[2].isdigit() else at_begin.start(2)
    return f"{text_on_one_line[:place]}\\{text_on_one_line[place:]}"
