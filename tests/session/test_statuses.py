"""The status of the bench in a session file: what its recorder decided, for everybody who reads it."""

import math
import sqlite3
import time
from contextlib import closing
from dataclasses import replace

import pytest

from benchmon.event_kinds import AlarmKind
from benchmon.quantities import Expected
from benchmon.screen.session_state import SessionState
from benchmon.session.encodings import StatusReader
from benchmon.session.follower import open_session_view
from benchmon.session.records import RecorderState, Update
from benchmon.session.replay import ReplayView
from benchmon.session.writer import SessionWriter
from benchmon.watch.records import Event, Flag, Verdict
from benchmon.watch.status import Alarm, BenchStatus, Level, StatusFinding, StatusWatch, Subject
from benchmon.watch.status_wording import shown
from benchmon.watch.verdict import judgement_of
from support.layouts import as_layout

WARNED = BenchStatus(
    2.0,
    Level.CAUTION,
    StatusFinding.SURELY_HEADING,
    about=Subject("case", 85.0, 60.0, 3.0, is_hot=True, others=2),
    also=Subject("vout", math.inf),
    limit_at=42.0,
    surely=True,
    cause="a diode is shorted",
    agreeing=1,
    silent=1,
    known=2,
    switching=Event(1.0, "", "switching off", "relay was commanded"),
    alarms=(Alarm(AlarmKind.HOT, "case", 1.5, 85.0), Alarm(AlarmKind.NOT_WATCHED, "vout", 1.7)),
    until=2.0,
    not_agreeing={"vout": Verdict.QUESTIONABLE},
)
CALM = BenchStatus(1.0, Level.AS_EXPECTED, StatusFinding.AS_EXPECTED, agreeing=2, known=2, until=1.0)


@pytest.fixture
def write(tmp_path, bench):
    """Return a function that writes records into a session that ends at 10 s, and returns its path."""

    def records(*put):
        path = tmp_path / "a.benchmon"
        writer = SessionWriter(path, bench, time.monotonic())
        for record in put:
            writer.put(record)
        writer.finish(10.0)
        return path

    return records


def change(path, *statements):
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in statements:
            connection.execute(statement)


def status_at(path, at):
    play = ReplayView(path, 0.0, start=at)
    return play.poll().status


def test_a_status_comes_back_whole(write):
    path = write(WARNED)
    assert open_session_view(path).poll().status == WARNED


def test_a_replay_shows_the_status_that_was_in_force(write):
    ended = replace(CALM, time=9.0, until=9.0, state="finished", level=Level.ENDED, finding=StatusFinding.ENDED)
    path = write(CALM, replace(CALM, until=1.9), WARNED, ended)
    assert status_at(path, 0.5) is None
    assert status_at(path, 1.2) == status_at(path, 1.95) == replace(CALM, until=1.9)
    assert status_at(path, 2.0) == status_at(path, 8.9) == WARNED
    assert status_at(path, 99.0) == open_session_view(path).poll().status == ended


@pytest.mark.parametrize(
    ("verdicts", "in_the_row"),
    [({}, "agrees"), ({"vout": Verdict.DISAGREES}, "disagrees"), (None, "questionable")],
)
def test_a_row_shows_the_steady_verdict_that_the_recorder_decided(write, bench, verdicts, in_the_row):
    """A last digit outside the band is no other row; a session without steady verdicts shows each reading's own."""
    channel = next(one for one in bench.channel if one.name == "vout")
    spread = math.hypot(0.5, channel.accuracy.of(22.0))
    outside = judgement_of(channel, 1.0, 22.0 + 1.1 * spread, Expected(22.0, 0.5, channel.unit))
    view = open_session_view(write(outside, replace(CALM, not_agreeing=verdicts)))
    state = SessionState(view.info)
    state.update(view.poll(), live=False)
    row = state.channel("vout")
    assert (row.judgement.verdict, row.shown.verdict) == (Verdict.QUESTIONABLE, in_the_row)


def test_a_status_that_still_stands_takes_no_new_row(write):
    path = write(*(replace(CALM, until=1.0 + 0.25 * number) for number in range(20)))
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*), max(until) FROM statuses").fetchone() == (1, 5_750_000)


