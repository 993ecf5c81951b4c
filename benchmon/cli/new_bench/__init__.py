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
    from benchmon.new_bench.questions import Question

_LOOK_FOR = 4.0
"""Seconds to search for instruments."""


@click.command()
@click.argument("bench", type=PATH)
@FORCE
@click.option("--edit", is_flag=True, help="Change the bench file that is there; its comments stay.")
@click.option("--questions", is_flag=True, help="Ask one question after the other, without a form.")
@click.option(
    "--transformer", is_flag=True, help="Guide the tests of a transformer as it comes in, and write its section."
)
@ASCII
def new(bench: Path, force: bool, edit: bool, questions: bool, transformer: bool, ascii_only: bool) -> int:
    """Make a bench file in a form, or change one.

    It describes a supply, its instruments, and the plan of the test.
    """
    if transformer:
        from benchmon.cli.new_bench.transformer import guide_transformer_tests

        return guide_transformer_tests(bench, force=force)
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

        message = (
            f"The form goes on from {maker.draft_path.name}, the draft of last time." if maker.take_draft() else ""
        )
        if not show_form(maker, find, message=message, ascii_only=ascii_only):
            maker.keep_draft()
            click.echo(maker.draft_in_words)
            raise click.Abort
    else:
        from benchmon.cli.new_bench.conversation import converse

        converse(maker, find)
    click.echo(maker.next_in_words)
    return EXIT_DONE


def show_transformer_demo() -> int:
    """Print the tests of an invented transformer as they would go, with what they give; ask and write nothing."""
    import tomllib

    from benchmon.cli.new_bench.transformer import MetersOfBench, TransformerConversation
    from benchmon.cli.options import print_title, say
    from benchmon.cli.output import transformer_as_text
    from benchmon.new_bench.bench_maker import BenchMaker
    from benchmon.new_bench.bench_text import BenchText
    from benchmon.new_bench.supply_questions import IN_SERIES
    from benchmon.new_bench.transformer_tests import bench_text, evaluate
    from benchmon_simulated.scenarios import TRANSFORMER_TESTS

    answers = tomllib.loads(TRANSFORMER_TESTS.read_text(encoding="utf-8"))

    def asks(question: Question, _usual: str) -> str:
        answer = question.read(answers[question.name])
        click.secho(f"\n  {question.why}", dim=True)
        say(f"{question.words}: {answer}")
        return answer

    def agrees(question: str, why: str, default: bool) -> bool:
        is_yes = default or question.startswith("is that so")
        click.secho(f"\n  {why}", dim=True)
        say(f"{question} {'y' if is_yes else 'n'}")
        return is_yes

    say("An invented transformer, with invented readings; nothing is asked and nothing is written.")
    talk = TransformerConversation(asks, agrees, MetersOfBench(None), answers)
    found = evaluate(talk.run())
    print_title("What the tests give")
    click.echo(transformer_as_text(found))
    print_title("What would be written")
    text = bench_text(BenchMaker(Path("demo.toml")), found, talk.given, IN_SERIES)
    sections = [each.body for each in BenchText(text).sections if each.section in ("transformer", "learned")]
    click.echo("\n".join(sections).rstrip())
    say("On a bench of your own: benchmon new --transformer my-bench.toml")
    return EXIT_DONE


COMMANDS = (new,)
