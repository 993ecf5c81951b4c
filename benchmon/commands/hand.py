"""The command for a meter without an interface."""

from __future__ import annotations

from pathlib import Path

import click

from benchmon.commands.values import PATH
from benchmon.errors import EXIT_DONE


# A value may be negative, and "-5 V" is no option.
@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("channel")
@click.argument("value")
@click.option("--session", type=PATH, metavar="FILE", help="The session; the latest that is recorded, if not named.")
def enter(channel: str, value: str, session: Path | None) -> int:
    """Hand to a running recorder what the display of a `hand` instrument shows: enter vout "22.14 V"."""
    from benchmon.session.asking import enter_reading
    from benchmon.session.places import latest_session

    click.echo(enter_reading(session or latest_session(), channel, value))
    return EXIT_DONE


COMMANDS = (enter,)
