"""What the form knows: its rows, the row under the cursor, and how an answer is taken, refused or asked back."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum

from benchmon.errors import BadInput
from benchmon.instruments.connection_test import Tried
from benchmon.new_bench.bench_maker import BenchMaker
from benchmon.new_bench.filter_questions import answer_without_part
from benchmon.new_bench.plan_questions import is_of_test
from benchmon.new_bench.preview import Preview
from benchmon.new_bench.questions import Asked, Question
from benchmon.screen.lines.text import wrap
from benchmon.text import one_line


class RowKind(Enum):
    """What a row of the form is."""

    HEADING = "heading"
    QUESTION = "question"
    ACTION = "action"
    RESULT = "result"


class AnswerState(Enum):
    """How it stands with an answer."""

    GIVEN = "given"
    USUAL = "usual, not confirmed"
    DOUBTED = "unusual"
    REFUSED = "cannot be"
    EMPTY = "nothing yet"


@dataclass(frozen=True, slots=True)
class FormRow:
    """A row of the form. `name` is the question's or the action's; results and headings have no name.

    `is_continued` is of a result that goes on from the row above.
    """

    kind: RowKind
    words: str
    name: str = ""
    question: Question | None = None
    is_problem: bool = False
    is_continued: bool = False


ADD_METER, WRITE = "add meter", "write"
LOOK_AGAIN = "look again"
_RESULT_WIDTH = 62
"""Columns of a result; the form has them beside its margin also where what follows is at the side."""
_ADD_CHANNEL, _REMOVE_METER = "add channel", "remove meter"
_OF_A_METER = re.compile(rf"(?:meter\.|channel\.|{_ADD_CHANNEL} |{_REMOVE_METER} )(\d+)")
"""The rows of a meter and of its channels; steps and parts of the filter have numbers too."""


@dataclass
class FormState:
    """The state of the form on a bench in the making. `tried` are the results of reading meters, by their numbers.

    `is_working` is whether a `preview` of later answers is being worked out.
    """

    maker: BenchMaker
    asked: Asked = field(init=False)
    rows: list[FormRow] = field(init=False, default_factory=list)
    cursor: str = "title"
    message: str = ""
    preview: Preview = field(default_factory=Preview)
    is_working: bool = False
    tried: dict[int, str | Sequence[Tried]] = field(default_factory=dict)
    refused: dict[str, tuple[str, str]] = field(default_factory=dict)
    doubted: dict[str, str] = field(default_factory=dict)
    _asked_back: str = ""

    def __post_init__(self) -> None:
        """Ask for the first time."""
        self.refresh()

    def refresh(self) -> None:
        """Ask again: other questions may arise from other answers."""
        before = [row.name for row in self.rows if row.name]
        self.asked = self.maker.asked()
        self.rows = list(self._make_rows())
        names = [row.name for row in self.rows if row.name]
        if self.cursor not in names:
            at = before.index(self.cursor) if self.cursor in before else 0
            self.cursor = next((name for name in reversed(before[:at]) if name in names), names[0])

    def _make_rows(self) -> list[FormRow]:
        rows, group, meter, is_past_meters = list[FormRow](), "", 0, False
        for question in self.asked:
            if question.group != group:
                parts = question.name.split(".")
                number = int(parts[1]) if parts[0] in ("meter", "channel") else 0
                if meter and number != meter:
                    rows += self._end_of_meter(meter)
                if is_of_test(question.name) and not is_past_meters:
                    rows += self._end_of_meters()
                    is_past_meters = True
                meter, group = number, question.group
                rows.append(FormRow(RowKind.HEADING, group))
                if question.name.startswith("meter."):
                    rows += self._results(meter)
            rows.append(FormRow(RowKind.QUESTION, question.words, question.name, question))
        action = f"write {one_line(self.maker.path.name, 60)}"
        return [*rows, FormRow(RowKind.HEADING, "Done"), FormRow(RowKind.ACTION, action, WRITE)]

    def _end_of_meter(self, meter: int) -> list[FormRow]:
        reads = any(name.startswith(f"channel.{meter}.") for name in self.asked.values)
        another = FormRow(RowKind.ACTION, f"another channel of meter {meter}", f"{_ADD_CHANNEL} {meter}")
        return [
            *([another] if reads else []),
            FormRow(RowKind.ACTION, f"take meter {meter} away", f"{_REMOVE_METER} {meter}"),
        ]

    def _end_of_meters(self) -> list[FormRow]:
        if self.maker.meters:
            return [FormRow(RowKind.ACTION, "another meter", ADD_METER)]
        words = "add a meter"
        return [FormRow(RowKind.HEADING, "Meters"), FormRow(RowKind.ACTION, words, ADD_METER)]

    def _results(self, meter: int) -> list[FormRow]:
        tried = self.tried.get(meter)
        if tried is None:
            return []
        results = [(tried, False)] if isinstance(tried, str) else [(each.in_words, not each.ok) for each in tried]
        return [
            FormRow(RowKind.RESULT, piece, is_problem=is_problem, is_continued=number > 0)
            for words, is_problem in results
            for number, piece in enumerate(wrap(one_line(words, 300), _RESULT_WIDTH))
        ]

    @property
    def row(self) -> FormRow:
        """The row under the cursor."""
        return next(row for row in self.rows if row.name == self.cursor)

    @property
    def question(self) -> Question | None:
        """The question under the cursor, None where an action is there."""
        return self.row.question

    @property
    def message_title(self) -> str:
        """What stands above the message: whether something is to be put right, or it only says what is so."""
        question = self.question
        is_wrong = question is not None and self.state_of(question) in (AnswerState.REFUSED, AnswerState.DOUBTED)
        return LOOK_AGAIN if is_wrong else "note"

    @property
    def meter(self) -> int:
        """The number of the meter under the cursor, 0 where none is."""
        found = _OF_A_METER.match(self.cursor)
        return int(found[1]) if found else 0

    def text_of(self, name: str) -> str:
        """Return what stands in the field of a question: what was refused, or the answer; "" for a usual one."""
        if name in self.refused:
            return self.refused[name][0]
        return self.asked.given.get(name, "")

    def state_of(self, question: Question) -> AnswerState:
        """Return how it stands with the answer to a question."""
        if question.name in self.refused:
            return AnswerState.REFUSED
        answer = self.asked[question.name]
        if question.name in self.asked.given:
            return AnswerState.DOUBTED if question.doubt(answer) else AnswerState.GIVEN
        if not answer:
            return AnswerState.EMPTY
        return AnswerState.GIVEN if answer == question.without or not question.is_figure else AnswerState.USUAL

    def take(self, typed: str) -> bool:
        """Take what was typed in the field under the cursor; return whether the cursor may leave it.

        What is refused, or asked back, holds the cursor once; the second time it leaves.
        """
        question = self.question
        if question is None:
            return True
        name = question.name
        if not typed.strip():
            self.maker.forget(name)
            self.refused.pop(name, None)
            return self._changed("")
        if name not in self.refused and typed == self.asked.given.get(name):
            return self._changed("")
        try:
            answer = question.read(typed)
        except BadInput as problem:
            held = self.refused.get(name, ("", ""))[0] != typed
            self.refused[name] = (typed, str(problem))
            self.message = str(problem)
            return not held
        self.refused.pop(name, None)
        self.maker.given[name] = answer
        doubt = question.doubt(answer)
        held = bool(doubt) and self.doubted.get(name) != answer
        self.doubted[name] = answer
        self._changed(f"{doubt}. Enter keeps it." if held else "")
        return not held

    def confirm_usual(self) -> None:
        """Take the usual answer to the question under the cursor as given."""
        question = self.question
        if question is not None and question.name not in self.refused and self.asked[question.name]:
            self.maker.given[question.name] = self.asked[question.name]
            self._changed("")

    def _changed(self, message: str) -> bool:
        self.message = message
        self.refresh()
        return True

    def move(self, steps: int) -> None:
        """Go up or down."""
        self._asked_back = ""
        names = [row.name for row in self.rows if row.name]
        at = names.index(self.cursor) + steps
        self.cursor = names[min(max(at, 0), len(names) - 1)]

    def move_group(self, steps: int) -> None:
        """Go to the first row of the next group, or of this one or the one before."""
        self._asked_back = ""
        first: list[str] = []
        for before, row in zip(self.rows, self.rows[1:], strict=False):
            if before.kind in (RowKind.HEADING, RowKind.RESULT) and row.name:
                first.append(row.name)
        names = [row.name for row in self.rows if row.name]
        at = names.index(self.cursor)
        if steps > 0:
            self.cursor = next((name for name in first if names.index(name) > at), names[-1])
        else:
            self.cursor = next((name for name in reversed(first) if names.index(name) < at), names[0])

    def act(self) -> str:
        """Do what the action under the cursor says; return what is left for the program to do, "" for nothing."""
        what, _, number = self.cursor.rpartition(" ")
        if self.cursor == ADD_METER:
            self.cursor = f"meter.{self.maker.add_meter()}.seen"
        elif what == _ADD_CHANNEL:
            self.cursor = f"channel.{number}.{self.maker.add_channel(int(number))}.point"
        elif what == _REMOVE_METER and self._asked_back != self.cursor:
            self._asked_back = self.cursor
            self.message = f"Enter again takes {self.asked[f'meter.{number}.name']} away, with all its channels."
            return ""
        elif what == _REMOVE_METER:
            self._asked_back = self.message = ""
            self.maker.remove(int(number))
            self.tried.pop(int(number), None)
            self.refused = {name: each for name, each in self.refused.items() if not _is_of(name, number)}
            self.cursor = ADD_METER
        else:
            return self.cursor
        self.refresh()
        return ""

    def remove_here(self) -> None:
        """Take the part of a filter, the channel or the meter under the cursor away.

        The last channel goes with its meter.
        """
        parts = self.cursor.split(".")
        no_part = answer_without_part(self.asked, self.cursor)
        if no_part:
            self.maker.given |= no_part
            [self.cursor] = no_part
            self.refresh()
            return
        if parts[0] not in ("meter", "channel"):
            self.message = "Only a meter, a channel or a part of the filter can be taken away; the cursor is on none."
            return
        channels = {name.split(".")[2] for name in self.asked.values if name.startswith(f"channel.{parts[1]}.")}
        if parts[0] == "channel" and len(channels) > 1:
            self.maker.remove(int(parts[1]), int(parts[2]))
            self.refused = {n: each for n, each in self.refused.items() if not n.startswith(".".join(parts[:3]))}
            self.cursor = f"meter.{parts[1]}.seen"
            self.refresh()
        else:
            self.cursor = self._asked_back = f"{_REMOVE_METER} {parts[1]}"
            self.act()

    def first_problem(self) -> str:
        """Return why the file cannot be written yet, and go there; "" where it can."""
        names = [row.name for row in self.rows]
        for name, (_, why) in self.refused.items():
            if name in names:
                self.cursor = name
                return why
        for question in self.asked:
            if self.state_of(question) is AnswerState.EMPTY:
                self.cursor = question.name
                return "an answer is needed here"
        return self.maker.problem()


def _is_of(name: str, number: str) -> bool:
    return name.startswith((f"meter.{number}.", f"channel.{number}."))
