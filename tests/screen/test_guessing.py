"""With `run --guess` expected values are hidden until they have been guessed; what keeps a person safe always shows."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchmon.errors import BadInput
from benchmon.screen.app import BenchmonApp
from benchmon.screen.session_state import SessionState
from benchmon.session.records import RecorderState
from benchmon.watch.guess import GuessRequest, event_of_guess
from benchmon.watch.records import Event, Explanation, Explanations, Flag
from support.session_view import sees

SIZE = (140, 44)


@pytest.fixture
def bench(make_view, agree, judge):
    view = make_view()
    view.info = replace(view.info, is_guessed_first=True)
    agree(view, 10.0)
    view.push(judge("output voltage", 19.0, 24.7, time=10.0), judge("diode case", 112.0, 61.0, flags=[Flag.TRIPPED]))
    view.push(
        Event(10.0, "output voltage", "disagrees", "output voltage reads 19.00 V, expected 24.70 V (En 5): disagrees")
    )
    cause = Explanation(
        "open diode",
        0.9,
        "output voltage reads 77 % of the expected mean: open diode; look at it",
        (),
        "output voltage",
    )
    cause = replace(cause, advice="open diode; look at it")
    view.push(Explanations(10.0, (cause,)), Event(10.0, "", "cause", f"{cause.message} (90 % likely)"), now=10.0)
    return view


def _guessed(view, name, shows, read=None):
    channel = next(each for each in view.info.bench.channel if each.name == name)
    view.push(event_of_guess(GuessRequest(name, shows), channel, view.now, None, read))


async def test_a_value_is_hidden_in_every_view_until_it_is_guessed(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=SIZE) as pilot:
        text = await sees(app, pilot, read_screen, "guess it: g", "19.00", "open diode; look at it")
        assert "24.7" not in text
        assert "77 %" not in text
        await pilot.press("slash", *"output voltage", "enter", "down", "enter")
        text = await sees(app, pilot, read_screen, "hidden until it is guessed")
        assert "24.7" not in text
        await pilot.press("y")
        await sees(app, pilot, read_screen, "has not been guessed yet")
        await pilot.press("b")
        assert "24.7" not in await sees(app, pilot, read_screen, "output voltage  disagrees")
        await pilot.press("escape", "g")
        await sees(app, pilot, read_screen, "what will output voltage settle at?", "it reads 19.00 V now")
        await pilot.press(*"24 V", "enter", "escape")
        assert bench.requests == [GuessRequest("output voltage", "24 V")]
        _guessed(bench, "output voltage", "24 V", 19.0)
        app.follow()
        text = await sees(app, pilot, read_screen, "24.7 ± 1.0")
        await pilot.press("enter")
        text = await sees(app, pilot, read_screen, "24.00 V, typed at 0:00:10; 2.83 % below what is")
        await pilot.press("escape")
        await sees(app, pilot, read_screen, "24.7 ± 1.0")


def test_limits_alarms_and_verdicts_are_never_hidden(bench):
    state = SessionState(bench.info, live=True)
    state.update(bench.poll(), live=True)
    assert "diode case" in state.status_line.sentence
    assert "61" not in state.status_line.sentence
    assert [alarm.channel for alarm in state.alarms.standing] == ["diode case"]
    shown = state.channel("output voltage").shown
    assert (shown.verdict, shown.expected, shown.en) == ("disagrees", None, None)
    mains = state.channel("mains voltage").judgement
    assert mains.expected is not None, "the mains is given: there is nothing to guess"


def test_one_guess_shows_every_channel_of_its_quantity_and_the_end_shows_all(bench, judge):
    state = SessionState(bench.info, live=True)
    _guessed(bench, "output voltage", "30 V")
    state.update(bench.poll(), live=True)
    assert state.channel("output voltage").judgement.expected == 24.7
    assert state.channel("output ripple").judgement.expected is None
    bench.push(judge("output voltage", 19.0, 24.8, time=11.0), now=11.0)
    bench.state = RecorderState.FINISHED
    state.update(bench.poll(), live=False)
    assert state.channel("output ripple").judgement.expected is not None


def test_what_is_no_value_is_no_guess(bench):
    channel = bench.info.bench.channel[0]
    for shows in ("OL", "", "3 V", "nan K"):
        with pytest.raises(BadInput):
            event_of_guess(GuessRequest(channel.name, shows), channel, 0.0, None, None)
