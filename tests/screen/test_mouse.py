"""What a mouse does where there is one: a click on a key presses it, on a row chooses it; the wheel scrolls."""

from benchmon.screen.app import BenchmonApp
from benchmon.screen.terminal.differential_driver import wants_mouse
from benchmon.screen.views.main import BenchView
from benchmon.screen.widgets.channel_table import ChannelTable

SIZE = (120, 36)


async def shown(app, pilot, view, read_screen, agree):
    agree(view, 75.0)
    app.follow()
    await pilot.pause()
    return read_screen(app)


def place(lines, words):
    """Return where `words` stand, (column, line)."""
    y = next(y for y, line in enumerate(lines) if words in line)
    return lines[y].index(words), y


async def test_a_click_on_a_key_presses_it(make_view, agree, read_screen):
    view = make_view()
    app = BenchmonApp(view)
    async with app.run_test(size=SIZE) as pilot:
        lines = await shown(app, pilot, view, read_screen, agree)
        await pilot.click(offset=place(lines, "p Plan"))
        await pilot.pause()
        assert not isinstance(app.screen, BenchView)
        lines = read_screen(app)
        assert "do " in "\n".join(lines) or "plan" in "\n".join(lines)
        await pilot.click(offset=place(lines, "Esc Back"))
        await pilot.pause()
        assert isinstance(app.screen, BenchView)


async def test_a_click_on_OFF_only_asks(make_view, agree, read_screen):  # noqa: N802
    view = make_view(more='[switch_off]\ninstrument = "bench meter"\ncommand = "OUTP OFF"\n')
    app = BenchmonApp(view)
    async with app.run_test(size=SIZE) as pilot:
        lines = await shown(app, pilot, view, read_screen, agree)
        await pilot.click(offset=place(lines, "o OFF"))
        await pilot.pause()
        assert not view.requests


async def test_a_click_chooses_a_row_and_a_second_one_opens_it(make_view, agree, read_screen):
    view = make_view()
    app = BenchmonApp(view)
    async with app.run_test(size=SIZE) as pilot:
        lines = await shown(app, pilot, view, read_screen, agree)
        table = app.screen.query_one(ChannelTable)
        await pilot.click(offset=place(lines, "output voltage"))
        await pilot.pause()
        assert table.chosen == "output voltage"
        await pilot.click(offset=place(read_screen(app), "output voltage"))
        await pilot.pause()
        assert not isinstance(app.screen, BenchView)
        assert "output voltage" in "\n".join(read_screen(app))


async def test_a_click_beside_the_rows_chooses_none(make_view, agree, read_screen):
    view = make_view()
    app = BenchmonApp(view)
    async with app.run_test(size=SIZE) as pilot:
        await shown(app, pilot, view, read_screen, agree)
        table = app.screen.query_one(ChannelTable)
        before = table.chosen
        await pilot.click(offset=(5, table.region.y))
        await pilot.click(offset=(5, table.region.y + 1))
        await pilot.pause()
        assert isinstance(app.screen, BenchView)
        assert table.chosen == before


def test_a_terminal_s_own_selecting_can_be_kept(monkeypatch):
    assert wants_mouse()
    monkeypatch.setenv("BENCHMON_NO_MOUSE", "1")
    assert not wants_mouse()
