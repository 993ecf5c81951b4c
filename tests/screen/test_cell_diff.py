"""What is sent makes a terminal show the same as what Textual wrote; pyte, a terminal in memory, is the judge."""

from __future__ import annotations

import unicodedata

import pyte
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.screen.terminal.cell_diff import DiffWriter, TerminalCells, styled

COLUMNS, LINES = 30, 6
STYLES = ("", "1", "36", "1;33", "1;7;31", "2;39;49", "38;5;0", "48;2;0;10;0", "97;104", "3;4;39;49")
PIECES = st.lists(
    st.tuples(
        st.integers(0, LINES - 1),
        st.integers(0, COLUMNS - 1),
        st.text("ab01 .-±├●┤▅█°Ω", min_size=1, max_size=12),
        st.sampled_from(STYLES),
    ),
    max_size=12,
)


class Terminal:
    """A terminal in memory."""

    def __init__(self) -> None:
        self.screen = pyte.Screen(COLUMNS, LINES)
        self._stream = pyte.Stream(self.screen)

    def write(self, text: str) -> None:
        self._stream.feed(text.replace("\n", "\r\n"))

    def shows(self) -> list[list[object]]:
        buffer = self.screen.buffer
        return [[buffer[y][x] for x in range(COLUMNS)] for y in range(LINES)]


def frame(pieces) -> str:
    """A frame as Textual writes one: every piece placed, styled, and ended by the plain style."""
    drawn = []
    for y, x, text, style in pieces:
        place, fits = f"\x1b[{y + 1};{x + 1}H", text[: COLUMNS - x]
        drawn.append(place + (f"\x1b[{style}m{fits}\x1b[0m" if style else fits) + ("\n" if y < LINES - 1 else ""))
    drawn.append("\x1b[1;1H")
    return "".join(drawn)


@given(st.lists(PIECES, min_size=1, max_size=6))
def test_a_terminal_shows_the_same_as_if_all_were_sent(frames):
    whole, lean = Terminal(), Terminal()
    wanted, sender = TerminalCells(), DiffWriter()
    for pieces in frames:
        whole.write(frame(pieces))
        wanted.feed(frame(pieces))
        lean.write(sender.update(wanted))
        assert lean.shows() == whole.shows()


@given(st.lists(PIECES, min_size=2, max_size=6))
def test_frames_that_were_passed_over_are_in_the_next(frames):
    whole, lean = Terminal(), Terminal()
    wanted, sender = TerminalCells(), DiffWriter()
    for number, pieces in enumerate(frames):
        whole.write(frame(pieces))
        wanted.feed(frame(pieces))
        if number % 2:
            lean.write(sender.update(wanted))
    lean.write(sender.update(wanted))
    assert lean.shows() == whole.shows()


@given(st.lists(PIECES, min_size=1, max_size=4), st.integers(1, 200))
def test_sent_in_small_parts_it_is_the_same_in_the_end(frames, at_most):
    whole, lean = Terminal(), Terminal()
    wanted, writer = TerminalCells(), DiffWriter()
    for pieces in frames:
        whole.write(frame(pieces))
        wanted.feed(frame(pieces))
        lean.write(writer.update(wanted, at_most))
    while wanted.touched:
        lean.write(writer.update(wanted, at_most))
    assert lean.shows() == whole.shows()


def test_questions_at_the_bottom_come_before_the_rows_between():
    wanted, writer = TerminalCells(), DiffWriter(80, 24)
    writer.update(wanted)
    wanted.feed("\x1b[9;1Hrow\x1b[10;1Hrow\x1b[23;1Hquestion\x1b[1;1Halarm")
    sent = [writer.update(wanted, 1) for _ in range(4)]
    assert "alarm" in sent[0]
    assert "question" in sent[1]
    assert "row" in sent[2]


def test_the_rows_at_the_top_come_first_and_then_those_that_have_waited_longest():
    wanted, writer = TerminalCells(), DiffWriter()
    wanted.feed("".join(f"\x1b[{row};1Hrow {row:02} as it was" for row in range(1, 21)))
    assert "row 01" in writer.update(wanted, 60)
    while wanted.touched:
        writer.update(wanted, 60)
    wanted.feed("\x1b[8;1Hold\x1b[9;1Hold\x1b[10;1Hold\x1b[11;1Hold")
    assert "old" in writer.update(wanted, 1)
    wanted.feed("\x1b[7;1H123\x1b[1;1Halarm")
    assert "alarm" in writer.update(wanted, 1)
    sent = [writer.update(wanted, 1) for _ in range(4)]
    assert ["old" in part for part in sent] == [True, True, True, False]
    assert "123" in sent[-1]
    assert not wanted.touched


@given(PIECES)
def test_what_is_shown_already_is_not_sent(pieces):
    wanted, sender = TerminalCells(), DiffWriter()
    wanted.feed(frame(pieces))
    sender.update(wanted)
    wanted.feed(frame(pieces))
    later = TerminalCells()
    later.feed(frame(pieces))
    assert sender.update(wanted) == ""
    assert sender.update(later) == ""


