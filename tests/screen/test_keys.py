"""Every key, every dialogue: and over all of them the head, so that no alarm is ever hidden."""

from __future__ import annotations

import numpy as np
import pytest
from textual import events

from benchmon.screen.app import BenchmonApp
from benchmon.screen.keys import MAIN
from benchmon.screen.lines.help import CAUTIONS, help_lines
from benchmon.screen.symbols import UNICODE
from benchmon.screen.views.dialogs import ExitChoice
from benchmon.session.requests import Note, StopRecording, SwitchPowerOff
from benchmon.watch.records import Event, Flag, Waveform

OPENERS = ["question_mark", "p", "b", "t", "w", "e", "enter", "n", "slash", "q"]


@pytest.fixture
def bench(make_view, agree):
    view = make_view()
    agree(view, 187.0)
    return view


def text(app, read_screen):
    return "\n".join(read_screen(app))


async def sees(pilot, read_screen, words):
    """Look until the screen shows `words`, for a bounded number of times."""
    for _ in range(60):
        if words in text(pilot.app, read_screen):
            return True
        await pilot.pause(0.05)
    return False


@pytest.mark.parametrize("size", [(80, 24), (50, 12)])
@pytest.mark.parametrize("key", OPENERS)
async def test_no_dialogue_hides_an_alarm(key, size, bench, judge, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=size) as pilot:
        await pilot.press(key)
        assert len(app.screen_stack) == 2
        assert "As expected" in read_screen(app)[0]
        bench.push(judge("transformer", 112.0, 60.0, flags=[Flag.TRIPPED]), now=188.0)
        app.follow()
        await pilot.pause()
        lines = read_screen(app)
        assert lines[0].startswith(" ✖ Switch off now: transformer is at 112.0 °C")
        assert any("0:03:08" in line for line in lines[:4])
        await pilot.press("escape")
        assert len(app.screen_stack) == 1
        assert "Switch off now" in read_screen(app)[0]


