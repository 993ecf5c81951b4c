"""Commands for a lab with several benches."""

from __future__ import annotations

import sys
import time

import click

from benchmon.commands.values import ASCII
from benchmon.errors import EXIT_ANSWER_IS_NO, EXIT_DONE, BadInput

_BROKER_WITHIN = 5.0
_LISTEN = 2.0
"""Seconds in which every bench that lives is heard at least once."""


@click.command()
@click.argument("url")
@click.option("--once", is_flag=True, help="Print how the benches stand now, and end; status 1 if one is in danger.")
@ASCII
def benches(url: str, once: bool, ascii_only: bool) -> int:
    """Show all benches that are published to a broker: URL is mqtt://host/lab."""
    from benchmon.publish.broker import read_broker
    from benchmon.publish.overview import Overview
    from benchmon.publish.wording import overview_as_text
    from benchmon.watch.glance import Level

    overview = Overview(read_broker(url))
    if not once and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise BadInput("the screen needs a terminal; use --once where there is none")
    overview.start()
    try:
        overview.wait_for_broker(_BROKER_WITHIN)
        if not once:
            from benchmon.screen.benches.app import show_benches

            show_benches(overview, ascii_only=ascii_only)
            return EXIT_DONE
        time.sleep(_LISTEN)
        found = overview.benches()
    finally:
        overview.stop()
    click.echo(overview_as_text(found))
    return EXIT_ANSWER_IS_NO if any(bench.level is Level.DANGER for bench in found) else EXIT_DONE


COMMANDS = (benches,)
