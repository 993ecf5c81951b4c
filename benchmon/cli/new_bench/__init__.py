"""The command `new`: a form, or plain questions, about a supply and its instruments, and a bench file from them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchmon.cli.options import ASCII, FORCE, PATH, has_terminal
from benchmon.errors import EXIT_DONE, BadInput
from benchmon.text import one_line

if TYPE_CHECKING:
    from benchmon.instruments.types import Port

_LOOK_FOR = 4.0
"""Seconds to search for instruments."""


@click.command()
@click.argument("bench", type=PATH)
@FORCE
@click.option("--edit", is_flag=True, help="Change the bench file that is there; its comments stay.")
@click.option("--questions", is_flag=True, help="Ask one question after the other, without a form.")
@ASCII
def new(bench: Path, force: bool, edit: bool, questions: bool, ascii_only: bool) -> int:
    """Make a bench file in a form, or change one: a supply, its instruments, and the plan of the test."""
    from benchmon.atomic_file import check_may_write
    from benchmon.instruments.registry import find_ports
    from benchmon.new_bench.bench_maker import BenchMaker

    in_form = has_terminal() and not questions
    if edit or (in_form and bench.is_file() and not force):
        maker = BenchMaker.of_file(bench)
    else:
        if bench.is_file() and not force:
            raise BadInput(f"{one_line(bench, 300)}: is there already; --edit changes it, --force replaces it")
        check_may_write(bench, force=force)
        maker = BenchMaker(bench)

    def find() -> Sequence[Port]:
        return find_ports(_LOOK_FOR)

    if in_form:
        from benchmon.screen.new_bench.form import show_form

        message = f"Goes on from {maker.draft_path.name}." if maker.take_draft() else ""
        if not show_form(maker, find, message=message, ascii_only=ascii_only):
            maker.keep_draft()
            click.echo(maker.draft_in_words)
            raise click.Abort
    else:
        from benchmon.cli.new_bench.conversation import converse

        converse(maker, find)
    click.echo(maker.next_in_words)
    return EXIT_DONE


COMMANDS = (new,)
