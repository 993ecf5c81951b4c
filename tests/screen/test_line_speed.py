"""How much is sent at once: what a line carries in a second, as far as that is known."""

from __future__ import annotations

import os
import pty

import pytest

from benchmon.screen.terminal.differential_driver import LineSpeed, assumed_speed


def test_a_quick_answer_raises_what_is_sent_at_once():
    line = LineSpeed()
    assert line.at_once == 300
    for second in range(4):
        line.note_sent(line.at_once, second)
        line.note_answer(second + 0.01)
    assert line.at_once > 10_000


def test_a_quick_answer_to_a_few_bytes_shows_nothing():
    line = LineSpeed()
    line.note_sent(20, 10.0)
    line.note_answer(10.0)
    assert line.at_once == 300


def test_a_quick_line_is_not_slow_because_an_answer_to_a_few_bytes_took_its_time():
    line = LineSpeed()
    line.note_sent(300, 10.0)
    line.note_answer(10.01)
    line.note_sent(5, 11.0)
    line.note_answer(11.5)
    assert line.at_once == 6000


def test_a_line_that_has_become_slow_gets_less():
    line = LineSpeed()
    line.note_sent(300, 10.0)
    line.note_answer(10.01)
    line.note_sent(6000, 11.0)
    line.note_answer(15.0)
    assert line.at_once == 1500
    line.note_sent(1500, 20.0)
    line.note_answer(120.0)
    assert line.at_once == 300, "a line is never taken for slower than the slowest that is assumed"


def test_a_silent_terminal_gets_what_the_assumed_line_carries():
    line = LineSpeed(300.0)
    line.note_sent(300, 10.0)
    line.note_answer(10.001)
    line.note_silence()
    line.note_sent(150, 20.0)
    assert line.at_once == 300
    assert line.seconds_busy(20.0) == 0.5
    assert line.seconds_busy(20.5) == 0.0


@pytest.mark.parametrize(("named", "speed"), [("", 300), ("9600", 960), ("nonsense", 300), ("-5", 300), ("1e6", 1e5)])
def test_the_speed_of_a_silent_terminal_can_be_named(monkeypatch, named, speed):
    leader, follower = pty.openpty()
    monkeypatch.setenv("BENCHMON_BAUD", named)
    try:
        assert assumed_speed(follower) == speed
    finally:
        os.close(leader)
        os.close(follower)
