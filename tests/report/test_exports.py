"""Exports: what is in them, that they can be read back, and that nothing in them does harm."""

import csv
import hashlib
import json
import math
import os
import pty
import re
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from benchmon.bench import read_bench
from benchmon.cli.main import commands
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.report import export as exports
from benchmon.report.escaping import csv_cell, for_markdown, for_page
from benchmon.report.export import export
from benchmon.report.export import rows as rows_out
from benchmon.report.logged_readings import read_readings
from benchmon.report.reevaluate import assess
from benchmon.report.session_reader import RecordedSession
from benchmon.session.records import BenchChange
from benchmon.watch.records import Event, EventDetails, Explanation, Explanations, Forecast, Waveform


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def odd(channel, now, value):
    """No value for a while, then over range."""
    if channel.name != "ripple":
        return value
    return None if now < 5 else -math.inf if now < 10 else value


def test_a_line_for_each_reading(write_session, tmp_path):
    session = RecordedSession(write_session(values=odd, off_at=20.0))
    count = export(session, tmp_path / "all.csv")
    rows = rows_of(tmp_path / "all.csv")
    assert count == len(rows) == 60 * 12 - 10
    first = rows[0]
    found = session.readings(first["channel"])
    assert float(first["value"]) == found.values[0]
    assert float(first["expected"]) == pytest.approx(found.expected[0], rel=1e-8)
    assert float(first["expected_uncertainty"]) == pytest.approx(found.expected_uncertainties[0], rel=1e-5)
    assert (first["unit"], first["quantity"], first["verdict"]) == ("V", "output.voltage.mean", "agrees")
    # The start is stored as a float of seconds: the last microsecond is a matter of rounding.
    apart = datetime.fromisoformat(first["time"]) - session.started
    assert abs(apart - timedelta(seconds=float(first["time_s"]))) <= timedelta(microseconds=1)
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", first["time"])
    assert [row["flags"] for row in rows if row["value"] == "-Inf"] == ["overrange"] * 10
    assert {row["expected"] for row in rows if float(row["time_s"]) >= 20 and row["channel"] == "output"} == {""}
    times = [row["time"] for row in rows]
    assert times == sorted(times)


