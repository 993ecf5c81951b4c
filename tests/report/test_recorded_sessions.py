"""Sessions as arrays."""

import math

import numpy as np
import pytest

from benchmon.errors import BadInput, SessionFileError
from benchmon.report.session_reader import RecordedSession
from benchmon.watch.records import Event, Explanation, Explanations, Flag, Forecast, Verdict, Waveform


def test_readings_stand_beside_what_was_expected(write_session, expectations, benches):
    session = RecordedSession(write_session())
    found = session.readings("output")
    expected = expectations(benches["reservoir"], 230.0).quantities["output.voltage.mean"]
    assert found.times == pytest.approx(np.arange(60) / 2)
    assert found.values == pytest.approx(np.full(60, expected.value))
    assert found.expected == pytest.approx(found.values)
    assert found.expected_uncertainties == pytest.approx(np.full(60, expected.uncertainty))
    assert found.uncertainties == pytest.approx(0.001 * found.values + 0.01)
    assert found.en == pytest.approx(np.zeros(60))
    assert set(found.verdicts) == {Verdict.AGREES}
    assert session.counts()["output"] == {Verdict.AGREES: 60}


def test_a_part_of_the_time(write_session):
    session = RecordedSession(write_session(seconds=100))
    found = session.readings("output", since=20.0, until=30.0)
    assert (found.times[0], found.times[-1], len(found.times)) == (20.0, 29.5, 20)
    assert np.all(np.isfinite(found.expected))
    assert len(session.readings("output", since=500.0).times) == 0


def test_what_is_expected_changes_with_the_reading_it_changes_at(write_session):
    session = RecordedSession(write_session(seconds=20, off_at=10.0))
    found = session.readings("output")
    assert np.all(np.isfinite(found.expected[:20]))
    assert np.all(np.isnan(found.expected[20:]))
    assert found.verdicts[19:21] == [Verdict.AGREES, Verdict.UNPREDICTED]
    assert np.all(np.isnan(found.en[20:]))
    # Also where the looked-at part begins after the change.
    assert np.all(np.isnan(session.readings("output", since=15.0).expected))


def test_no_value_is_nan_and_over_range_infinite(write_session):
    def values(channel, now, value):
        if channel.name != "output":
            return value
        return None if now < 5 else math.inf if now < 10 else value

    found = RecordedSession(write_session(values=values)).readings("output")
    assert np.all(np.isnan(found.values[:10]))
    assert np.all(np.isinf(found.values[10:20]))
    assert Flag.OVERRANGE in found.flags[12]
    assert len(found.usable) == 40


def test_everything_else_that_a_session_shows(write_session):
    wave = Waveform("output", 5.0, np.arange(100) / 1e4, np.sin(np.arange(100.0)), "V")
    later = Waveform("output", 7.0, np.arange(100) / 1e4, np.cos(np.arange(100.0)), "V")
    more = [
        Event(3.0, "", "note", "smells of varnish"),
        Explanations(4.0, (Explanation("a diode is open", 0.9, "test each diode", ("output",)),)),
        Forecast("diode case", 5.0, "rising", 0.1, 80.0, 3.0, 60.0),
        wave,
        later,
    ]
    session = RecordedSession(write_session(more=more))
    assert [event.message for event in session.notes] == ["smells of varnish"]
    assert session.explanations[0].ranked[0].cause == "a diode is open"
    assert session.forecasts[0].final == 80.0
    assert [found.time for found in session.waveforms] == [7.0]
    assert session.waveforms[0].values == pytest.approx(later.values, abs=1e-6)
    assert session.identities["multimeter"].startswith("multimeter of nobody")
    assert session.facts["host"] == "bench-3"
    assert session.settings["instrument", "multimeter"] == '{"timeout": 1.0}'
    assert session.clock_jumps == ()
    assert len(session.sha256()) == len(session.bench_sha256()) == 64
    assert (session.duration, session.ended_well, session.is_recorded_still) == (30.0, True, False)
    assert len(session.trend("output", 10)) == 10


def test_an_unfinished_session_says_so(write_session):
    session = RecordedSession(write_session(ends=False))
    assert not session.ended_well
    assert not session.is_recorded_still
    assert session.duration == 30.0


def test_a_session_without_data(write_session):
    session = RecordedSession(write_session(seconds=0))
    assert len(session.readings("output").times) == 0
    assert session.counts()["output"] == {}
    assert session.trend("output") == ()


def test_unknown_channels_and_files_are_refused(write_session, tmp_path):
    session = RecordedSession(write_session())
    with pytest.raises(BadInput, match="it has output"):
        session.readings("nothing")
    with pytest.raises(SessionFileError):
        RecordedSession(tmp_path / "none.benchmon")
