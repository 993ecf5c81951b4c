"""The program: its commands, and one line for every error.

Each command imports what it needs when it runs, so that `--help` and completion stay quick.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from benchmon import __version__
from benchmon.cli import checks, keys, live, manual, new_bench, sessions
from benchmon.errors import EXIT_BAD_INPUT, EXIT_DONE, BenchmonError
from benchmon.text import one_line

EPILOG = (
    "Mains voltage kills and reservoirs stay charged. benchmon only watches; it is no protective device. "
    "Local rules and licensed practice go first."
)

_TASKS = {
    "Before power-on": ("new", "check", "predict", "choose", "ports", "keys"),
    "At the bench": ("run", "attach", "enter", "plan", "sweep", "benches"),
    "Afterwards": ("replay", "report", "export", "compare", "batch", "fit", "assess", "analyse"),
    "Without a bench": ("demo", "simulate", "manual"),
}
"""What a person is about to do, and the commands for it in the order of a working day."""


class CommandsByTask(click.Group):
    """The commands, listed by what a person is about to do and not by the alphabet."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the lists of commands, one for each task, into `formatter`."""
        named = {name: self.get_command(ctx, name) for name in self.list_commands(ctx)}
        room = formatter.width - 6 - max(map(len, named))
        for task, names in _TASKS.items():
            with formatter.section(task):
                formatter.write_dl([(name, one.get_short_help_str(room)) for name in names if (one := named[name])])


@click.group(cls=CommandsByTask, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="benchmon")
def commands() -> None:
    """Predict, watch and record the power-on test of a mains-transformer linear power supply."""


for module in (checks, keys, live, manual, new_bench, sessions):
    for command in module.COMMANDS:
        commands.add_command(command)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command and exit with its status; every error is one line on standard error."""
    # Without this, pydantic would search every installed package for plugins, which takes time.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        status = commands.main(arguments, prog_name="benchmon", standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except click.UsageError as problem:
        _fail(f"{problem.format_message()} (see benchmon --help)")
    except click.ClickException as problem:
        _fail(problem.format_message())
    except BenchmonError as problem:
        _fail(str(problem))
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(EXIT_DONE)
    else:
        sys.exit(status if isinstance(status, int) else EXIT_DONE)


def _fail(text: str) -> None:
    click.echo(f"benchmon: {one_line(text, 500)}", err=True)
    sys.exit(EXIT_BAD_INPUT)
