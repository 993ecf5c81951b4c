"""Reports: what is in them, what they say is missing, and that no text in them does anything."""

import base64
import importlib
import re
import sqlite3
import sys
from contextlib import closing
from dataclasses import replace
from html.parser import HTMLParser
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner
from markdown_it import MarkdownIt

from benchmon.bench import read_bench
from benchmon.cli.main import commands
from benchmon.errors import BadInput, SessionFileError
from benchmon.event_kinds import EventKind
from benchmon.prediction.ratings.check import check
from benchmon.quantities import format_value
from benchmon.report import figures
from benchmon.report.document import Table
from benchmon.report.evaluation import find
from benchmon.report.sections.certificate import certificate_sections
from benchmon.report.sections.events import explanations_section
from benchmon.report.sections.report import report
from benchmon.report.sections.result import measured_margins, summary
from benchmon.report.session_reader import RecordedSession
from benchmon.session.records import BenchChange
from benchmon.watch.guess import GuessRequest, event_of_guess
from benchmon.watch.records import Event, EventDetails, Explanation, Explanations, Forecast, Verdict, Waveform
from support.written_sessions import SILENT

VOID = {"meta", "img", "br", "hr"}


class Page(HTMLParser):
    """A page taken apart: its tags, attributes and text; tags must close as they opened."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.words, self._open = [], [], [], []
        self.feed(text)
        assert not self._open

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += [(tag, *pair) for pair in attributes]
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag):
        assert self._open.pop() == tag

    def handle_data(self, data):
        if not self._open or self._open[-1] != "style":
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


@pytest.fixture
def without_pictures(monkeypatch):
    """Draw nothing, as where matplotlib is missing: drawing takes most of a report's time."""
    monkeypatch.setattr(figures, "can_draw", lambda: False)


def page_of(session, tmp_path, name="report.html"):
    report(RecordedSession(session), tmp_path / name)
    return Page((tmp_path / name).read_text(encoding="utf-8"))


def full(waves=True):
    """Return records of all that a session can tell."""
    time = np.arange(2000) / 50e3
    seen = [
        Event(1.0, "", "step begun", "1 of 3: switch on", EventDetails(step=1)),
        Event(15.0, "", "step done", "1 of 3: switch on: hum is normal", EventDetails(step=1, note="hum is normal")),
        Event(15.0, "", "step begun", "2 of 3: warm up", EventDetails(step=2)),
        Event(20.0, "", "step skipped", "2 of 3: warm up: no time", EventDetails(step=2, note="no time")),
        Event(21.0, "", "note", "[0:21] smell of varnish"),
        Event(22.0, "multimeter", "complaint", "undefined header"),
        Explanations(16.0, (Explanation("an old cause", 1.0, "gone by then"),)),
        Explanations(18.0, (Explanation("a diode is open", 0.87, "test each diode", ("output",)),)),
        Forecast("diode case", 25.0, "rising", 0.1, 81.5, 3.0, 240.0),
    ]
    if waves:
        amperes = 2.5 * np.sin(2 * np.pi * 50 * time) + 3.5 * np.sin(6 * np.pi * 50 * time)
        seen += [
            Waveform("mains current", 23.0, time, amperes, "A"),
            Waveform("output", 24.0, time, 22 + 0 * time, "V"),
        ]
    return seen


