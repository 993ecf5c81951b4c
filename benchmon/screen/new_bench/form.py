"""The form as a program: keys, the line to type in, and the threads that work out what follows and read meters."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from typing import ClassVar

from textual import events, on
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList
from textual.widgets.input import Selection
from textual.widgets.option_list import Option

from benchmon.errors import BadInput, BenchmonError
from benchmon.instruments.connection_test import Tried
from benchmon.instruments.types import Port
from benchmon.new_bench.bench_maker import BenchMaker
from benchmon.new_bench.preview import Preview, previews_of
from benchmon.new_bench.questions import LONGEST
from benchmon.screen.keys import Key
from benchmon.screen.new_bench.form_lines import FormLayout, draw_form
from benchmon.screen.new_bench.form_state import WRITE, FormState
from benchmon.screen.styles import follow_background, use_terminal_colours, wants_background
from benchmon.screen.symbols import ASCII, UNICODE, SymbolSet, needs_ascii
from benchmon.screen.terminal.differential_driver import BackgroundReported, DifferentialDriver, wants_mouse
from benchmon.screen.terminal.key_queue import TypedLine
from benchmon.screen.widgets.key_bar import KeyBar
from benchmon.screen.widgets.lines import CellLines, TextLines

_SERIAL = ("/dev/", "ASRL", "COM")
_KEYS = (
    Key("enter", "app.accept", "Next", shown="Enter"),
    Key("pagedown", "app.go_group(1)", "Group", shown="PgUp PgDn"),
    Key("f4", "app.list_answers", "List", shown="F4"),
    Key("f5", "app.read_meter", "Read meter", shown="F5"),
    Key("f8", "app.take_away", "Take away", shown="F8"),
    Key("ctrl+s", "app.write", "Write", shown="^S", pinned=True),
    Key("ctrl+c", "app.leave", "Leave, keep a draft", shown="^C", pinned=True),
)
_MOVES = (
    Binding("up,shift+tab", "app.go(-1)", "Up"),
    Binding("down,tab", "app.go(1)", "Down"),
    Binding("pageup", "app.go_group(-1)", "Group before"),
    Binding("escape", "app.undo", "As it was"),
)


class FieldLine(TypedLine):
    """The line to type in, on the row under the cursor; of a choice, arrows and letters change the answer.

    It takes every key of the form, so that keys that come quickly take effect in their order.
    """

    BINDINGS: ClassVar[list[BindingType]] = [*(key.binding for key in _KEYS), *_MOVES]

    choose: Callable[[int | str], None] | None = None
    """Takes another answer of a choice: so many further, or the one that begins with a letter; None for text."""

    def on_key(self, event: events.Key) -> None:
        """Choose another answer, where there is a choice, rather than type."""
        character = event.character or ""
        if self.choose is not None and (event.key in _STEPS or (character and character.isprintable())):
            self.choose(_STEPS.get(event.key, character))
            event.stop()
            event.prevent_default()


_STEPS = {"left": -1, "right": 1}


class PickScreen(ModalScreen[str | None]):
    """Lists answers; what is typed leaves those that hold it. Answers the one picked, None where none was."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "cancel", "Close")]

    def __init__(self, title: str, answers: Sequence[tuple[str, str]], chosen: str, symbols: SymbolSet) -> None:
        super().__init__()
        self._title, self._answers, self._chosen, self._symbols = title, answers, chosen, symbols
        self._list = OptionList(compact=True, markup=False)
        self._line = PickLine(self._list, max_length=40, compact=True)

    def compose(self) -> ComposeResult:
        """Put the line to type in above the list."""
        words = "type to find, Enter takes it, Esc closes"
        yield TextLines(self._symbols, words, title=self._title)
        yield self._line
        yield self._list

    def on_mount(self) -> None:
        """Begin with the present answer."""
        self._list.can_focus = False
        self._fill("")
        self._line.focus()

    @on(Input.Changed)
    def follow(self, message: Input.Changed) -> None:
        """Leave the answers that hold what is typed."""
        message.stop()
        self._fill(message.value)

    @on(Input.Submitted)
    def accept(self, message: Input.Submitted) -> None:
        """Answer what is marked."""
        message.stop()
        self._pick(self._list.highlighted)

    @on(OptionList.OptionSelected)
    def click(self, message: OptionList.OptionSelected) -> None:
        """Answer what was clicked on."""
        self._pick(message.option_index)

    def _pick(self, index: int | None) -> None:
        self.dismiss(None if index is None else self._list.get_option_at_index(index).id)

    def _fill(self, wanted: str) -> None:
        fitting = [(answer, words) for answer, words in self._answers if wanted.lower() in f"{answer} {words}".lower()]
        self._list.clear_options()
        plain = self._symbols.plain
        self._list.add_options(
            [Option(plain(f" {answer}  {words}".rstrip(), 200), id=answer) for answer, words in fitting]
        )
        names = [answer for answer, _ in fitting]
        self._list.highlighted = names.index(self._chosen) if self._chosen in names else 0 if names else None

    def action_cancel(self) -> None:
        """Close without an answer."""
        self.dismiss(None)


