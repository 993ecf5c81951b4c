"""Explanations, forecasts, waves, settings and summaries beside the readings."""

import json
import math
import sqlite3
import time
from contextlib import closing

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.bench import read_bench
from benchmon.event_kinds import read_kind
from benchmon.session.encoder import description
from benchmon.session.encodings import PackedWaveform, pack, unpack
from benchmon.session.follower import open_session_view
from benchmon.session.records import Anchor, Identity, Settings
from benchmon.session.replay import ReplayView
from benchmon.session.writer import SessionWriter
from benchmon.watch.records import Event, EventDetails, Explanation, Explanations, Forecast, Waveform
from support.layouts import as_layout

REPORTED = [
    Explanations(1.0, (Explanation("nothing wrong", 0.9, "all is well"),)),
    Explanations(
        2.0,
        (
            Explanation("a diode is open", 0.8, "vout reads 0.5: look at D1", ("vout", "case"), "vout", "look at D1"),
            Explanation("other", 0.2, "–"),
        ),
    ),
    Forecast("case", 1.0, "rising", 0.05, None, None, 500.0, 300.0, math.inf),
    Forecast("case", 2.0, "steady", 0.0, 62.5, 0.8),
    Waveform("vout", 1.5, np.linspace(-0.02, 0.02, 2000), np.sin(np.arange(2000.0)).astype("f4").astype(float), "V"),
    Waveform("vout", 2.5, np.array([0.0, 0.1, 0.15, 0.9]), np.array([1.0, 2.0, -3.0, math.inf]), "V"),
]


@pytest.fixture
def session(tmp_path, bench, readings):
    """Return a session that holds all that, and some more."""
    path = tmp_path / "a.benchmon"
    writer = SessionWriter(path, bench, time.monotonic())
    for record in (*readings(200), *REPORTED):
        writer.put(record)
    writer.put(Identity("meter", "INVENTED", 0.5))
    writer.put(Identity("meter", "ANOTHER\x1b[2J", 1.5))
    writer.put(Settings("instrument", "meter", {"address": "COM3", "timeout": None, "retries": 1}))
    writer.put(Anchor(0.0, 10.0, 1.7e9, 0.0))
    writer.finish(3.0)
    return path


def change(path, *statements):
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in statements:
            connection.execute(statement)


def rows(path, query):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(query).fetchall()


def assert_same_wave(one, other):
    assert (one.channel, one.time, one.unit) == (other.channel, other.time, other.unit)
    np.testing.assert_allclose(one.times, other.times, atol=1e-6)
    np.testing.assert_array_equal(one.values, other.values)


def test_what_was_recorded_comes_out_live_and_in_a_replay(session):
    for view in (open_session_view(session), ReplayView(session, speed=1e9)):
        if isinstance(view, ReplayView):
            view.poll()
        update = view.poll()
        assert update.explanations == REPORTED[1]
        assert list(update.forecasts) == REPORTED[2:4]
        for found, put in zip(update.waveforms, REPORTED[4:], strict=True):
            assert_same_wave(found, put)
        after = view.poll()
        assert (after.explanations, after.forecasts, after.waveforms) == (None, (), ())


def test_a_replay_shows_each_thing_at_its_time(session):
    now = [0.0]
    view = ReplayView(session, clock=lambda: now[0])
    view.poll()
    now[0] = 1.2
    update = view.poll()
    assert (update.explanations, update.forecasts, update.waveforms) == (REPORTED[0], (REPORTED[2],), ())
    now[0] = 2.0
    assert [wave.time for wave in view.poll().waveforms] == [1.5]


def test_a_session_explains_itself_to_anyone_with_sql(session):
    assert rows(session, "SELECT time, identity FROM identities") == [
        (500000, "INVENTED"),
        (1500000, "ANOTHER\\x1b[2J"),
    ]
    [(shown,)] = rows(session, "SELECT settings FROM settings WHERE name = 'meter'")
    assert json.loads(shown) == {"address": "COM3", "timeout": None, "retries": 1}
    facts = dict(rows(session, "SELECT * FROM facts"))
    assert {"benchmon", "python", "sqlite", "host", "process", "numpy"} <= set(facts)
    assert rows(session, "SELECT time, wall FROM anchors") == [(0, 1.7e9)]


def test_it_shows_who_was_logged_in(bench, monkeypatch):
    monkeypatch.setenv("LOGNAME", "erika")
    facts = [row for statement, row in description(bench, 0.0, {}) if "INTO facts" in statement]
    assert ("user", "erika") in facts


def test_a_wave_is_kept_small(session):
    [(even, uneven)] = rows(session, "SELECT max(length(samples) + length(times)), min(step) FROM waveforms")
    assert even < 2000 * 4.2
    assert uneven == 0.0


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE explanations SET ranked = 'not json'",
        "UPDATE explanations SET ranked = '[[[[[[[[1]]]]]]]]'",
        "UPDATE explanations SET ranked = hex(zeroblob(300000))",
        'UPDATE explanations SET ranked = \'[["a", 7, "b", []]]\'',
        "UPDATE explanations SET ranked = x'00'",
        "UPDATE forecasts SET channel = 99",
        "UPDATE waveforms SET count = 199999",
        "UPDATE waveforms SET count = -1",
        "UPDATE waveforms SET count = 9223372036854775807",
        "UPDATE waveforms SET step = -1e-4, samples = x'00'",
        "UPDATE waveforms SET samples = zeroblob(3000000)",
        "UPDATE waveforms SET step = 9e999",
        "UPDATE waveforms SET first = 'x'",
    ],
)
def test_rows_that_make_no_sense_are_passed_over(session, statement):
    change(session, statement)
    update = open_session_view(session).poll()
    kind = statement.split()[1]
    shown = {"explanations": update.explanations, "forecasts": update.forecasts, "waveforms": update.waveforms}[kind]
    assert not shown
    assert update.judgements


