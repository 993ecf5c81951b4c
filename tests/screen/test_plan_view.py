"""The plan on the screen: what to do, what is lacking, what to expect; every move is asked of the recorder."""

from __future__ import annotations

import numpy as np
import pytest

from benchmon.errors import PredictionError
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.quantities import Expected
from benchmon.screen.app import BenchmonApp
from benchmon.watch.plan import Action, StepRequest
from benchmon.watch.records import Event, EventDetails, Flag
from support.session_view import sees

PLAN = """
[[step]]
name = "a tenth, no load"
mains = "23 V"
load = "open"
hold = "30 s"
needs = ["output voltage"]
[[step]]
name = "full mains"
mains = "230 V"
needs = ["output voltage", "mains current"]
[[step]]
name = "load on"
load = "20 Ω"
hold = "10 min"
"""
SIZES = [(80, 24), (120, 36), (200, 60)]


def predict(situation):
    """A prediction that keeps what it was asked for."""
    if situation.mains == 0:
        raise PredictionError("is the mains on?")
    volts = (situation.mains or 230.0) / 10 + (3 if situation.load == "open" else 0)
    quantities = {
        "mains.voltage.rms": Expected(230.0, 1.0, "V"),
        "output.voltage.mean": Expected(volts, 0.2, "V"),
        "output.power.mean": Expected(26.0, 1.0, "W"),
        "diode.temperature.case": Expected(71.0, 4.0, "°C"),
    }
    return Prediction(230.0, 50.0, 25.0, quantities, {}, Waveforms(np.zeros(2), {}))


@pytest.fixture
def bench(make_view, agree, judge):
    view = make_view(more=PLAN)
    agree(view, 60.0)
    view.push(judge("mains voltage", 23.1, None), now=60.0)
    return view


@pytest.fixture
def app(bench):
    bench.predict(predict)
    return BenchmonApp(bench)


@pytest.mark.parametrize("size", SIZES)
async def test_a_plan_is_seen_whole_and_begun_by_a_key(size, app, bench, read_screen):
    async with app.run_test(size=size) as pilot:
        await pilot.press("p")
        text = await sees(
            app, pilot, read_screen, "plan not begun", "1 a tenth, no load", "Enter begins the plan", "Enter Begin"
        )
        assert all(len(line) == size[0] for line in text.split("\n"))
        for words in ("23.0 V", "open", "0:30", "2 full mains", "230 V", "20.0 Ω", "10:00", "ahead"):
            assert words in text
        await pilot.press("enter")
        assert bench.requests == [StepRequest(Action.BEGIN, 1)]
        bench.push(Event(60.0, "", "step begun", "1 of 3: a tenth, no load", EventDetails(step=1)), now=65.0)
        text = await sees(
            app, pilot, read_screen, "hold for another 25 s", "step 1 of 3, hold 0:25", "✓ output voltage"
        )
        assert "Fuse in" in text


async def test_what_to_expect_follows_the_step_looked_at(app, read_screen):
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("p")
        await sees(app, pilot, read_screen, "5.30 ± 0.20 V", "set the mains to 23.0 V, no load")
        await pilot.press("right")
        await sees(app, pilot, read_screen, "26.00 ± 0.20 V", "step 2: full mains")
        await pilot.press("right")
        text = await sees(app, pilot, read_screen, "23.00 ± 0.20 V", "a load of 20.0 Ω")
        for words in ("Before you change the load: switch off", "turns 26 W into heat", "Diodes settle near 71 °C"):
            assert words in " ".join(text.split())
        await pilot.press("right", "left", "left", "left")
        await sees(app, pilot, read_screen, "step 1: a tenth")


