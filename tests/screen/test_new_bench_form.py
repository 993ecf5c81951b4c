"""The form of a new bench: back and forth, fields checked as they are left, what follows, meters that are read."""

from __future__ import annotations

import difflib
import os
import shutil
import subprocess
import sys
from pathlib import Path
from threading import Event

import pytest

from benchmon.bench import load_bench
from benchmon.instruments.connection_test import Tried
from benchmon.instruments.types import Port
from benchmon.new_bench import bench_maker
from benchmon.new_bench.bench_maker import BenchMaker
from benchmon.new_bench.preview import Consequence, Preview, previews_of
from benchmon.screen.new_bench import form
from benchmon.screen.new_bench.form import FormApp
from benchmon.screen.new_bench.form_lines import FormLayout, draw_form
from benchmon.screen.new_bench.form_state import ADD_METER, WRITE, AnswerState, FormState
from benchmon.screen.symbols import ASCII, UNICODE
from support.waiting import until

SNAPSHOTS = Path(__file__).parent / "snapshots"
FOLLOWS = Preview(
    readings=(Consequence("output", "22.5 ± 1.9 V"), Consequence("ripple p-p", "3.30 ± 0.83 V")),
    margins=(
        Consequence("capacitor 1 voltage", "42.0 V of 40.0 V, exceeded", is_problem=True),
        Consequence("transformer apparent power", "102 VA of 120 VA, 15 % left"),
    ),
    by_channel={"output voltage": "should read 22.5 ± 1.9 V"},
)


@pytest.fixture
def state(tmp_path):
    return FormState(BenchMaker(tmp_path / "mine.toml"))


def at(state, name):
    state.cursor = name
    return state


def shown(state, size=(80, 23), symbols=UNICODE):
    lines, _ = draw_form(state, FormLayout(*size), symbols)
    return "\n".join("".join(cell.text for cell in line).rstrip() for line in lines)


def test_what_cannot_be_holds_the_cursor_once_and_says_why(state):
    at(state, "transformer.regulation")
    assert not state.take("0.5")
    assert "0.5 % or 50 %" in state.message
    assert state.take("0.5"), "the second time one may go on and come back"
    assert state.state_of(state.asked.question("transformer.regulation")) is AnswerState.REFUSED
    assert "0.5 % or 50 %" in state.first_problem()
    assert state.cursor == "transformer.regulation"
    assert state.take("9 %")
    assert state.first_problem() == ""


def test_what_is_unusual_is_asked_back_and_kept_when_confirmed(state):
    at(state, "mains.voltage")
    assert not state.take("23")
    assert "23 V is unusual" in state.message
    assert state.take("23 V")
    assert state.maker.given["mains.voltage"] == "23 V"


def test_an_empty_field_gives_the_usual_value_which_enter_confirms(state):
    at(state, "mains.frequency")
    state.take("60")
    state.take("")
    assert state.asked["mains.frequency"] == "50 Hz"
    assert state.state_of(state.question) is AnswerState.USUAL
    before = state.maker.unconfirmed()
    state.confirm_usual()
    assert state.maker.unconfirmed() == before - 1


def test_one_goes_up_and_down_by_rows_and_groups(state):
    state.move(1)
    assert state.cursor == "mains.voltage"
    state.move_group(1)
    assert state.cursor == "rectifier.kind"
    state.move_group(-1)
    assert state.cursor == "mains.voltage"
    state.move(-9)
    assert state.cursor == "title"
    for _ in range(99):
        state.move(1)
    assert state.cursor == WRITE


@pytest.mark.parametrize("name", ["step.1.mains", "choke.1.inductance", "title"])
def test_steps_and_parts_of_the_filter_are_no_meters(state, name):
    state.cursor = name
    assert state.meter == 0


def test_meters_and_channels_come_and_go(state):
    at(state, ADD_METER).act()
    assert state.cursor == "meter.1.seen"
    at(state, "add channel 1").act()
    assert (state.cursor, state.meter) == ("channel.1.2.point", 1)
    state.remove_here()
    assert state.cursor == "meter.1.seen"
    assert "channel.1.2.point" not in state.asked.values
    state.remove_here()
    assert state.maker.meters == []
    at(state, "title").remove_here()
    assert "can be taken away" in state.message


