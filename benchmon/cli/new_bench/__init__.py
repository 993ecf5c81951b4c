"""The command `new`: questions about a supply and its instruments, and a bench file, new or changed, from them."""

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
@click.option("--edit", is_flag=True, help="Change the bench file that is there; its comments stay.")
def new(bench: Path, force: bool, edit: bool) -> int:
    """Ask about a supply, its instruments and the plan of the test, and write a commented bench file, or change one."""
    from benchmon.atomic_file import check_may_write
    from benchmon.instruments.registry import find_ports
    from benchmon.new_bench.bench_maker import BenchMaker

    if edit:
        maker = BenchMaker.of_file(bench)
    else:
        check_may_write(bench, force=force)
        maker = BenchMaker(bench)

    from benchmon.cli.new_bench.conversation import converse

    click.echo(converse(maker, lambda: find_ports(_LOOK_FOR)))
    return EXIT_DONE


COMMANDS = (new,)