def test_lines_are_the_same_however_many_are_written_at_once_and_past_midnight(write_session, tmp_path, monkeypatch):
    session = RecordedSession(write_session(values=odd, seconds=40, off_at=20.0))
    midnight = math.ceil(session.info.started / 86_400) * 86_400
    session.info = replace(session.info, started=midnight - 15.25)
    export(session, tmp_path / "whole.csv")
    monkeypatch.setattr(rows_out, "AT_ONCE", 7)
    export(session, tmp_path / "parts.csv")
    assert (tmp_path / "parts.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()
    rows = rows_of(tmp_path / "parts.csv")
    for row in rows:
        shown = datetime.fromisoformat(row["time"]).timestamp()
        assert shown == pytest.approx(session.info.started + float(row["time_s"]), abs=2e-6)
    assert len({row["time"][:10] for row in rows}) == 2
    for channel in ("output", "ripple"):
        found = session.readings(channel)
        expected = [float(row["expected"] or "nan") for row in rows if row["channel"] == channel]
        assert expected == pytest.approx(found.expected[~np.isnan(found.values)].tolist(), rel=1e-8, nan_ok=True)


def test_the_lines_of_a_few_readings(write_session, tmp_path):
    """Byte for byte, with a value over range, one that is missing, and a second that ends between two readings."""
    path = write_session(seconds=0)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE session SET started = 1704067199.5")
        connection.executemany(
            "INSERT INTO readings (id, channel, time, value, state) VALUES (?, ?, ?, ?, ?)",
            [
                (1, 1, 0, 22.1, 0),
                (2, 2, 499_999, 1e-9, 1),
                (3, 1, 500_000, None, 3),
                (4, 1, 1_000_001, -math.inf, 64),
                (5, 1, 1_499_999, 22.123456789012345, 2),
            ],
        )
        connection.executemany(
            "INSERT INTO expectations VALUES (?, ?, ?, ?)", [(1, 1, 22.0, 0.12345678), (5, 1, None, None)]
        )
    shares = []
    session = RecordedSession(path)
    assert export(session, tmp_path / "few.csv", progress=shares.append) == 4
    assert shares == [1.0]
    assert (tmp_path / "few.csv").read_bytes() == (
        b"time_s,time,channel,quantity,value,unit,expected,expected_uncertainty,verdict,flags,step,serial,operator\n"
        b"0.000000,2023-12-31T23:59:59.500000Z,output,output.voltage.mean,22.1,V,22.0,0.123457,agrees,,,,\n"
        b"0.499999,2023-12-31T23:59:59.999999Z,ripple,reservoir.voltage.ripple,1e-09,V,,,questionable,,,,\n"
        b"1.000001,2024-01-01T00:00:00.500001Z,output,output.voltage.mean,-Inf,V,22.0,0.123457,agrees,overrange,,,\n"
        b"1.499999,2024-01-01T00:00:00.999999Z,output,output.voltage.mean,22.123456789012344,V,,,disagrees,,,,\n"
    )


@pytest.mark.parametrize("name", ["all.csv", "all.json", "all.sqlite", "all.parquet"])
def test_how_much_is_done_rises_to_all(write_session, tmp_path, monkeypatch, name):
    monkeypatch.setattr(rows_out, "AT_ONCE", 100)
    shares = []
    export(RecordedSession(write_session()), tmp_path / name, progress=shares.append)
    assert shares == sorted(set(shares))
    assert len(shares) == 8
    assert shares[-1] == 1.0


@pytest.fixture
def stepped(write_session, benches):
    """Return a session of 30 s in which the second step began at 12.25 s, with its unit and operator."""
    more = [
        Event(4.0, "", EventKind.STEP_BEGUN, "1 of 3", EventDetails(step=1)),
        Event(12.25, "", EventKind.STEP_DONE, "1 of 3", EventDetails(step=1)),
        Event(12.25, "", EventKind.STEP_BEGUN, "2 of 3", EventDetails(step=2)),
    ]
    session = RecordedSession(write_session(more=more, values=odd))
    session.info = replace(session.info, serial="A-017", operator="=Åse, lab 2")
    return session, [step.name for step in benches["reservoir"].step]


def step_names(time, names):
    return "" if time < 4.0 else names[0] if time < 12.25 else names[1]


@pytest.mark.parametrize("wide", [False, True])
def test_each_line_has_the_step_the_unit_and_the_operator(stepped, tmp_path, wide):
    session, names = stepped
    export(session, tmp_path / "all.csv", wide=wide)
    rows = rows_of(tmp_path / "all.csv")
    assert {row["serial"] for row in rows} == {"A-017"}
    assert {row["operator"] for row in rows} == {"'=Åse, lab 2"}
    assert [row["step"] for row in rows] == [step_names(float(row["time_s"]), names) for row in rows]


def test_steps_in_other_formats(stepped, tmp_path):
    session, names = stepped
    for ending in ("json", "sqlite"):
        export(session, tmp_path / f"all.{ending}")
    spans = json.loads((tmp_path / "all.json").read_text())["steps"]
    assert [(one["name"], one["from_s"], one["until_s"]) for one in spans] == [
        (names[0], 4.0, 12.25),
        (names[1], 12.25, None),
    ]
    with closing(sqlite3.connect(tmp_path / "all.sqlite")) as found:
        assert found.execute("SELECT name, from_s, until_s FROM steps").fetchall() == [
            (names[0], 4.0, 12.25),
            (names[1], 12.25, None),
        ]
        assert ("operator", "=Åse, lab 2") in found.execute("SELECT name, text FROM session").fetchall()


def test_parquet_holds_what_the_lines_hold_with_units_as_metadata(stepped, tmp_path):
    session = stepped[0]
    count = export(session, tmp_path / "all.parquet")
    assert export(session, tmp_path / "all.csv") == count
    table = pq.read_table(tmp_path / "all.parquet")
    lines = rows_of(tmp_path / "all.csv")
    assert table.num_rows == count
    assert table.column_names == list(lines[0])
    rows = table.to_pylist()
    for row, line in zip(rows, lines, strict=True):
        assert row["time"] == datetime.fromisoformat(line["time"])
        assert (row["value"], row["time_s"]) == (float(line["value"]), float(line["time_s"]))
        for name in ("channel", "quantity", "unit", "verdict", "flags", "step", "serial"):
            assert row[name] == line[name]
    assert json.loads(table.schema.metadata[b"units"])["output"] == "V"
    assert json.loads(table.schema.metadata[b"benchmon"])["session"]["operator"] == "=Åse, lab 2"
    assert table.schema.field("time_s").metadata == {b"unit": b"s"}


def test_without_its_library_parquet_is_refused_in_one_line(write_session, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(BadInput, match=r"pip install '\.\[report\]'"):
        export(RecordedSession(write_session(seconds=3)), tmp_path / "all.parquet")
    assert not (tmp_path / "all.parquet").exists()


def test_assess_takes_an_export_back(write_session, tmp_path, benches):
    session = RecordedSession(write_session(spoil={"output.voltage.mean": 0.7}))
    export(session, tmp_path / "all.csv")
    bench = benches["reservoir"]
    answer = assess(bench, read_readings(tmp_path / "all.csv", [channel.name for channel in bench.channel]))
    assert set(answer["channels"]) == {channel.name for channel in bench.channel}
    assert answer["channels"]["output"]["verdict"] == "disagrees"
    assert answer["channels"]["output"]["value"] == session.readings("output").values[-1]


def test_a_column_for_each_channel(write_session, tmp_path):
    session = RecordedSession(write_session(values=odd, seconds=30))
    assert export(session, tmp_path / "wide.csv", wide=True, every=2.0) == 15
    rows = rows_of(tmp_path / "wide.csv")
    assert [float(row["time_s"]) for row in rows] == [2.0 * number for number in range(15)]
    assert list(rows[0])[:4] == ["time_s", "time", "output [V]", "ripple [V]"]
    assert "power factor" in rows[0]
    assert rows[0]["ripple [V]"] == ""
    assert float(rows[5]["output [V]"]) == session.readings("output").values[0]


@pytest.fixture
def edited(benches):
    """Return a bench whose multimeter is worse by its bench file, as edited while it was recorded."""
    source = benches["reservoir"].source
    return read_bench(source.replace('accuracy = "0.1 % + 10 mV"', 'accuracy = "2 % + 10 mV"'))


def sha256(text):
    return hashlib.sha256(text.encode()).hexdigest()


def test_one_object(write_session, tmp_path, edited):
    more = [
        BenchChange(2.5, edited),
        Event(3.0, "output", "note", 'he said "no"\n<b>'),
        Explanations(4.0, (Explanation("x", 0.9, "y", ("output",)),)),
        Forecast("diode case", 5.0, "rising", 0.1, 80.0, math.inf, None),
    ]
    session = RecordedSession(write_session(values=odd, more=more))
    assert export(session, tmp_path / "all.json") == 720
    found = json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))
    assert found["session"]["bench"] == session.bench.source
    assert found["benches"] == [
        {"from_s": 0.0, "sha256": sha256(session.bench.source), "bench": session.bench.source},
        {"from_s": 2.5, "sha256": sha256(edited.source), "bench": edited.source},
    ]
    assert len(found["readings"]) == 720
    first = dict(zip(found["columns"], found["readings"][0], strict=True))
    assert first["channel"] == "output"
    assert first["verdict"] == "agrees"
    ripple = [reading[2] for reading in found["readings"] if reading[1] == "ripple"]
    assert ripple[:20] == [None] * 20
    assert found["events"][1]["kind"] in {"no reading", "note"}
    assert found["explanations"][0]["ranked"][0]["likelihood"] == 0.9
    assert found["forecasts"][0]["uncertainty"] is None


