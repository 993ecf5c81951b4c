"""Recording in this process: a real driver on a real socket, the real prediction, a real session file."""

import math
import threading

import pytest

from benchmon.bench import load_bench, read_bench
from benchmon.errors import BadInput, BenchFileError, RecorderError, SessionFileError
from benchmon.event_kinds import EventKind
from benchmon.recorder import record, recording, spawn_recorder, summary_text
from benchmon.recorder.summary import Tally
from benchmon.session.follower import open_session_view
from benchmon.session.records import RecorderState
from benchmon.session.requests import Note, StopRecording
from benchmon.watch.records import Event, Flag, Verdict
from support.live_recordings import live_recording, record_until
from support.waiting import until


def recorded(path):
    """Return everything that a session holds."""
    view = open_session_view(path)
    update = view.poll()
    assert update.state is RecorderState.FINISHED
    return update


def by_name(summary):
    return {channel.name: channel for channel in summary.channels}


def test_a_recording_from_socket_to_file(tmp_path, bench):
    path = tmp_path / "a.benchmon"
    with live_recording(bench, path) as live:
        assert live.view.live
        live.read(3)
    summary, update = live.summary, recorded(path)
    assert [file.name for file in tmp_path.iterdir()] == ["a.benchmon"]
    assert {judgement.channel for judgement in update.judgements} == {"line", "vout", "case"}
    kinds = [event.kind for event in update.events]
    assert (kinds[0], kinds[-1]) == ("started", "stopped")
    assert "connected" in kinds
    for channel in summary.channels:
        values = [j.value for j in update.judgements if j.channel == channel.name and j.value is not None]
        assert (channel.count, channel.last) == (len(values), values[-1])
        assert (channel.lowest, channel.highest) == (min(values), max(values))
        assert channel.count > 1
    assert (summary.event_count, summary.trips) == (len(update.events), ())


def test_readings_are_judged_at_the_measured_mains(tmp_path, bench, meter):
    # 9 % below nominal everywhere: right for this mains, far off for the nominal one.
    meter.line = lambda _: "m 209.3 v 14.70 t 41.5"
    with live_recording(bench, tmp_path / "a.benchmon") as live:
        live.until(lambda seen: seen.all_are(Verdict.AGREES, "line", "vout"))
    summary = by_name(live.summary)
    assert summary["vout"].expected == pytest.approx(14.7, abs=0.3)
    assert summary["line"].expected == pytest.approx(230.0, abs=1.0)
    assert summary["line"].verdict is Verdict.AGREES


def test_nothing_is_expected_before_the_mains_comes(tmp_path, bench, meter):
    meter.line = lambda _: "m 0.3 v 0.001 t 25.0"
    with live_recording(bench, tmp_path / "a.benchmon") as live:
        live.read(30)
    assert {judgement.verdict for judgement in recorded(tmp_path / "a.benchmon").judgements} == {Verdict.UNPREDICTED}


def test_a_trip_is_in_the_file_at_once_and_in_the_summary(tmp_path, bench, meter):
    meter.line = lambda number: f"m 230.0 v 15.0 t {95.0 if 20 <= number < 25 else 41.5}"
    summary = record_until(bench, tmp_path / "a.benchmon", lambda live: live.values(30, "case")[-1:] == [41.5])
    assert summary.trips == ("case",)
    assert Flag.TRIPPED in by_name(summary)["case"].flags
    assert "Tripped: case." in summary_text(summary)
    assert [event.kind for event in recorded(tmp_path / "a.benchmon").events].count("tripped") == 1


def test_a_meter_that_is_not_there_turns_stale_and_the_recording_goes_on(tmp_path, bench_text, meter):
    text = bench_text.replace(f"127.0.0.1:{meter.port}", "127.0.0.1:9")
    summary = record_until(read_bench(text), tmp_path / "a.benchmon", lambda live: live.kinds.count("stale") == 3)
    assert all(channel.flags == {Flag.STALE} and channel.count == 0 for channel in summary.channels)
    kinds = [event.kind for event in recorded(tmp_path / "a.benchmon").events]
    assert kinds.count("lost") == 1
    assert kinds.count("stale") == 3


def test_rubbish_from_the_wire_is_never_a_reading_nor_a_traceback(tmp_path, bench, meter):
    rubbish = ["m nan v inf t 1e999", "\x1b[2J", "m 230 v OL t --", "", "x" * 5000, *["m 230.0 v 15.0 t 41.5"] * 6]
    meter.line = lambda number: rubbish[number % len(rubbish)]
    summary = record_until(bench, tmp_path / "a.benchmon", lambda live: live.values(30, "case"))
    update = recorded(tmp_path / "a.benchmon")
    assert all(event.message.isprintable() for event in update.events)
    assert all(j.value is None or math.isinf(j.value) or j.value in (230.0, 15.0, 41.5) for j in update.judgements)
    assert by_name(summary)["case"].count > 0