def test_a_forecast_of_hostile_numbers_is_of_none(session):
    change(session, "UPDATE forecasts SET final = 'hot', rate = x'ff', latest = 'never', state = char(27) || '[2J'")
    forecast = open_session_view(session).poll().forecasts[0]
    assert (forecast.final, forecast.rate, forecast.latest) == (None, None, None)
    assert forecast.state.isprintable()


def test_a_session_of_the_first_layout_is_read_as_it_is(session):
    now = open_session_view(session).poll()
    as_layout(session, 1)
    before = session.read_bytes()
    view = open_session_view(session)
    update = view.poll()
    assert update.judgements == now.judgements
    assert (update.explanations, update.forecasts, update.waveforms) == (None, (), ())
    view.close()
    replay = ReplayView(session, speed=1e9)
    assert replay.poll().judgements + replay.poll().judgements == now.judgements
    assert session.read_bytes() == before


def test_the_facts_of_an_event_come_back_without_reading_its_words(tmp_path, bench):
    writer = SessionWriter(tmp_path / "a.benchmon", bench, time.monotonic())
    events = [
        Event(1.0, "", "note", "hm", EventDetails(request=7)),
        Event(2.0, "", "note", "request 8"),
        Event(3.0, "vout", "typed", "vout: 3 V", EventDetails(request=9)),
    ]
    for event in events:
        writer.put(event)
    writer.finish(4.0)
    assert list(open_session_view(tmp_path / "a.benchmon").poll().events) == events


@pytest.mark.parametrize("details", ["[]", "{", '{"request": "seven"}', '{"request": true}', "x" * 100_000])
def test_facts_without_sense_are_of_none(tmp_path, bench, details):
    writer = SessionWriter(tmp_path / "a.benchmon", bench, time.monotonic())
    writer.put(Event(1.0, "", "note", "hm", EventDetails(request=7)))
    writer.finish(4.0)
    change(tmp_path / "a.benchmon", f"UPDATE event_details SET details = '{details}'")  # noqa: S608
    assert open_session_view(tmp_path / "a.benchmon").poll().events == (Event(1.0, "", "note", "hm"),)


@given(
    values=st.lists(st.floats(width=32, allow_nan=False), min_size=2, max_size=300),
    step=st.floats(1e-9, 1e3),
    first=st.floats(-10, 10),
)
def test_a_wave_survives_packing(values, step, first):
    times = first + step * np.arange(len(values))
    if not np.all(np.diff(times) > 0):
        return
    found = unpack(pack(times, np.array(values)))
    assert found is not None
    np.testing.assert_array_equal(found[1], np.array(values))
    np.testing.assert_allclose(found[0], times, atol=2e-3 * step, rtol=1e-12)


def test_a_bomb_is_never_inflated():
    packed = pack(np.arange(3.0), np.arange(3.0))
    huge = pack(np.arange(200_000.0), np.zeros(200_000))
    assert len(huge.samples) < 5000
    assert unpack(PackedWaveform(3, 0.0, 1.0, b"", huge.samples)) is None
    assert unpack(PackedWaveform(4, 0.0, 1.0, b"", packed.samples)) is None


def test_a_wave_that_does_not_fit_together_is_refused():
    for times, values in ((np.zeros(3), np.zeros(4)), (np.zeros(1), np.zeros(1)), (np.zeros((2, 2)), np.zeros((2, 2)))):
        with pytest.raises(ValueError, match=r"fit together|samples"):
            Waveform("vout", 0.0, times, values, "V")


@pytest.mark.parametrize(
    ("kind", "message", "details"),
    [
        ("step done", "1 of 2: no load: at all: hum gone", EventDetails(step=1, note="hum gone")),
        ("step skipped", "2 of 2: renamed since: no time", EventDetails(step=2, note="no time")),
        ("plan stopped", "7 of 9: elsewhere", EventDetails(step=7)),
        ("switched off", "line fell from 756 mA to 0 A, 0.1 s after relay was commanded", EventDetails(seen_off=True)),
        ("switched off", "OK; no channel shows whether the power is gone, so look", EventDetails(seen_off=False)),
        ("note", "1 of 2: no load", None),
    ],
)
def test_events_of_layout_4_have_their_facts_from_their_words(tmp_path, bench, kind, message, details):
    path = tmp_path / "a.benchmon"
    steps = '[[step]]\nname = "no load: at all"\n[[step]]\nname = "load on"\n'
    writer = SessionWriter(path, read_bench(bench.source + steps), time.monotonic())
    writer.put(Event(1.0, "", read_kind(kind), message))
    writer.finish(2.0)
    as_layout(path, 4)
    assert [event.details for event in open_session_view(path).poll().events] == [details]
