"""The command that makes a bench file by questions."""

from __future__ import annotations

from pathlib import Path

import click

from benchmon.commands.values import FORCE, PATH
from benchmon.errors import EXIT_DONE

_LOOK_FOR = 4.0


@click.command()
@click.argument("bench", type=PATH)
@FORCE
def new(bench: Path, force: bool) -> int:
    """Ask about a supply and its instruments, and write a commented bench file."""
    from benchmon.instruments.ports import find_ports
    from benchmon.new_bench import make_bench

    click.echo(make_bench(bench, lambda: find_ports(_LOOK_FOR), force=force))
    return EXIT_DONE


COMMANDS = (new,)
