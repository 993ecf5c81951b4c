import sqlite3
import threading
import time
from contextlib import closing

import pytest

from benchmon.errors import RecorderError
from benchmon.session import recorder_lock
from benchmon.session.follower import open_session_view
from benchmon.session.records import Heartbeat, RecorderState, Request
from benchmon.session.requests import Note, StopRecording
from benchmon.session.writer import SessionWriter
from benchmon.watch.records import Event


@pytest.fixture
def writer(tmp_path, bench):
    """Return a writer of a session that runs."""
    writer = SessionWriter(tmp_path / "a.benchmon", bench, time.monotonic())
    yield writer
    writer.abandon()


def follow(view, until, seconds=60.0):
    """Poll until `until(updates)` or the time is up; return the updates."""
    updates, end = [], time.monotonic() + seconds
    while time.monotonic() < end:
        updates.append(view.poll())
        if until(updates):
            return updates
        time.sleep(0.01)
    raise AssertionError("it never came")


def judgements_of(updates):
    return [judgement for update in updates for judgement in update.judgements]


def test_followers_see_everything_in_order_while_it_is_written(tmp_path, writer, readings):
    put = readings(1500)
    seen = {}

    def look(name):
        view = open_session_view(tmp_path / "a.benchmon")
        seen[name] = judgements_of(follow(view, lambda updates: sum(len(u.judgements) for u in updates) >= len(put)))
        view.close()

    followers = [threading.Thread(target=look, args=(name,)) for name in "ab"]
    for follower in followers:
        follower.start()
    for number, judgement in enumerate(put):
        writer.put(judgement)
        if number % 300 == 0:
            writer.put(Event(judgement.time, "", "note", "a commit in between"))
    for follower in followers:
        follower.join(60)
    assert seen == {"a": put, "b": put}


def test_each_reading_can_be_seen_before_the_next_is_written(tmp_path, writer, readings):
    view = open_session_view(tmp_path / "a.benchmon")
    view.poll()
    for judgement in readings(10):
        writer.put(judgement)
        updates = follow(view, lambda updates: updates[-1].judgements)
        assert [seen for update in updates for seen in update.judgements] == [judgement]


def test_a_late_follower_gets_a_long_session_in_parts(tmp_path, record):
    put, events = record(tmp_path / "a.benchmon", 12_000)
    view = open_session_view(tmp_path / "a.benchmon")
    updates = follow(view, lambda updates: updates[-1].state is RecorderState.FINISHED)
    assert judgements_of(updates) == put
    assert [event for update in updates for event in update.events] == events
    assert max(len(update.judgements) for update in updates) < len(put)
    assert [update.now for update in updates] == sorted(update.now for update in updates)


def test_a_request_reaches_the_recorder_once(tmp_path, writer):
    view = open_session_view(tmp_path / "a.benchmon")
    assert view.live
    assert view.request(Note("fan on\x07")) == 1
    assert view.request(StopRecording()) == 2
    taken, end = [], time.monotonic() + 60
    while len(taken) < 2 and time.monotonic() < end:
        taken += writer.requests()
        time.sleep(0.01)
    assert taken == [Request("note", '{"text": "fan on\\\\x07"}', 1), Request("stop", "{}", 2)]
    assert writer.requests() == []


def test_nobody_is_asked_after_the_end(tmp_path, record):
    record(tmp_path / "a.benchmon")
    view = open_session_view(tmp_path / "a.benchmon")
    with pytest.raises(RecorderError, match="no recorder"):
        view.request(StopRecording())


def test_a_session_that_cannot_be_written_takes_no_request(tmp_path, writer):
    view = open_session_view(tmp_path / "a.benchmon")
    with closing(sqlite3.connect(tmp_path / "a.benchmon", isolation_level=None)) as greedy:
        greedy.execute("BEGIN IMMEDIATE")
        with pytest.raises(RecorderError, match="locked"):
            view.request(Note("anyone there?"))
    assert writer.requests() == []


def test_silence_of_two_seconds_is_a_recorder_gone(tmp_path, writer):
    view = open_session_view(tmp_path / "a.benchmon")
    for age, state in ((0.0, RecorderState.RECORDING), (1.5, RecorderState.RECORDING), (2.5, RecorderState.GONE)):
        writer.put(Heartbeat(5.0, time.monotonic() - age))
        updates = follow(view, lambda updates, wanted=state: updates[-1].now == 5.0 and updates[-1].state is wanted)
        assert updates[-1].state is state
    writer.put(Heartbeat(6.0, time.monotonic()))
    follow(view, lambda updates: updates[-1].state is RecorderState.RECORDING)


def test_a_heartbeat_of_another_boot_is_none():
    assert recorder_lock.is_beating(time.monotonic(), recorder_lock.boot())
    assert not recorder_lock.is_beating(time.monotonic(), "another boot")


def test_a_follower_in_no_hurry_does_not_keep_the_session_in_pieces(tmp_path, bench, readings):
    path = tmp_path / "a.benchmon"
    writer = SessionWriter(path, bench, time.monotonic())
    view = open_session_view(path)
    view.poll()
    for judgement in readings(50):
        writer.put(judgement)
    writer.finish(1.0)
    assert [file.name for file in tmp_path.iterdir()] == ["a.benchmon"]
    assert judgements_of([view.poll()]) == readings(50)


def test_what_a_recorder_left_beside_the_file_is_taken_in(tmp_path, bench, readings):
    path = tmp_path / "a.benchmon"
    writer = SessionWriter(path, bench, time.monotonic())
    holder = sqlite3.connect(path)
    holder.execute("SELECT count(*) FROM readings").fetchall()
    for judgement in readings(50):
        writer.put(judgement)
    writer.finish(1.0)
    assert len(list(tmp_path.iterdir())) == 3
    holder.close()
    view = open_session_view(path)
    assert judgements_of([view.poll()]) == readings(50)
    view.close()
    assert [file.name for file in tmp_path.iterdir()] == ["a.benchmon"]
