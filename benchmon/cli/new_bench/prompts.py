"""Asking at a terminal: a question, the reason for it, a sensible default, and a check of the answer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import click
from pydantic import BaseModel

from benchmon.bench.fields import field_of, kind_of, why_not
from benchmon.cli.new_bench.bench_text import TextSection
from benchmon.errors import BadInput
from benchmon.quantities import NUMBER, Kind, example, parse_value
from benchmon.text import one_line

_LONGEST = 500
Check = Callable[[Any], str]
"""Takes an answer and returns what is wrong with it, "" if nothing is."""


def title(text: str) -> None:
    """Begin a group of questions."""
    click.secho(f"\n{text}", bold=True)


def say(text: str) -> None:
    """Print a sentence between questions."""
    click.echo(f"  {text}")


def ask_value(question: str, why: str, kind: Kind, default: str | None, check: Check | None = None) -> str:
    """Return a value with its unit as it was typed, such as `230 V`. `check` is given it in SI.

    A wrong answer is explained and asked again, so nothing is raised.
    """

    def take(answer: str) -> str:
        text = one_line(answer.strip(), _LONGEST)
        try:
            number = parse_value(text, kind)
        except BadInput as problem:
            raise click.BadParameter(f"{text!r} {problem}") from problem
        _refuse(check(number) if check else "")
        return text

    return str(_prompt(f"{question} (like {example(kind).strip(chr(34))})", why, default, take))


def ask_text(question: str, why: str, default: str | None, check: Check | None = None) -> str:
    """Return a line of text; "" only where that is the default."""

    def take(answer: str) -> str:
        text = one_line(answer.strip(), _LONGEST)
        _refuse(check(text) if check else "")
        return text

    return str(_prompt(question, why, default, take))


def ask_choice(question: str, why: str, choices: Sequence[str], default: str | None) -> str:
    """Return one of `choices`: by its number, its words, or a beginning that no other has.

    A wrong answer is explained and asked again, so nothing is raised.
    """
    click.echo()
    for number, choice in enumerate(choices, 1):
        click.echo(f"    {number:>2}  {choice}")

    def take(answer: str) -> str:
        text = answer.strip()
        if text.isdecimal() and 1 <= int(text) <= len(choices):
            return choices[int(text) - 1]
        exact = [choice for choice in choices if choice == text]
        found = exact or [choice for choice in choices if text and choice.lower().startswith(text.lower())]
        if len(found) != 1:
            raise click.BadParameter(f"type a number from 1 to {len(choices)}, or the words")
        return found[0]

    return str(_prompt(question, why, default, take))


def ask_yes(question: str, why: str, *, default: bool) -> bool:
    """Return whether the answer is yes."""
    _print_reason(why)
    return click.confirm(f"  {question}", default=default)


def meaning(model: type[BaseModel], key: str) -> str:
    """Return what a key of the bench file means, as its model describes it."""
    return field_of(model, key).description or ""


def _refuse(problem: str) -> None:
    if problem:
        raise click.BadParameter(problem)


def _prompt(question: str, why: str, default: str | None, take: Callable[[str], str]) -> Any:
    _print_reason(why)
    return click.prompt(f"  {question}", default=default, value_proc=take, prompt_suffix=": ")


def _print_reason(why: str) -> None:
    click.secho(f"\n  {why}", dim=True)


@dataclass(frozen=True, slots=True)
class Question:
    """A question for a key of a section. The model has the meaning of the key and the values it takes.

    `more` is added to that meaning at the terminal only.
    """

    model: type[BaseModel]
    key: str
    question: str
    default: str | None
    more: str = ""

    def ask(self) -> str:
        """Return the answer as it was typed."""
        field = field_of(self.model, self.key)
        why = f"{meaning(self.model, self.key)} {self.more}".strip()
        return ask_value(
            self.question, why, kind_of(field) or NUMBER, self.default, lambda number: why_not(field, number)
        )


def ask_all(section: TextSection, *questions: Question) -> None:
    """Ask `questions` and put the answers into `section`, each with its meaning as a comment."""
    for question in questions:
        section.add(question.key, question.ask(), meaning(question.model, question.key).removesuffix("."))