def test_an_object_without_readings_is_one_too(write_session, tmp_path):
    export(RecordedSession(write_session(seconds=0)), tmp_path / "all.json")
    assert json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))["readings"] == []


def test_a_plain_database(write_session, tmp_path, edited):
    session = RecordedSession(write_session(values=odd, more=[BenchChange(2.5, edited), Event(3.0, "", "note", "hm")]))
    assert export(session, tmp_path / "all.sqlite") == 720
    with sqlite3.connect(tmp_path / "all.sqlite") as connection:
        mean = connection.execute("SELECT avg(value) FROM readings WHERE channel = 'output'").fetchone()[0]
        assert mean == pytest.approx(session.readings("output").values[0])
        assert connection.execute("SELECT count(*) FROM readings WHERE value IS NULL").fetchone()[0] == 10
        assert connection.execute("SELECT message FROM events WHERE kind = 'note'").fetchone()[0] == "hm"
        assert connection.execute("SELECT count(*) FROM channels").fetchone()[0] == 12
        kept = connection.execute("SELECT from_s, sha256, bench FROM benches ORDER BY from_s").fetchall()
        assert kept == [(at, sha256(one), one) for at, one in ((0.0, session.bench.source), (2.5, edited.source))]
        assert connection.execute("SELECT text FROM session WHERE name = 'title'").fetchone()[0] == session.bench.title
    connection.close()


