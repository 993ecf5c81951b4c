"""Alarms: seen at once whatever is open, heard until somebody acknowledges them, never gone before their cause is."""

from __future__ import annotations

import math

import pytest

from benchmon.screen.app import BenchmonApp
from benchmon.screen.session_state import AlarmPanel, ShownAlarm
from benchmon.session.records import RecorderState
from benchmon.session.requests import Acknowledge, SwitchPowerOff
from benchmon.watch.records import Event, Flag, Forecast
from benchmon.watch.status import StatusWatch

SWITCH = '[switch_off]\ninstrument = "bench meter"\n'
OVERLAYS = ["question_mark", "p", "b", "e", "enter", "n", "slash", "q", "o"]


@pytest.fixture
def bench(make_view, agree):
    view = make_view(more=SWITCH)
    agree(view, 60.0)
    return view


@pytest.fixture
def app(bench, monkeypatch):
    app = BenchmonApp(bench)
    app.rings = []
    monkeypatch.setattr(app, "bell", lambda: app.rings.append(bench.now))
    return app


def trip(bench, judge, at=61.0):
    bench.push(
        judge("transformer", 112.0, 60.0, time=at, flags=[Flag.TRIPPED, Flag.HOT]),
        Event(at, "transformer", "tripped", "transformer is at 112.0 °C: tripped"),
        now=at,
    )


async def look(app, pilot, read_screen):
    app.follow()
    await pilot.pause()
    return read_screen(app)


@pytest.mark.parametrize("size_and_key", [*(((80, 24), key) for key in OVERLAYS), ((120, 36), "p"), ((200, 60), "n")])
async def test_an_alarm_is_seen_and_heard_whatever_is_open(size_and_key, app, bench, judge, read_screen):
    async with app.run_test(size=size_and_key[0]) as pilot:
        await pilot.press(size_and_key[1])
        assert app.rings == []
        trip(bench, judge)
        lines = await look(app, pilot, read_screen)
        assert lines[0].startswith(" ✖ Switch off now: transformer is at 112.0 °C")
        assert lines[1].startswith(" ■ ALARM transformer tripped")
        assert lines[1].rstrip().endswith("a: seen")
        assert app.rings == [61.0]
        assert len(app.screen_stack) == 2


async def test_acknowledging_ends_the_bell_and_keeps_the_word(app, bench, judge, read_screen):
    trip(bench, judge)
    async with app.run_test(size=(80, 24)) as pilot:
        await look(app, pilot, read_screen)
        await pilot.press("a")
        assert bench.requests == [Acknowledge("transformer")]
        lines = await look(app, pilot, read_screen)
        assert lines[1].startswith(" ! seen: transformer tripped")
        rung = len(app.rings)
        app._last_ring = -math.inf
        await look(app, pilot, read_screen)
        assert len(app.rings) == rung
        bench.push(judge("reservoir case", 99.0, 60.0, time=70.0, flags=[Flag.HOT]), now=70.0)
        lines = await look(app, pilot, read_screen)
        assert lines[1].startswith(" ■ ALARM reservoir case hot; seen: transformer tripped")
        assert len(app.rings) == rung + 1, "a new alarm rings again"


async def test_it_rings_again_and_again_until_somebody_has_seen_it(app, bench, judge, read_screen):
    async with app.run_test(size=(80, 24)) as pilot:
        trip(bench, judge)
        for _ in range(3):
            app._last_ring = -math.inf
            await look(app, pilot, read_screen)
        assert len(app.rings) == 3
        await look(app, pilot, read_screen)
        assert len(app.rings) == 3, "not at every look"


async def test_the_bell_can_be_off_and_that_is_shown(app, bench, judge, read_screen):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("m")
        trip(bench, judge)
        lines = await look(app, pilot, read_screen)
        assert lines[1].rstrip().endswith("a: seen, bell off")
        assert app.rings == []
        await pilot.press("m")
        await look(app, pilot, read_screen)
        assert app.rings


async def test_acknowledging_nothing_says_so(app, bench, read_screen):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("a")
        assert any("There is no alarm" in line for line in await look(app, pilot, read_screen))
        assert bench.requests == []


async def test_another_screen_s_acknowledgement_counts_here(app, bench, judge, read_screen):
    trip(bench, judge)
    bench.push(Event(65.0, "transformer", "acknowledged", "transformer: its alarm was seen"), now=65.0)
    async with app.run_test(size=(80, 24)) as pilot:
        lines = await look(app, pilot, read_screen)
        assert lines[1].startswith(" ! seen: transformer tripped")
        assert app.rings == []


async def test_where_no_recorder_listens_it_is_seen_here_at_least(app, bench, judge, read_screen):
    trip(bench, judge)
    bench.deaf = True
    async with app.run_test(size=(80, 24)) as pilot:
        await look(app, pilot, read_screen)
        await pilot.press("a")
        lines = await look(app, pilot, read_screen)
        assert lines[1].startswith(" ! seen:")
        assert any("on this screen only" in line for line in lines)


