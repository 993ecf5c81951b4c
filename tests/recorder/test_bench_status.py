"""The recorder works out the status of the bench once, and stores it for everybody."""

import sqlite3
from contextlib import closing

import pytest

from benchmon.bench import read_bench
from benchmon.recorder import spawn_recorder
from benchmon.recorder.storage_filter import StatusRecorder
from benchmon.screen.session_state import SessionState
from benchmon.session.follower import open_session_view
from benchmon.watch.records import Event, Flag
from benchmon.watch.status import Level, StatusFinding
from benchmon.watch.verdict import judgement_of
from support.live_recordings import record_until
from support.waiting import until


@pytest.fixture
def quiet_bench(bench_text):
    return read_bench(bench_text)


def hot(bench, at, value, *flags):
    return judgement_of(bench.channel[2], at, value, None, frozenset(flags))


def test_another_level_is_stored_at_once_and_all_else_four_times_a_second(quiet_bench):
    status = StatusRecorder(quiet_bench)
    assert status.look(0.0).level is Level.WAITING
    status.judgement(hot(quiet_bench, 0.01, 81.0, Flag.HOT))
    assert status.look(0.01).level is Level.CAUTION
    status.judgement(hot(quiet_bench, 0.05, 95.0, Flag.HOT, Flag.TRIPPED))
    assert status.look(0.05).level is Level.DANGER
    assert [status.look(at) for at in (0.1, 0.2, 0.29)] == [None] * 3
    confirmed = status.look(0.31)
    assert (confirmed.time, confirmed.until) == (0.05, 0.31)


def test_readings_that_move_are_stored_once_a_second(quiet_bench):
    status, stored = StatusRecorder(quiet_bench), []
    for number in range(200):
        at = number / 40
        status.judgement(hot(quiet_bench, at, 81.0 + 0.01 * number, Flag.HOT))
        stored.append(status.look(at))
    rows = {found.time for found in stored if found is not None}
    assert 4 <= len(rows) <= 6
    assert len([found for found in stored if found is not None]) <= 21


def test_an_event_makes_it_due(quiet_bench):
    status = StatusRecorder(quiet_bench)
    status.look(0.0)
    assert not status.is_due
    status.events([Event(0.1, "", "switch-off failed", "SWITCH OFF BY HAND")])
    assert status.is_due
    assert status.look(0.1).finding is StatusFinding.SWITCH_OFF_FAILED


def test_two_screens_show_the_same_level_at_the_same_moment(tmp_path, bench_text, meter):
    """A recorder of its own, a screen from its start and one that comes late: one status for both."""
    (tmp_path / "bench.toml").write_text(bench_text, encoding="utf-8")
    recorder = spawn_recorder(tmp_path / "bench.toml", tmp_path / "a.benchmon")
    early = open_session_view(recorder.path)
    first = SessionState(early.info)
    pairs = []

    def both_see(level):
        late = open_session_view(recorder.path, recent=0.2)
        second = SessionState(late.info)
        former, latter = early.poll(), late.poll()
        first.update(former, live=True)
        second.update(latter, live=True)
        # On a busy machine the recorder may seem to be gone, or its file out of reach, for one of the looks.
        alike = (former.state, former.trouble) == (latter.state, latter.trouble)
        if former.status is not None and former.status.is_the_same_as(latter.status) and alike:
            pairs.append((first.status_line, second.status_line))
            return pairs[-1][0].level is level
        return False

    try:
        until(lambda: both_see(Level.AS_EXPECTED))
        meter.line = lambda _: "m 230.0 v 15.0 t 95.0"
        until(lambda: both_see(Level.DANGER))
        meter.line = lambda _: "m 230.0 v 15.0 t 41.0"
        until(lambda: both_see(Level.DANGER) and "though" in first.status_line.sentence)
    finally:
        assert recorder.stop() == 1
    assert all(former == latter for former, latter in pairs)
    ended = open_session_view(recorder.path).poll().status
    assert (ended.state, ended.finding, ended.tripped) == ("finished", StatusFinding.TRIPPED, ("case",))


def test_a_trip_is_a_status_at_the_moment_of_its_event(tmp_path, bench, meter):
    meter.line = lambda number: f"m 230.0 v 15.0 t {95.0 if number >= 20 else 41.5}"
    summary = record_until(bench, tmp_path / "a.benchmon", lambda live: "tripped" in live.kinds)
    with closing(sqlite3.connect(tmp_path / "a.benchmon")) as connection:
        event = connection.execute("SELECT time FROM events WHERE kind = 'tripped'").fetchone()[0]
        since = "SELECT level FROM statuses WHERE time >= ? ORDER BY time LIMIT 1"
        level = connection.execute(since, (event,)).fetchone()[0]
        rows = connection.execute("SELECT count(*) FROM statuses").fetchone()[0]
    assert level == "danger"
    assert rows <= 4 * summary.duration + 6
    assert summary.status.state == "finished"
    assert summary.trips == ("case",)