async def test_going_on_needs_what_the_step_needs(app, bench, judge, read_screen):
    bench.push(Event(60.0, "", "step begun", "1 of 3: a tenth, no load", EventDetails(step=1)), now=80.0)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("p", "enter")
        await sees(app, pilot, read_screen, "Not yet: hold for another 10 s")
        assert bench.requests == []
        bench.push(judge("output voltage", 9.0, 24.0, time=91.0), now=91.0)
        app.follow()
        await pilot.press("enter")
        await sees(app, pilot, read_screen, "Not yet: output voltage disagrees")
        bench.push(judge("output voltage", 24.0, 24.0, time=92.0), now=92.0)
        await sees(app, pilot, read_screen, "nothing: Enter confirms")
        await pilot.press("enter")
        await sees(app, pilot, read_screen, "step 1 is done: anything to note?")
        await pilot.press(*"no hum", "enter")
        assert bench.requests == [StepRequest(Action.CONFIRM, 1, "no hum")]
        bench.push(
            Event(92.0, "", "step done", "1 of 3: a tenth, no load: no hum", EventDetails(step=1, note="no hum")),
            Event(92.0, "", "step begun", "2 of 3: full mains", EventDetails(step=2)),
        )
        await sees(app, pilot, read_screen, "done 0:01:32: no hum", "step 2: full mains", "stands 0:00")


async def test_a_note_may_be_left_out_but_a_reason_may_not(app, bench):
    bench.push(Event(1.0, "", "step begun", "1 of 3: a tenth, no load", EventDetails(step=1)))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("p", "enter", "enter")
        assert bench.requests == [StepRequest(Action.CONFIRM, 1)]
        await pilot.press("s", "enter")
        assert len(bench.requests) == 1, "no reason, no skipping"
        await pilot.press("s", *"no variac", "enter")
        assert bench.requests[-1] == StepRequest(Action.SKIP, 1, "no variac")
        await pilot.press("s", *"x", "escape")
        assert len(bench.requests) == 2
        await pilot.press("x", "enter")
        assert bench.requests[-1] == StepRequest(Action.STOP, 1)


async def test_a_trip_holds_the_plan_and_stays_on_top(app, bench, judge, read_screen):
    bench.push(Event(1.0, "", "step begun", "1 of 3: a tenth, no load", EventDetails(step=1)))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("p")
        bench.push(judge("transformer", 112.0, 60.0, flags=[Flag.TRIPPED]))
        text = await sees(app, pilot, read_screen, "transformer went past its limit")
        assert "Switch off now" in text.split("\n")[0]


async def test_what_the_recorder_refuses_is_shown(app, bench, read_screen):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("p")
        bench.push(Event(61.0, "", "refused", "step 1 is not done: output voltage disagrees"))
        await sees(app, pilot, read_screen, "! step 1 is not done")


@pytest.mark.parametrize("size", SIZES)
async def test_a_bench_without_a_plan_says_how_to_have_one(size, make_view, read_screen):
    app = BenchmonApp(make_view())
    async with app.run_test(size=size) as pilot:
        await pilot.press("p")
        await sees(app, pilot, read_screen, "This bench has no plan", "[[step]]")
        await pilot.press("enter", "s", "x", "left", "right")
        await sees(app, pilot, read_screen, "No step of the plan is active")


async def test_a_replay_moves_no_plan(make_view, read_screen):
    view = make_view(live=False, more=PLAN)
    view.predict(predict)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("p", "enter")
        await sees(app, pilot, read_screen, "The plan needs a running recorder")
    assert view.requests == []


async def test_where_nothing_can_be_predicted_the_reason_stands(make_view, read_screen):
    view = make_view(more='[[step]]\nname = "off"\nmains = "0 V"\n')
    view.predict(predict)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("p")
        await sees(app, pilot, read_screen, "is the mains on?")


async def test_many_steps_keep_the_chosen_one_in_sight(make_view, read_screen):
    view = make_view(more="".join(f'[[step]]\nname = "stage {number:02}"\n' for number in range(30)))
    view.predict(predict)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("p", *["right"] * 20)
        await sees(app, pilot, read_screen, "21 stage 20", "step 21: stage 20")