def test_everything_is_in_it_and_is_so_again(write_session, tmp_path, solved):
    session = write_session(more=full(), spoil={"reservoir.voltage.ripple": 1.7})
    # What is solved again is the same to the last digit only from the same beginning.
    solved.clear()
    page = page_of(session, tmp_path)
    text, recorded = page.text, RecordedSession(session)
    for words in (
        "Conveyor supply, 22 V 3.5 A",
        "11 of 12 channels agree with the prediction, but not ripple (disagrees)",
        "multimeter of nobody, serial 1",
        "0.1 % + 10.0 mV",
        "hum is normal",
        "no time",
        "smell of varnish",
        "undefined header",
        "a diode is open",
        "87 %",
        "81.5 ± 3.0 °C",
        "in about 4 min",
        "diode mean current",
        "above the limit in order 3",
        "the wave is flat",
        recorded.sha256(),
        recorded.bench_sha256(),
        "host bench-3",
        "Mains voltage kills",
        "reviewed by, date",
        'rated_voltage = "18 V"',
    ):
        assert words in text, words
    at_the_end, _, before = text.partition("Causes of how the channels read")[2].partition("that stood before")
    assert "test each diode" in at_the_end
    assert "gone by then" not in at_the_end
    # It stood from one explanation to the next.
    assert "0:00:16 0:00:18 over 99 % an old cause – gone by then" in before
    drawn = [base64.b64decode(value.rpartition(",")[2]) for _, name, value in page.attributes if name == "src"]
    assert len(drawn) == 3
    assert all(svg.startswith(b"<?xml") and b"<script" not in svg for svg in drawn)
    solved.clear()
    report(recorded, tmp_path / "again.html")
    assert (tmp_path / "again.html").read_bytes() == (tmp_path / "report.html").read_bytes()


@pytest.mark.usefixtures("without_pictures")
def test_what_was_wrong_for_a_time_is_said_first(write_session, tmp_path):
    def sagging(channel, now, value):
        return 0.7 * value if channel.name == "output" and 5 <= now < 8 else value

    causes = [
        Explanations(6.0, (Explanation("a diode is open", 0.9, "test it", ("output",)),)),
        Explanations(7.0, (Explanation("a diode is open", 0.97, "test it", ("output",)),)),
        Explanations(9.0, (Explanation("nothing wrong", 1.0, "it agrees"),)),
        Explanations(12.0, ()),
    ]
    text = page_of(write_session(values=sagging, more=causes), tmp_path).text
    result = text.partition("Result")[2].partition("Measured and expected")[0]
    assert "All 12 channels that could be compared agree" in result
    assert "Some disagreed earlier in the test: output (6 of 60 readings)" in result
    seen = text.partition("No cause stood at the end of the test")[2].partition("Steps")[0]
    assert "0:00:06 0:00:09 97 % a diode is open output test it" in seen
    assert "nothing wrong" not in seen


@pytest.mark.usefixtures("without_pictures")
def test_a_bench_file_edited_while_it_was_recorded_holds_from_then_on(write_session, tmp_path, benches):
    bench = benches["reservoir"]
    before = next(channel for channel in bench.channel if channel.name == "output")
    accuracy = 'accuracy = "0.1 % + 10 mV"'
    assert accuracy in bench.source
    edited = read_bench(bench.source.replace(accuracy, 'accuracy = "2 % + 10 mV"'))
    path = write_session(spoil={before.quantity: 1.02}, more=[BenchChange(15.0, edited)])
    session = RecordedSession(path)
    readings = session.readings("output")
    assert readings.channel.accuracy.relative == pytest.approx(0.02)
    relative = (readings.uncertainties - 0.01) / readings.values
    assert relative == pytest.approx(np.where(readings.times < 15.0, 0.001, 0.02))
    assert session.readings("output", until=10.0).channel.accuracy.relative == pytest.approx(0.001)
    found = find(session).of(before.quantity)
    spread = np.hypot(0.02 * found.value + 0.01, found.expected.uncertainty)
    # ISO 13528: the difference over both expanded uncertainties together.
    assert found.en == pytest.approx((found.value - found.expected.value) / spread, rel=1e-3)
    text = page_of(path, tmp_path).text
    assert "In force from 0:00:15, as edited" in text
    assert text.count("accuracy = ") == 2 * bench.source.count("accuracy = ")


@pytest.mark.usefixtures("without_pictures")
def test_it_says_what_was_not_measured(write_session, tmp_path):
    def values(channel, now, value):
        return None if channel.name == "diode case" and now > 10 else value

    text = page_of(write_session(values=values, more=full(waves=False)), tmp_path).text
    part = text.partition("Not measured")[2]
    for words in (
        "output.voltage.rms",
        "diode case gave no usable reading",
        "warm up (skipped)",
        "endurance (ahead)",
        "No waveform was captured",
        "Insulation",
    ):
        assert words in part, words
    assert "Without a reading at the end of the test: diode case" in text


