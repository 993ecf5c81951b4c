import time

import pytest

from benchmon.errors import RecorderError
from benchmon.session.records import Heartbeat, RecorderState
from benchmon.session.replay import ReplayView
from benchmon.session.requests import StopRecording
from benchmon.session.writer import SessionWriter


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


def test_a_fast_replay_yields_exactly_what_was_recorded(tmp_path, record):
    put, events = record(tmp_path / "a.benchmon", 8000)
    clock = Clock()
    view = ReplayView(tmp_path / "a.benchmon", speed=200.0, clock=clock)
    updates = [view.poll()]
    while updates[-1].state is RecorderState.RECORDING:
        clock.now += 0.1
        updates.append(view.poll())
        assert all(judgement.time <= updates[-1].now for judgement in updates[-1].judgements)
    assert [judgement for update in updates for judgement in update.judgements] == put
    assert [event for update in updates for event in update.events] == events
    assert len(updates) > 5
    assert updates[-1].state is RecorderState.FINISHED


def test_time_passes_as_fast_as_asked(tmp_path, record):
    record(tmp_path / "a.benchmon", 1000)
    clock = Clock()
    view = ReplayView(tmp_path / "a.benchmon", speed=2.0, clock=clock)
    assert view.poll().now == 0.0
    clock.now += 1.5
    assert view.poll().now == pytest.approx(3.0)
    clock.now -= 10
    assert view.poll().now == pytest.approx(3.0)
    view.speed = 0.0
    clock.now += 100
    paused = view.poll()
    assert (paused.now, paused.judgements) == (pytest.approx(3.0), ())


def test_readings_after_the_last_known_time_are_not_lost(tmp_path, record):
    put, _ = record(tmp_path / "a.benchmon", 100, end=0.5)
    clock = Clock()
    view = ReplayView(tmp_path / "a.benchmon", clock=clock)
    view.poll()
    clock.now += 0.5
    assert len(view.poll().judgements) + 2 == len(put)


def test_a_killed_recording_ends_as_gone(tmp_path, bench, readings):
    writer = SessionWriter(tmp_path / "a.benchmon", bench, time.monotonic())
    for judgement in readings(10):
        writer.put(judgement)
    writer.put(Heartbeat(0.1, time.monotonic() - 60))
    writer.abandon()
    view = ReplayView(tmp_path / "a.benchmon", speed=1e6)
    view.poll()
    assert view.poll().state is RecorderState.GONE
    view.close()


def test_nobody_can_be_asked(tmp_path, record):
    record(tmp_path / "a.benchmon")
    view = ReplayView(tmp_path / "a.benchmon")
    assert not view.live
    with pytest.raises(RecorderError, match="replay"):
        view.request(StopRecording())
