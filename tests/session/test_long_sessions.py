"""Hours of readings: trends from summaries agree with the readings, and a late screen starts with the recent past."""

import math
import random
import shutil
import sqlite3
import time
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.quantities import Expected
from benchmon.session.database import reading
from benchmon.session.encoder import ReadingSummaries
from benchmon.session.follower import open_session_view
from benchmon.session.replay import ReplayView
from benchmon.session.schema import SPANS
from benchmon.session.trends import first_reading_at
from benchmon.session.writer import SessionWriter
from benchmon.watch.records import Event, Flag
from benchmon.watch.verdict import judgement_of

HOURS = 2.0


@pytest.fixture(scope="module")
def long_session(tmp_path_factory, bench):
    """Two hours, a reading of `vout` every second and of `case` in the first half hour only; and what was put in."""
    path = tmp_path_factory.mktemp("long") / "long.benchmon"
    vout, case = bench.channel
    chance, put = random.Random(1), []
    writer = SessionWriter(path, bench, time.monotonic())
    for second in range(int(3600 * HOURS)):
        expected = Expected(15.0 if second < 6000 else 16.0, 0.2, "V")
        value = None if second % 97 == 0 else math.inf if second % 101 == 0 else 15 + chance.gauss(0, 0.1)
        put.append(judgement_of(vout, round(second + chance.uniform(0, 0.4), 6), value, expected))
        if second < 1800:
            put.append(judgement_of(case, second + 0.5, 20 + second / 100, Expected(30.0, 5.0, "°C")))
        elif second == 1800:
            put.append(judgement_of(case, second + 0.5, None, Expected(30.0, 5.0, "°C"), frozenset({Flag.STALE})))
    for judgement in put:
        writer.put(judgement)
    for number in range(6000):
        kind = "step begun" if number == 7 else "note"
        writer.put(Event(number * 1.0, "", kind, f"1 of 2: {number}"))
    writer.finish(3600 * HOURS)
    return path, put


def worked_out(put, channel, since, until, parts):
    """The trend from every reading."""
    width, found = (until - since) / parts, [[] for _ in range(parts)]
    for judgement in put:
        usable = judgement.value is not None and math.isfinite(judgement.value)
        if judgement.channel == channel and usable and since <= judgement.time < until:
            found[min(parts - 1, int((judgement.time - since) / width))].append(judgement.value)
    return found


@pytest.mark.parametrize("channel", ["vout", "case"])
@pytest.mark.parametrize(
    ("since", "until", "parts"), [(0, 7200, 24), (0, 7200, 720), (6000, 7200, 40), (7000, 7200, 50), (1795, 1805, 10)]
)
def test_a_trend_is_what_the_readings_are(long_session, channel, since, until, parts):
    path, put = long_session
    trend = open_session_view(path).trend(channel, since, until, parts)
    wanted = worked_out(put, channel, since, until, parts)
    assert len(trend) == parts
    assert trend[0].start == since
    assert trend[-1].end == pytest.approx(until)
    for part, values in zip(trend, wanted, strict=True):
        assert part.count == len(values)
        if values:
            assert (part.lowest, part.highest) == (min(values), max(values))
            assert part.mean == pytest.approx(math.fsum(values) / len(values))
        else:
            assert (part.lowest, part.highest, part.mean) == (None, None, None)


