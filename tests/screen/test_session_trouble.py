"""A session that is not written, and a screen that only looks: said in words, at once."""

from __future__ import annotations

import pytest

from benchmon.screen.app import BenchmonApp
from benchmon.watch.records import Flag

FULL = "the session cannot be written: database or disk is full; 312 records wait to be written, 100000 can"


async def shown(app, pilot, read_screen):
    app.follow()
    await pilot.pause()
    return read_screen(app)


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 60)])
async def test_a_full_disk_is_the_first_thing_to_be_read(size, make_view, agree, read_screen):
    view = make_view()
    agree(view, 61.0)
    app = BenchmonApp(view)
    async with app.run_test(size=size) as pilot:
        view.trouble = FULL
        lines = await shown(app, pilot, read_screen)
        head = " ".join(line.strip() for line in lines[:4])
        assert "These values are old" in head
        assert "disk is full" in head
        assert "not written" in head
        assert not any(line[1:2] == "✓" for line in lines)
        view.trouble = ""
        agree(view, 62.0)
        lines = await shown(app, pilot, read_screen)
        assert lines[0].startswith(" ✓ As expected")


async def test_what_tripped_meanwhile_is_reported_with_the_trouble(make_view, agree, read_screen):
    view = make_view()
    agree(view, 61.0)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        view.trouble = f"{FULL}; meanwhile load at 201 °C, above its trip limit: tripped; switch off"
        lines = await shown(app, pilot, read_screen)
        assert "load at 201 °C" in " ".join(line.strip() for line in lines[:4])


async def test_a_trip_that_was_seen_is_not_hidden_by_trouble(make_view, agree, judge, read_screen):
    view = make_view()
    agree(view, 61.0)
    view.push(judge("load resistor", 201.0, flags=[Flag.TRIPPED]))
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        view.trouble = FULL
        lines = await shown(app, pilot, read_screen)
        assert "witch off" in " ".join(line.strip() for line in lines[:4])


async def test_who_only_looks_leaves_without_a_question_and_asks_nothing(make_view, agree, read_screen):
    view = make_view()
    agree(view, 61.0)
    app = BenchmonApp(view, read_only=True)
    async with app.run_test(size=(80, 24)) as pilot:
        lines = await shown(app, pilot, read_screen)
        assert "recording, read only" in lines[1]
        await pilot.press("n", "escape")
        await pilot.press("q")
        await pilot.pause()
    assert view.requests == []