def test_a_circuit_without_a_prediction_is_recorded_all_the_same(tmp_path, bench, monkeypatch):
    def fail(*_, **__):
        raise ZeroDivisionError("in the depths\n of a model")

    monkeypatch.setattr("benchmon.watch.expectation.OperatingPointPredictor", fail)
    summary = record_until(bench, tmp_path / "a.benchmon", lambda live: "prediction" in live.kinds and live.latest(3))
    assert {channel.verdict for channel in summary.channels} == {Verdict.UNPREDICTED}
    [event] = [event for event in recorded(tmp_path / "a.benchmon").events if event.kind == "prediction"]
    assert event.message == "no prediction: ZeroDivisionError: in the depths\\n of a model"


def test_a_prediction_that_takes_for_ever_delays_no_limit(tmp_path, bench, meter, monkeypatch):
    never = threading.Event()
    monkeypatch.setattr("benchmon.watch.expectation.OperatingPointPredictor", lambda *_, **__: never.wait(60))
    meter.line = lambda number: f"m 230.0 v 15.0 t {95.0 if 20 <= number < 25 else 41.5}"
    try:
        summary = record_until(bench, tmp_path / "a.benchmon", lambda live: "tripped" in live.kinds)
    finally:
        never.set()
    assert summary.trips == ("case",)
    assert {channel.verdict for channel in summary.channels} == {Verdict.UNPREDICTED}


def test_requests_are_noted_and_stop_ends_it(tmp_path, bench):
    path = tmp_path / "a.benchmon"
    ready = threading.Event()
    found = []
    thread = threading.Thread(target=lambda: found.append(record(bench, path, on_ready=ready.set)))
    thread.start()
    assert ready.wait(60)
    view = open_session_view(path)
    view.request(Note("fan on [b]now[/b]\x1b[31m"))
    notes = until(lambda: [event for event in view.poll().events if event.kind == "note"])
    assert notes[0].message == "fan on [b]now[/b]\\x1b[31m"
    view.request(StopRecording())
    thread.join(60)
    assert found[0].path == path
    assert until(lambda: view.poll().state is RecorderState.FINISHED)
    with pytest.raises(RecorderError):
        view.request(Note("too late"))


def test_an_unknown_driver_is_refused_before_anything_is_made(tmp_path, bench_text):
    text = bench_text.replace('"serial_lines"', '"telepathy"')
    with pytest.raises(BenchFileError, match="telepathy"):
        record(read_bench(text), tmp_path / "a.benchmon")
    assert list(tmp_path.iterdir()) == []


def test_an_existing_session_is_never_written_over(tmp_path, bench):
    record(bench, tmp_path / "a.benchmon", duration=0.1)
    before = (tmp_path / "a.benchmon").read_bytes()
    with pytest.raises(SessionFileError, match="is there already"):
        record(bench, tmp_path / "a.benchmon", duration=0.1)
    assert (tmp_path / "a.benchmon").read_bytes() == before


def test_a_fault_of_our_own_leaves_a_session_without_an_end(tmp_path, bench, monkeypatch):
    def fail(*_):
        raise RuntimeError("a fault")

    monkeypatch.setattr(recording.Watch, "tick", fail)
    with pytest.raises(RuntimeError):
        record(bench, tmp_path / "a.benchmon", duration=5.0)
    assert open_session_view(tmp_path / "a.benchmon").poll().state is not RecorderState.FINISHED


def test_the_summary_is_a_table(tmp_path, bench):
    text = summary_text(record_until(bench, tmp_path / "a.benchmon", lambda live: live.latest(1)))
    lines = text.splitlines()
    assert lines[0].split() == ["channel", "readings", "last", "lowest", "highest", "expected", "verdict"]
    assert [line.split()[0] for line in lines[1:4]] == ["line", "vout", "case"]
    assert "230.0 V" in lines[1]
    assert lines[-1].endswith("a.benchmon")


def test_the_summary_reports_mains_that_were_gone(tmp_path, bench):
    tally = Tally(bench)
    gone = Event(65.0, "line", EventKind.MAINS_GONE, "line fell from 230.1 V to 0.3 V: the mains is gone")
    back = Event(85.1, "line", EventKind.MAINS_BACK, "line is at 229.0 V again, after 20.1 s")
    tally.events([gone, Event(70.0, "", EventKind.NOTE, "dark"), back])
    lines = summary_text(tally.summary(tmp_path / "a.benchmon", 100.0)).splitlines()
    assert "mains gone at 0:01:05: line fell from 230.1 V to 0.3 V: the mains is gone" in lines
    assert "mains back at 0:01:25: line is at 229.0 V again, after 20.1 s" in lines


def test_a_refusal_of_a_driver_names_the_bench_file_and_its_line(tmp_path, bench_text):
    file = tmp_path / "my-bench.toml"
    file.write_text(bench_text.replace('group = "case"', 'grup = "case"'), encoding="utf-8")
    line = 1 + next(n for n, text in enumerate(file.read_text(encoding="utf-8").splitlines()) if "grup" in text)
    with pytest.raises(BenchFileError, match=rf"my-bench\.toml:{line}: channel\[3\]\.grup"):
        record(load_bench(file), tmp_path / "a.benchmon")
    with pytest.raises(BadInput, match=rf"my-bench\.toml:{line}: channel\[3\]\.grup"):
        spawn_recorder(file, tmp_path / "b.benchmon")