def test_what_looks_like_a_formula_is_guarded_and_comes_back(write_session, tmp_path, hostile_bench):
    session = RecordedSession(write_session(bench=hostile_bench))
    export(session, tmp_path / "all.csv")
    export(session, tmp_path / "wide.csv", wide=True)
    for path in (tmp_path / "all.csv", tmp_path / "wide.csv"):
        with path.open(encoding="utf-8", newline="") as lines:
            for number, row in enumerate(csv.reader(lines)):
                for cell in row:
                    assert not cell.startswith(("=", "@", "+", "\t", "\r")) or number < 0, cell
                    assert "\x1b" not in cell
    names = [channel.name for channel in hostile_bench.channel]
    back = {one.channel for one in read_readings(tmp_path / "all.csv", names)}
    assert back == set(names)


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("-2", "'-2"),
        ('a"b', '"a""b"'),
        ("a,b", '"a,b"'),
        ("=a,b", '"\'=a,b"'),
        ("@x\n\x1b[2J", "'@x\\n\\x1b[2J"),
    ],
)
def test_cells(text, cell):
    assert csv_cell(text) == cell


def test_page_and_markdown_texts_mark_nothing_up():
    hostile = '<img src=x onerror="alert(1)"> & [a](javascript:b) | `c` \x1b[31m'
    assert not set("<>\"'\x1b") & set(for_page(hostile))
    marked = for_markdown(hostile)
    for sign in "<[]|`&":
        assert marked.count(sign) == marked.count("\\" + sign)