def test_values_are_means_of_the_powered_end(write_session, expectations, benches):
    def noisy(_channel, now, value):
        return value * (1 + 0.001 * (-1) ** round(2 * now)) if now < 20 else value

    found = find(RecordedSession(write_session(off_at=20.0, mains=236.0, values=noisy)))
    expected = expectations(benches["reservoir"], 236.0).quantities
    output = found.of("output.voltage.mean")
    assert (found.window.is_powered, found.window.until) == (True, pytest.approx(19.5, abs=1e-3))
    assert output.value == pytest.approx(expected["output.voltage.mean"].value, rel=1e-4)
    assert output.verdict is Verdict.AGREES
    assert found.mains == pytest.approx(expected["mains.voltage.rms"].value, rel=1e-3)
    assert found.prediction.mains_voltage == pytest.approx(found.mains, rel=1e-3)
    scatter = 0.001 * output.value
    assert output.uncertainty == pytest.approx(
        np.hypot(0.001 * output.value + 0.01, 2 * scatter / np.sqrt(20)), rel=0.03
    )


def test_the_end_of_a_short_powered_time_is_found_and_nothing_before_it_counted(write_session):
    """Summaries of ten seconds may stand in another part than the reading they hold; before power nothing is judged."""

    def switched(channel, now, value):
        return value if 5.5 <= now < 10.4 or channel.unit == "°C" else 0.0

    found = find(RecordedSession(write_session(seconds=32.9, values=switched, rate=10.0)))
    assert found.window.until == pytest.approx(10.3, abs=1e-3)
    assert found.window.since == pytest.approx(6.5, abs=1e-3)
    assert found.of("output.voltage.mean").verdict is Verdict.AGREES


def test_the_window_does_not_reach_back_over_a_step(write_session):
    more = [
        Event(1.0, "", "step begun", "1 of 3: switch on", EventDetails(step=1)),
        Event(25.0, "", "step begun", "2 of 3: warm up", EventDetails(step=2)),
    ]
    found = find(RecordedSession(write_session(more=more)))
    assert found.window.since == 25.0


@pytest.mark.usefixtures("without_pictures")
def test_each_step_has_what_was_measured_and_expected_at_its_own_end(write_session, tmp_path):
    def sagging(channel, now, value):
        return value * 0.8 if now >= 15.2 and channel.name == "output" else value

    more = [
        Event(1.2, "", "step begun", "1 of 3: switch on", EventDetails(step=1)),
        Event(15.2, "", "step done", "1 of 3: switch on", EventDetails(step=1)),
        Event(15.2, "", "step begun", "2 of 3: warm up", EventDetails(step=2)),
        Event(20.2, "", "step skipped", "2 of 3: warm up: no time", EventDetails(step=2, note="no time")),
    ]
    session = write_session(more=more, values=sagging)
    found = find(RecordedSession(session))
    first, second = found.steps
    assert (first.place, first.window.since, first.window.until) == (
        1,
        pytest.approx(5.0, abs=1e-3),
        pytest.approx(15.0, abs=1e-3),
    )
    assert (second.place, second.window.since, second.window.until) == (2, 15.2, pytest.approx(20.0, abs=1e-3))
    then, later = (next(one for one in step.channels if one.channel.name == "output") for step in found.steps)
    assert then.verdict is Verdict.AGREES
    assert later.verdict is Verdict.DISAGREES
    assert later.value == pytest.approx(0.8 * then.value, rel=1e-3)
    text = page_of(session, tmp_path).text
    assert "Step 1 of 3: switch on (done)" in text
    assert "Step 2 of 3: warm up (skipped)" in text
    assert "Step 3 of 3" not in text
    assert "output, needed" in text