def test_parts_of_a_filter_come_and_go(state):
    at(state, "filter.chain").take("other parts")
    for number, kind in enumerate(("choke", "capacitor", "resistor", "capacitor"), 1):
        at(state, f"part.{number}.kind").take(kind)
    assert state.asked["part.5.kind"] == "no more"
    at(state, "choke.1.inductance").remove_here()
    assert state.cursor == "part.1.kind"
    assert [part.kind for part in state.maker.bench().filter] == ["capacitor", "capacitor", "resistor", "capacitor"]
    at(state, "filter.esr").remove_here()
    assert "can be taken away" in state.message


def test_another_quantity_lets_an_accuracy_of_the_former_go(state):
    at(state, ADD_METER).act()
    at(state, "channel.1.1.accuracy").take("1 % + 10 mV")
    at(state, "channel.1.1.point").take("ambient")
    assert state.asked["channel.1.1.accuracy"] == "2 K"
    assert state.text_of("channel.1.1.accuracy") == "", "what is shown is what is written"
    assert state.state_of(state.asked.question("channel.1.1.accuracy")) is AnswerState.USUAL
    assert state.maker.problem() == ""


def test_a_reservoir_that_another_rectifier_needs_is_no_longer_none(state):
    at(state, "filter.capacitance").take("none")
    assert state.text_of("filter.capacitance") == "none"
    at(state, "rectifier.kind").take("full-wave doubler")
    assert state.asked["filter.capacitance"] == "4.7 mF"
    assert shown(at(state, "filter.capacitance"))
    at(state, "rectifier.kind").take("bridge")
    assert state.asked["filter.capacitance"] == "none"


def test_what_follows_is_what_the_prediction_and_the_check_find(tmp_path):
    maker = BenchMaker(tmp_path / "mine.toml")
    maker.add_meter()
    maker.answer("filter.voltage_rating", "16 V")
    *_, preview = previews_of(maker)
    assert preview.readings[0].name == "output"
    assert preview.by_channel["output voltage"] == f"should read {preview.readings[0].words}"
    assert preview.margins[0] == Consequence("capacitor 1 voltage", preview.margins[0].words, is_problem=True)
    assert "exceeded" in preview.margins[0].words
    maker.answer("meter.1.seen", "a LAN socket, and a table")
    maker.given["meter.1.address"] = "tcp://127.0.0.1:0"
    *_, preview = previews_of(maker)
    assert "127.0.0.1:0" in preview.problem
    assert preview.readings, "a meter that is not right yet does not keep the supply from being predicted"
    maker.answer("mains.distortion", "nowhere.csv")
    assert "nowhere.csv" in [*previews_of(maker)][-1].problem


@pytest.mark.parametrize("size", [(80, 23), (120, 35)], ids=lambda size: f"{size[0]}x{size[1]}")
def test_the_form_is_as_it_was_found_good(size, state):
    state.preview = FOLLOWS
    at(state, ADD_METER).act()
    state.tried[1] = [
        Tried("meter 1", "", ok=True, words="Acme,1,2"),
        Tried("meter 1", "out", ok=False, words="silent"),
    ]
    at(state, "mains.voltage").take("115")
    looks = []
    at(state, "transformer.regulation").take("0.5")
    looks.append(shown(state, size))
    at(state, "meter.1.seen").message = ""
    looks.append(shown(state, size))
    looks.append(shown(at(state, WRITE), size, ASCII))
    now = "\n\n".join(looks) + "\n"
    file = SNAPSHOTS / f"form-{size[0]}x{size[1]}.txt"
    if os.environ.get("BENCHMON_RENEW_SNAPSHOTS"):
        file.write_text(now, encoding="utf-8")
        pytest.skip(f"{file.name} renewed")
    then = file.read_text(encoding="utf-8")
    assert now == then, "\n".join(difflib.unified_diff(then.splitlines(), now.splitlines(), "found good", "now"))
    assert all(len(line) <= size[0] for line in now.splitlines())