class TestFiles:
    def run(self, *arguments):
        return CliRunner().invoke(commands, ["export", *map(str, arguments)], standalone_mode=False)

    def test_the_command_says_what_it_wrote(self, write_session, tmp_path):
        done = self.run(write_session(), "-o", tmp_path / "all.csv")
        assert done.return_value == 0
        assert "720 readings in" in done.output

    def test_how_far_it_is_can_be_printed_for_another_program(self, write_session, tmp_path):
        done = self.run(write_session(), "-o", tmp_path / "all.csv", "--progress")
        *progress, last = [json.loads(line) for line in done.output.splitlines()]
        assert progress == [{"done": 1.0}]
        assert last == {"written": 720}

    def test_a_file_that_is_there_is_refused_unless_forced(self, write_session, tmp_path):
        session, out = write_session(), tmp_path / "all.csv"
        out.write_text("mine")
        refused = self.run(session, "-o", out)
        assert isinstance(refused.exception, BadInput)
        assert "--force" in str(refused.exception)
        assert out.read_text() == "mine"
        assert self.run(session, "-o", out, "--force").return_value == 0
        assert out.read_text().startswith("time_s,")

    @pytest.mark.parametrize(
        ("name", "reason"),
        [("all.xls", "ends in"), ("none/all.csv", "folder is not there"), ("folder.csv", "is a folder")],
    )
    def test_places_that_cannot_be_written(self, write_session, tmp_path, name, reason):
        (tmp_path / "folder.csv").mkdir()
        before = sorted(tmp_path.iterdir())
        refused = self.run(session := write_session(), "-o", tmp_path / name, "--force")
        assert isinstance(refused.exception, BadInput)
        assert reason in str(refused.exception)
        assert sorted(tmp_path.iterdir()) == sorted([*before, session])

    @pytest.mark.parametrize("command", ["export", "report", "compare"])
    def test_a_session_without_readings_is_refused_in_one_line(self, write_session, tmp_path, command):
        session, out = write_session(seconds=0), tmp_path / ("all.csv" if command == "export" else "all.html")
        refused = CliRunner().invoke(commands, [command, str(session), "-o", str(out)], standalone_mode=False)
        assert isinstance(refused.exception, BadInput)
        assert "holds no readings" in str(refused.exception)
        assert not out.exists()

    def test_the_session_itself_is_never_written_over(self, write_session, tmp_path):
        session = write_session("it.sqlite")
        before = session.read_bytes()
        refused = self.run(session, "-o", session, "--force")
        assert "the session itself" in str(refused.exception)
        (tmp_path / "link.sqlite").hardlink_to(session)
        assert "the session itself" in str(self.run(session, "-o", tmp_path / "link.sqlite", "--force").exception)
        assert session.read_bytes() == before

    @pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
    def test_a_read_only_folder(self, write_session, tmp_path):
        folder = tmp_path / "closed"
        folder.mkdir(mode=0o555)
        assert "cannot be written" in str(self.run(write_session(), "-o", folder / "all.csv").exception)

    def test_a_failure_on_the_way_leaves_nothing(self, write_session, tmp_path, monkeypatch):
        def fails(_session, path, _progress):
            path.write_text("half")
            raise OSError(28, "No space left on device")

        monkeypatch.setitem(exports.ENDINGS, ".csv", fails)
        session = write_session()
        with pytest.raises(BadInput, match="No space left"):
            export(RecordedSession(session), tmp_path / "all.csv")
        assert list(tmp_path.iterdir()) == [session]

    @pytest.mark.parametrize("arguments", [["--every", "5s"], ["--wide", "--every", "0s"]])
    def test_options_that_do_not_fit(self, write_session, tmp_path, arguments):
        assert isinstance(self.run(write_session(), "-o", tmp_path / "a.csv", *arguments).exception, BadInput)

    def test_wide_is_for_csv(self, write_session, tmp_path):
        assert "only CSV" in str(self.run(write_session(), "-o", tmp_path / "a.json", "--wide").exception)

    @pytest.mark.parametrize("ended_by", [signal.SIGTERM, signal.SIGHUP])
    def test_an_export_that_is_killed_leaves_nothing(self, write_session, lengthen, tmp_path, ended_by):
        """A signal in the midst of it: neither the file nor a half of it stays."""
        session = lengthen(write_session(), 500)
        folder = tmp_path / "out"
        folder.mkdir()
        command = [sys.executable, "-m", "benchmon", "export", str(session), "-o", str(folder / "all.csv")]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        give_up = time.monotonic() + 60
        while not list(folder.iterdir()) and process.poll() is None and time.monotonic() < give_up:
            time.sleep(0.001)
        process.send_signal(ended_by)
        status = process.wait(60)
        left = [path.name for path in folder.iterdir()]
        assert (status, left) in [(128 + ended_by, []), (0, ["all.csv"])]

    @pytest.mark.parametrize(("answer", "written"), [("y", True), ("n", False)])
    def test_a_person_at_a_terminal_is_asked(self, write_session, tmp_path, answer, written):
        session, out = write_session(seconds=5), tmp_path / "all.csv"
        out.write_text("mine")
        ours, theirs = pty.openpty()
        command = [sys.executable, "-m", "benchmon", "export", str(session), "-o", str(out)]
        process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs)
        os.close(theirs)
        said, give_up = b"", time.monotonic() + 30
        while b"Overwrite it?" not in said and time.monotonic() < give_up:
            said += os.read(ours, 1000)
        os.write(ours, f"{answer}\n".encode())
        assert process.wait(60) == (0 if written else 2)
        os.close(ours)
        assert (out.read_text() != "mine") is written


def test_captured_waves_are_exported(write_session, tmp_path):
    moments = np.arange(200) / 5e3
    waves = [Waveform("output", at, moments, at + np.sin(314.159 * moments), "V") for at in (3.0, 9.0)]
    session = RecordedSession(write_session(more=waves))
    export(session, tmp_path / "all.json")
    (shown,) = json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))["waveforms"]
    assert (shown["time_s"], shown["channel"], shown["unit"]) == (9.0, "output", "V")
    assert shown["times_s"] == pytest.approx(moments, abs=1e-9)
    assert shown["values"] == pytest.approx(waves[1].values, rel=1e-6)
    export(session, tmp_path / "all.sqlite")
    with closing(sqlite3.connect(tmp_path / "all.sqlite")) as file:
        rows = file.execute("SELECT time_s, channel, unit, sample_s, value FROM waveforms").fetchall()
    assert [row[:3] for row in rows] == [(9.0, "output", "V")] * 200
    assert [row[4] for row in rows] == pytest.approx(waves[1].values, rel=1e-6)
    assert session.waveforms_until(8.0)[0].time == 3.0
