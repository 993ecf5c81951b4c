"""The main view at the sizes people have: what stands where, in words, whatever the bench."""

from __future__ import annotations

import math

import pytest

from benchmon.errors import SessionFileError
from benchmon.quantities import POINTS, UNITS
from benchmon.screen.app import BenchmonApp
from benchmon.session.records import RecorderState
from benchmon.watch.records import Event, Flag

SIZES = [(80, 24), (120, 36)]


def row(lines, name):
    """The row of a channel in the table: not the heading of its point, nor its temperature bar below."""
    return next(line for line in lines if line[1] in "✓?✗·!■~" and line[3:].startswith(name))


async def shown(app, pilot, read_screen):
    app.follow()
    await pilot.pause()
    return read_screen(app)


@pytest.mark.parametrize("size", SIZES)
async def test_twelve_channels_fit_with_all_that_belongs_to_them(size, make_view, agree, judge, read_screen):
    view = make_view()
    agree(view, 75.0)
    view.push(
        judge("mains voltage", 231.4, 231.0, 2.3, 75.0),
        judge("output voltage", 24.14, 24.3, 0.5, 75.0),
        judge("transformer", 62.3, 60.0, 4.0, 75.0),
        Event(70.0, "", "note", "at full voltage"),
    )
    app = BenchmonApp(view)
    async with app.run_test(size=size) as pilot:
        lines = await shown(app, pilot, read_screen)
        assert all(len(line) == size[0] for line in lines)
        assert lines[0].startswith(" ✓ As expected: 12 channels agree")
        for words in ("Workshop supply", "mains 231.4 V", "recording", "0:01:15"):
            assert words in lines[1]
        for channel in view.info.bench.channel:
            assert row(lines, channel.name).rstrip().endswith("agrees"), channel.name
        output = row(lines, "output voltage")
        for part in ("24.14 V", "24.30 ± 0.50", "−0.7 %", "├", "●", "┤"):
            assert part in output
        assert "+2.3 K" in row(lines, "transformer")
        text = "\n".join(lines)
        assert "62.3 of 105 °C" in text
        assert "0:01:10  note: at full voltage" in text
        for hint in ("a Seen", "p Plan", "n Note", "? Help", "q Quit", "e Events"):
            assert hint in lines[-1]


async def test_rows_stand_in_the_order_of_the_vocabulary(make_view, agree, read_screen):
    view = make_view()
    agree(view)
    app = BenchmonApp(view)
    async with app.run_test(size=(120, 36)) as pilot:
        lines = await shown(app, pilot, read_screen)
        quantities = {channel.name: channel.quantity for channel in view.info.bench.channel}
        at = {name: lines.index(row(lines, name)) for name in quantities}
        names = sorted(quantities, key=lambda name: at[name])
        assert [quantities[name] for name in names] == sorted(quantities.values(), key=list(UNITS).index)
        headings = [line.strip() for line in lines[2:30] if line.strip() in POINTS]
        assert headings == ["mains", "secondary", "diode", "reservoir", "output", "transformer", "load"]


async def test_every_state_has_its_word(make_view, agree, judge, read_screen):
    view = make_view()
    agree(view)
    view.push(
        judge("mains voltage", 231.0),
        judge("mains current", 0.36, 0.34, 0.015),
        judge("mains power", 75.0, 60.0, 2.0),
        judge("secondary rms", math.inf, 20.0, flags=[Flag.OVERRANGE]),
        judge("diode current", None, 0.6, flags=[Flag.STALE]),
        judge("diode case", None, 60.0),
        judge("reservoir ripple", 1.4, 1.4, flags=[Flag.DRIFTING]),
        judge("output voltage", 25.0, 24.3, 0.5, flags=[Flag.IMPLAUSIBLE]),
        judge("reservoir case", 75.0, 75.0, flags=[Flag.HOT]),
        judge("transformer", 112.0, 60.0, 4.0, flags=[Flag.HOT, Flag.TRIPPED]),
    )
    app = BenchmonApp(view)
    async with app.run_test(size=(120, 36)) as pilot:
        lines = await shown(app, pilot, read_screen)
        for name, sign, words in (
            ("mains voltage", "·", "unpredicted"),
            ("mains current", "?", "questionable"),
            ("mains power", "✗", "disagrees"),
            ("secondary rms", "!", "overrange"),
            ("diode current", "~", "stale"),
            ("diode case", "~", "no reading"),
            ("reservoir ripple", "!", "agrees drifting"),
            ("output voltage", "!", "questionable implausi"),
            ("reservoir case", "!", "agrees hot"),
            ("transformer", "■", "disagrees tripped"),
        ):
            found = row(lines, name)
            assert found[1] == sign, name
            assert words in found, name
        assert lines[0].startswith(" ✖ Switch off now: transformer is at 112.0 °C")


