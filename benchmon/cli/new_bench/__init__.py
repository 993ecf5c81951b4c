"""The command `new`: questions about a supply and its instruments, and a commented bench file from the answers."""

from __future__ import annotations

from pathlib import Path

import click

from benchmon.cli.options import FORCE, PATH
from benchmon.errors import EXIT_DONE

_LOOK_FOR = 4.0
"""Seconds to search for instruments."""


@click.command()
@click.argument("bench", type=PATH)
@FORCE
def new(bench: Path, force: bool) -> int:
    """Ask about a supply and its instruments, and write a commented bench file."""
    from benchmon.cli.new_bench.conversation import make_bench
    from benchmon.instruments.registry import find_ports

    click.echo(make_bench(bench, lambda: find_ports(_LOOK_FOR), force=force))
    return EXIT_DONE


COMMANDS = (new,)
