"""The program: its commands, and one line for every error.

Each command imports what it needs when it runs, so that `--help` and completion stay quick.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

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


class _NobodyReads(Exception):
    """Whoever read standard output has gone, as `head` does."""


@contextmanager
def _errors_of_output() -> Iterator[None]:
    """Raise what it means that standard output cannot be written; by click, status 1 would say that the answer is no.

    Errors about a file name it; those that name none are about standard output.
    """
    try:
        yield
    except BrokenPipeError:
        raise _NobodyReads from None
    except OSError as problem:
        if problem.filename is not None or problem.errno not in _NOT_WRITTEN:
            raise
        raise BenchmonError(f"standard output cannot be written: {problem.strerror}; the answer is not whole") from None


_NOT_WRITTEN = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)


class CommandsByTask(click.Group):
    """The commands, listed by what a person is about to do and not by the alphabet."""

    def make_context(self, *arguments: Any, **more: Any) -> click.Context:
        """Return a context of the command line, in which `--help` is answered."""
        with _errors_of_output():
            return super().make_context(*arguments, **more)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        with _errors_of_output():
            return super().invoke(ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the lists of commands, one for each task, into `formatter`."""
        named = {name: self.get_command(ctx, name) for name in self.list_commands(ctx)}
        room = formatter.width - 6 - max(map(len, named))
        for task, names in _TASKS.items():
            with formatter.section(task):
                formatter.write_dl([(name, one.get_short_help_str(room)) for name in names if (one := named[name])])


@click.group(
    cls=CommandsByTask,
    epilog=EPILOG,
    invoke_without_command=True,
    subcommand_metavar="COMMAND [ARGS]...",
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, prog_name="benchmon")
@click.pass_context
def commands(context: click.Context) -> None:
    """Predict, watch and record the power-on test of a mains-transformer linear power supply."""
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


for module in (checks, keys, live, manual, new_bench, sessions):
    for command in module.COMMANDS:
        commands.add_command(command)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command and exit with its status; every error is one line on standard error."""
    _open_closed_streams()
    # Without this, pydantic would search every installed package for plugins, which takes time.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        status = commands.main(arguments, prog_name="benchmon", standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except click.UsageError as problem:
        command = problem.ctx.command_path if problem.ctx else "benchmon"
        _fail(f"{problem.format_message()} (see {command} --help)")
    except click.ClickException as problem:
        _fail(problem.format_message())
    except BenchmonError as problem:
        _fail(str(problem))
    except _NobodyReads:
        # What is still buffered has nowhere to go when the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(EXIT_DONE)
    else:
        sys.exit(status if isinstance(status, int) else EXIT_DONE)


def _open_closed_streams() -> None:
    """Open nothing in place of a standard stream that the caller has closed, so that no file gets its number."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 - open to the end


def _fail(text: str) -> None:
    click.echo(f"benchmon: {one_line(text, 500)}", err=True)
    sys.exit(EXIT_BAD_INPUT)