@pytest.mark.usefixtures("without_pictures")
def test_what_was_done_stands_beside_its_step(write_session, tmp_path):
    more = [*full(), Event(25.0, "", "switched off", "by the operator")]
    report(RecordedSession(write_session(more=more)), tmp_path / "report.md")
    text = (tmp_path / "report.md").read_text(encoding="utf-8")
    done = {row.split(" | ")[3]: row.split(" | ")[2] for row in text.splitlines() if row.startswith("| 0:00:")}
    assert (done["step done"], done["step skipped"], done["note"], done["switched off"]) == ("1", "2", "–", "–")


@pytest.mark.usefixtures("without_pictures")
@pytest.mark.parametrize("mains", [49.9, 50.0, 50.1])
def test_a_wave_of_one_period_has_the_mains_frequency(write_session, tmp_path, mains):
    time = np.arange(400) / 400 / mains
    angle = 2 * np.pi * mains * time
    amperes = 2.0 * np.sin(angle) + np.sin(3 * angle)
    page = page_of(write_session(more=[Waveform("mains current", 9.0, time, amperes, "A")]), tmp_path)
    assert "every order keeps its limit" in page.text
    # An amplitude of 1 A is 0.7071 A rms; the limit is that of IEC 61000-3-2 table 1, from memory.
    assert re.search(r"3 70[67]\.\d mA 2\.300 A", page.text)


def test_margins_stand_at_measured_values(write_session, benches):
    found = find(RecordedSession(write_session()))
    rows = {row.predicted.name: row for row in measured_margins(found, check(benches["reservoir"]).margins)}
    fuse = rows["fuse current"]
    assert fuse.measured.value == pytest.approx(found.of("mains.current.rms").value)
    assert fuse.measured.margin == pytest.approx(1 - fuse.measured.value / 1.6)
    mean, rest = found.of("output.voltage.mean").value, found.of("output.voltage.ac_rms").value
    assert rows["load power"].measured.value == pytest.approx((mean**2 + rest**2) / 6.2)
    assert rows["transformer apparent power"].measured.value == pytest.approx(
        found.of("secondary.current.rms").value * 18 * 2
    )
    assert rows["diode surge current"].measured is None
    assert rows["diode junction temperature"].measured.value > found.of("diode.temperature.case").value


@pytest.mark.usefixtures("without_pictures")
def test_a_trip_is_said_first_and_is_exit_status_1(write_session, tmp_path):
    session = write_session(spoil={"diode.temperature.case": 3.0})
    done = CliRunner().invoke(commands, ["report", str(session), "-o", str(tmp_path / "r.html")], standalone_mode=False)
    assert done.return_value == 1
    assert "diode case" in done.output
    text = Page((tmp_path / "r.html").read_text(encoding="utf-8")).text
    assert text.index("Past its limit: diode case") < text.index("Measured and expected")
    assert "passed it" in text


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"seconds": 0}, "No channel could be compared"),
        ({"ends": False}, "cut off"),
        ({"off_at": 0.0}, "No channel shows that the mains was on"),
    ],
)
def test_poor_sessions_are_reported_too(write_session, tmp_path, given, words):
    assert words in page_of(write_session(**given), tmp_path).text


def test_where_the_last_step_was_skipped_the_result_is_that_of_the_step_before(write_session):
    """What a person typed counts for the step in which it was typed: at the end nothing is left to compare."""
    more = [Event(2.0, "", EventKind.STEP_BEGUN, "1 of 3", EventDetails(step=1))]
    found = find(RecordedSession(write_session(more=more)))
    (step,) = found.steps
    name = step.stage.step.name
    texts = [text for text, _ in summary(replace(found, channels=()))]
    assert texts[0] == f"Nothing could be compared at the end of the test. {name} is the last step with readings."
    assert re.fullmatch(
        rf"All \d+ channels that could be compared agree with the prediction at the end of {name}\.", texts[1]
    )


