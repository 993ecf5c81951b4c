"""The command that shows the manual: Markdown pages that are installed with the program."""

from __future__ import annotations

import os
import re
import shutil
import sys
from difflib import get_close_matches
from typing import TYPE_CHECKING

import click

from benchmon.errors import EXIT_DONE, BadInput
from benchmon.text import one_line

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

_ORDER = (
    "safety",
    "bench-file",
    "instruments",
    "scpi",
    "modbus",
    "serial-lines",
    "serial-frames",
    "mqtt",
    "http",
    "udp",
    "bluetooth",
    "files",
    "thermal-pictures",
    "hand",
    "switching-off",
    "plan",
    "screen",
    "captured-waves",
    "afterwards",
    "recorder-and-sessions",
    "simulated-bench",
    "several-benches",
    "teaching",
    "python",
)
"""The pages in the order in which they are listed: before power-on, during it, afterwards."""
_WIDEST = 100


@click.command()
@click.argument("topic", required=False)
def manual(topic: str | None) -> int:
    """Show a page of the manual, or the list of its pages."""
    if topic is None:
        print_pages(_contents())
        return EXIT_DONE
    text = page_text(topic)
    print_pages(text, _formatted(text) if sys.stdout.isatty() else None)
    return EXIT_DONE


def print_pages(text: str, formatted: str | None = None) -> None:
    """Print `text`: through a pager where standard output is a terminal, there as `formatted` if that is given."""
    if not sys.stdout.isatty():
        click.echo(text, nl=not text.endswith("\n"))
        return
    # -F: the pager ends at once if the text fits the screen. -R: it passes the codes of formatted text.
    options = os.environ.get("LESS", "-F")
    os.environ["LESS"] = options if "R" in options else f"{options} -R"
    click.echo_via_pager(text if formatted is None else formatted, color=True)


def page_names() -> list[str]:
    """Return the names of all pages, in the order in which they are listed."""
    there = {page.name.removesuffix(".md") for page in _folder().iterdir() if page.name.endswith(".md")}
    return [name for name in _ORDER if name in there] + sorted(there - set(_ORDER))


def page_text(topic: str) -> str:
    """Return the Markdown of a page. Raises `BadInput` that proposes a page where there is none of that name."""
    name = topic.strip().lower().removesuffix(".md").replace("_", "-").replace(" ", "-")
    names = page_names()
    if name in names:
        return _read(name)
    near = get_close_matches(name, names, 1, 0.6) or _pages_about(name)
    proposal = f"did you mean {', '.join(near)}?" if near else "`benchmon manual` lists the pages"
    raise BadInput(f'the manual has no page "{one_line(topic, 40)}"; {proposal}')


def _folder() -> Traversable:
    from importlib.resources import files

    return files("benchmon") / "manual"


def _read(name: str) -> str:
    return (_folder() / f"{name}.md").read_text(encoding="utf-8")


def _pages_about(word: str) -> list[str]:
    """Return the pages, three at most, that have `word` in a heading, or else anywhere in code."""
    spelled = re.escape(word).replace(r"\-", "[-_ ]")
    for where in (rf"^#.*\b{spelled}", rf"`(?:benchmon )?{spelled}\b"):
        found = [name for name in page_names() if re.search(where, _read(name), re.MULTILINE | re.IGNORECASE)]
        if found:
            return found[:3]
    return []


def _contents() -> str:
    width = max(map(len, page_names()))
    lines = [f"  {name:<{width}}  {_summary(name)}" for name in page_names()]
    return "\n".join(["benchmon manual TOPIC shows a page:", "", *lines, ""])


def _summary(name: str) -> str:
    """Return the first paragraph of a page, which says in one sentence what the page is about."""
    return " ".join(_read(name).split("\n\n")[1].split()).replace("`", "")


def _for_a_terminal(text: str) -> str:
    without_pictures = re.sub(r"^ *!\[.*\]\(.*\)\n+", "", text, flags=re.MULTILINE)
    commands = re.sub(r"\[([^\]]+)\]\(([\w-]+)\.md\)", r"\1 (`benchmon manual \2`)", without_pictures)
    return re.sub(r"\[([^\]]+)\]\([^)]+\)", r"\1", commands)


def _formatted(text: str) -> str:
    """Return Markdown as text with the codes of this terminal; links name the command, pictures are left out."""
    from io import StringIO

    from rich.console import Console
    from rich.markdown import Markdown

    width = min(shutil.get_terminal_size().columns, _WIDEST)
    console = Console(file=StringIO(), force_terminal=True, width=width)
    with console.capture() as captured:
        console.print(Markdown(_for_a_terminal(text), hyperlinks=False, code_theme="ansi_dark"))
    return captured.get()


COMMANDS = (manual,)
