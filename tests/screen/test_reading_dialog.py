"""What a display shows is typed in: a key, a value with its unit, done; it bears the time of the key."""

from __future__ import annotations

import pytest
from textual._xterm_parser import XTermParser

from benchmon.event_kinds import EventKind
from benchmon.screen.app import BenchmonApp
from benchmon.session.requests import TypedReading
from benchmon.watch.plan import RecordRequest
from benchmon.watch.records import Event, EventDetails

METER = """
[[instrument]]
name = "old meter"
driver = "hand"
[[channel]]
name = "case by hand"
instrument = "old meter"
quantity = "regulator.temperature.case"
[[channel]]
name = "volts by hand"
instrument = "old meter"
quantity = "output.voltage.rms"
"""


@pytest.fixture
def bench(make_view, agree):
    view = make_view(more=METER)
    agree(view, 187.0)
    return view


async def shown(app, pilot, read_screen):
    app.follow()
    await pilot.pause()
    return "\n".join(read_screen(app))


async def test_a_reading_bears_the_time_of_its_first_key(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("slash", *"volts by hand", "enter")
        await pilot.press("r")
        assert "at 0:03:07: what does volts by hand show?" in await shown(app, pilot, read_screen)
        bench.push(now=199.0)
        app.follow()
        await pilot.press(*"22.5 V", "enter")
    [reading] = bench.requests
    assert isinstance(reading, TypedReading)
    assert (reading.channel, reading.shows) == ("volts by hand", "22.5 V")
    assert 187.0 <= reading.time < 190.0


@pytest.mark.parametrize("typed", ["756 mV", "22,5 V", "OL", "1500 mV"])
async def test_what_a_display_may_show_is_taken(typed, bench):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("slash", *"volts by hand", "enter", "r", *typed, "enter")
    assert bench.requests[0].shows == typed


async def test_keys_that_arrive_at_once_take_effect_in_their_order(bench):
    """As on a slow line: what was put right before Enter is what is kept."""
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("slash", *"volts by hand", "enter", "r")
        for message in XTermParser().feed("22.5\x7f4 V\r"):
            app.post_message(message)
        await pilot.pause()
        await pilot.pause()
    assert bench.requests[0].shows == "22.4 V"


async def test_a_keyboard_without_a_degree_sign_will_do(bench):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("r", *"40.2 C", "enter")
    assert bench.requests[0].shows == "40.2 °C"


WRONG = [("22.5", "has no unit"), ("22.5 A", "is not a voltage")]


@pytest.mark.parametrize(("typed", "why"), WRONG)
async def test_what_it_cannot_show_is_reported_and_stays_to_be_put_right(typed, why, bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("slash", *"volts by hand", "enter", "r", *typed, "enter")
        text = await shown(app, pilot, read_screen)
        assert why in text
        assert bench.requests == []
        await pilot.press(*["backspace"] * len(typed), *"3 V", "enter")
        assert bench.requests[0].shows == "3 V"


async def test_a_number_alone_is_asked_back_once_and_then_taken(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("slash", *"volts by hand", "enter", "r", *"22.5", "enter")
        assert "Enter again takes it as 22.5 V" in await shown(app, pilot, read_screen)
        await pilot.press("backspace", "4", "enter")
        assert bench.requests == [], "another number is asked back again"
        await pilot.press("enter")
    assert bench.requests[0].shows == "22.4 V"


async def test_the_arrows_turn_to_another_channel(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("r")
        first = "what does case by hand show?"
        assert first in await shown(app, pilot, read_screen)
        await pilot.press("down")
        text = await shown(app, pilot, read_screen)
        assert "what does volts by hand show?" in text
        assert '"1.5 V"' in text
        await pilot.press("down")
        assert first in await shown(app, pilot, read_screen)
        await pilot.press("escape")
    assert bench.requests == []


async def test_a_bench_without_such_a_meter_says_so(make_view, read_screen):
    app = BenchmonApp(make_view())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("r")
        assert "No channel of this bench is read by hand" in await shown(app, pilot, read_screen)
        assert len(app.screen_stack) == 1


async def test_a_recorder_that_refuses_is_shown(bench, read_screen):
    bench.deaf = True
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("r", *"40 C", "enter")
        assert "The reading was not entered: no recorder listens" in await shown(app, pilot, read_screen)


async def test_it_goes_round_the_meters_that_are_due_and_skips_an_empty_line(bench, read_screen):
    bench.push(now=400.0)
    app = BenchmonApp(bench)
    async with app.run_test(size=(100, 30)) as pilot:
        assert "Your turn: read old meter (case by hand, volts by hand)" in await shown(app, pilot, read_screen)
        await pilot.press("r")
        assert "1 of 2 at" in await shown(app, pilot, read_screen)
        await pilot.press("enter")
        text = await shown(app, pilot, read_screen)
        assert "2 of 2 at" in text
        assert "last" in text
        await pilot.press(*"22.5 V", "enter")
        assert len(app.screen_stack) == 1
    assert [(one.channel, one.shows) for one in bench.requests] == [("volts by hand", "22.5 V")]


RECORDS = """
[[step]]
name = "before power"
record = [{ name = "insulation", unit = "MΩ", at_least = "2 MΩ" }, { name = "earth bond" }]
"""


async def test_what_a_step_asks_for_is_recorded_with_meter_calibration_and_who(make_view, agree, read_screen):
    view = make_view(more=RECORDS)
    agree(view, 10.0)
    view.push(Event(5.0, "", EventKind.STEP_BEGUN, "1 of 1: before power", EventDetails(step=1)))
    app = BenchmonApp(view)
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.press("p", "enter")
        assert "1 of 2 to record: insulation, at least 2 MΩ" in await shown(app, pilot, read_screen)
        await pilot.press(*"5 V", "enter")
        assert "not a value in MΩ" in await shown(app, pilot, read_screen)
        await pilot.press(*["backspace"] * 3, *"-5", "enter")
        assert "Say in words why it was not measured" in await shown(app, pilot, read_screen)
        await pilot.press(*["backspace"] * 2, *"5.2", "enter", *"M-7", "enter", *"spring", "enter")
        assert "is not a date" in await shown(app, pilot, read_screen)
        await pilot.press(*["backspace"] * 6, *"2026-03-01", "enter", *"AB", "enter")
        await pilot.press(*"- no earth", "enter", "enter")
    assert view.requests == [
        RecordRequest(1, "insulation", "5.2", "", "M-7", "2026-03-01", "AB"),
        RecordRequest(1, "earth bond", reason="no earth", who="AB"),
    ]


async def test_what_was_not_measured_has_no_tick(make_view, agree, read_screen):
    view = make_view(more=RECORDS)
    agree(view, 10.0)
    view.push(Event(5.0, "", EventKind.STEP_BEGUN, "1 of 1: before power", EventDetails(step=1)))
    for entry, given in (("insulation", {"shows": "5.2 MΩ", "met": True}), ("earth bond", {"note": "no earth"})):
        view.push(Event(6.0, "", EventKind.RECORDED, entry, EventDetails(step=1, entry=entry, **given)))
    app = BenchmonApp(view)
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.press("p")
        text = await shown(app, pilot, read_screen)
    assert "✓ insulation 5.2 MΩ, at least 2 MΩ: met" in text
    assert "? earth bond not recorded: no earth" in text
    assert "mains and load stay as they are" in text
