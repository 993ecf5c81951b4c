"""A request to switch off is followed until somebody has answered it; where nobody does, the screen says so."""

import pytest

from benchmon.screen.actions import UNHEARD, SwitchOffRequest
from benchmon.screen.app import BenchmonApp
from benchmon.session.requests import BY_SIGNAL, SwitchPowerOff
from benchmon.watch.records import Event, EventDetails
from benchmon.watch.status import Level


class Clock:
    now = 100.0

    def __call__(self):
        return self.now


def test_an_answer_in_time_needs_no_signal(make_view):
    view, clock = make_view(), Clock()
    request = SwitchOffRequest(view, 7, 60.0, clock)
    clock.now += 0.9
    request.follow([Event(60.2, "", "note", "in progress already", EventDetails(request=7))])
    clock.now += 5.0
    request.follow([])
    assert request.is_answered
    assert not request.is_unheard
    assert view.signals == []


def test_another_s_answer_and_an_earlier_switching_off_are_none(make_view):
    view, clock = make_view(), Clock()
    request = SwitchOffRequest(view, 7, 60.0, clock)
    request.follow([Event(60.2, "", "note", "x", EventDetails(request=6)), Event(59.0, "", "switching off", "x")])
    assert not request.is_answered


@pytest.mark.parametrize("kind", ["switching off", "power is back", "switched off", "switch-off failed"])
def test_what_became_of_an_earlier_command_is_no_answer(make_view, kind):
    view, clock = make_view(), Clock()
    request = SwitchOffRequest(view, 7, 60.0, clock)
    clock.now += 1.1
    request.follow([Event(60.2, "", kind, "line is at 230.0 V")])
    assert not request.is_answered
    assert view.signals == [SwitchPowerOff("by the operator")]


def test_a_signal_that_comes_while_it_is_switched_off_is_answered(make_view):
    view, clock = make_view(), Clock()
    request = SwitchOffRequest(view, None, 60.0, clock)
    request.follow([Event(60.2, "", "note", "that is in progress already", EventDetails(request=BY_SIGNAL))])
    assert request.is_answered


def test_without_an_answer_a_signal_follows_and_then_it_is_said(make_view):
    view, clock = make_view(), Clock()
    request = SwitchOffRequest(view, 7, 60.0, clock)
    clock.now += 1.1
    request.follow([])
    assert view.signals == [SwitchPowerOff("by the operator")]
    assert not request.is_unheard
    clock.now += 1.1
    request.follow([])
    assert request.is_unheard
    request.follow([Event(62.5, "", "switching off", "relay was commanded to switch off")])
    assert not request.is_unheard


def test_a_signal_that_could_not_be_sent_is_tried_again_and_said_until_it_is_answered(make_view):
    view, clock = make_view(), Clock()
    request = SwitchOffRequest(view, 7, 60.0, clock)
    view.deaf = True
    clock.now += 1.1
    request.follow([])
    assert request.is_unheard
    view.deaf = False
    request.follow([])
    request.follow([])
    assert len(view.signals) == 2
    assert request.is_unheard
    request.follow([Event(61.4, "", "switching off", "x", EventDetails(request=BY_SIGNAL))])
    assert request.is_answered


async def test_nobody_s_answer_is_the_first_line_of_the_screen(make_view, agree, read_screen):
    view = make_view(more='[switch_off]\ninstrument = "bench meter"\ncommand = "OUTP OFF"\n')
    agree(view, 60.0)
    app, clock = BenchmonApp(view), Clock()
    async with app.run_test(size=(120, 24)) as pilot:
        await pilot.pause()
        app.off_request = SwitchOffRequest(view, 1, 60.0, clock)
        for _ in range(3):
            clock.now += 1.1
            app.follow()
        await pilot.pause()
        assert UNHEARD in "\n".join(read_screen(app))
        assert app.state.status_line.level is Level.DANGER
        view.push(Event(62.5, "", "switching off", "relay was commanded to switch off"), now=63.0)
        app.follow()
        await pilot.pause()
        assert UNHEARD not in app.state.status_line.sentence
        assert app.off_request is None
