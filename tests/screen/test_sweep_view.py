"""A sweep on the screen: begun by a person alone, what is to be set in every view, points on the predicted band."""

from __future__ import annotations

import difflib
import os
from pathlib import Path

import pytest

from benchmon.screen.app import BenchmonApp
from benchmon.watch.plan import Plan, SweepAction, SweepRequest
from benchmon.watch.plan.settled_points import PredictedCurves, SettledValue
from support.session_view import sees

SNAPSHOTS = Path(__file__).parent / "snapshots"
SWEEP = """
[[sweep]]
name = "regulation"
over = "load.current"
values = ["open", "0.5 A", "1 A", "2 A"]
"""


@pytest.fixture
def bench(make_view, agree):
    view = make_view(more=SWEEP)
    agree(view, 60.0)
    return view


def taken(plan, at, volts, now):
    run = plan.sweeps.current
    events = [plan.sweeps.stands(run, at, now)]
    plan.take(events[0])
    readings = {"output voltage": SettledValue(volts, 0.2, volts + 0.1, 0.9)}
    for event in plan.sweeps.taken(run, at, readings, {"output voltage": "V"}, now + 5.0):
        plan.take(event)
        events.append(event)
    return events


async def begun(bench, app, pilot, read_screen):
    """Begin the sweep as a person would and take two of its four points; return what the screen shows of it."""
    await pilot.press("v", "enter")
    await sees(app, pilot, read_screen, "begin regulation")
    await pilot.press("enter")
    await pilot.pause()
    plan = Plan.of(bench.info.bench)
    (event,) = plan.sweeps.answer(bench.requests[0], 61.0)
    plan.take(event)
    curves = PredictedCurves({"output.voltage.mean": [(25.0, 0.9), (24.0, 0.9), (23.4, 0.9), (22.0, 0.9)]})
    bench.push(event, plan.sweeps.predicted(plan.sweeps.current, curves, 62.0), now=62.0)
    await sees(app, pilot, read_screen, "Sweep regulation, 1 of 4: take the load off", "predicted; no point")
    bench.push(*taken(plan, 0.0, 25.1, 63.0), *taken(plan, 0.5, 24.0, 70.0), now=80.0)
    return await sees(app, pilot, read_screen, "3 of 4: set the load to 1 A", "24.00 ± 0.20 V, expected 24.10")


@pytest.mark.parametrize("size", [(80, 24), (120, 36)], ids=lambda size: f"{size[0]}x{size[1]}")
async def test_the_curve_looks_as_it_was_found_good(bench, read_screen, size):
    """Renewed, after a look at it, like the other views: see `snapshots/test_snapshots.py`."""
    app = BenchmonApp(bench)
    async with app.run_test(size=size) as pilot:
        text = await begun(bench, app, pilot, read_screen)
    now = "\n".join(line.rstrip() for line in text.split("\n")) + "\n"
    file = SNAPSHOTS / f"sweep-{size[0]}x{size[1]}.txt"
    if os.environ.get("BENCHMON_RENEW_SNAPSHOTS"):
        file.write_text(now, encoding="utf-8")
        pytest.skip(f"{file.name} renewed")
    then = file.read_text(encoding="utf-8")
    assert now == then, "\n".join(difflib.unified_diff(then.splitlines(), now.splitlines(), "found good", "now"))


async def test_a_sweep_is_begun_and_seen_while_its_points_come(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(100, 40)) as pilot:
        await pilot.press("v")
        await sees(app, pilot, read_screen, "sweep regulation over load current", "Enter begins it")
        await pilot.press("enter")
        await sees(app, pilot, read_screen, "begin regulation: you set 4 values, one by one?")
        assert not bench.requests, "a sweep is never begun without the person"
        await pilot.press("escape", "escape")
        text = await begun(bench, app, pilot, read_screen)
        assert bench.requests == [SweepRequest(SweepAction.BEGIN, "regulation")]
        assert "load regulation 4.58 ±" in text
        await pilot.press("escape")
        await sees(app, pilot, read_screen, "Sweep regulation, 3 of 4: set the load to 1 A; v shows it")
        await pilot.press("v", "enter")
        await pilot.press("x", *"hum", "enter")
        await pilot.pause()
        assert bench.requests[1:] == [
            SweepRequest(SweepAction.CONFIRM, "regulation"),
            SweepRequest(SweepAction.STOP, "regulation", "hum"),
        ]


async def test_a_bench_without_a_sweep_says_how_to_add_one(make_view, read_screen):
    app = BenchmonApp(make_view())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("v")
        await sees(app, pilot, read_screen, "This bench has no sweep.")