def test_nothing_in_it_does_anything(write_session, tmp_path, hostile_bench):
    evil = "</td><script>alert(1)</script><img src=x onerror=alert(2)> \x1b[2J [a](javascript:alert(3)) $\\frac{1}{0}$"
    more = [
        Event(3.0, "=1+1", "note", evil),
        Event(4.0, evil, evil, evil),
        Explanations(5.0, (Explanation(evil, 0.5, evil, (evil,)),)),
        Forecast("=1+1", 6.0, evil, 1.0, 2.0, 3.0, 4.0),
        Waveform("=1+1", 7.0, np.arange(2000) / 5e4, np.sin(np.arange(2000.0) / 50), evil[:19]),
    ]
    page = page_of(write_session(bench=hostile_bench, more=more), tmp_path)
    assert not {"script", "iframe", "object", "link", "a", "form", "svg", "base"} & set(page.tags)
    for tag, name, value in page.attributes:
        assert not name.startswith("on")
        if name in ("src", "href", "action"):
            assert tag == "img"
            assert value.startswith("data:image/svg+xml;base64,")
    assert "alert(1)" in page.text
    assert "\x1b" not in page.text
    raw = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "default-src 'none'" in raw
    assert not re.search(r"https?://", raw)


def test_a_hostile_session_as_markdown_marks_nothing_up(write_session, tmp_path, hostile_bench):
    evil = "<b>x</b> | [a](http://b.c) ![i](j) `k` **l** <http://m.n>"
    session = write_session(bench=hostile_bench, more=[Event(3.0, "", "note", evil), Event(4.0, evil, "hm", evil)])
    report(RecordedSession(session), tmp_path / "report.md")
    text = (tmp_path / "report.md").read_text(encoding="utf-8")
    found = MarkdownIt("commonmark").enable("table").parse(text)
    inner = [token for block in found for token in (block.children or [])]
    assert not {token.type for token in inner} & {"html_inline", "link_open", "image", "code_inline"}
    assert not {token.type for token in found} & {"html_block", "fence"}
    rows = [token.content for token in found if token.type == "inline"]
    assert any("x" in row and "http" in row for row in rows)
    tables = [token for token in found if token.type == "table_open"]
    assert len(tables) >= 5


def test_markdown_says_where_the_pictures_are(write_session, tmp_path):
    report(RecordedSession(write_session(more=full())), tmp_path / "report.md")
    text = (tmp_path / "report.md").read_text(encoding="utf-8")
    assert "Picture, in the HTML report: Captured wave of mains current" in text
    assert "data:image" not in text


@pytest.mark.usefixtures("without_pictures")
def test_without_matplotlib_there_are_no_pictures_and_it_says_so(write_session, tmp_path):
    page = page_of(write_session(more=full()), tmp_path)
    assert "img" not in page.tags
    assert "they need matplotlib" in page.text


class TestFiles:
    def test_the_ending_says_the_format(self, write_session, tmp_path):
        with pytest.raises(BadInput, match=r"\.html, \.pdf or \.md"):
            report(RecordedSession(write_session()), tmp_path / "report.odt")

    def test_a_file_that_is_there_is_kept(self, write_session, tmp_path):
        (tmp_path / "r.md").write_text("mine")
        with pytest.raises(BadInput, match="--force"):
            report(RecordedSession(write_session()), tmp_path / "r.md")
        assert (tmp_path / "r.md").read_text() == "mine"

    def test_a_damaged_session_leaves_no_file(self, write_session, tmp_path):
        path = write_session()
        content = bytearray(path.read_bytes())
        for place in range(20_000, len(content) - 5000, 300):
            content[place : place + 100] = b"\xff" * 100
        path.write_bytes(content)
        with pytest.raises(SessionFileError):
            report(RecordedSession(path), tmp_path / "r.html")
        assert [one.name for one in tmp_path.iterdir()] == [path.name]


PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNkYPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)
"""One pixel."""