def test_a_changed_digit_is_a_few_bytes():
    wanted, sender = TerminalCells(), DiffWriter()
    wanted.feed("\x1b[4;18H\x1b[1m 231.7 V  \x1b[0m\x1b[5;18H\x1b[1m 746.3 mA \x1b[0m")
    sender.update(wanted)
    wanted.feed("\x1b[4;18H\x1b[1m 231.9 V  \x1b[0m\x1b[5;18H\x1b[1m 746.5 mA \x1b[0m")
    assert sender.update(wanted) == "\x1b[4;23H9\x1b[5;23H5"


def test_a_terminal_that_was_garbled_is_drawn_from_nothing():
    wanted, sender, terminal = TerminalCells(), DiffWriter(), Terminal()
    wanted.feed("\x1b[1;1H\x1b[1mvalues\x1b[0m\x1b[3;5H±5")
    terminal.write(sender.update(wanted))
    before = terminal.shows()
    terminal.write("\x1b[31mconnection to printer lost\x1b[2;2H\x1b[0mgarbage")
    sender.forget()
    terminal.write(sender.update(wanted))
    assert terminal.shows() == before


def test_wide_characters_and_marks_are_sent_whole():
    wanted, sender, terminal = TerminalCells(), DiffWriter(), Terminal()
    wanted.feed("\x1b[1;1Ha漢字e\N{COMBINING ACUTE ACCENT}b")
    terminal.write(sender.update(wanted))
    assert unicodedata.normalize("NFC", terminal.screen.display[0]).startswith("a漢字éb")
    wanted.feed("\x1b[1;2H語字")
    sent = sender.update(wanted)
    assert "語" in sent
    assert "字" not in sent
    wanted.feed("\x1b[1;3Hx")  # on its right half: the left one goes
    terminal.write(sender.update(wanted))
    assert wanted.row(0)[1:3] == [(" ", ""), ("x", "")]


NOISE = ("\x07", "\x1b[?25l", "\x1b]8;;http://127.0.0.1\x1b\\", "\x1b]0;title\x07", "\x9b", "\x00")


@pytest.mark.parametrize("noise", NOISE)
def test_what_is_no_cell_leaves_the_cells_alone(noise):
    wanted = TerminalCells()
    wanted.feed(f"\x1b[1;1Hab{noise}cd")
    assert "".join(cell[0] for cell in wanted.row(0)) == "abcd"


def test_what_is_drawn_for_a_larger_terminal_is_cut_at_the_edges():
    wanted, sender, terminal = TerminalCells(), DiffWriter(COLUMNS, LINES), Terminal()
    wanted.feed(
        f"\x1b[1;1H{'x' * (COLUMNS - 1)}漢字\x1b[{LINES};1Hlast\x1b[{LINES + 5};1Hbeyond\x1b[2;{COLUMNS + 3}Hfar"
    )
    terminal.write(sender.update(wanted))
    assert terminal.screen.display[0] == "x" * (COLUMNS - 1) + " "
    assert terminal.screen.display[1].strip() == ""
    assert terminal.screen.display[-1].strip() == "last"


@given(PIECES, st.integers(1, 40), st.integers(1, 8))
def test_a_resized_terminal_shows_the_old_picture_as_far_as_it_has_room(pieces, columns, lines):
    wanted, sender, whole, smaller = (
        TerminalCells(),
        DiffWriter(COLUMNS, LINES),
        Terminal(),
        pyte.Screen(columns, lines),
    )
    wanted.feed(frame(pieces))
    whole.write(sender.update(wanted))
    sender.resize(columns, lines)
    pyte.Stream(smaller).feed(sender.update(wanted))
    for y in range(min(lines, LINES)):
        for x in range(min(columns, COLUMNS)):
            assert smaller.buffer[y][x] == whole.screen.buffer[y][x]
    # Back at the former size everything is still known, though Textual may have seen no change at all.
    sender.resize(COLUMNS, LINES)
    again = Terminal()
    again.write(sender.update(wanted))
    assert again.shows() == whole.shows()


SGR = st.sampled_from([0, 1, 2, 3, 4, 7, 9, 22, 23, 24, 27, 29, 30, 37, 39, 40, 47, 49, 90, 97, 100, 107])
DEEP = st.sampled_from(["38;5;9", "48;5;200", "38;2;1;2;3", "48;2;9;8;7", ""])


@given(st.lists(st.one_of(SGR.map(str), DEEP, st.lists(SGR, min_size=1).map(lambda codes: ";".join(map(str, codes))))))
def test_styles_add_up_as_they_do_in_a_terminal(sequence):
    whole, lean, wanted = Terminal(), Terminal(), TerminalCells()
    drawn = "\x1b[1;1H" + "".join(f"\x1b[{sgr}m{'ab'[at % 2]}" for at, sgr in enumerate(sequence[:COLUMNS]))
    whole.write(drawn)
    wanted.feed(drawn)
    lean.write(DiffWriter().update(wanted))
    assert lean.shows() == whole.shows()


def test_a_style_that_is_written_in_two_ways_is_one():
    assert styled("", "1;39;49") == styled("", "1") == styled(styled("", "31"), "39;1")
    assert styled("1;31", "22") == "31"
