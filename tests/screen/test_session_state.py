"""The state that the screen keeps of a session."""

from __future__ import annotations

import math

from benchmon.errors import SessionFileError
from benchmon.screen.session_state import SessionState
from benchmon.session.records import RecorderState, Update
from benchmon.watch.records import Event, Flag
from benchmon.watch.status import Level


def test_it_keeps_the_latest_of_each_channel(make_view, judge):
    state = SessionState(make_view().info)
    state.update(Update(1.0, RecorderState.RECORDING, (judge("transformer", 40.0, time=0.5),)), True)
    state.update(
        Update(
            2.0,
            RecorderState.RECORDING,
            (judge("transformer", 41.0, time=1.5), judge("output voltage", 24.0, time=1.6), judge("transformer", None)),
        ),
        True,
    )
    assert state.now == 2.0
    assert state.channel("transformer").value is None
    assert state.channel("output voltage").value == 24.0
    assert state.channel("nobody") is None


def test_a_channel_that_the_bench_does_not_have_is_left_out(make_view, judge):
    state = SessionState(make_view().info)
    state.update(Update(1.0, RecorderState.RECORDING, (judge("stranger", 1.0),)), True)
    assert len(state.channels) == 12
    assert state.status_line.level is Level.WAITING


def test_events_are_counted_and_only_the_latest_kept(make_view):
    state = SessionState(make_view().info)
    for batch in range(12):
        events = tuple(Event(float(batch), "", "note", f"{batch}-{number}") for number in range(500))
        state.update(Update(float(batch), RecorderState.RECORDING, (), events), True)
    assert state.events_seen == 6000
    assert len(state.events) == 5000
    assert state.events[-1].message == "11-499"


def test_points_are_in_the_order_of_the_vocabulary(make_view):
    assert SessionState(make_view().info).points == (
        "mains",
        "secondary",
        "diode",
        "reservoir",
        "output",
        "transformer",
        "load",
    )


def test_mains_are_reported_only_as_far_as_they_are_measured(make_view, judge):
    state = SessionState(make_view().info)
    for value, words in ((231.4, "mains 231.4 V"), (None, "mains not measured"), (math.inf, "mains not measured")):
        state.update(Update(1.0, RecorderState.RECORDING, (judge("mains voltage", value),)), True)
        assert state.mains_in_words == words
    assert SessionState(make_view([("out", "output.voltage.mean", "")]).info).mains_in_words == ""


def test_a_failure_makes_it_old_until_the_next_update(make_view, judge):
    state = SessionState(make_view().info)
    state.fail(str(SessionFileError("damaged")))
    assert state.old
    assert state.status_line.level is Level.BLIND
    assert "damaged" in state.status_line.sentence
    state.update(Update(1.0, RecorderState.RECORDING), True)
    assert not state.old

    state.update(Update(2.0, RecorderState.RECORDING, (judge("transformer", 120.0, flags=[Flag.TRIPPED]),)), True)
    state.fail("damaged")
    assert state.status_line.level is Level.DANGER
    assert state.old


def test_identities_are_gathered(make_view):
    state = SessionState(make_view().info)
    state.update(Update(1.0, RecorderState.RECORDING, identities={"a": "one"}), True)
    state.update(Update(2.0, RecorderState.RECORDING, identities={"b": "two"}), True)
    assert state.identities == {"a": "one", "b": "two"}