class TestFirstPage:
    def certified(self, write_session, benches, folder, **entries):
        text = benches["reservoir"].source + "\n[report]\n"
        text += "".join(f'{key} = "{value}"\n' for key, value in entries.items())
        path = write_session(bench=read_bench(text))
        with closing(sqlite3.connect(path)) as connection, connection:
            facts = {"serial": "A-017", "operator": "K. Lind", "bench file": str(folder / "bench.toml")}
            for name, fact in facts.items():
                connection.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (name, fact))
        return path

    @pytest.mark.usefixtures("without_pictures")
    def test_it_says_which_unit_for_whom_with_what_result(self, write_session, benches, tmp_path):
        path = self.certified(write_session, benches, tmp_path, customer="Glasshouse <Ltd>", order="4711")
        page = page_of(path, tmp_path)
        first = page.text.partition("A Measured and expected")[0]
        for words in ("A-017", "K. Lind", "Glasshouse <Ltd>", "4711", "All 12 channels", "reviewed by, date"):
            assert words in first, words
        # The limit of the case stands beside its highest reading; the plan was not begun.
        assert re.search(r"diode case, at all times at most \d+\.\d °C [\d.]+ °C met", first)
        assert "plan 3 steps done 0 done not met" in first

    @pytest.mark.usefixtures("without_pictures")
    def test_pictures_beside_the_bench_file_are_inside(self, write_session, benches, tmp_path):
        (tmp_path / "unit.png").write_bytes(PNG)
        path = self.certified(write_session, benches, tmp_path, picture="unit.png", logo="unit.png")
        shown = [value for tag, name, value in page_of(path, tmp_path).attributes if (tag, name) == ("img", "src")]
        assert shown == [f"data:image/png;base64,{base64.b64encode(PNG).decode()}"] * 2

    @pytest.mark.usefixtures("without_pictures")
    @pytest.mark.parametrize(
        ("content", "reason"),
        [(None, "No such file"), (b"<svg onload='x()'/>", "is neither PNG nor JPEG"), (PNG * 100_000, "is larger")],
    )
    def test_a_picture_that_cannot_be_shown_is_missed_in_one_line(
        self, write_session, benches, tmp_path, content, reason
    ):
        if content is not None:
            (tmp_path / "unit.png").write_bytes(content)
        page = page_of(self.certified(write_session, benches, tmp_path, picture="unit.png"), tmp_path)
        assert "img" not in page.tags
        assert re.search(f"picture unit.png: {reason}[^.]*; it is looked for beside the bench file", page.text)

    @pytest.mark.filterwarnings("ignore::DeprecationWarning")
    def test_ten_minutes_are_at_most_six_sheets(self, write_session, tmp_path, monkeypatch):
        try:
            weasyprint = importlib.import_module("weasyprint")
        except OSError:
            pytest.skip("PDF needs the system library Pango")
        pages = []
        write_pdf = weasyprint.Document.write_pdf

        def counted(document, *rest, **more):
            pages.extend(document.pages)
            return write_pdf(document, *rest, **more)

        monkeypatch.setattr(weasyprint.Document, "write_pdf", counted)
        report(RecordedSession(write_session(seconds=600, rate=0.5)), tmp_path / "r.pdf")
        assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF-")
        assert 2 <= len(pages) <= 6

    def test_without_its_library_a_pdf_is_refused_in_one_line(self, write_session, tmp_path, monkeypatch):
        monkeypatch.setitem(sys.modules, "weasyprint", None)
        with pytest.raises(BadInput, match=r"pip install '\.\[report\]'"):
            report(RecordedSession(write_session(seconds=3)), tmp_path / "r.pdf")
        assert not (tmp_path / "r.pdf").exists()


@pytest.mark.usefixtures("without_pictures")
def test_a_kind_of_event_that_came_often_is_one_row(write_session, tmp_path):
    often = [Event(5.0 + at, "output", "questionable", f"output reads {at} V") for at in range(9)]
    rare = [Event(6.5, "ripple", "questionable", "ripple once")]
    text = page_of(write_session(more=[*often, *rare]), tmp_path).text
    assert "0:00:05 to 0:00:13 output questionable 9 times; first: output reads 0 V; last: output reads 8 V" in text
    assert "output reads 4 V" not in text
    assert "ripple once" in text