def test_a_trend_of_hours_needs_no_reading(long_session, tmp_path):
    path = shutil.copy(long_session[0], tmp_path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DELETE FROM readings WHERE time < 6000000000")
        connection.commit()
    whole = open_session_view(path).trend("vout", 0, 6000, 20)
    assert sum(part.count for part in whole) > 5800


def test_what_is_not_summed_up_yet_comes_from_the_readings(tmp_path, bench, readings):
    writer = SessionWriter(tmp_path / "a.benchmon", bench, time.monotonic())
    put = readings(2000)  # 26 s
    for judgement in put:
        writer.put(judgement)
    writer.put(Event(26.0, "", "note", "committed at once"))
    view = open_session_view(tmp_path / "a.benchmon")
    end = time.monotonic() + 60
    while not view.poll().events and time.monotonic() < end:
        time.sleep(0.01)
    trend = view.trend("vout", 0, 30, 3)
    assert [part.count for part in trend] == [len(values) for values in worked_out(put, "vout", 0, 30, 3)]
    writer.abandon()


@pytest.mark.parametrize("asked", [("nobody's", 0, 10, 5), ("vout", 10, 10, 5), ("vout", 0, 10, 0), ("vout", 5, 0, 3)])
def test_a_trend_of_nothing(long_session, asked):
    assert open_session_view(long_session[0]).trend(*asked) == ()


def test_a_replay_shows_nothing_of_its_future(long_session):
    now = [0.0]
    view = ReplayView(long_session[0], clock=lambda: now[0])
    view.poll()
    now[0] = 3000.0
    view.poll()
    trend = view.trend("vout", 0, 7200, 72)
    assert all(part.count for part in trend[:30])
    assert not any(part.count for part in trend[30:])


def test_a_late_screen_starts_with_the_recent_past_and_the_last_word_of_every_channel(long_session):
    path, put = long_session
    view = open_session_view(path, recent=120.0)
    update = view.poll()
    assert len(update.judgements) < 140
    last = {judgement.channel: judgement for judgement in put}
    got = {judgement.channel: judgement for judgement in update.judgements}
    assert got == last
    assert got["case"].flags == {Flag.STALE}
    assert got["vout"].expected == 16.0
    recent = [judgement for judgement in put if judgement.time > HOURS * 3600 - 100]
    assert list(update.judgements[-len(recent) :]) == recent
    assert (len(update.events), update.events_before) == (5001, 999)
    assert update.events[0].kind == "step begun", "how the plan stands is not forgotten, however long ago that was"
    assert view.poll().judgements == ()


def test_a_short_session_is_read_whole_whatever_is_called_recent(tmp_path, record):
    put, events = record(tmp_path / "a.benchmon", 500)
    update = open_session_view(tmp_path / "a.benchmon", recent=60.0).poll()
    assert (list(update.judgements), list(update.events), update.events_before) == (put, events, 0)


def test_readings_are_found_by_their_time(long_session):
    path, put = long_session
    with reading(path) as connection:
        for wanted in (0.0, 1.0, 1799.9, 3600.0, 7199.0, 1e6):
            found = first_reading_at(connection, wanted)
            assert abs(found - 1 - sum(judgement.time < wanted for judgement in put)) < 5


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE summaries SET count = 'x'",
        "UPDATE summaries SET lowest = x'00', mean = 'hot'",
        "UPDATE summaries SET last_reading = 9223372036854775807, from_reading = -9223372036854775807",
        "UPDATE summaries SET last_reading = 'x', from_reading = x'00'",
        "UPDATE summaries SET number = number + 4611686018427387904",
        "UPDATE readings SET time = 'noon'",
        "DELETE FROM readings",
    ],
)
def test_hostile_summaries_are_passed_over(tmp_path, long_session, statement):
    shutil.copy(long_session[0], tmp_path / "a.benchmon")
    with closing(sqlite3.connect(tmp_path / "a.benchmon", isolation_level=None)) as connection:
        connection.execute(statement)
    view = open_session_view(tmp_path / "a.benchmon", recent=30.0)
    view.poll()
    for parts in (1, 7, 100):
        assert len(view.trend("vout", 0, 260, parts)) == parts


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 2000), st.none() | st.floats(-1e6, 1e6) | st.just(math.inf), st.booleans()), max_size=80
    )
)
def test_every_reading_is_summed_up_once_or_came_too_late(put):
    summing, rows, kept = ReadingSummaries(), [], 0
    latest = -1
    for number, (at, value, tick) in enumerate(put, 1):
        kept += value is not None and math.isfinite(value) and at // SPANS[0] > latest
        rows += summing.add(1, at, value, number, None)
        latest = max(latest, at // SPANS[0] - 1)
        if tick:
            rows += summing.close(at)
    rows += summing.finish()
    fine = [row for row in rows if row[1] == SPANS[0]]
    assert len({row[2] for row in fine}) == len(fine), "no span is written twice"
    assert sum(row[3] for row in fine) <= kept
    in_order = sorted(put, key=lambda one: one[0])
    if in_order == put:
        assert sum(row[3] for row in fine) == sum(v is not None and math.isfinite(v) for _, v, _ in put)
