"""Files of samples in any layout of an oscilloscope, and files that hold none."""

import math
import sys

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmon.captures import number_columns
from benchmon.captures.file_layout import ColumnHeading, read_heading, unit_and_factor
from benchmon.captures.scope_file import read_capture
from benchmon.errors import DataFileError

TIME = np.arange(400) / 10_000.0 - 0.0123
VOLTS = 12.5 * np.sin(2 * np.pi * 50 * TIME)


@pytest.fixture(autouse=True, params=["numpy", "Arrow", "JSON"])
def reader(request, monkeypatch):
    """Read small files with the readers of large ones, too: the result is the same."""
    if request.param == "Arrow":
        pytest.importorskip("pyarrow")
    if request.param == "JSON":
        monkeypatch.setitem(sys.modules, "pyarrow", None)
    if request.param != "numpy":
        monkeypatch.setattr(number_columns, "LARGE", 0)
    return request.param


def check(found, *, values=VOLTS, unit="V", time=TIME):
    assert found.time == pytest.approx(time, abs=1e-9)
    assert found.columns[0].values == pytest.approx(values, abs=1e-6)
    assert found.columns[0].unit == unit


@pytest.mark.parametrize(
    ("head", "factor_of_time", "factor"),
    [
        ("time_s,output_V", 1, 1),
        ("time (ms),CH1 (mV)", 1e3, 1e3),
        ("Time [us],CH1 [V]", 1e6, 1),
        ("t in s,u in mV", 1, 1e3),
        ("t/µs,U/V", 1e6, 1),
        ("milliseconds,millivolts", 1e3, 1e3),
        ("second,Volt", 1, 1),
        ("x-axis,1\nsecond,Volt", 1, 1),
        ("Time,Channel A\n(ms),(V)", 1e3, 1),
        ("# made by nobody\n# time / ms,CH1 / V", 1e3, 1),
        ('"Zeit (µs)","Spannung (kV)"', 1e6, 1e-3),
        ("Record Length,400\nSample Interval,1e-4\nNote,scope of the workshop\n\ntime_s,V", 1, 1),
    ],
)
def test_units_in_headings(capture, head, factor_of_time, factor):
    check(read_capture(capture(factor_of_time * TIME, factor * VOLTS, head=head)))


@pytest.mark.parametrize("separator", [",", ";", "\t", " ", "  "])
def test_separators(capture, separator):
    check(read_capture(capture(TIME, VOLTS, head=separator.join(["time_s", "u_V"]), separator=separator)))


@pytest.mark.parametrize("separator", [";", "\t", " "])
def test_decimal_commas(capture, separator):
    head = separator.join(["time_s", "u_V"])
    check(read_capture(capture(TIME, VOLTS, head=head, separator=separator, comma=True)))


def test_a_file_without_headings_is_in_si_and_says_so(capture):
    found = read_capture(capture(TIME, VOLTS, head=""))
    check(found, unit="")
    assert any("seconds are assumed" in note for note in found.notes)


@pytest.mark.parametrize(
    "head", ["X,CH1,Start,Increment\nSequence,Volt,0.0,1e-4", "Sample Interval,1.0E-04\nX,CH1 (V)"]
)
def test_numbered_samples_use_the_interval_in_the_file(capture, head):
    found = read_capture(capture(np.arange(len(TIME)), VOLTS, head=head))
    check(found, time=TIME - TIME[0])
    assert any("0.0001 s between them" in note for note in found.notes)


def test_numbered_samples_without_an_interval_are_refused(capture):
    with pytest.raises(DataFileError, match="only number the samples"):
        read_capture(capture(np.arange(len(TIME)), VOLTS, head="X,CH1"))


def test_further_columns_are_distinguished(capture):
    number = np.arange(len(TIME))
    head = "index,time (s),CH1 (V),CH2 (mA)"
    found = read_capture(capture(number, TIME, VOLTS, 250 * VOLTS, head=head))
    check(found)
    assert [(column.name, column.unit) for column in found.columns] == [("CH1", "V"), ("CH2", "A")]
    assert found.columns[1].values == pytest.approx(VOLTS / 4, abs=1e-6)


@pytest.mark.parametrize(("separator", "comma"), [(",", False), (";", True), ("\t", False)])
def test_a_large_plain_file_is_read_quickly_and_to_the_last_bit(tmp_path, monkeypatch, reader, separator, comma):
    def never(*_, **__):
        raise AssertionError("numpy read it")

    if reader != "numpy":
        monkeypatch.setattr(number_columns, "_by_numpy", never)
        monkeypatch.setattr(number_columns, "_BLOCK", 10_000)
    values = np.random.default_rng(4).normal(0.0, 1.0, 4000) * 10.0 ** np.arange(-20, 20).repeat(100)
    lines = [f"{place / 1e4!r}{separator}{value!r}" for place, value in enumerate(values.tolist())]
    text = "\r\n".join(["time_s,u_V".replace(",", separator), *lines])
    (tmp_path / "wave.csv").write_text(text.replace(".", ",") if comma else text, newline="")
    found = read_capture(tmp_path / "wave.csv")
    assert found.time.tolist() == (np.arange(4000) / 1e4).tolist()
    assert found.columns[0].values.tolist() == values.tolist()


def test_the_time_may_stand_behind_its_values(capture):
    check(read_capture(capture(VOLTS, TIME, head="CH1 (V),time (s)")))


def test_settings_beside_the_first_samples_are_ignored(tmp_path):
    lines = [f",,,{time:.6g},{volts:.9g}" for time, volts in zip(TIME, VOLTS, strict=True)]
    lines[0] = "Record Length,400,Points" + lines[0][2:]
    lines[1] = "Vertical Scale,5.0,V" + lines[1][2:]
    (tmp_path / "wave.csv").write_text("\n".join(lines))
    found = read_capture(tmp_path / "wave.csv")
    assert len(found.time) == len(TIME)
    assert found.columns[0].values == pytest.approx(VOLTS, abs=1e-6)


