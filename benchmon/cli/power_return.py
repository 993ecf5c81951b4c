"""Before a recording whose start lets the power come: the user is asked if the last one of the bench tripped."""

from __future__ import annotations

from contextlib import suppress

import click

from benchmon.bench import Bench
from benchmon.cli.options import has_terminal
from benchmon.errors import BadInput, SessionFileError
from benchmon.session.reader import has_tripped
from benchmon.session.session_files import sessions_of
from benchmon.text import one_line

_SERIAL_DRIVERS = ("serial_lines", "serial_frames")


def check_power_return(bench: Bench, *, yes: bool) -> None:
    """Ask whether the power may come, where opening a serial line lets it come and the last recording tripped.

    `yes` answers beforehand. Raises `BadInput` where the answer is no, or where nobody can be asked.
    """
    switch = bench.switch_off
    if switch is None or yes:
        return
    driver = next((each.driver for each in bench.instrument if each.name == switch.instrument), "")
    if driver not in _SERIAL_DRIVERS:
        return
    last = next(iter(sessions_of(bench.title)), None)
    if last is None:
        return
    with suppress(SessionFileError):
        if has_tripped(last):
            _ask(one_line(last.name, 200), one_line(switch.instrument, 40))


def _ask(session: str, instrument: str) -> None:
    words = f"{session}, the last recording of this bench, tripped; starting one lets {instrument} switch the power on"
    if not has_terminal():
        raise BadInput(f"{words}: add --yes once the cause is found")
    if not click.confirm(f"{words}. Start?", err=True):
        raise BadInput("nothing was started; the power was not switched on by benchmon")
