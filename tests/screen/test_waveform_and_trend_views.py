"""Waves and trends by their keys, at the sizes people have."""

from __future__ import annotations

import numpy as np
import pytest

from benchmon.errors import SessionFileError
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.screen.app import BenchmonApp
from benchmon.session.records import TrendBin
from benchmon.watch.records import Event, EventDetails, Flag, Waveform
from support.session_view import sees

SIZES = [(80, 24), (120, 36), (200, 60)]


def predict(_situation):
    time = np.linspace(0.0, 0.02, 400, endpoint=False)
    traces = {"mains.voltage": 325 * np.sin(314.16 * time), "mains.current": np.sin(314.16 * time) ** 5}
    return Prediction(230.0, 50.0, 25.0, {}, {"mains.current": [(1, 0.42), (3, 0.2)]}, Waveforms(time, traces))


def captured(size=1.1):
    time = np.arange(0.0, 0.06, 5e-5)
    return Waveform("mains current", 58.0, time, size * np.sin(314.16 * (time + 0.004)) ** 5, "A")


@pytest.fixture
def bench(make_view, agree):
    view = make_view()
    agree(view, 60.0)
    for channel in view.info.bench.channel:
        view.past[channel.name] = [TrendBin(at, at + 1.0, 5, 23.9, 24.3, 24.1) for at in range(60)]
    return view


@pytest.fixture
def app(bench):
    bench.predict(predict)
    return BenchmonApp(bench)


@pytest.mark.parametrize("size", SIZES)
async def test_a_wave_over_the_expected_one(size, app, bench, read_screen):
    bench.push(captured())
    async with app.run_test(size=size) as pilot:
        await pilot.press("down", "w")
        text = await sees(app, pilot, read_screen, "wave of mains.current, A", "line: measured", "captured at 0:00:58")
        assert all(len(line) == size[0] for line in text.split("\n"))
        for words in ("at 5.00 ms:", "measured 1.1", "expected 1.0", "up: A, across: ms", "∙", "As expected"):
            assert words in text
        await pilot.press(*["right"] * 8)
        await sees(app, pilot, read_screen, "at 7.50 ms:")
        bench.push(captured(2.0))
        await sees(app, pilot, read_screen, "difference")
        await pilot.press("w")
        assert len(app.screen_stack) == 1


async def test_harmonics_and_other_waves_by_keys(app, bench, read_screen):
    bench.push(captured())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await sees(app, pilot, read_screen, "wave of mains.voltage, V", "expected only")
        await pilot.press("h")
        await sees(app, pilot, read_screen, "IEC 61000-3-2 class A", "2.30 A", "(")
        await pilot.press("down")
        await sees(app, pilot, read_screen, "wave of mains.voltage, V")
        await pilot.press("up")
        await sees(app, pilot, read_screen, "wave of mains.current, A", "line: measured")


async def test_the_chosen_wave_stays_while_its_prediction_is_worked_out(bench, read_screen):
    """Another wave that is captured already does not take its place."""
    bench.push(captured())
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("w")
        await sees(app, pilot, read_screen, "wave of mains.voltage, V", "being worked out")
        bench.predict(predict)
        await sees(app, pilot, read_screen, "wave of mains.voltage, V", "expected only")


async def test_a_capture_that_is_no_wave_is_shown(app, bench, read_screen):
    bench.push(Waveform("mains current", 58.0, np.arange(100) / 1e4, np.full(100, 3.0), "A"))
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("down", "w")
        await sees(app, pilot, read_screen, "cannot be shown: the wave is flat")


@pytest.mark.parametrize("size", SIZES)
async def test_a_trend_in_its_band_with_its_marks(size, app, bench, read_screen):
    bench.push(
        Event(10.0, "", "step begun", "1 of 3: half the mains", EventDetails(step=1)),
        Event(30.0, "", "note", "a hum"),
        Event(50.0, "mains voltage", "disagrees", "mains voltage reads 199 V"),
        Event(40.0, "diode case", "hot", "of another channel"),
    )
    async with app.run_test(size=size) as pilot:
        await pilot.press("t")
        text = await sees(app, pilot, read_screen, "trend of mains voltage, V", "0:00:00 to 0:01:00", "0:00:30")
        lines = text.split("\n")
        assert all(len(line) == size[0] for line in lines)
        marks = next(line for line in lines if line.strip() and set(line.split()) <= {"s", "n", "!"})
        assert marks.split() == ["s", "n", "!"]
        assert "░" in text
        words = "24.10 V 23.90 V to 24.30 V in 5 readings expected 24.00 ± 0.50 V"
        assert any(words in " ".join(line.split()) for line in lines)
        assert "! 0:00:50 disagrees" in text