def test_comments_blank_lines_and_windows_line_ends(tmp_path):
    rows = [f"{time:.6g},{volts:.9g}" for time, volts in zip(TIME, VOLTS, strict=True)]
    rows.insert(200, "# the probe slipped here\r\n\r\n% and was put back")
    (tmp_path / "wave.csv").write_bytes(("\ufefftime_s,u_V\r\n" + "\r\n".join(rows)).encode())
    check(read_capture(tmp_path / "wave.csv"))


def test_lines_may_end_with_a_carriage_return(tmp_path):
    rows = [f"{time:.6g},{volts:.9g}" for time, volts in zip(TIME, VOLTS, strict=True)]
    (tmp_path / "wave.csv").write_bytes("\r".join(["time_s,u_V", *rows]).encode())
    check(read_capture(tmp_path / "wave.csv"))


def test_a_file_of_one_byte_a_character(tmp_path):
    rows = "\n".join(f"{1e6 * time:.6g};{volts:.9g}" for time, volts in zip(TIME, VOLTS, strict=True))
    (tmp_path / "wave.csv").write_bytes(f"Zeit [µs];Spannung [V]\n{rows}".encode("latin-1"))
    check(read_capture(tmp_path / "wave.csv"))


def test_rounded_times_are_evenly_sampled(capture):
    time = np.arange(3000) / 1e6
    found = read_capture(capture(np.round(time, 5), np.sin(900 * time), head="time_s,u_V"))
    assert found.time == pytest.approx(time, abs=2e-5)
    assert np.ptp(np.diff(found.time)) < 1e-12
    assert any("rounded" in note for note in found.notes)


def test_samples_of_equal_time_are_averaged(capture):
    time, volts = np.insert(TIME, 100, TIME[100]), np.insert(VOLTS, 100, VOLTS[100] + 1.0)
    found = read_capture(capture(time, volts, head="time_s,u_V"))
    assert found.time == pytest.approx(TIME)
    assert found.columns[0].values[100] == pytest.approx(VOLTS[100] + 0.5, abs=1e-6)
    assert any("mean" in note for note in found.notes)


BAD = {
    "empty": ("", "holds no samples"),
    "only a heading": ("time_s,value\n", "not a number|no samples"),
    "one column": ("time_s\n1\n2\n3\n", "two columns"),
    "a text column": ("time_s,value\n0,low\n1,high\n2,low\n", "'(low|high)' is not a number"),
    "text among numbers": ("time_s,value\n0,1\n1,2\n2,oops\n3,4\n4,5\n5,6\n6,5\n", "line 4.*'oops' is not a number"),
    "a shorter column": ("time_s,value\n0,1\n1,2\n2,3\n3,4\n4,5\n5,6\n6\n", "line 8.*ends before the others"),
    "an empty cell": ("time_s,value\n0,1\n1,2\n2,\n3,4\n4,5\n5,6\n6,5\n", "line 4.*ends before the others"),
    "markup": ("<html><body>time</body></html>\n", "two columns"),
    "one time": ("time_s,value\n1,1\n1,2\n1,3\n1,2\n", "same time"),
    "control codes": ("time_s,value\n0,\x1b[2J\n1,\x1b[31m\n", r"\\x1b"),
}


@pytest.mark.parametrize("case", BAD)
def test_what_is_no_capture_is_refused_in_one_line(tmp_path, case):
    text, reason = BAD[case]
    path = tmp_path / "wave.csv"
    path.write_text(text)
    with pytest.raises(DataFileError, match=reason) as problem:
        read_capture(path)
    assert "\n" not in str(problem.value)
    assert "\x1b" not in str(problem.value)
    assert str(path) in str(problem.value)


def test_binary_and_wide_text_are_refused(tmp_path):
    (tmp_path / "a").write_bytes(b"\x89PNG\0\0\0")
    (tmp_path / "b").write_bytes("time_s,value\n0,1\n".encode("utf-16"))
    with pytest.raises(DataFileError, match="no text"):
        read_capture(tmp_path / "a")
    with pytest.raises(DataFileError, match="UTF-8"):
        read_capture(tmp_path / "b")


def test_a_path_that_is_no_file_is_refused(tmp_path):
    for path, reason in ((tmp_path, "folder"), (tmp_path / "none.csv", "no such file")):
        with pytest.raises(DataFileError, match=reason):
            read_capture(path)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused_in_one_line(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("bytes") / "wave.csv"
    path.write_bytes(content)
    said = ""
    try:
        found = read_capture(path)
        assert all(len(column.values) == len(found.time) for column in found.columns)
    except DataFileError as problem:
        said = str(problem)
    assert said.isprintable()


@given(st.text(max_size=60), st.text(max_size=10))
def test_any_heading_is_read(text, unit):
    found = read_heading(text, unit)
    assert found.name.isprintable()
    assert math.isfinite(found.factor)
    assert found.factor > 0


@pytest.mark.parametrize(
    ("text", "heading"),
    [
        ("CH1", ColumnHeading("CH1")),
        ("current [A]", ColumnHeading("current", "A")),
        ("V", ColumnHeading("V", "V")),
        ("u, mV", ColumnHeading("u", "V", 1e-3)),
        ("output (after the fuse)", ColumnHeading("output (after the fuse)")),
        ("power_W", ColumnHeading("power", "W")),
    ],
)
def test_headings(text, heading):
    assert read_heading(text) == heading


def test_words_that_are_no_units():
    for word in ("", "m", "sV", "CH", "Vpp", "dBV", "parsec"):
        assert unit_and_factor(word) is None