async def test_a_dead_recorder_is_an_alarm_of_its_own(app, bench, read_screen):
    async with app.run_test(size=(80, 24)) as pilot:
        bench.live, bench.state = False, RecorderState.GONE
        lines = await look(app, pilot, read_screen)
        assert lines[1].startswith(" ■ ALARM recorder gone")
        assert app.rings
        await pilot.press("a")
        assert (await look(app, pilot, read_screen))[1].startswith(" ! seen: recorder gone")


async def test_a_replay_shows_alarms_and_stays_quiet(make_view, judge, monkeypatch, read_screen):
    view = make_view(live=False)
    app = BenchmonApp(view)
    rings = []
    monkeypatch.setattr(app, "bell", lambda: rings.append(1))
    async with app.run_test(size=(80, 24)) as pilot:
        trip(view, judge)
        assert "ALARM transformer tripped" in (await look(app, pilot, read_screen))[1]
    assert rings == []


async def test_switching_off_takes_a_word_not_a_key(app, bench, read_screen):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("o")
        lines = await look(app, pilot, read_screen)
        assert any("switch off: type OFF" in line for line in lines)
        assert any("This sends the switch-off command of bench meter" in line for line in lines)
        await pilot.press("enter", "y", "enter")
        lines = await look(app, pilot, read_screen)
        assert any("nothing was switched off" in line for line in lines)
        await pilot.press("escape")
        await pilot.press("o", *"OF", "escape")
        assert bench.requests == []
        await pilot.press("o", *"OFF", "enter")
        assert bench.requests == [SwitchPowerOff("by the operator")]
        assert any("Asked to switch off" in line for line in await look(app, pilot, read_screen))


@pytest.mark.parametrize("key", ["question_mark", "p", "b", "e", "enter"])
async def test_it_is_there_in_every_view(key, app, bench):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key, "o", *"off", "enter")
    assert bench.requests == [SwitchPowerOff("by the operator")]


@pytest.mark.parametrize("key", ["n", "slash", "q"])
async def test_and_over_every_dialogue(key, app, bench):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key, "ctrl+o", "ctrl+o", *"off", "enter")
        assert len(app.screen_stack) == 2, "the dialogue below is still there"
    assert bench.requests == [SwitchPowerOff("by the operator")]


async def test_what_cannot_be_switched_off_is_shown_at_once(make_view, app, bench, read_screen):
    bench.deaf = True
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("o", *"off", "enter")
        assert any("NOT switched off, use the switch" in line for line in await look(app, pilot, read_screen))
    bare = BenchmonApp(make_view())
    async with bare.run_test(size=(80, 24)) as pilot:
        await pilot.press("o")
        assert len(bare.screen_stack) == 1
        assert any("use the switch at the bench" in line for line in await look(bare, pilot, read_screen))


async def test_a_switch_that_failed_is_the_gravest_alarm(app, bench, judge, read_screen):
    trip(bench, judge)
    bench.push(Event(62.0, "", "switch-off failed", "the mains is still at 230 V"))
    async with app.run_test(size=(80, 24)) as pilot:
        lines = await look(app, pilot, read_screen)
        assert lines[1].startswith(" ■ ALARM switch-off failed, transformer tripped")
        bench.push(Event(63.0, "", "switched off", "the mains is at 0 V"))
        assert "failed" not in (await look(app, pilot, read_screen))[1]


def test_an_alarm_ends_with_its_cause_and_comes_back_unseen(bench, judge):
    alarms, watch, channels = AlarmPanel(), StatusWatch(bench.info.bench), bench.info.bench.channel

    def judged(now, *flags):
        watch.judgement(judge("transformer", 95.0, 60.0, time=now, flags=flags))
        alarms.update(watch.at(now).alarms, channels)
        return alarms.standing

    assert judged(1.0, Flag.HOT) == (ShownAlarm("hot", "transformer"),)
    alarms.acknowledge("transformer", 2.0)
    assert judged(3.0, Flag.HOT) == (ShownAlarm("hot", "transformer", acknowledged=True),)
    assert judged(4.0) == ()
    assert judged(5.0, Flag.HOT) == (ShownAlarm("hot", "transformer"),)
    assert judged(6.0, Flag.STALE) == (ShownAlarm("not watched", "transformer"),)


async def test_a_course_that_surely_passes_the_limit_is_one(app, bench, read_screen):
    bench.push(Forecast("diode case", 60.0, "rising", 0.2, 118.0, 6.0, 220.0, 150.0, 300.0))
    async with app.run_test(size=(80, 24)) as pilot:
        assert "ALARM diode case heading for its limit" in (await look(app, pilot, read_screen))[1]
        bench.push(Forecast("diode case", 61.0, "rising", 0.2, 100.0, 6.0, None, None, None))
        assert "ALARM" not in (await look(app, pilot, read_screen))[1]