async def test_the_rows_go_on_behind_a_dialogue(bench, judge, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        for key in ("n", "q", "slash"):
            await pilot.press(key)
            bench.push(judge("mains voltage", 199.5, 24.0))
            app.follow()
            await pilot.pause()
            assert await sees(pilot, read_screen, "199.5 V")
            await pilot.press("escape")
            bench.push(judge("mains voltage", 24.1, 24.0))
            app.follow()


async def test_the_help_begins_with_keys_and_cautions_and_teaches_every_key(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("question_mark")
        first = text(app, read_screen)
        for word in ("Keys of the channels", "Enter", "no protective device", "Local rules", "earthed scope"):
            assert word in first
        seen = first
        for _ in range(8):
            await pilot.press("pagedown")
            seen += text(app, read_screen)
        for word in (
            "Hot parts",
            "agrees",
            "questionable",
            "disagrees",
            "unpredicted",
            "tripped",
            "stale",
            "write a note",
            "quit",
        ):
            assert word in seen
        await pilot.press("home")
        assert text(app, read_screen).split("\n")[2:] == first.split("\n")[2:]
        await pilot.press("escape")
        assert len(app.screen_stack) == 1
    assert any("isolating" in caution for caution in CAUTIONS)


async def test_the_help_names_every_key_of_the_footer(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(120, 60)) as pilot:
        await pilot.pause()
        hints = read_screen(app)[-1].rstrip()
        named = "a Seen p Plan b Big t Trend n Note e Events q Quit ? Help Enter Details / Find"
        assert hints == f" {named} Tab, arrows Move".strip()
        await pilot.press("question_mark")
        shown = text(app, read_screen)
        for key in ("Tab, arrows", "Enter", "Space", "Esc", *"oarptwben/q"):
            assert f"\n {key} " in shown


@pytest.mark.parametrize("stores_charge", [True, False])
def test_stored_charge_is_a_caution_only_where_something_stores_it(stores_charge):
    lines = help_lines(MAIN, 100, UNICODE, stores_charge=stores_charge)
    words = "".join(cell.text for line in lines for cell in line)
    assert ("Stored charge" in words) is stores_charge
    assert "no protective device" in words


@pytest.mark.parametrize(("key", "title"), [("p", "the plan"), ("t", "the trend"), ("e", "the events")])
async def test_the_help_begins_with_the_keys_of_the_open_view(bench, read_screen, key, title):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(key, "question_mark")
        assert await sees(pilot, read_screen, f"Keys of {title}")
        assert f"Keys of {title}" in "".join(read_screen(app)[2:4])


@pytest.mark.parametrize("width", [40, 60, 80, 200])
async def test_the_key_of_the_help_is_named_in_every_view(bench, read_screen, width):
    app = BenchmonApp(bench)
    async with app.run_test(size=(width, 24)) as pilot:
        for key in ("escape", "p", "b", "t", "w", "e", "question_mark"):
            await pilot.press(key)
            await pilot.pause()
            assert "? Help" in read_screen(app)[-1], key


@pytest.mark.parametrize(
    ("section", "hint"), [("", ""), ('[switch_off]\ninstrument = "bench meter"\ncommand = "OUTP OFF"\n', "o OFF")]
)
async def test_off_is_offered_where_something_switches_off(make_view, read_screen, section, hint):
    app = BenchmonApp(make_view(more=section))
    async with app.run_test(size=(120, 24)) as pilot:
        await pilot.pause()
        assert ("o OFF" in read_screen(app)[-1]) is bool(hint)


async def test_a_waveform_is_offered_once_there_is_one(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(120, 24)) as pilot:
        await pilot.pause()
        assert "w Wave" not in read_screen(app)[-1]
        bench.push(Waveform("mains current", 180.0, np.arange(3) / 1e3, np.ones(3), "A"))
        app.follow()
        await pilot.pause()
        assert "w Wave" in read_screen(app)[-1]


async def test_q_asks_in_every_view_what_becomes_of_the_recorder(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        for key in ("escape", "p", "b", "t", "w", "e", "question_mark"):
            await pilot.press(key, "q")
            assert await sees(pilot, read_screen, "leave the screen?"), key
            await pilot.press("escape")


async def test_a_note_keeps_the_time_of_its_first_key(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n")
        assert await sees(pilot, read_screen, "note at 0:03:07")
        bench.push(now=201.0)
        app.follow()
        await pilot.press(*"hum q?", "enter")
        assert bench.requests == [Note("[0:03:07] hum q?")]
        assert len(app.screen_stack) == 1


@pytest.mark.parametrize("keys", [["enter"], ["space", "enter"], ["x", "escape"]])
async def test_an_empty_or_dropped_note_is_none(keys, bench):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("n", *keys)
        assert bench.requests == []
        assert len(app.screen_stack) == 1


async def test_a_note_that_cannot_be_kept_is_shown(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        bench.deaf = True
        await pilot.press("n", "x", "enter")
        await pilot.pause()
        assert await sees(pilot, read_screen, "The note was not written: no recorder listens")
        bench.live = False
        await pilot.press("n")
        await pilot.pause()
        assert await sees(pilot, read_screen, "A note needs a running recorder")
        assert len(app.screen_stack) == 1


@pytest.mark.parametrize(
    ("keys", "choice", "requests"),
    [
        (["q", "k"], ExitChoice.RECORDER_GOES_ON, []),
        (["q", "enter"], ExitChoice.RECORDER_GOES_ON, []),
        (["q", "s"], ExitChoice.STOP_RECORDER, [StopRecording()]),
        (["ctrl+c", "k"], ExitChoice.RECORDER_GOES_ON, []),
        (["ctrl+q", "ctrl+q", "s"], ExitChoice.STOP_RECORDER, [StopRecording()]),
        (["n", "ctrl+c", "k"], ExitChoice.RECORDER_GOES_ON, []),
    ],
)
async def test_leaving_asks_what_becomes_of_the_recorder(keys, choice, requests, bench):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        for key in keys:
            assert app.return_value is None
            await pilot.press(key)
    assert app.return_value is choice
    assert bench.requests == requests


async def test_staying_stays(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("q")
        shown = text(app, read_screen)
        for words in ("keep recording", "stop recording", "stay", "switches nothing off"):
            assert words in shown
        await pilot.press("escape")
        assert app.is_running
        assert len(app.screen_stack) == 1
    assert bench.requests == []


async def test_a_stop_that_reaches_nobody_is_shown(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        bench.deaf = True
        await pilot.press("q", "s")
        await pilot.pause()
        assert await sees(pilot, read_screen, "cannot be stopped: no recorder listens")
        assert app.return_value is None


async def test_a_replay_ends_without_a_question(make_view):
    view = make_view(live=False)
    app = BenchmonApp(view)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("q")
    assert app.return_value is ExitChoice.NOTHING


async def test_events_scroll_and_stay_while_new_ones_come(bench, read_screen):
    bench.push(*(Event(float(second), "", "note", f"happening {second:03}") for second in range(200)))
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("e")
        assert await sees(pilot, read_screen, "happening 199")
        await pilot.press("home")
        before = read_screen(app)[3:]
        assert "happening 000" in before[0]
        bench.push(Event(300.0, "", "note", "happening late"))
        app.follow()
        await pilot.pause()
        after = read_screen(app)[3:]
        assert after == before
        await pilot.press("pagedown", "end")
        assert await sees(pilot, read_screen, "happening late")
        await pilot.press("escape")
        assert await sees(pilot, read_screen, "happening late"), "the panel below the rows follows too"


async def test_tab_goes_to_the_events_and_back(bench, read_screen):
    bench.push(*(Event(float(second), "", "note", f"happening {second:03}") for second in range(50)))
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert await sees(pilot, read_screen, "\n" + "›✓ mains voltage")
        await pilot.press("down")
        assert await sees(pilot, read_screen, "\n" + "›✓ mains current")
        await pilot.press("tab")
        assert await sees(pilot, read_screen, "\n" + "› events")
        await pilot.press("up", "up")
        assert await sees(pilot, read_screen, "2 newer lines below")
        await pilot.press("tab", "up")
        assert await sees(pilot, read_screen, "\n" + "›✓ mains voltage")


async def test_enter_shows_all_about_a_channel(bench, judge, read_screen):
    bench.push(
        judge("transformer", 62.3, 60.0, 4.0, 187.0),
        Event(3.0, "transformer", "hot", "transformer is at 91.0 °C, above its warning of 90.0 °C"),
        identities={"bench meter": "Simulated,Meter,7,1.0"},
    )
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("end", "up", "enter")
        shown = text(app, read_screen)
        for words in (
            "transformer.temperature",
            "62.3 ± 1.3 °C",
            "60.0 ± 4.0 °C",
            "+2.3 K",
            "warn above 90.0 °C",
            "switch off above 105.0 °C",
            "Simulated,Meter,7,1.0",
            "warning: transformer is at 91.0 °C",
        ):
            assert words in shown
        bench.push(judge("transformer", 63.9, 60.0, 4.0, 188.0))
        app.follow()
        await pilot.pause()
        assert await sees(pilot, read_screen, "63.9 ± ")


async def test_finding_narrows_the_rows_but_never_hides_an_alarm(bench, judge, read_screen):
    bench.push(judge("load resistor", 170.0, 170.0, flags=[Flag.HOT]))
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("slash", *"ripple")
        await pilot.pause()
        lines = read_screen(app)
        rows = [line for line in lines[3:12] if line[1] in "✓!"]
        assert [line[3:].split("  ")[0].strip() for line in rows] == [
            "reservoir ripple",
            "output ripple",
            "load resistor",
        ]
        await pilot.press("enter")
        assert await sees(pilot, read_screen, "found 3 of 12 for: ripple")
        await pilot.press("down", "enter")
        assert await sees(pilot, read_screen, "output.voltage.ac_rms")
        await pilot.press("escape", "escape")
        assert await sees(pilot, read_screen, "mains voltage")


async def test_finding_nothing_is_shown(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("slash", *"zzz", "enter", "down", "enter")
        assert await sees(pilot, read_screen, "found 0 of 12 for: zzz")
        assert len(app.screen_stack) == 1


async def test_keys_that_arrive_at_once_reach_what_the_first_of_them_opens(make_view, agree):
    """As over a slow line, or from fast fingers: no letter is lost, and none acts on the view behind."""
    view = make_view(more='[switch_off]\ninstrument = "bench meter"\n')
    agree(view, 60.0)
    app = BenchmonApp(view)

    async def typed(words):
        for letter in words:
            app.post_message(events.Key({"\r": "enter", "\x1b": "escape"}.get(letter, letter), letter))
        await settled(pilot)

    async def settled(pilot):
        while app._held or app._is_opening():
            await pilot.pause(0.01)
        await pilot.pause()

    async with app.run_test(size=(80, 24)) as pilot:
        await typed("nqbe smells of tar\r")
        [note] = view.requests
        assert note.text.partition("] ")[2] == "qbe smells of tar"
        await typed("oOFF\r")
        assert view.requests[-1] == SwitchPowerOff("by the operator")
        # A word typed at the wrong place leaves at most a question open: it does not stop the recorder.
        await typed("quiets")
        assert len(view.requests) == 2
        assert type(app.screen).__name__ == "ExitDialog"
        await typed("\x1b")
        await typed("oOF\x1bb")
        assert len(view.requests) == 2
        assert type(app.screen).__name__ == "LargeDigitsView"


async def test_a_notice_shows_its_remedy_and_what_is_cut_off_looks_cut_off(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        app.show_message("bench.toml:179: " + "the limits are out of order, " * 6 + "put them right")
        await pilot.pause()
        assert "put them right" in text(app, read_screen)
        app.show_message("word " * 100)
        await pilot.pause()
        assert read_screen(app)[22].rstrip().endswith("…")