@pytest.fixture
def app(tmp_path, monkeypatch):
    """Return the form, where nothing of this machine is spoken to and what follows is there at once."""
    monkeypatch.setattr(form, "previews_of", lambda _maker: [FOLLOWS])
    return FormApp(BenchMaker(tmp_path / "mine.toml"), lambda: [Port("scpi", "TCPIP::192.0.2.9::5025::SOCKET")])


async def test_a_bench_is_typed_in_a_meter_read_and_the_file_written(app, tmp_path, monkeypatch):
    seen = []

    def read(bench, drivers):
        seen.append((bench.instrument[0].address, [driver.name for driver in drivers]))
        return [Tried("meter 1", "output voltage", ok=True, value=22.5, unit="V")]

    monkeypatch.setattr(bench_maker, "try_instruments", read)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(*"my supply", "enter", *"115", "enter")
        assert app.state.cursor == "mains.frequency"
        app.state.cursor = ADD_METER
        app._show()
        await pilot.press("enter", "right", "enter")
        assert "LAN" in app.state.asked["meter.1.seen"]
        await pilot.press("down", "f4")
        await pilot.pause()
        await pilot.press("enter")
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert seen[-1] == ("TCPIP::192.0.2.9::5025::SOCKET", ["meter 1"])
        assert "output voltage: 22.50 V" in shown(app.state)
        await pilot.press("ctrl+s")
    assert app.return_value is True
    bench = load_bench(tmp_path / "mine.toml")
    assert (bench.title, bench.mains.voltage, bench.transformer.primary_voltage) == ("my supply", 115.0, 115.0)


async def test_a_choice_is_typed_by_its_first_words(app):
    async with app.run_test(size=(80, 24)) as pilot:
        app.maker.add_meter()
        app.state.refresh()
        app.state.cursor = "meter.1.seen"
        app._show()
        await pilot.press(*"a wide")
        assert "GPIB" in app.state.asked["meter.1.seen"]
        await pilot.press("i")
        assert app.state.asked["meter.1.seen"].startswith("it "), "what fits no more begins a new word"
        before = app.state.asked["meter.1.seen"]
        await pilot.press("i")
        assert app.state.asked["meter.1.seen"] != before, "the same letter goes to the next one"


async def test_a_choice_with_a_point_in_it_is_typed(app):
    async with app.run_test(size=(80, 24)) as pilot:
        app.maker.add_meter()
        app.maker.answer("channel.1.1.point", "mains")
        app.state.refresh()
        app.state.cursor = "channel.1.1.what"
        app._show()
        await pilot.press(*"power.ap")
        assert app.state.asked["channel.1.1.what"] == "power.apparent"


def test_a_meter_is_taken_away_at_the_second_time_of_asking(state):
    state.maker.add_meter()
    state.refresh()
    at(state, "remove meter 1").act()
    assert state.maker.meters == [1]
    assert "Enter again takes meter 1 away" in state.message
    state.move(-1)
    at(state, "remove meter 1").act()
    assert state.maker.meters == [1], "whoever went elsewhere is asked again"
    state.act()
    assert state.maker.meters == []


async def test_what_a_meter_showed_before_it_was_changed_is_not_shown(app, monkeypatch):
    asked, may_answer = [], Event()

    def read(bench, _):
        asked.append(bench.instrument[0].address)
        if len(asked) == 1:
            may_answer.wait(30)
        return [Tried("meter 1", "output voltage", ok=True, value=float(len(asked)), unit="V")]

    monkeypatch.setattr(bench_maker, "try_instruments", read)
    async with app.run_test(size=(80, 24)) as pilot:
        app.maker.add_meter()
        app.maker.answer("meter.1.seen", "a LAN socket, and SCPI")
        app.state.refresh()
        for host in ("192.0.2.1", "192.0.2.2"):
            app.state.cursor = "meter.1.address"
            app._show()
            app.field.value = f"TCPIP::{host}::5025::SOCKET"
            await pilot.press("enter")
        may_answer.set()
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert asked == ["TCPIP::192.0.2.1::5025::SOCKET", "TCPIP::192.0.2.2::5025::SOCKET"]
        assert "output voltage: 2.000 V" in shown(app.state)