def test_parts_without_a_reading_of_the_mains_are_powered_as_before(write_session):
    """A mains meter that is read every 20 s: what others read meanwhile is not left out of a picture's frame."""

    def rare(channel, now, value):
        return SILENT if channel.quantity == "mains.voltage.rms" and now % 20 else value

    session = RecordedSession(write_session(seconds=60, values=rare))
    assert len(session.powered_parts(400)) == 400
    dark = RecordedSession(write_session("dark.benchmon", seconds=60, off_at=30.0))
    assert max(dark.powered_parts(400)) == pytest.approx(200, abs=4)


def test_a_limit_that_was_passed_is_not_met_and_the_other_one_is(write_session, benches):
    limits = {"warn_above": ("80 °C", "30 °C"), "trip_above": ("105 °C", "35 °C")}
    text = benches["reservoir"].source
    for key, (old, new) in limits.items():
        assert f'{key} = "{old}"' in text
        text = text.replace(f'{key} = "{old}"', f'{key} = "{new}"', 1)
    text = text.replace('trip_above = "35 °C"', 'trip_above = "35 °C"\ntrip_below = "-10 °C"', 1)
    bench = read_bench(text)
    session = RecordedSession(write_session(bench=bench))
    rows = {row[:2]: row[3].text for row in certificate_sections(find(session), None)[1].blocks[0].rows}
    assert rows["diode case, at all times", f"at most {format_value(35.0, '°C')}"] == "not met"
    assert rows["diode case, at all times", f"at least {format_value(-10.0, '°C')}"] == "met"


@pytest.mark.usefixtures("without_pictures")
def test_a_learners_guess_stands_beside_what_was_expected_and_measured(write_session, benches, expectations, tmp_path):
    output = next(each for each in benches["reservoir"].channel if each.quantity == "output.voltage.mean")
    right = expectations(benches["reservoir"], 230.0).quantities[output.quantity].value
    guess = event_of_guess(GuessRequest(output.name, f"{1.25 * right} V"), output, 1.0, None, 0.0)
    text = page_of(write_session(more=[guess]), tmp_path).text
    assert "Guessed, expected and measured" in text
    assert "25 % above 0:00:01, it read 0.00" in text
    assert "Guessed" not in page_of(write_session("other.benchmon"), tmp_path, "other.html").text


@pytest.mark.usefixtures("without_pictures")
def test_meters_that_were_overdue_and_zeros_that_were_taken_stand_in_the_report(write_session, benches, tmp_path):
    step = '[[step]]\nname = "before power"\nrecord = [{ name = "insulation", unit = "MΩ", at_least = "2 MΩ" }]\n'
    old = 'name = "output"\n'
    text = (
        benches["reservoir"].source.partition("# ---- The plan")[0].replace(old, f"{old}calibrated = 1969-06-01\n", 1)
    )
    typed = EventDetails(step=1, entry="insulation", shows="5 MΩ", met=True, meter="M-7", calibrated="1968-03-01")
    more = [
        Event(1.0, "", "step begun", "1 of 1: before power", EventDetails(step=1)),
        Event(2.0, "", "recorded", "1 of 1: insulation 5 MΩ", typed),
        Event(3.0, "output", "zero taken", "output: zero 15 mV taken", EventDetails(zero=0.015)),
    ]
    text = page_of(write_session(bench=read_bench(text + step), more=more), tmp_path).text
    assert "15.00 mV at 0:00:03" in text
    assert "At the test: output: its meter was due to be calibrated on 1970-06-01." in text
    assert "M-7, 1968-03-01, more than a year before" in text


def test_a_cause_that_came_and_went_often_is_one_row_of_the_report():
    open_diode = Explanation("open diode", 0.9, "a diode is open")
    standing = [Explanations(float(at), (open_diode,) if at % 2 == 0 else ()) for at in range(20)]
    found = SimpleNamespace(session=SimpleNamespace(explanations=standing), window=SimpleNamespace(until=20.0))
    [table] = [block for block in explanations_section(found).blocks if isinstance(block, Table)]
    [row] = table.rows
    assert row[:2] == ("0:00:00", "0:00:19")
    assert row[-1] == "10 times; a diode is open"
