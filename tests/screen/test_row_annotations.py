"""What stands under a row: causes beside the reading they explain, and courses with the time that is left."""

from __future__ import annotations

import numpy as np
import pytest

from benchmon.prediction.result import Prediction, Waveforms
from benchmon.quantities import Expected
from benchmon.screen.app import BenchmonApp
from benchmon.screen.lines.temperature_bars import Course, TemperatureLimits, draw_bar
from benchmon.screen.symbols import ASCII, UNICODE
from benchmon.watch.records import Explanation, Explanations, Forecast

SIZES = [(80, 24), (120, 36), (200, 60)]
RIPPLE = Explanation(
    "output ripple: the meter is on its DC range",
    0.93,
    "output ripple reads 2.5 % of the expected ac rms: the meter is on its DC range; select AC",
    ("output ripple",),
    "output ripple",
    "the meter is on its DC range; select AC",
)
DIODE = Explanation(
    "a diode is open",
    0.2,
    "output voltage reads 50 % of the expected mean: a diode is open; switch off",
    evidence="output voltage",
    advice="a diode is open; switch off",
)
CASE = Forecast("diode case", 60.0, "rising", 0.2, 118.0, 6.0, 220.0, 150.0, 300.0)


def under(lines, name):
    """The line below the row of a channel."""
    at = next(at for at, line in enumerate(lines) if line[1] in "✓?✗·!■~" and line[3:].startswith(name))
    return lines[at + 1]


@pytest.fixture
def bench(make_view, agree):
    view = make_view()
    agree(view, 60.0)
    return view


@pytest.mark.parametrize("size", SIZES)
async def test_causes_stand_under_the_reading_they_explain(size, bench, judge, read_screen):
    bench.push(judge("output ripple", 9.1, 24.0), judge("output voltage", 12.0, 24.0), now=60.0)
    bench.push(Explanations(60.0, (RIPPLE, DIODE)))
    app = BenchmonApp(bench)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        lines = read_screen(app)
        assert "93 % likely: the meter is on its DC range; select AC" in under(lines, "output ripple")
        assert "20 % likely: a diode is open; switch off" in under(lines, "output voltage")
        assert "likely the meter is on its DC range" in " ".join(line.strip() for line in lines[:2])
        assert len([line for line in lines if line[1] in "✓✗" and "agrees" in line]) == 12, "every row is in sight"
        bench.push(Explanations(61.0, (Explanation("nothing wrong", 0.99, "nothing needs explaining"),)))
        app.follow()
        await pilot.pause()
        assert not any("likely" in line for line in read_screen(app))


async def test_a_cause_of_no_channel_goes_to_what_is_farthest_off(bench, judge, read_screen):
    bench.push(judge("mains power", 99.0, 24.0), judge("diode current", 26.0, 24.0), now=60.0)
    bench.push(Explanations(60.0, (Explanation("gremlins", 0.8, "gremlins; feed them"),)))
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "80 % likely: gremlins; feed them" in under(read_screen(app), "mains power")


async def test_a_long_cause_is_wrapped_and_hostile_text_stays_text(bench, judge, read_screen):
    words = "look at everything that there is to look at; " * 4 + "\x1b[31m[bold]"
    bench.push(judge("output voltage", 12.0, 24.0), now=60.0)
    bench.push(Explanations(60.0, (Explanation("x", 0.8, words),)))
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        lines = read_screen(app)
        assert all(len(line) == 80 for line in lines)
        assert "\x1b" not in "".join(lines)
        assert sum("look at" in line for line in lines) == 2
    app = BenchmonApp(bench)
    async with app.run_test(size=(200, 60)) as pilot:
        bench.push(judge("output voltage", 12.0, 24.0), Explanations(60.0, (Explanation("x", 0.8, words),)))
        app.follow()
        await pilot.pause()
        assert any("\\x1b[31m[bold]" in line for line in read_screen(app))


@pytest.mark.parametrize("size", SIZES)
async def test_a_temperature_that_heads_for_its_limit_says_how_long(size, bench, read_screen):
    bench.push(CASE, now=60.0)
    app = BenchmonApp(bench)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        lines = read_screen(app)
        assert lines[0].startswith(" ! Get ready to switch off: diode case will pass 110.0 °C in about 3 min 40 s")
        assert "will pass 110.0 °C in about 3 min 40 s; it would settle at 118 ± 6 °C" in under(lines, "diode case")
        bars = [line for line in lines if "▕" in line]
        assert any("limit in 3:40" in line for line in bars)
        bench.push(now=180.0)
        app.follow()
        await pilot.pause()
        assert "in about 1 min 40 s" in read_screen(app)[0]


async def test_both_final_temperatures_are_marked(bench, read_screen):
    flat = Waveforms(np.zeros(2), {})
    settled = Prediction(230.0, 50.0, 25.0, {"diode.temperature.case": Expected(60.0, 4.0, "°C")}, {}, flat)
    bench.push(Forecast("diode case", 60.0, "rising", 0.1, 100.0, 4.0))
    bench.predict(lambda _situation: settled)
    app = BenchmonApp(bench)
    async with app.run_test(size=(120, 36)) as pilot:
        for _ in range(40):
            app.follow()
            await pilot.pause(0.05)
            bar = next(line for line in read_screen(app) if "▕" in line)
            if "◇" in bar:
                break
        assert bar.index("◇") < bar.index("◆")
        assert "→ 100 °C" in bar
        await pilot.press("slash", *"diode case", "enter", "enter")
        await pilot.pause()
        shown = "\n".join(read_screen(app))
        assert "expected final" in shown
        assert "60.0 ± 4.0 °C" in shown
        assert "100.0 ± 4.0 °C; rising" in shown


@pytest.mark.parametrize("symbols", [UNICODE, ASCII])
def test_marks_stay_inside_the_bar_wherever_they_lead(symbols):
    limits = TemperatureLimits(25.0, 85.0, 105.0)
    for final in (-300.0, 25.0, 64.0, 105.0, 1e9):
        bar = draw_bar(40.0, limits, 30, symbols, Course(60.0, final))
        assert len(bar) == 30
        assert bar.count(symbols.bar_final) == 1
    assert draw_bar(40.0, limits, 30, symbols, Course(64.0, 64.0)).count(symbols.bar_expected) == 0
