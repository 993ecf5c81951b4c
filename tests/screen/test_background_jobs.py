"""What takes long runs in the background: it shows its progress, can be cancelled, and no key waits for it."""

import math
import os
import threading
import time
from dataclasses import replace

import pytest

from benchmon.prediction import monte_carlo as engine
from benchmon.prediction.monte_carlo import Distribution, MonteCarlo
from benchmon.screen import background_job
from benchmon.screen.app import BenchmonApp
from benchmon.screen.lines.details import detail_lines
from benchmon.screen.session_state import SessionState
from benchmon.screen.symbols import UNICODE
from benchmon.session.writer import SessionWriter

READINGS = 40


@pytest.fixture
def app(make_view, agree, judge, tmp_path):
    """A screen on a session whose file is there."""
    view = make_view()
    agree(view, 20.0)
    writer = SessionWriter(tmp_path / "evening.benchmon", view.info.bench, time.monotonic())
    for at in range(READINGS):
        writer.put(judge("output voltage", 24.0 + at / 100, 24.0, time=float(at)))
    writer.finish(float(READINGS))
    view.info = replace(view.info, path=str(tmp_path / "evening.benchmon"))
    return BenchmonApp(view)


async def shown(app, pilot, read_screen, words):
    """Look until `words` are shown; return the line they are in."""
    for _ in range(400):
        app.follow()
        await pilot.pause(0.02)
        for line in read_screen(app):
            if words in line:
                return line
    raise AssertionError(f"{words!r} never came:\n" + "\n".join(read_screen(app)))