async def test_a_trip_is_the_first_word_where_words_have_no_room(make_view, judge, read_screen):
    view = make_view()
    view.push(judge("output ripple", 9.0, 0.4, 0.1, flags=[Flag.TRIPPED, Flag.DRIFTING, Flag.IMPLAUSIBLE]))
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        lines = await shown(app, pilot, read_screen)
        assert " tripped +2 ✗ " in row(lines, "output ripple")


@pytest.mark.parametrize("size", [*SIZES, (200, 60), (60, 18), (40, 12), (20, 6), (10, 3)])
async def test_forty_channels_scroll_under_the_cursor(size, make_view, agree, read_screen):
    quantities = list(UNITS)
    channels = [(f"channel {number:02}", quantities[number % len(quantities)], "") for number in range(40)]
    view = make_view(channels)
    agree(view)
    app = BenchmonApp(view)
    async with app.run_test(size=size) as pilot:
        lines = await shown(app, pilot, read_screen)
        assert len(lines) == size[1]
        assert all(len(line) == size[0] for line in lines)
        assert "✓ As" in lines[0]
        if size[0] < 60 or size[1] < 18:
            return
        last = max(channels, key=lambda channel: quantities.index(channel[1]))[0]
        assert any(last in line for line in lines) == (size[1] == 60)
        assert any("more below" in line for line in lines) == (size[1] < 60)
        await pilot.press("end")
        lines = read_screen(app)
        assert any(line.startswith("›") and last in line for line in lines)
        await pilot.press("home", "down")
        assert any(line.startswith("›") for line in read_screen(app))


async def test_narrow_screens_drop_the_trend_first_then_the_difference(make_view, agree, read_screen):
    view = make_view()
    agree(view)
    titles = ["trend", "diff.", "band", "expected", "live", "verdict"]
    gone = []
    app = BenchmonApp(view)
    async with app.run_test(size=(90, 24)) as pilot:
        for width in range(90, 30, -3):
            await pilot.resize_terminal(width, 24)
            lines = await shown(app, pilot, read_screen)
            heading = lines[1 + next(at for at, line in enumerate(lines[:4]) if "0:00:01" in line)]
            gone += [title for title in titles if title not in heading and title not in gone]
            assert all(len(line) == width for line in lines)
    assert gone == ["trend", "diff.", "band", "expected"]


async def test_resizing_there_and_back_shows_the_same(make_view, agree, read_screen):
    view = make_view()
    agree(view)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        before = await shown(app, pilot, read_screen)
        for size in ((120, 36), (30, 8), (80, 24)):
            await pilot.resize_terminal(*size)
            after = await shown(app, pilot, read_screen)
        assert after == before


async def test_before_the_first_reading_it_says_that_it_waits(make_view, read_screen):
    app = BenchmonApp(make_view())
    async with app.run_test(size=(80, 24)) as pilot:
        lines = await shown(app, pilot, read_screen)
        assert "Waiting for readings from 12 of 12 channels" in lines[0]
        assert "mains not measured" in lines[1]
        assert row(lines, "output voltage").rstrip().endswith("waiting")
        assert any("nothing yet" in line for line in lines)


