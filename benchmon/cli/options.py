"""Arguments, options, checks and plain questions that several commands share."""

from __future__ import annotations

import math
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchmon.errors import BadInput
from benchmon.quantities import DURATION, NUMBER, TEMPERATURE, VOLTAGE, Kind, example, parse_value
from benchmon.text import one_line

if TYPE_CHECKING:
    from benchmon.new_bench.questions import Question


class QuantityParam(click.ParamType[float]):
    """A value with its unit on the command line, such as "241 V"."""

    def __init__(
        self, kind: Kind, *, above_zero: bool = False, at_least: float = -math.inf, at_most: float = math.inf
    ) -> None:
        self.kind = kind
        self.above_zero, self.at_least, self.at_most = above_zero, at_least, at_most
        self.name = kind.name.split()[-1]

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the value in SI; a bare number is in SI. Raises `click.BadParameter` if it is not a value in range."""
        try:
            found = parse_value(float(value), self.kind)
        except ValueError:
            try:
                found = parse_value(value, self.kind)
            except BadInput as problem:
                self.fail(f"{one_line(value, 60)!r} {problem}", param, ctx)
        if (self.above_zero and found <= 0) or not self.at_least <= found <= self.at_most:
            lowest = f"at least {self.at_least:g} {self.kind.unit}" if math.isfinite(self.at_least) else "above 0"
            highest = f" and at most {self.at_most:g} {self.kind.unit}" if math.isfinite(self.at_most) else ""
            self.fail(f"{one_line(value, 60)!r} must be {lowest.rstrip()}{highest.rstrip()}", param, ctx)
        return found


class SessionParam(click.Path):
    """A session file: a path, the name of one in the sessions folder, or `latest`."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return its path; where there is none, the path as it was given."""
        path = Path(os.fsdecode(super().convert(value, param, ctx)))
        if path.exists() or path.name != str(path):
            return path
        from benchmon.cli.session_files import ENDING, session_begun_last, sessions_folder

        if path.name == "latest":
            return session_begun_last()
        there = (sessions_folder() / name for name in (path.name, f"{path.name}{ENDING}"))
        return next((each for each in there if each.is_file()), path)


PATH = click.Path(path_type=Path)
SESSION_PATH = SessionParam()
MAINS_VOLTAGE = QuantityParam(VOLTAGE, above_zero=True, at_most=1000.0)
PACE = QuantityParam(NUMBER, at_least=0.01, at_most=1000.0)
AMBIENT = QuantityParam(TEMPERATURE, at_least=-90.0, at_most=150.0)
"""As in the bench file."""
BENCH = click.argument("bench", type=PATH)
HEADLESS = click.option("--headless", is_flag=True, help="Run without a screen; print a summary at the end.")
DURATION_OPTION = click.option(
    "--for",
    "duration",
    type=QuantityParam(DURATION, above_zero=True),
    metavar="SECONDS",
    help="Stop after this time: 90, 10s, 5min.",
)
SESSION = click.option("--session", "session", type=PATH, metavar="FILE", help="Write the session to FILE.")
RECORDED = click.option(
    "--session",
    "session",
    type=SESSION_PATH,
    metavar="FILE",
    help="The session that is being recorded; it may be left out where only one recorder runs.",
)


FAULT = click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME[:WHERE][@TIME]",
    help="Simulate a fault, from the start, from 30s on, or during 10s..20s.",
)
EFFECTS = click.option(
    "--effects",
    type=click.Choice(["none", "real", "double"]),
    default="real",
    show_default=True,
    help="What the simulated bench has of a real one: distorted mains, a saturating core, spread parts, moving air, "
    "meters with noise and bandwidth; doubled, or nothing.",
)
SERIAL = click.option(
    "--serial", metavar="NUMBER", help="Which unit is tested: its serial number, stored with the session."
)
OPERATOR = click.option("--operator", metavar="NAME", help="Who tests it, stored with the session.")
GUESS = click.option(
    "--guess",
    "is_guessed_first",
    is_flag=True,
    help="For learners: the screen shows what is expected of a channel once you have typed your own guess; alarms "
    "always show.",
)
PUBLISH = click.option("--publish", metavar="URL", help="Publish the status of the bench to a broker: mqtt://host/lab.")

JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
ASCII = click.option("--ascii", "ascii_only", is_flag=True, help="Draw with ASCII characters only.")
OUT = click.option("-o", "--out", "out", type=PATH, required=True, metavar="FILE", help="The file to write.")
FORCE = click.option("--force", is_flag=True, help="Overwrite FILE if it exists.")


def may_write_over(path: Path, *, force: bool) -> bool:
    """Return whether an existing file may be overwritten: because of --force, or because the user agrees when asked."""
    if force or not path.is_file() or not (sys.stdin.isatty() and sys.stderr.isatty()):
        return force
    return click.confirm(f"{one_line(path, 1000)} exists already. Overwrite it?", err=True)


def has_terminal() -> bool:
    """Return whether both standard input and standard output are a terminal."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def require_terminal(otherwise: str) -> None:
    """Raise `BadInput` if there is no terminal for a screen; `otherwise` is what to do then."""
    if not has_terminal():
        raise BadInput(f"the screen needs a terminal; {otherwise}")


def ask_question(question: Question, usual: str) -> str:
    """Ask a question until it has an answer, and return it; Enter alone takes the `usual` one, "" for none.

    Raises `click.Abort` at the end of the input and for Ctrl-C.
    """
    click.secho(f"\n  {question.why}", dim=True)
    if len(question.choices) == 1:
        say(f"{question.words}: {question.choices[0]}")
        return question.choices[0]
    listed = [(choice, "") for choice in question.choices] or question.offers
    for number, (answer, words) in enumerate(listed, 1):
        click.echo(f"    {number:>2}  {answer}  {words}".rstrip())
    like = f" (like {example(question.kind).strip(chr(34))})" if question.kind else ""

    def take(typed: str) -> str:
        try:
            return question.read(typed)
        except BadInput as problem:
            raise click.BadParameter(str(problem)) from problem

    while True:
        typed: str = click.prompt(
            f"  {question.words}{like}", default=usual or None, value_proc=take, prompt_suffix=": "
        )
        doubt = question.doubt(typed)
        if not doubt or ask_yes("keep it?", doubt):
            return typed


def print_title(text: str) -> None:
    """Print the title of a group of questions."""
    click.secho(f"\n{text}", bold=True)


def say(text: str) -> None:
    """Print a line between questions."""
    click.echo(f"  {text}")


def ask_yes(question: str, why: str, *, default: bool = False) -> bool:
    """Ask a question that is answered by yes or no, and return which."""
    click.secho(f"\n  {why}", dim=True)
    return click.confirm(f"  {question}", default=default)
