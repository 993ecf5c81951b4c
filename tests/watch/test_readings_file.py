"""Files of readings: what is read, and what is refused with its line."""

import math
import os
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.errors import DataFileError
from benchmon.report.logged_readings import read_readings
from benchmon.watch.records import LoggedReading

CHANNELS = ("vout", "diode case", "a, b")


@pytest.fixture
def read(tmp_path):
    """Return a reader of text, or bytes, as a file."""

    def read_text(content):
        file = tmp_path / "log.csv"
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_readings(file, CHANNELS)

    return read_text


def test_comments_blank_lines_and_spaces_are_passed_over(read):
    text = "# by hand\n\ntime_s,channel,value\n0, vout , 22.1\n   \n# later\n1.5,diode case,40\n"
    assert read(text) == [LoggedReading(0.0, "vout", 22.1), LoggedReading(1.5, "diode case", 40.0)]


@pytest.mark.parametrize("mark", [";", "\t"])
def test_a_decimal_comma_between_semicolons_or_tabs(read, mark):
    text = f"time_s{mark}channel{mark}value\n1,5{mark}vout{mark}22,14\n2.5{mark}vout{mark}−0,5\n"
    assert read(text) == [LoggedReading(1.5, "vout", 22.14), LoggedReading(2.5, "vout", -0.5)]


def test_columns_in_any_order_with_others_between(read):
    assert read("value,note,Channel,TIME_S\n22.1,ok,vout,3\n") == [LoggedReading(3.0, "vout", 22.1)]


def test_a_byte_order_mark_quotes_and_windows_lines(read):
    assert read(b'\xef\xbb\xbftime_s,channel,value\r\n1,"a, b",2e-3\r\n') == [LoggedReading(1.0, "a, b", 0.002)]


def test_lines_out_of_order_are_sorted_and_repeated_ones_taken_once(read):
    text = "time_s,channel,value\n5,vout,3\n1,vout,1\n5,vout,3\n1,vout,2\n"
    assert [(one.time, one.value) for one in read(text)] == [(1, 1), (1, 2), (5, 3)]


@pytest.mark.parametrize(
    ("text", "value"), [("9.9E37", math.inf), ("-9.9e37", -math.inf), ("1e30", math.inf), ("inf", math.inf)]
)
def test_an_overload_is_infinite(read, text, value):
    assert read(f"time_s,channel,value\n0,vout,{text}\n")[0].value == value


REFUSED = {
    "unknown channel": ("time_s,channel,value\n0,vout,1\n1,iout,2\n", ":3:", "'iout' is not a channel"),
    "no number": ("time_s,channel,value\n0,vout,12 V\n", ":2:", "value = '12 V': is not a number"),
    "empty value": ("time_s,channel,value\n0,vout,\n", ":2:", "is not a number"),
    "not a number": ("time_s,channel,value\n0,vout,nan\n", ":2:", "is not a number"),
    "SCPI's not a number": ("time_s,channel,value\n0,vout,9.91E37\n", ":2:", "not a number"),
    "bad time": ("# x\ntime_s,channel,value\nnoon,vout,1\n", ":3:", "time_s = 'noon'"),
    "endless time": ("time_s,channel,value\ninf,vout,1\n", ":2:", "not a time"),
    "missing column": ("time,channel,value\n0,vout,1\n", ":1:", "time_s"),
    "too few columns": ("time_s,channel,value\n0,vout\n", ":2:", "has 2 columns"),
    "thousands": ("time_s;channel;value\n0;vout;1.234,5\n", ":2:", "thousands"),
    "endless line": ("time_s,channel,value\n0,vout," + "1" * 5000 + "\n", ":2:", "characters"),
    "control codes": ("time_s,channel,value\n0,\x1b[2Jvout,1\n", ":2:", "\\x1b[2Jvout"),
    "open quote": ('time_s,channel,value\n0,"vout,1\n', ":2:", "columns"),
    "empty": ("", "", "holds no readings"),
    "only comments": ("# nothing\n", "", "holds no readings"),
    "only names": ("time_s,channel,value\n", "", "holds no readings"),
    "no text": (b"\xff\xfe\x00\x01", "", "UTF-8"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_used_is_refused_in_one_line(read, name):
    content, where, why = REFUSED[name]
    with pytest.raises(DataFileError) as refusal:
        read(content)
    text = str(refusal.value)
    assert f"log.csv{where}" in text
    assert why in text
    assert text.isprintable()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time_s,channel,value\n0,vout,22,7\n", ":2: has 4 columns where the first line names 3; with commas in"),
        ("time_s,channel,value,value\n0,vout,22,23\n", ":1: names value twice"),
        ("time_s,channel,value\n0,vout,1e400\n", ":2: value = '1e400': is too large; write inf for an overload"),
    ],
)
def test_what_would_be_misread_is_refused(read, text, words):
    with pytest.raises(DataFileError, match=re.escape(words)):
        read(text)


def test_empty_columns_at_the_end_of_a_line_are_nothing(read):
    assert read("time_s,channel,value\n0,vout,22.7,,\n") == [LoggedReading(0.0, "vout", 22.7)]


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    for path, why in ((tmp_path / "none.csv", "no such file"), (tmp_path, "is a folder")):
        with pytest.raises(DataFileError, match=why):
            read_readings(path, CHANNELS)


def test_what_has_no_end_is_refused_without_reading_it(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", Path("/dev/zero")):
        with pytest.raises(DataFileError, match="is a device or a pipe"):
            read_readings(path, CHANNELS)
    line = tmp_path / "line.csv"
    line.write_bytes(b"\0" * 10_000_000)
    with pytest.raises(DataFileError, match="2000 characters or more"):
        read_readings(line, CHANNELS)


def test_more_readings_than_can_be_judged_in_a_moment_are_refused(tmp_path):
    file = tmp_path / "long.csv"
    file.write_text("time_s,channel,value\n" + "0,vout,22\n" * 300_001)
    with pytest.raises(DataFileError, match="more than 300,000 readings; split it"):
        read_readings(file, CHANNELS)


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(tmp_path_factory, content):
    file = tmp_path_factory.getbasetemp() / "any.csv"
    file.write_bytes(b"time_s,channel,value\n" + content)
    refusals = []
    try:
        found = read_readings(file, CHANNELS)
    except DataFileError as refusal:
        found = []
        refusals.append(str(refusal))
    assert bool(found) != bool(refusals)
    assert all(text.isprintable() for text in refusals)
    assert all(one.channel in CHANNELS for one in found)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(-1e9, 1e9), st.sampled_from(CHANNELS), st.floats(-1e9, 1e9)), min_size=1))
def test_what_was_written_is_read(tmp_path_factory, rows):
    file = tmp_path_factory.getbasetemp() / "rows.csv"
    lines = [f'{time!r};"{name}";{value!r}' for time, name, value in rows]
    file.write_text("time_s;channel;value\n" + "\n".join(lines).replace(".", ","))
    expected = sorted({LoggedReading(*row) for row in rows}, key=lambda one: (one.time, one.channel, one.value))
    assert sorted(read_readings(file, CHANNELS), key=lambda one: (one.time, one.channel, one.value)) == expected
