"""The plain questions of `benchmon new`, one after the other, where there is no terminal for a form."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import click

from benchmon.cli.options import ask_question, ask_yes, print_title, say
from benchmon.errors import BenchFileError
from benchmon.instruments.types import Port
from benchmon.new_bench.bench_maker import BenchMaker
from benchmon.new_bench.meter_questions import ONLY_SWITCHES
from benchmon.new_bench.plan_questions import is_of_test
from benchmon.new_bench.questions import Question, numbers_of
from benchmon.new_bench.supply_questions import is_of_supply
from benchmon.text import one_line


def converse(maker: BenchMaker, find: Callable[[], Sequence[Port]]) -> None:
    """Ask for a bench, and write it.

    `find` looks for instruments. Where the conversation is broken off, the answers so far are kept as a draft. Raises
    `BenchFileError` where the answers do not fit together, `BadInput` where the file cannot be written.
    """
    say("Enter takes the answer in brackets, Ctrl-C keeps the answers so far as a draft.")
    if maker.take_draft():
        say(f"The answers of {one_line(maker.draft_path.name)} are in the brackets.")
    try:
        _Conversation(maker, find).run()
        maker.write()
    except (click.Abort, KeyboardInterrupt, BenchFileError):
        maker.keep_draft()
        click.echo(f"\n{maker.draft_in_words}")
        raise


class _Conversation:
    """Goes through the questions that arise. A wrong answer is explained and asked again, so nothing is raised."""

    def __init__(self, maker: BenchMaker, find: Callable[[], Sequence[Port]]) -> None:
        self._maker, self._find = maker, find
        self._group = ""

    def run(self) -> None:
        """Ask everything."""
        self._ask_all(is_of_supply)
        self._title("Looking for instruments")
        say("Nothing is sent to serial ports; this takes a few seconds.")
        self._maker.ports = self._find()
        self._ask_meters()
        if self._maker.meters:
            self._ask_all(is_of_test)

    def _ask_meters(self) -> None:
        maker = self._maker
        self._title("The instruments")
        places = [port for port in maker.ports if port.address]
        for port in places:
            say(one_line(f"{port.address}  {port.words}", 110))
        if not places:
            say("Nothing was found by itself; addresses are typed in.")
        say("Mains quantities are measured through a meter made for it, never with bare leads.")
        for meter in maker.meters:
            self._ask_meter(meter)
        question = "is there an instrument to read?"
        why = "a meter without an interface counts too: its readings are typed in"
        while ask_yes("another instrument?" if maker.meters else question, why, default=not maker.meters):
            self._ask_meter(maker.add_meter())

    def _ask_meter(self, meter: int) -> None:
        """Ask for a meter until it fits, and until it stays after it was read."""
        maker = self._maker
        kept = dict(maker.given)
        while True:
            self._ask_all_of(f"meter.{meter}.")
            channel = 0
            while True:
                there = [number for number in numbers_of(maker.asked().values, f"channel.{meter}") if number > channel]
                if there:
                    channel = there[0]
                elif maker.asked()[f"meter.{meter}.reads"] == ONLY_SWITCHES:
                    break
                elif ask_yes("another channel of this instrument?", "a channel is one quantity that it reads"):
                    channel = maker.add_channel(meter)
                else:
                    break
                self._ask_all_of(f"channel.{meter}.{channel}.")
            problem = maker.problem()
            if problem:
                say(f"That does not fit together: {problem}")
                say("Please start again with the instrument.")
            elif self._may_stay(meter):
                return
            maker.given = dict(kept)
            if meter not in maker.meters:
                maker.add_meter()

    def _may_stay(self, meter: int) -> bool:
        """Read an instrument once, if it is there, and return whether it may stay as it was described."""
        why = "the number shows at once whether address, function and unit are right; the power may be off"
        is_by_hand = not self._maker.asked()[f"meter.{meter}.address"]
        if is_by_hand or not ask_yes("is it connected, to be read once now?", why, default=True):
            return True
        rows = self._maker.read_meter(meter)
        for row in rows:
            say(one_line(row.in_words if row.ok else f"NO: {row.in_words}"))
        if all(row.ok for row in rows):
            return ask_yes("does the meter itself show the same?", "no asks for this instrument again", default=True)
        return ask_yes("keep it all the same?", "the file can be changed later; no asks for it again", default=True)

    def _ask_all_of(self, prefix: str) -> None:
        self._ask_all(lambda name: name.startswith(prefix))

    def _ask_all(self, belongs: Callable[[str], bool]) -> None:
        done = set[str]()
        while True:
            left = (each for each in self._maker.asked() if each.name not in done and belongs(each.name))
            question = next(left, None)
            if question is None:
                return
            done.add(question.name)
            if question.group != self._group:
                self._title(question.group)
            self._ask(question)

    def _ask(self, question: Question) -> None:
        self._maker.given[question.name] = ask_question(question, self._maker.asked()[question.name])

    def _title(self, text: str) -> None:
        self._group = text
        print_title(text)