async def test_a_bench_without_channels_is_called_so(make_view, read_screen):
    app = BenchmonApp(make_view([]))
    async with app.run_test(size=(80, 24)) as pilot:
        lines = await shown(app, pilot, read_screen)
        assert "no channels" in lines[0]
        await pilot.press("down", "enter", "end")
        assert len(app.screen_stack) == 1


async def test_when_the_recorder_is_gone_nothing_looks_alive(make_view, agree, read_screen):
    view = make_view()
    agree(view)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        await shown(app, pilot, read_screen)
        view.state, view.live = RecorderState.GONE, False
        lines = await shown(app, pilot, read_screen)
        assert "recorder is gone" in lines[0]
        assert "recorder gone" in lines[1]
        assert row(lines, "output voltage").rstrip().endswith("old")
        assert "agrees" not in "\n".join(lines[2:])


@pytest.mark.parametrize(
    ("state_and_live", "words"),
    [
        ((RecorderState.RECORDING, True), "recording"),
        ((RecorderState.RECORDING, False), "replay"),
        ((RecorderState.FINISHED, False), "finished"),
        ((RecorderState.GONE, False), "recorder gone"),
    ],
)
async def test_the_recorder_s_state_is_in_words(state_and_live, words, make_view, agree, read_screen):
    view = make_view()
    view.state, view.live = state_and_live
    agree(view)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        lines = await shown(app, pilot, read_screen)
        facts = next(line for line in lines if "0:00:01" in line)
        assert f" {words} " in facts


async def test_a_session_that_cannot_be_read_is_reported_and_read_again(make_view, agree, judge, read_screen):
    view = make_view()
    agree(view)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        await shown(app, pilot, read_screen)
        view.problem = SessionFileError("somewhere.session: the file is damaged; copy it and start again")
        lines = await shown(app, pilot, read_screen)
        assert "Nothing is watched here: somewhere.session: the file is damaged" in lines[0]
        assert any("session unreadable" in line for line in lines[:3])
        view.problem = None
        assert "As expected" in (await shown(app, pilot, read_screen))[0]

        view.push(judge("transformer", 112.0, 60.0, flags=[Flag.TRIPPED]))
        await shown(app, pilot, read_screen)
        view.problem = SessionFileError("damaged")
        lines = await shown(app, pilot, read_screen)
        assert "Switch off now" in lines[0], "an alarm outlives an unreadable file"
        assert "ALARM transformer tripped" in lines[1]
        assert "session unreadable" in lines[2]


async def test_a_new_danger_rings_once(make_view, agree, judge, monkeypatch):
    rings = []
    monkeypatch.setattr(BenchmonApp, "bell", lambda _self: rings.append(1))
    view = make_view()
    agree(view)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        app.follow()
        assert not rings
        view.push(judge("transformer", 112.0, 60.0, flags=[Flag.TRIPPED]))
        app.follow()
        app.follow()
        await pilot.pause()
        assert len(rings) == 1


async def test_the_nearest_to_their_limits_stay_in_sight(make_view, judge, read_screen):
    limit = 'trip_above = "100 °C"'
    points = ["diode.temperature.case", "reservoir.temperature.case", "transformer.temperature", "load.temperature"]
    channels = [(f"probe {number:02}", points[number % 4], limit) for number in range(20)]
    view = make_view(channels)
    for number in range(20):
        view.push(judge(f"probe {number:02}", 99.0 if number == 19 else 30.0 + number))
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        lines = await shown(app, pilot, read_screen)
        assert any("probe 19" in line and "99.0 of 100 °C" in line for line in lines)
        assert any("the nearest to their limits" in line for line in lines)


async def test_arrows_move_the_cursor_again_once_a_tiny_terminal_has_grown(make_view, agree, read_screen):
    view = make_view()
    agree(view)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:

        async def marked():
            lines = await shown(app, pilot, read_screen)
            return [number for number, line in enumerate(lines) if line.startswith("›")]

        [before] = await marked()
        await pilot.resize_terminal(12, 4)
        await pilot.pause()
        await pilot.resize_terminal(80, 24)
        assert await marked() == [before]
        await pilot.press("down")
        [after] = await marked()
        assert after > before