class PickLine(TypedLine):
    """The line to find an answer with; up and down move in the list below it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "Up"),
        Binding("down", "move(1)", "Down"),
    ]

    def __init__(self, answers: OptionList, *, max_length: int, compact: bool) -> None:
        super().__init__(max_length=max_length, compact=compact)
        self._answers = answers

    def action_move(self, steps: int) -> None:
        """Mark the answer above or below."""
        if steps < 0:
            self._answers.action_cursor_up()
        else:
            self._answers.action_cursor_down()


class FormApp(App[bool]):
    """The form on a bench in the making. It returns whether the bench file was written.

    `find` looks for instruments, in a thread.
    """

    CSS = """
    Screen { layers: rows field; overflow: hidden hidden; }
    #rows { layer: rows; width: 100%; height: 100%; }
    FieldLine { layer: field; position: absolute; height: 1; border: none; padding: 0;
                background: ansi_default; color: ansi_default; text-style: bold; }
    FieldLine > .input--selection { background: ansi_default; color: ansi_default; text-style: bold reverse; }
    PickScreen { background: ansi_default; }
    PickScreen Input { height: 1; border: none; padding: 0 1; background: ansi_default; color: ansi_default; }
    PickScreen OptionList { height: 1fr; border: none; padding: 0; background: ansi_default; color: ansi_default; }
    PickScreen OptionList > .option-list--option-highlighted { text-style: reverse; }
    """
    ENABLE_COMMAND_PALETTE = False
    TITLE = "benchmon new"

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c,ctrl+q", "leave", "Leave", show=False, priority=True),
        Binding("ctrl+z", "suspend_process", "To the shell", show=False, priority=True),
    ]

    wants_background = staticmethod(wants_background)

    def __init__(
        self, maker: BenchMaker, find: Callable[[], Sequence[Port]], *, message: str = "", ascii_only: bool = False
    ) -> None:
        super().__init__(driver_class=DifferentialDriver, ansi_color=True)
        use_terminal_colours(self)
        self.animation_level = "none"
        self.maker, self._find = maker, find
        self.symbols = ASCII if ascii_only else UNICODE
        self.state = FormState(maker, message=message)
        self._canvas = CellLines(id="rows")
        self.field = FieldLine(max_length=LONGEST, select_on_focus=False, compact=True)
        self._bar = KeyBar(_KEYS, self.symbols)
        self._is_behind = False
        self._worked_out: dict[str, str] | None = None
        self._begun = self._begun_in = self._shown = ""
        # What is in a file already is read when it is changed, or by the key.
        self._read: dict[int, object] = {meter: _answers_of(meter, maker.given) for meter in maker.meters}

    def on_background_reported(self, message: BackgroundReported) -> None:
        """Take the colours for a light terminal where it is one."""
        follow_background(self, is_light=message.is_light)

    def compose(self) -> ComposeResult:
        """Put the rows above the keys, and the line to type in over them."""
        yield self._canvas
        yield self.field
        yield self._bar

    def on_mount(self) -> None:
        """Show the first row, and begin to look for instruments and for what follows."""
        self.field.focus()
        self._show()
        self._work_out()
        self.run_worker(self._look_for_instruments, thread=True, exit_on_error=False)

    def on_resize(self) -> None:
        """Draw for the new size."""
        self._draw()

    # What the keys do.

    def action_go(self, steps: int) -> None:
        """Go up or down, taking what was typed."""
        if self._leave_row():
            self.state.move(steps)
        self._show()

    def action_go_group(self, steps: int) -> None:
        """Go to the group before or behind, taking what was typed."""
        if self._leave_row():
            self.state.move_group(steps)
        self._show()

    def action_accept(self) -> None:
        """Take what was typed, or the usual answer, and go on; do what an action says."""
        state = self.state
        if state.question is None:
            if state.act() == WRITE:
                self.action_write()
                return
        elif self._leave_row():
            if not self.field.value or state.question.choices:
                state.confirm_usual()
            state.move(1)
        self._work_out()
        self._show()

    def action_undo(self) -> None:
        """Put what the row had before back."""
        self.state.message = ""
        self.state.refused.pop(self.state.cursor, None)
        self._show()

    def action_list_answers(self) -> None:
        """List the answers to choose from, or the addresses that were found."""
        question = self.state.question
        answers = question and ([(choice, "") for choice in question.choices] or question.offers)
        if question is None or not answers:
            self.state.message = "There is nothing to list here: type the answer."
            self._draw()
            return

        def take(answer: str | None) -> None:
            if answer is not None and self.state.take(answer):
                self._after_change()
                self.state.move(1)
            self._show()

        chosen = self.state.asked[question.name]
        self.push_screen(PickScreen(question.words, answers, chosen, self.symbols), take)

    def action_take_away(self) -> None:
        """Take the channel or the meter under the cursor away."""
        self.state.remove_here()
        self._work_out()
        self._show()

    def action_read_meter(self) -> None:
        """Read the meter under the cursor once."""
        self._leave_row()
        meter = self.state.meter
        if not meter:
            self.state.message = "The cursor is on no meter."
        elif not self.state.asked[f"meter.{meter}.address"]:
            self.state.message = "This meter is read by a person."
        else:
            self._begin_to_read(meter)
        self._show()

    def action_write(self) -> None:
        """Write the bench file and leave; where that cannot be, go to what is wrong."""
        if not self._leave_row():
            self._show()
            return
        problem = self.state.first_problem()
        if not problem:
            try:
                self.maker.write()
            except BenchmonError as found:
                problem = str(found)
            else:
                self.exit(True)
                return
        self.state.message = problem
        self._show()

    def action_leave(self) -> None:
        """Leave, keeping the answers so far as a draft."""
        self._leave_row()
        self.exit(False)

    # Between the line to type in and the state.

    def _leave_row(self) -> bool:
        question = self.state.question
        if question is None or question.choices:
            return True
        may_leave = self.state.take(self.field.value)
        self._after_change()
        return may_leave

    def _after_change(self) -> None:
        self._work_out()
        meter = self.state.meter
        if meter:
            self._read_on_change(meter)

    def _choose(self, how: int | str) -> None:
        question = self.state.question
        if question is None or not question.choices:
            return
        choices, answer = question.choices, self.state.asked[question.name]
        if isinstance(how, int):
            answer = choices[(choices.index(answer) + how) % len(choices)]
            self._begun = ""
        else:
            answer = self._chosen_by(how, choices, answer)
        self.state.take(answer)
        self._after_change()
        self._show()

    def _chosen_by(self, typed: str, choices: Sequence[str], answer: str) -> str:
        """Return the choice that begins with all that was typed in this row, else the next with that letter alone."""
        at = choices.index(answer)
        before = self._begun if self._begun_in == self.state.cursor else ""
        ways = [(before + typed.lower(), at)] if before else []
        for begun, first in (*ways, (typed.lower(), at + 1)):
            in_order = (*choices[first:], *choices[:first])
            found = next((each for each in in_order if each.lower().startswith(begun)), None)
            if found is not None:
                self._begun, self._begun_in = begun, self.state.cursor
                return found
        # A space that begins nothing steps on.
        return choices[(at + 1) % len(choices)] if typed == " " else answer

    def _show(self) -> None:
        """Show the row under the cursor, with its answer in the line to type in."""
        question = self.state.question
        is_text = question is not None and not question.choices
        self.field.choose = None if is_text else self._choose
        with self.field.prevent(Input.Changed):
            self.field.value = self.state.text_of(self.state.cursor) if is_text else ""
        usual = self.state.asked[question.name] if question is not None and is_text else ""
        self.field.placeholder = self.symbols.plain(usual)
        end = len(self.field.value)
        # What is typed replaces the answer; only one that was just refused here is put right, by a unit behind it.
        was_just_refused = self._shown == self.state.cursor and self.state.cursor in self.state.refused
        self.field.selection = Selection.cursor(end) if was_just_refused else Selection(0, end)
        self._shown = self.state.cursor
        self._draw()

    def _draw(self) -> None:
        layout = FormLayout(self.size.width, self.size.height - 1)
        lines, y = draw_form(self.state, layout, self.symbols)
        self._canvas.paint(lines)
        is_text = self.field.choose is None
        x, width = layout.field if is_text else (2, 1)
        self.field.styles.offset = (x, y)
        self.field.styles.width = width

    @on(Input.Changed)
    def follow(self, message: Input.Changed) -> None:
        """Work out what follows while an answer is typed, where it is one already."""
        question = self.state.question
        if question is None or self.field.choose is not None or message.value != self.field.value:
            # It was typed in a row that the cursor has left.
            return
        self.state.message = ""
        self._draw()
        if message.value:
            with suppress(BadInput):
                self._work_out({question.name: question.read(message.value)})

    # What threads do.

    def _work_out(self, typed: dict[str, str] | None = None) -> None:
        """Have a thread work out what follows from the answers, and from one that is just `typed`."""
        self._typed = typed or {}
        maker = self.maker.copy(self._typed)
        if maker.given == self._worked_out:
            return
        if self.state.is_working:
            self._is_behind, self._worked_out = True, None
            return
        self.state.is_working, self._is_behind, self._worked_out = True, False, maker.given
        self.run_worker(partial(self._work_out_in_thread, maker), thread=True, exit_on_error=False)

    def _work_out_in_thread(self, maker: BenchMaker) -> None:
        preview = Preview(problem="what follows could not be worked out")
        try:
            for preview in previews_of(maker):
                self._hand_over(self._show_preview, preview)
                if self._is_behind:
                    # Another answer has come meanwhile.
                    break
        finally:
            self._hand_over(self._take_preview, preview)

    def _show_preview(self, preview: Preview) -> None:
        # The margins come last; until then those of before stay.
        self.state.preview = replace(preview, margins=preview.margins or self.state.preview.margins)
        self._draw()

    def _take_preview(self, preview: Preview) -> None:
        self.state.preview, self.state.is_working = preview, False
        if self._is_behind:
            self._work_out(self._typed)
        self._draw()

    def _look_for_instruments(self) -> None:
        with suppress(BenchmonError):
            self._hand_over(self._take_ports, self._find())

    def _take_ports(self, ports: Sequence[Port]) -> None:
        self.maker.ports = [port for port in ports if port.address]
        self.state.refresh()
        self._draw()

    def _read_on_change(self, meter: int) -> None:
        """Read a meter whose answers changed, once its address was given. Opening a serial line is left to a key.

        That raises lines by which a switch may let the power come.
        """
        address = self.maker.given.get(f"meter.{meter}.address", "")
        answers = _answers_of(meter, self.maker.given)
        if address and not address.startswith(_SERIAL) and self._read.get(meter) != answers:
            self._begin_to_read(meter)

    def _begin_to_read(self, meter: int) -> None:
        self._read[meter] = _answers_of(meter, self.maker.given)
        self.state.tried[meter] = "being read"
        self.state.refresh()
        self.run_worker(partial(self._read_in_thread, meter, self.maker.copy()), thread=True, exit_on_error=False)

    def _read_in_thread(self, meter: int, maker: BenchMaker) -> None:
        result: str | Sequence[Tried] = "could not be read"
        try:
            result = maker.read_meter(meter)
        except BenchmonError as problem:
            result = f"not read yet: {problem}"
        finally:
            self._hand_over(self._take_result, meter, maker.given, result)

    def _take_result(self, meter: int, of: dict[str, str], result: str | Sequence[Tried]) -> None:
        if _answers_of(meter, of) != self._read.get(meter):
            # It was changed meanwhile, and is read again.
            return
        self.state.tried[meter] = result
        self.state.refresh()
        self._draw()

    def _hand_over(self, take: Callable[..., None], *found: object) -> None:
        # The form may have been left meanwhile.
        with suppress(RuntimeError):
            self.call_from_thread(take, *found)


def _answers_of(meter: int, given: Mapping[str, str]) -> dict[str, str]:
    own = (f"meter.{meter}.", f"channel.{meter}.")
    return {name: words for name, words in given.items() if name.startswith(own)}


def show_form(
    maker: BenchMaker, find: Callable[[], Sequence[Port]], *, message: str = "", ascii_only: bool = False
) -> bool:
    """Show the form until the file is written, or the user leaves; return whether it was written.

    Raises `BenchmonError` where the screen broke down.
    """
    app = FormApp(maker, find, message=message, ascii_only=ascii_only or needs_ascii())
    written = app.run(mouse=wants_mouse())
    if app.return_code:
        raise BenchmonError("the form broke down; `benchmon new --questions` asks the same one after the other")
    return bool(written)
