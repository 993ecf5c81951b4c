"""Texts from instruments, files and people are shown as they are: no markup, no control code, no broken line."""

from __future__ import annotations

import dataclasses

import pytest

from benchmon.errors import RecorderError, SessionFileError
from benchmon.screen.app import BenchmonApp
from benchmon.screen.lines.events import draw_event, last_lines
from benchmon.screen.lines.text import Cell
from benchmon.screen.symbols import ASCII, UNICODE
from benchmon.session.requests import Note
from benchmon.watch.records import Event

MARKUP = "[bold red]hot[/] [@click=app.quit]x[/]"
CONTROLS = "\x1b[2J\x1b]0;owned\x07 \r\n\tbell\x07 \u202eback \x00"
WIDE = "変圧器の温度が高い🔥" * 8


def is_printable(lines):
    return all(line.isprintable() for line in lines)


@pytest.mark.parametrize("size", [(80, 24), (120, 36)])
async def test_markup_and_control_codes_appear_literally(size, make_view, judge, read_screen):
    view = make_view([("[red]output[/]", "output.voltage.mean", "")])
    view.info = dataclasses.replace(view.info, bench=view.info.bench.model_copy(update={"title": "[b]x[/b]\x1b[31m"}))
    view.push(
        judge("[red]output[/]", 24.0, 24.0),
        Event(1.0, "[red]output[/]", "note", MARKUP),
        Event(2.0, "", "complaint", CONTROLS),
        Event(3.0, "", "[blink]kind[/]", "text"),
        identities={"bench meter": MARKUP + CONTROLS},
        now=4.0,
    )
    app = BenchmonApp(view)
    async with app.run_test(size=size) as pilot:
        app.follow()
        await pilot.pause()
        text = "\n".join(read_screen(app))
        for literal in ("[red]output[/]", "[b]x[/b]", MARKUP, "\\x1b[2J\\x1b]0;owned\\x07", "[blink]kind[/]: text"):
            assert literal in text
        for key in ("e", "enter", "question_mark", "n", "slash", "q"):
            await pilot.press(key)
            await pilot.pause()
            assert is_printable(read_screen(app)), key
            if key == "enter":
                assert MARKUP in "".join(line.strip() for line in read_screen(app)).replace("  ", "")
            await pilot.press("escape")


async def test_markup_in_what_is_typed_stays_text(make_view, agree, read_screen):
    view = make_view()
    agree(view)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n", *"[b]x[/b]")
        assert "[b]x[/b]" in "\n".join(read_screen(app))
        await pilot.press("enter", "slash", *"[red]", "enter")
        await pilot.pause()
        assert "found 0 of 12 for: [red]" in "\n".join(read_screen(app))
    assert view.requests == [Note("[0:00:01] [b]x[/b]")]


async def test_hostile_problems_stay_one_plain_sentence(make_view, agree, read_screen, monkeypatch):
    view = make_view()
    agree(view)

    def refuse(_kind, _text=""):
        raise RecorderError(MARKUP + CONTROLS)

    monkeypatch.setattr(view, "request", refuse)
    app = BenchmonApp(view)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("n", "x", "enter")
        await pilot.pause()
        assert f"The note was not written: {MARKUP}" in "\n".join(read_screen(app))
        view.problem = SessionFileError(MARKUP + CONTROLS + "long " * 500)
        app.follow()
        await pilot.pause()
        lines = read_screen(app)
        assert MARKUP in lines[0]
        assert is_printable(lines)
        assert any("session unreadable" in line for line in lines[:4])


async def test_wide_characters_keep_the_columns(make_view, judge, read_screen):
    view = make_view(
        [
            ("変圧器の温度が高い", "transformer.temperature", 'trip_above = "90 °C"'),
            *[("out", "output.voltage.mean", "")],
        ]
    )
    view.push(judge("変圧器の温度が高い", 40.0, 40.0), Event(1.0, "", "note", WIDE))
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        app.follow()
        await pilot.pause()
        strips = app.screen._compositor.render_strips()
        assert {strip.cell_length for strip in strips} == {80}
        assert any("変圧器" in line and "40.0" in line for line in read_screen(app))


async def test_all_is_ascii_where_the_terminal_has_nothing_else(make_view, agree, judge, read_screen):
    view = make_view()
    agree(view)
    view.push(judge("output ripple", 0.2, 0.4, 0.1), Event(1.0, "", "note", "Ωµ° 変"), identities={"bench meter": "é"})
    app = BenchmonApp(view, ascii_only=True)
    async with app.run_test(size=(80, 24)) as pilot:
        for key in ("escape", "e", "question_mark", "enter", "n", "slash", "q"):
            await pilot.press(key)
            app.follow()
            await pilot.pause()
            for _ in range(4):
                lines = read_screen(app)
                assert [line for line in lines if not line.isascii()] == [], key
                await pilot.press("pagedown")
            await pilot.press("escape")
        text = "\n".join(read_screen(app))
        for drawn in ("+/-", "[--", "note: ohmu ?", "24.2 of 105 C"):
            assert drawn in text


@pytest.mark.parametrize("symbols", [UNICODE, ASCII])
def test_an_endless_event_is_cut_and_never_swallows_the_list(symbols):
    endless = Event(1.0, "", "complaint", "x" * 1_000_000)
    assert len(draw_event(endless, 80, symbols, wrapped=True)) <= 20
    lines, back = last_lines([Event(2.0, "", "note", "after"), endless], 80, 5, 10**9, symbols, wrapped=True)
    assert len(lines) == 5
    assert back < 20
    assert all(sum(cell.width for cell in line) == 80 for line in lines)


def test_a_cell_is_as_wide_as_a_terminal_draws_it():
    assert Cell("変圧").width == 4
    assert Cell("±°").width == 2