async def test_the_cursor_of_a_trend_goes_to_the_events(app, bench, read_screen):
    bench.push(Event(30.0, "", "note", "a hum"), Event(50.0, "mains voltage", "disagrees", "mains voltage reads 199 V"))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("t")
        await sees(app, pilot, read_screen, "! 0:00:50 disagrees")
        await pilot.press(*["left"] * 30)
        await sees(app, pilot, read_screen, "n 0:00:30 note: a hum")


async def test_any_channel_over_any_span(app, bench, read_screen):
    bench.push(now=4000.0)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("t")
        await sees(app, pilot, read_screen, "trend of mains voltage", "1:01:40 to 1:06:40")
        await pilot.press("minus", "minus")
        await sees(app, pilot, read_screen, "0:36:40 to 1:06:40")
        await pilot.press("plus", "plus", "plus", "pageup")
        await sees(app, pilot, read_screen, "1:03:40 to 1:05:40")
        await pilot.press("home")
        await sees(app, pilot, read_screen, "0:00:00 to 0:02:00")
        await pilot.press("end", "down")
        await sees(app, pilot, read_screen, "trend of mains current", "1:04:40 to 1:06:40")


async def test_the_trend_follows_the_cursor_of_the_rows_and_the_time(app, bench, read_screen):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("end", "t")
        await sees(app, pilot, read_screen, "trend of load resistor", "0:00:00 to 0:01:00")
        bench.push(now=90.0)
        await sees(app, pilot, read_screen, "0:00:00 to 0:01:30")


async def test_a_span_without_readings_and_a_broken_file_are_reported(app, bench, monkeypatch, read_screen):
    bench.past.clear()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("t")
        await sees(app, pilot, read_screen, "no readings in this span")

        def broken(*_):
            raise SessionFileError("somewhere.session: the file is damaged")

        monkeypatch.setattr(bench, "trend", broken)
        await pilot.press("minus")
        await sees(app, pilot, read_screen, "the file is damaged")


@pytest.mark.parametrize("key", ["w", "t"])
async def test_an_alarm_is_on_top_of_them_too(key, app, bench, judge, read_screen):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key)
        bench.push(judge("transformer", 112.0, 60.0, flags=[Flag.TRIPPED]))
        text = await sees(app, pilot, read_screen, "ALARM transformer tripped")
        assert "Switch off now" in text.split("\n")[0]


@pytest.mark.parametrize("key", ["w", "t"])
@pytest.mark.parametrize("size", [(20, 6), (40, 10), (10, 3)])
async def test_small_terminals_break_nothing(key, size, app, bench, read_screen):
    bench.push(captured())
    async with app.run_test(size=size) as pilot:
        await pilot.press("down", key)
        for _ in range(5):
            app.follow()
            await pilot.pause(0.05)
        assert all(len(line) == size[0] for line in read_screen(app))
        await pilot.press("left", "up", "escape")
        assert len(app.screen_stack) == 1


@pytest.mark.parametrize("key", ["w", "t"])
async def test_ascii_terminals_get_ascii(key, bench, read_screen):
    bench.push(captured())
    bench.predict(predict)
    app = BenchmonApp(bench, ascii_only=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("down", key)
        text = await sees(app, pilot, read_screen, "*", "+--")
        assert text.isascii()


async def test_the_axis_of_a_trend_can_be_zoomed_to_the_readings(app, read_screen):
    """Readings of 24.1 V in a band of 24.0 ± 0.5 V."""
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("t")
        whole = await sees(app, pilot, read_screen, "trend of mains voltage, V", "░", "23.5")
        assert "zoomed" not in whole
        await pilot.press("z")
        zoomed = await sees(app, pilot, read_screen, "trend of mains voltage, V, zoomed to the readings")
        assert "23.5" not in zoomed.split("expected")[0]
        await pilot.press("z")
        assert await sees(app, pilot, read_screen, "23.5") == whole