async def test_the_readings_are_written_beside_the_screen(app, read_screen, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("d")
        await shown(app, pilot, read_screen, "evening.csv")
        await pilot.press("enter")
        assert "c cancels it" in await shown(app, pilot, read_screen, "Writing evening.csv")
        await shown(app, pilot, read_screen, f"{READINGS} readings in ")
        assert len((tmp_path / "evening.csv").read_text(encoding="utf-8").splitlines()) == 1 + READINGS
        # What cannot be written is explained in one line, and what is there stays.
        await pilot.press("d", "enter")
        await shown(app, pilot, read_screen, "is there already")


@pytest.fixture
def exporting(monkeypatch, tmp_path):
    """Return a function that starts an export whose process runs these lines of shell instead."""

    def start(*lines):
        program = tmp_path / "program"
        program.write_text("\n".join(("#!/bin/sh", *lines)), encoding="utf-8")
        program.chmod(0o755)
        monkeypatch.setattr(background_job.sys, "executable", str(program))
        return background_job.export("evening.benchmon", tmp_path / "evening.csv")

    return start


def until(happened):
    give_up = time.monotonic() + 30
    while not happened() and time.monotonic() < give_up:
        time.sleep(0.005)
    assert happened()


def test_how_far_an_export_has_come_is_read_from_its_lines(exporting, tmp_path):
    go_on = tmp_path / "go on"
    os.mkfifo(go_on)
    work = exporting("echo '{\"done\": 0.5}'", f"read line < '{go_on}'", "echo '{\"written\": 1234}'")
    until(lambda: "50 %" in work.in_words)
    go_on.write_text("on\n", encoding="utf-8")
    until(lambda: work.answer)
    assert work.answer == f"1234 readings in {tmp_path / 'evening.csv'}"


def test_an_export_that_is_cancelled_is_asked_to_end(exporting, tmp_path):
    work = exporting(
        f"trap 'touch \"{tmp_path}/cleared\"; exit 143' TERM", "echo '{\"done\": 0.25}'", "while :; do sleep 0.05; done"
    )
    until(lambda: "25 %" in work.in_words)
    work.cancel()
    until(lambda: work.answer)
    assert "cancelled, nothing was done" in work.answer
    assert (tmp_path / "cleared").exists()


def test_why_an_export_failed_is_shown(exporting):
    work = exporting("echo 'benchmon: evening.csv: the disk is full' >&2", "exit 2")
    until(lambda: work.answer)
    assert work.answer == "evening.csv: the disk is full"


async def test_supplies_are_drawn_while_keys_are_answered_and_can_be_cancelled(app, read_screen, monkeypatch):
    go_on = threading.Event()

    def slow(_bench, draws, *, mains_voltage, progress):
        assert draws == 10_000
        assert mains_voltage is None or mains_voltage > 0
        while not go_on.is_set():
            progress(0.34)
            time.sleep(0.001)
        spread = Distribution(24.11, 0.2, 23.7, 24.5, "V", 23.4, 24.6, COUNTS)
        return MonteCarlo({"output.voltage.mean": spread}, {}, 0)

    monkeypatch.setattr(engine, "monte_carlo", slow)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("u")
        assert "c cancels it" in await shown(app, pilot, read_screen, "34 %")
        await pilot.press("question_mark")
        await shown(app, pilot, read_screen, "no protective device")
        await shown(app, pilot, read_screen, "34 %")  # in every view
        await pilot.press("u")
        await shown(app, pilot, read_screen, "Please wait")
        await pilot.press("c")
        await shown(app, pilot, read_screen, "cancelled, nothing was done")
        assert app.state.distributions == {}
        await pilot.press("escape", "u")
        go_on.set()
        await shown(app, pilot, read_screen, "10,000 supplies were drawn")
        app.visible_screens()[0].action_find()
        await pilot.press(*"output vol", "enter", "enter")
        line = await shown(app, pilot, read_screen, "95 of 100")
        assert "mean 24.11 V, 95 of 100 from 23.70 V to 24.50 V" in line
        await pilot.press("end")
        await shown(app, pilot, read_screen, "how supplies within the tolerances spread")


COUNTS = (100, 1000, 2000, 2900, 2000, 1000, 600, 100, 100, 100, 50, 50)


@pytest.mark.parametrize(
    ("value", "mark", "words"),
    [
        # Of 10,000 supplies 1100 are below 23.6 V, and half of the 2000 between that and 23.7 V below its middle.
        (23.65, "  ↑", "this unit: 23.65 V, above 21 of 100 supplies"),
        (23.0, "◀", "this unit: 23.00 V, below all but 1 of 1000 supplies"),
        (25.0, " " * 11 + "▶", "this unit: 25.00 V, above all but 1 of 1000 supplies"),
    ],
)
def test_the_place_of_a_unit_among_the_supplies_is_drawn(make_view, judge, value, mark, words):
    state = SessionState(make_view().info)
    state.distributions = {"output.voltage.mean": Distribution(23.75, 0.2, 23.45, 24.45, "V", 23.4, 24.6, COUNTS)}
    channel = next(each for each in state.channels if each.channel.quantity == "output.voltage.mean")
    channel.update(judge(channel.channel.name, value, 24.0))
    lines = ["".join(cell.text for cell in line).rstrip() for line in detail_lines(channel, state, 80, UNICODE)]
    at = lines.index("  ├──┼──────┤")
    assert lines[at - 6] == "     █"
    assert lines[at - 1] == "  ▂██████▂▂▂▁▁"
    assert lines[at + 1 : at + 3] == [f"  {mark}", f"  {words}"]


async def test_why_shows_where_the_expected_value_comes_from(app, read_screen):
    async with app.run_test(size=(80, 60)) as pilot:
        app.visible_screens()[0].action_find()
        await pilot.press(*"output vol", "enter", "enter", "y")
        await shown(app, pilot, read_screen, "where the expected value comes from")
        await shown(app, pilot, read_screen, "By the handbook")
        assert list(app.state.derivations) == ["output.voltage.mean"]


async def test_nothing_at_work_is_nothing_to_cancel(app, read_screen):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("c")
        await shown(app, pilot, read_screen, "Nothing runs")


def test_supplies_drawn_are_those_of_the_engine(app):
    """Ten thousand of them, with progress from nothing on; the engine's own tests hold the numbers."""
    found, parts = {}, []
    work = background_job.run_monte_carlo(app.state.info.bench, None, found.update)
    give_up = time.monotonic() + 60
    while work.answer is None and time.monotonic() < give_up:
        parts.append(work.in_words)
        time.sleep(0.02)
    assert "10,000 supplies were drawn" in str(work.answer)
    assert any("%" in words for words in parts)
    spread = found["output.voltage.mean"]
    assert spread.low < spread.mean < spread.high
    assert math.isfinite(spread.deviation)