def test_every_reader_shows_what_the_recorder_decided_whatever_it_would_make_of_the_readings(write, bench):
    """Level, words and alarms are those of the status, in a screen, a late one and a replay, from other readings."""
    judged = [judgement_of(channel, 1.0 + 0.1 * at, 41.0, None) for channel in bench.channel for at in range(20)]
    path = write(*judged, WARNED)
    views = [open_session_view(path), open_session_view(path, recent=0.5), ReplayView(path, 0.0, start=5.0)]
    glances = []
    for view in views:
        state = SessionState(view.info)
        update = view.poll()
        state.update(replace(update, state=RecorderState.RECORDING, now=2.0), live=True)
        glances.append(state.status_line)
        assert [alarm.words for alarm in state.alarms.standing] == ["case past warning", "vout not watched"]
    assert glances[0] == glances[1] == glances[2] == shown(WARNED, bench, 2.0)
    assert glances[0].level is Level.CAUTION
    assert "will pass 90.0 °C in about 40 s" in glances[0].sentence


def test_an_old_session_has_its_status_derived_by_the_recorders_rules(write, bench):
    case = bench.channel[1]
    hot = judgement_of(case, 3.0, 95.0, None, frozenset({Flag.TRIPPED, Flag.HOT}))
    tripped = Event(3.0, "case", "tripped", "case is at 95.0 °C: tripped")
    watch = StatusWatch(bench)
    watch.judgement(hot)
    watch.events([tripped])
    path = write(hot, tripped)
    as_layout(path, 3)
    for view in (open_session_view(path), ReplayView(path, 0.0, start=11.0)):
        reader = StatusReader(bench)
        update = view.poll()
        assert update.status is None
        reader.take(update)
        assert reader.status == watch.at(update.now, "finished")
        assert reader.status.level is Level.DANGER
        assert reader.status.tripped == ("case",)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("level", "'splendid'"),
        ("status", "'{'"),
        ("status", "'[]'"),
        ("status", "x'00'"),
        ("status", """'{"finding": "no such", "state": "recording"}'"""),
        ("status", """'{"finding": "tripped", "state": "dancing"}'"""),
        ("time", "-1"),
    ],
)
def test_a_status_that_makes_no_sense_is_not_believed(write, column, value):
    path = write(WARNED)
    change(path, f"UPDATE statuses SET {column} = {value}")  # noqa: S608 - a test's own words
    assert open_session_view(path).poll().status is None


def test_parts_that_make_no_sense_are_left_out(write, bench):
    path = write(WARNED)
    seen = '{"finding": "tripped", "state": "recording", "about": {"channel": 3}, "alarms": [1, {"kind": "x"}]}'
    change(path, f"UPDATE statuses SET status = '{seen}'")  # noqa: S608 - a test's own words
    found = open_session_view(path).poll().status
    assert found == BenchStatus(2.0, Level.CAUTION, StatusFinding.TRIPPED, until=2.0)
    assert shown(found, bench).sentence == "Tripped"


def update(status, now, state=RecorderState.RECORDING):
    return Update(now, state, status=status)


def test_a_status_that_nothing_confirms_says_how_old_it_is(bench):
    reader = StatusReader(bench)
    reader.take(update(CALM, 1.5))
    assert reader.glance.sentence == shown(CALM, bench).sentence
    reader.take(update(CALM, 6.0))
    assert reader.glance.sentence == f"{shown(CALM, bench).sentence} (as it was 5 s ago)"
    reader.take(update(replace(CALM, until=6.0), 6.1))
    assert reader.glance.sentence == shown(CALM, bench).sentence


def test_what_a_recorder_cannot_say_of_itself_its_readers_add(bench):
    reader = StatusReader(bench)
    reader.take(update(WARNED, 9.0, RecorderState.GONE))
    assert reader.glance.level is Level.BLIND
    assert "recorder is gone" in reader.glance.sentence
    assert reader.status.alarms[0].kind is AlarmKind.RECORDER_GONE
    tripped = replace(WARNED, level=Level.DANGER, finding=StatusFinding.TRIPPED)
    reader.take(update(tripped, 9.0, RecorderState.GONE))
    assert reader.glance.level is Level.DANGER
    reader.take(update(CALM, 9.0, RecorderState.FINISHED))
    assert reader.glance.level is Level.ENDED
    assert "was not recorded" in reader.glance.sentence
