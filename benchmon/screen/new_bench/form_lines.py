"""The form as lines of cells: the head, the rows around the cursor, help on the question, and what follows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from benchmon.new_bench.preview import Consequence
from benchmon.quantities import example
from benchmon.screen.lines.text import Cell, Line, fit, rule, wrap
from benchmon.screen.new_bench.form_state import ADD_METER, LOOK_AGAIN, AnswerState, FormRow, FormState, RowKind
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet

_LABEL, _FIELD = 34, 3 + 34
_WIDE = 110
_SIDE = 46
_HELP, _BELOW, _HEAD = 4, 4, 3


@dataclass(frozen=True, slots=True)
class FormLayout:
    """Where the parts of the form are in a terminal of `width` × `height`: what follows is below, or at the side."""

    width: int
    height: int

    @property
    def is_wide(self) -> bool:
        """Whether what follows has room at the side."""
        return self.width >= _WIDE

    @property
    def left(self) -> int:
        """Columns of the rows."""
        return self.width - _SIDE - 1 if self.is_wide else self.width

    @property
    def rows(self) -> int:
        """Lines of the rows."""
        return max(1, self.height - _HEAD - _HELP - (0 if self.is_wide else _BELOW))

    @property
    def field(self) -> tuple[int, int]:
        """The column and the columns of a field."""
        return _FIELD, max(8, self.left - _FIELD)


def draw_form(state: FormState, layout: FormLayout, symbols: SymbolSet) -> tuple[list[Line], int]:
    """Return all lines, and the line in which the field under the cursor is."""
    index = next(n for n, row in enumerate(state.rows) if row.name == state.cursor)
    first = min(max(0, index - layout.rows // 2), max(0, len(state.rows) - layout.rows))
    shown = state.rows[first : first + layout.rows]
    left = [_row(state, row, layout, symbols) for row in shown]
    left += [()] * (layout.rows - len(left))
    left += _help(state, layout.left, symbols)
    if layout.is_wide:
        side = _side(state, _SIDE, len(left), symbols)
        left = [
            (*_padded(line, layout.left), Cell(symbols.upright, StyleRole.QUIET), *beside)
            for line, beside in zip(left, side, strict=True)
        ]
    else:
        left += _below(state, layout.width, symbols)
    return [*_head(state, layout.width, symbols), *left], _HEAD + index - first


def _padded(line: Line, width: int) -> Line:
    return (*line, Cell(" " * max(0, width - sum(cell.width for cell in line))))


def _head(state: FormState, width: int, symbols: SymbolSet) -> list[Line]:
    maker = state.maker
    what = "a new bench:" if maker.is_new else "changes to"
    usual = maker.unconfirmed(state.asked)
    count = f"{symbols.old} {usual} usual, not confirmed " if usual else f"{symbols.agrees} every value is confirmed "
    title = fit(symbols.plain(f" {what} {maker.path.name}"), width - len(count), symbols)
    return [(Cell(title, StyleRole.STRONG), Cell(count)), *_groups(state, width, symbols)]


def _groups(state: FormState, width: int, symbols: SymbolSet) -> list[Line]:
    """Return the groups with how each stands, the one of the cursor marked, in two lines around that one."""
    cells, chosen = list[Cell](), 0
    question = state.question
    groups = list(dict.fromkeys(each.group for each in state.asked))
    for group in groups:
        states = {state.state_of(each) for each in state.asked if each.group == group}
        sign = symbols.agrees
        if AnswerState.REFUSED in states or AnswerState.EMPTY in states:
            sign = symbols.disagrees
        elif AnswerState.USUAL in states:
            sign = symbols.old
        is_here = question is not None and question.group == group
        chosen = len(cells) if is_here else chosen
        words = group.removeprefix("Meter ").replace(", channel ", ".") if ", channel" in group else group
        cells.append(Cell(f" {sign}{words} ", StyleRole.CHOSEN if is_here else StyleRole.QUIET))
    lines, line, room, at = list[Line](), list[Cell](), width, 0
    for number, cell in enumerate(cells):
        if cell.width > room and line:
            lines.append(tuple(line))
            line, room = [], width
        at = len(lines) if number == chosen else at
        line.append(cell)
        room -= cell.width
    lines.append(tuple(line))
    first = min(max(0, at - 1), max(0, len(lines) - 2))
    return [*lines[first : first + 2], ()][:2]


_SIGNS = {
    AnswerState.GIVEN: ("agrees", StyleRole.GOOD),
    AnswerState.USUAL: ("old", StyleRole.QUIET),
    AnswerState.DOUBTED: ("questionable", StyleRole.DOUBT),
    AnswerState.REFUSED: ("disagrees", StyleRole.BAD),
    AnswerState.EMPTY: ("unpredicted", StyleRole.DOUBT),
}


def _row(state: FormState, row: FormRow, layout: FormLayout, symbols: SymbolSet) -> Line:
    width, is_here = layout.left, row.name == state.cursor and bool(row.name)
    if row.kind is RowKind.HEADING:
        return rule(f" {row.words}", width, symbols)
    if row.kind is RowKind.RESULT:
        sign, role = (symbols.disagrees, StyleRole.BAD) if row.is_problem else (symbols.agrees, StyleRole.GOOD)
        sign = " " * len(sign) if row.is_continued else sign
        return (Cell(f"   {sign} ", role), Cell(fit(symbols.plain(row.words), width - 5, symbols)))
    cursor = symbols.cursor if is_here else " "
    if row.question is None:
        role = StyleRole.CHOSEN if is_here else StyleRole.STRONG
        return (Cell(f"{cursor}  "), Cell(f"[ {symbols.plain(row.words, max(8, width - 8))} ]", role))
    question, answer = row.question, state.asked[row.name]
    name, role = _SIGNS[state.state_of(question)]
    _, columns = layout.field
    label = fit(symbols.plain(question.words), _LABEL - 1, symbols) + " "
    given = state.text_of(row.name)
    words, look = (given, StyleRole.STRONG) if given else (answer, StyleRole.QUIET)
    channel_name = state.asked[row.name] if row.name.endswith(".name") else ""
    aside = state.preview.by_channel.get(channel_name, "") if row.name.startswith("channel.") else ""
    shown = f"{words}   {aside}" if aside else words
    text = fit(symbols.plain(shown), columns, symbols)
    where = StyleRole.CHOSEN if is_here and question.choices else look
    return (
        Cell(cursor),
        Cell(f"{getattr(symbols, name)} ", role),
        Cell(label, StyleRole.STRONG if is_here else StyleRole.PLAIN),
        Cell(text, where),
    )


def _help(state: FormState, width: int, symbols: SymbolSet) -> list[Line]:
    question = state.question
    title = " help"
    words, role = "", StyleRole.PLAIN
    if question is None:
        words = "Enter does it."
        if state.cursor == ADD_METER:
            words = "Enter adds one. A meter without an interface counts too: its readings are typed in."
    else:
        words = question.why
        if question.choices:
            title = f" help: {question.choices.index(state.asked[question.name]) + 1} of {len(question.choices)}"
            words = f"{words} Left and right change it, F4 lists all."
        elif question.usual or question.without:
            usual = " or ".join(f'"{each}"' for each in (question.usual, question.without) if each)
            title = f" help: usual is {usual}"
        elif question.kind is not None:
            title = f" help: like {example(question.kind)}"
        if question.offers:
            words = f"{words} F4 lists what was found."
    if state.message:
        title, words, role = f" {state.message_title}", state.message, StyleRole.DOUBT
    elif question is not None and question.name in state.refused:
        title, words, role = f" {LOOK_AGAIN}", state.refused[question.name][1], StyleRole.BAD
    lines = [(Cell(f" {piece}", role),) for piece in wrap(symbols.plain(words, 600), max(1, width - 2))]
    return [rule(symbols.plain(title), width, symbols), *[*lines, (), (), ()][: _HELP - 1]]


def _below(state: FormState, width: int, symbols: SymbolSet) -> list[Line]:
    """Return what follows in a few lines: readings in one run of words, then the least margins."""
    preview = state.preview
    if preview.problem:
        pieces = wrap(symbols.plain(preview.problem, 400), width - 2)
        lines: list[Line] = [(Cell(f" {piece}", StyleRole.DOUBT),) for piece in pieces]
        lines += _run(preview.readings, width, symbols) if preview.readings else []
    else:
        lines = [*_run(preview.readings, width, symbols)[:2], *_run(preview.margins, width, symbols)]
    return [rule(_what_follows(state), width, symbols), *[*lines, (), (), ()][: _BELOW - 1]]


def _what_follows(state: FormState) -> str:
    return " what follows: being worked out" if state.is_working else " what follows"


def _run(items: Sequence[Consequence], width: int, symbols: SymbolSet) -> list[Line]:
    """Return items one after the other, as many a line as have room."""
    lines, line, room = list[Line](), list[Cell](), width - 1
    for item in items:
        text = symbols.plain(f" {item.name} {item.words};")
        if len(text) > room and line:
            lines.append(tuple(line))
            line, room = [], width - 1
        line.append(Cell(fit(text, min(len(text), room), symbols), _role(item)))
        room -= len(text)
    return [*lines, tuple(line)]


def _role(item: Consequence) -> StyleRole:
    return StyleRole.BAD if item.is_problem else StyleRole.PLAIN


def _side(state: FormState, width: int, height: int, symbols: SymbolSet) -> list[Line]:
    preview, lines = state.preview, [rule(_what_follows(state), width, symbols)]
    if preview.problem:
        pieces = wrap(symbols.plain(preview.problem, 400), width - 2)
        lines += [(Cell(f" {piece}", StyleRole.DOUBT),) for piece in pieces]
    lines += _pairs(preview.readings, width, symbols)
    if preview.margins:
        lines += [(), rule(" margins, the least first", width, symbols)]
        lines += _pairs(preview.margins, width, symbols)
    return [*lines, *[()] * height][:height]


def _pairs(items: Sequence[Consequence], width: int, symbols: SymbolSet) -> Iterator[Line]:
    for item in items:
        words = symbols.plain(item.words)
        if len(item.name) + len(words) + 3 <= width:
            yield (
                Cell(fit(f" {symbols.plain(item.name)}", width - len(words) - 1, symbols)),
                Cell(words, _role(item)),
            )
        else:
            yield (Cell(fit(f" {symbols.plain(item.name)}", width, symbols)),)
            for piece in wrap(words, width - 4):
                yield (Cell(f"   {piece}", _role(item)),)