async def test_keys_typed_in_one_go_take_effect_in_their_order(app):
    async with app.run_test(size=(80, 24)) as pilot:
        for key in (*"a supply", "enter", *"2300", "backspace", "down", "down", *"10 %", "up"):
            app.post_message(_key(key))
        await pilot.pause()
        await pilot.pause()
    assert app.maker.given == {"title": "a supply", "mains.voltage": "230 V", "mains.tolerance": "10 %"}


async def test_what_is_typed_replaces_an_answer_and_puts_a_refused_one_right(app):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("down", *"120", "enter", "up", *"115", "enter")
        assert app.maker.given["mains.voltage"] == "115 V"
        await pilot.press("up", "end", "backspace", "backspace", "backspace", "0", "enter")
        assert app.maker.given["mains.voltage"] == "110 V", "a part of it is changed where the cursor went there first"
        await pilot.press("enter", *"8", "enter", *" %", "enter")
        assert app.maker.given["mains.tolerance"] == "8 %", "the unit that was missing is typed behind it"


def _key(name):
    from textual import events  # noqa: PLC0415

    return events.Key(name if len(name) > 1 else _NAMES.get(name, name), name if len(name) == 1 else None)


_NAMES = {" ": "space", "%": "percent_sign"}


async def test_what_was_typed_in_a_row_that_was_left_is_no_answer_to_the_next(app, monkeypatch):
    previewed = []
    monkeypatch.setattr(form, "previews_of", lambda maker: previewed.append(dict(maker.given)) or [FOLLOWS])
    async with app.run_test(size=(80, 24)) as pilot:
        app.state.cursor = "mains.distortion"
        app._show()
        for key in ("c", "enter"):
            app.post_message(_key(key))
        await pilot.pause()
        await app.workers.wait_for_complete()
        await pilot.pause()
    assert app.state.cursor == "mains.distortion", "c is no distortion"
    assert all("rectifier.kind" not in given for given in previewed)


async def test_leaving_keeps_what_was_typed_for_a_draft(app):
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("down", *"120", "ctrl+c")
    assert app.return_value is False
    assert app.maker.given == {"mains.voltage": "120 V"}
    app.maker.keep_draft()
    assert app.maker.draft_path.exists()


def test_without_an_answer_there_is_no_draft(tmp_path):
    maker = BenchMaker(tmp_path / "mine.toml")
    maker.keep_draft()
    assert list(tmp_path.iterdir()) == []


async def test_a_serial_line_is_opened_only_by_a_key(app, monkeypatch):
    seen = []
    monkeypatch.setattr(bench_maker, "try_instruments", lambda bench, _: seen.append(bench.instrument[0].address) or [])
    async with app.run_test(size=(80, 24)) as pilot:
        app.maker.add_meter()
        app.maker.answer("meter.1.seen", "it sends lines of text by itself over a serial line, a number each")
        app.state.refresh()
        app.state.cursor = "meter.1.address"
        app._show()
        await pilot.press(*"/dev/ttyUSB7", "enter")
        await app.workers.wait_for_complete()
        assert seen == []
        await pilot.press("f5")
        await app.workers.wait_for_complete()
    assert seen == ["/dev/ttyUSB7"]


@pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed here; it is what shows the form")
def test_a_person_fills_the_form_in_a_terminal(tmp_path):
    tmux = ["tmux", "-S", str(tmp_path / "socket"), "-f", "/dev/null"]

    def do(*words):
        return subprocess.run([*tmux, *words], capture_output=True, text=True, timeout=60, check=False).stdout

    command = f"cd {tmp_path}; LC_ALL=C.UTF-8 {sys.executable} -m benchmon new mine.toml; read -r _"
    do("new-session", "-d", "-x", "80", "-y", "24", command)
    try:
        until(lambda: "what is on the bench" in do("capture-pane", "-p"))
        do("send-keys", "A supply", "Enter", "115", "Enter", "C-s")
        until(lambda: "mine.toml is written" in do("capture-pane", "-p"))
    finally:
        do("kill-server")
    bench = load_bench(tmp_path / "mine.toml")
    assert (bench.title, bench.mains.voltage) == ("A supply", 115.0)
