"""A bench file edited while it is recorded, on the screen: offered in every view, looked at, loaded by a key."""

from __future__ import annotations

import pytest

from benchmon.bench import read_bench
from benchmon.event_kinds import EventKind
from benchmon.screen.app import BenchmonApp
from benchmon.session.requests import LoadBench
from benchmon.watch.records import Event, Flag

OFFER = Event(12.5, "", EventKind.BENCH_EDITED, "[load], limits of diode case")


@pytest.fixture
def view(make_view, agree):
    view = make_view()
    agree(view, 10.0)
    return view


def text_of(app, read_screen):
    return " ".join(" ".join(read_screen(app)).split())


@pytest.mark.parametrize("key", ["", "p", "e", "b", "question_mark"])
async def test_an_edited_file_is_offered_in_every_view_until_it_is_loaded(key, view, read_screen):
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(*([key] if key else []))
        view.push(OFFER, now=12.5)
        app.follow()
        await pilot.pause()
        assert "Bench file edited: [load], limits of diode case. l loads it." in text_of(app, read_screen)
        await pilot.press("l")
        assert "It changes: [load], limits of diode case." in text_of(app, read_screen)
        assert view.requests == []
        await pilot.press("enter")
        assert view.requests == [LoadBench(12.5)]
        view.push(Event(13.0, "", EventKind.BENCH_LOADED, "in force"), now=13.0)
        app.follow()
        await pilot.pause()
        assert "file edited" not in text_of(app, read_screen)


async def test_escape_leaves_it_and_an_alarm_stays_in_sight_over_the_question(view, judge, read_screen):
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        view.push(OFFER, now=12.5)
        app.follow()
        await pilot.press("l")
        view.push(judge("diode case", 120.0, time=13.0, flags=[Flag.TRIPPED]), now=13.0)
        app.follow()
        await pilot.pause()
        assert "diode case" in "".join(read_screen(app)[:3])
        await pilot.press("escape")
        assert view.requests == []


async def test_an_error_is_shown_with_what_stays(view, read_screen):
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        words = 'supply.toml:19: load.resistance = "22 V": is a voltage; what was loaded before stays in force'
        view.push(Event(12.5, "", EventKind.BENCH_NOT_LOADABLE, words), now=12.5)
        app.follow()
        await pilot.pause()
        assert "Edits not loaded: supply.toml:19" in text_of(app, read_screen)
        await pilot.press("l")
        assert view.requests == []
        view.push(Event(14.0, "", EventKind.BENCH_AS_BEFORE, "as before"), now=14.0)
        app.follow()
        await pilot.pause(0.1)
        app.screen._clear_message()
        assert "not loaded" not in text_of(app, read_screen)


async def test_what_came_into_force_is_what_the_screen_shows(view):
    app = BenchmonApp(view)
    edited = read_bench(view.info.bench.source.replace('trip_above = "110 °C"', 'trip_above = "300 °C"'))
    async with app.run_test(size=(120, 36)) as pilot:
        assert app.state.channel("diode case").channel.trip_above == 110.0
        view.bench = edited
        app.follow()
        await pilot.pause()
        assert app.state.channel("diode case").channel.trip_above == 300.0
        assert app.state.info.bench is edited
