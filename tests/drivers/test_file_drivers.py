"""Numbers in files: one that is read again and again, and a table that grows."""

import math
import os
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmon.errors import BenchmonError, InstrumentError, InstrumentTimeout
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.csv_tail import CsvTailChannel, CsvTailDriver, CsvTailSettings, GrowingFile
from benchmon_drivers.value_file import ValueFileChannel, ValueFileDriver, ValueFileSettings
from support.far_ends.receiving import next_readings


def value_file(address, channels, unit="°C", **keys):
    driven = [
        DrivenChannel(name, unit, 0.1, 1.0, ValueFileChannel.model_validate(how)) for name, how in channels.items()
    ]
    return ValueFileDriver("sensor", ValueFileSettings.model_validate({"address": str(address)} | keys), driven)


def csv_tail(address, channels, **keys):
    driven = [DrivenChannel(name, "V", 0.1, 1.0, CsvTailChannel.model_validate(how)) for name, how in channels.items()]
    keys = {"address": str(address), "timeout": 0.4} | keys
    return CsvTailDriver("logger", CsvTailSettings.model_validate(keys), driven)


# A value in a file


def test_a_hardware_monitor_in_thousandths_of_a_degree(tmp_path):
    """As under /sys/class/hwmon/hwmonN: temp1_input in m°C."""
    (tmp_path / "temp1_input").write_text("48500\n")
    (tmp_path / "temp2_input").write_text("-1250\n")
    driver = value_file(tmp_path, {n: {"file": f"temp{n}_input", "factor": 0.001} for n in "12"})
    driver.open()
    assert [driver.read(n).value for n in "12"] == [48.5, -1.25]


ONE_WIRE = "73 01 4b 46 7f ff 0d 10 {crc} : crc={crc} {answer}\n73 01 4b 46 7f ff 0d 10 {crc} t={value}\n"


@pytest.mark.parametrize(
    ("answer", "value", "read"), [("YES", "23125", 23.125), ("NO", "23125", None), ("YES", "85000", None)]
)
def test_a_one_wire_thermometer_with_its_check_and_its_value_after_power_on(tmp_path, answer, value, read):
    path = tmp_path / "w1_slave"
    path.write_text(ONE_WIRE.format(crc="41", answer=answer, value=value))
    how = {"pattern": r"YES\s[^=]*t=(-?\d+)", "factor": 0.001, "no_value": [85000]}
    driver = value_file(path, {"t": how})
    driver.open()
    reading = driver.read("t")
    assert reading.value == read
    assert bool(reading.problem) == (read is None)


def test_a_star_stands_for_the_kernel_s_number_and_must_fit_one(tmp_path):
    for name in ("hwmon3", "hwmon7"):
        (tmp_path / name).mkdir()
    (tmp_path / "hwmon7" / "temp1_input").write_text("1")
    driver = value_file(tmp_path / "hwmon*", {"t": {"file": "temp1_input"}})
    driver.open()
    assert driver.read("t").value == 1.0
    (tmp_path / "hwmon3" / "temp1_input").write_text("2")
    with pytest.raises(InstrumentError, match="there are 2 such files"):
        driver.read("t")


def test_a_missing_file_silences_its_channel_and_a_missing_folder_loses_the_instrument(tmp_path):
    here = tmp_path / "a"
    here.write_text("5")
    driver = value_file(tmp_path, {"a": {"file": "a"}, "b": {"file": "b"}})
    driver.open()
    assert "there is no file b" in driver.read("b").problem
    assert driver.read("a").value == 5.0
    here.unlink()
    with pytest.raises(InstrumentError, match="there is no such file; is the sensor plugged in"):
        driver.read("a")
    here.write_text("6")
    assert driver.read("a").value == 6.0


@pytest.mark.parametrize("text", ["", "warm", "1,5", "0x10", "nan", "1e999999", "\x1b[2J5", "5\x00", "1 2"])
def test_what_is_no_number_is_no_value(tmp_path, text):
    (tmp_path / "t").write_text(text)
    driver = value_file(tmp_path / "t", {"t": {}})
    driver.open()
    reading = driver.read("t")
    assert reading.value is None
    assert reading.problem.isprintable()


def test_an_old_file_is_no_value_where_an_age_is_set(tmp_path):
    path = tmp_path / "t"
    path.write_text("5")
    os.utime(path, (time.time() - 30, time.time() - 30))
    assert "was last written 30" in value_file(path, {"t": {}}, max_age="10 s").read("t").problem
    path.write_text("6")
    assert value_file(path, {"t": {}}, max_age="10 s").read("t").value == 6.0


def test_the_file_of_a_writer_that_ended_is_no_value_without_an_age_too(tmp_path):
    path = tmp_path / "t"
    path.write_text("5")
    os.utime(path, (time.time() - 100, time.time() - 100))
    problem = value_file(path, {"t": {}}).read("t").problem
    assert "was last written 100 s ago" in problem
    assert "max_age" in problem


def test_how_old_a_file_may_be_follows_its_own_pauses(tmp_path):
    path = tmp_path / "t"
    driver = value_file(path, {"t": {}})
    path.write_text("5")
    for age, is_live in ((50, True), (30, True), (90, True), (10, True), (420, False)):
        os.utime(path, (time.time() - age, time.time() - age))
        assert (driver.read("t").value == 5.0) is is_live, age


def test_a_file_of_the_kernel_may_have_any_age(tmp_path):
    # The kernel dates its files by when they were made, not by the number in them.
    link = tmp_path / "load"
    link.symlink_to("/proc/loadavg")
    assert value_file(link, {"t": {"pattern": "^([0-9.]+)"}}).read("t").value >= 0.0


@pytest.mark.parametrize("driver", [value_file, csv_tail])
def test_a_pipe_without_a_writer_is_refused_at_once(tmp_path, driver):
    os.mkfifo(tmp_path / "pipe")
    channels = {"t": {}} if driver is value_file else {"t": {"column": 1}}
    made = driver(tmp_path / "pipe", channels)
    with pytest.raises(InstrumentError, match="is a device or a pipe"):
        made.read("t") if driver is value_file else made.open()


def test_what_is_no_file_of_numbers_is_refused(tmp_path):
    with pytest.raises(InstrumentError):
        value_file(tmp_path, {"t": {}}).read("t")
    with pytest.raises(InstrumentError, match="name a file with a number"):
        value_file("/dev/zero", {"t": {}}).read("t")


def test_a_pattern_without_a_group_is_refused(tmp_path):
    with pytest.raises(ValueError, match="has no group for the number that t wants"):
        value_file(tmp_path, {"t": {"pattern": "t=.*"}})


# A table that grows


def add(path, text):
    with path.open("a", encoding="utf-8", newline="") as file:
        file.write(text)


def numbers(readings):
    return [(one.channel, one.value) for one in readings]


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time,U out,I out\r\n1,1.0,2.0\r\n")
    return path


def test_columns_by_name_and_by_number_of_lines_that_are_added(opened, log):
    driver = opened(csv_tail(log, {"u": {"column": "U out"}, "i": {"column": 3, "factor": 0.001, "offset": 1}}))
    assert driver.receive(0.05) == [], "what was there before may be old"
    add(log, "2,22.5,500\r\n")
    assert numbers(next_readings(driver, 2)) == [("u", 22.5), ("i", 1.5)]


def test_a_decimal_comma_and_another_separator(opened, log):
    driver = opened(csv_tail(log, {"u": {"column": 2}}, separator=";", decimal_comma=True, header=False))
    add(log, "1;22,5;x\n1;-3.5;x\n")
    assert numbers(next_readings(driver, 2)) == [("u", 22.5), ("u", -3.5)]


def test_a_comma_without_its_key_is_no_number_and_names_the_remedy(opened, log):
    driver = opened(csv_tail(log, {"u": {"column": 2}}))
    add(log, '2,"22,5",0\n')
    assert "set decimal_comma = true" in next_readings(driver)[0].problem


@pytest.mark.parametrize(
    ("field", "value"), [("OL", math.inf), ("-OL", -math.inf), ("", None), ("NaN", None), ("err", None)]
)
def test_words_in_place_of_numbers(opened, log, field, value):
    driver = opened(csv_tail(log, {"u": {"column": "U out"}}))
    add(log, f"2,{field},0\n")
    assert next_readings(driver)[0].value == value


def test_a_line_with_too_few_columns_is_no_value(opened, log):
    driver = opened(csv_tail(log, {"i": {"column": "I out"}}))
    add(log, "2\n")
    assert "a line has 1 columns, none numbered 3" in next_readings(driver)[0].problem


def test_a_line_counts_when_it_is_whole(opened, log):
    driver = opened(csv_tail(log, {"u": {"column": 2}}))
    add(log, "2,22")
    assert driver.receive(0.05) == []
    add(log, ".5,0\n")
    assert next_readings(driver)[0].value == 22.5


def test_the_rest_of_a_line_that_was_half_written_at_the_start_is_none(opened, log):
    add(log, "2,1")
    driver = opened(csv_tail(log, {"u": {"column": 2}}))
    add(log, "1.5,7,8\n3,4.5,0\n")
    assert numbers(next_readings(driver)) == [("u", 4.5)]


@pytest.mark.parametrize("way", ["replaced", "cut", "cut and grown past the old end"])
def test_a_file_that_is_rewritten_is_followed_with_its_new_header(opened, log, way):
    driver = opened(csv_tail(log, {"u": {"column": "U out"}}))
    add(log, "2,1.5,0\n")
    next_readings(driver)
    fresh = "U out,time\n7.5,3\n" + ("8.5,4\n" * 20 if "past" in way else "")
    if way == "replaced":
        log.rename(log.with_suffix(".old"))
        assert driver.receive(0.05) == []
    log.write_text(fresh)
    assert next_readings(driver)[0].value == 7.5
    add(log, "9.5,5\n")
    assert next_readings(driver)[-1].value == 9.5


def test_a_header_that_is_still_being_written(opened, tmp_path):
    path = tmp_path / "new.csv"
    path.write_text("time,U o")
    driver = opened(csv_tail(path, {"u": {"column": "U out"}}))
    add(path, "ut\n1,2.5\n")
    assert next_readings(driver)[0].value == 2.5


@pytest.mark.parametrize(
    ("column", "says"), [("P out", 'no column "P out"; its columns are'), ("twice", "more than one column")]
)
def test_a_column_that_is_not_there_or_twice_is_an_error_on_opening(log, column, says):
    log.write_text("time,U out,twice,twice\n")
    with pytest.raises(InstrumentError, match=says):
        csv_tail(log, {"u": {"column": column}}).open()


def test_a_logger_that_stops_is_a_loss(opened, log):
    driver = opened(csv_tail(log, {"u": {"column": 2}}))
    with pytest.raises(InstrumentTimeout, match=r"no new line for 0\.4 s; is the logger still running"):
        _ = [driver.receive(0.1) for _ in range(40)]


def append(path, text):
    with path.open("a") as file:
        file.write(text)


@pytest.mark.parametrize("header", ["", "t,U out,I out\n"])
@pytest.mark.parametrize("hole", [False, True])
def test_a_log_that_is_copied_and_cut_to_nothing_goes_on(opened, log, header, hole):
    """As `logrotate` does with copytruncate; a logger that does not append leaves a hole of zeros."""
    driver = opened(csv_tail(log, {"u": {"column": "U out"}}))
    append(log, 2000 * "1,22.1,250\n")
    assert len(next_readings(driver, 2000)) == 2000
    size = log.stat().st_size
    log.write_text("")
    with log.open("r+") as file:
        file.seek(size if hole else 0)
        file.write(f"{header}2,22.2,251\n")
    assert [reading.value for reading in next_readings(driver)] == [22.2]
    append(log, "3,22.3,252\n")
    assert [reading.value for reading in next_readings(driver)] == [22.3]


def test_a_first_line_that_comes_again_is_no_row_and_may_move_the_columns(opened, log):
    append(log, "I out,U out\n1,22.0\n")
    driver = opened(csv_tail(log, {"u": {"column": "U out"}}))
    append(log, "250,22.1\nt,U out,I out\n5,22.2,250\n")
    assert [reading.value for reading in next_readings(driver, 2)] == [22.1, 22.2]


def test_several_tables_each_with_its_columns(opened, tmp_path):
    path = tmp_path / "tables.csv"
    path.write_text("t,U\n1,5\n\nt,T1,I\n1,20,7\n")
    channels = {"u": {"column": "U"}, "i": {"column": "I"}}
    driver = opened(csv_tail(path, channels, tables=True))
    append(path, "2,21,8\n\nt,U\n3,6\n\nt,T1,I\n4,22,9\n")
    assert [(one.channel, one.value) for one in next_readings(driver, 3)] == [("i", 8.0), ("u", 6.0), ("i", 9.0)]


def test_several_tables_need_columns_by_name(log):
    with pytest.raises(BenchmonError, match="by name"):
        csv_tail(log, {"u": {"column": 2}}, tables=True)


@pytest.mark.parametrize(("keys", "value"), [({}, 22.1), ({"separator": ","}, None)])
def test_the_separator_is_that_of_the_file_unless_the_bench_file_gives_one(opened, tmp_path, keys, value):
    path = tmp_path / "sep.csv"
    path.write_text("sep=;\nt;U\n" if not keys else "sep=;\nt,U\n")
    driver = opened(csv_tail(path, {"u": {"column": "U"}}, **keys))
    append(path, "1;22.1\n")
    assert next_readings(driver)[0].value == value


@pytest.mark.parametrize(("name", "says"), [("none.csv", "is the logger running"), (".", "is a folder")])
def test_a_file_that_is_not_there(tmp_path, name, says):
    with pytest.raises(InstrumentError, match=says):
        csv_tail(tmp_path / name, {"u": {"column": 2}}).open()


def test_a_name_without_a_header_is_refused(tmp_path):
    with pytest.raises(ValueError, match="u cannot have a column by name"):
        csv_tail(tmp_path / "x", {"u": {"column": "U"}}, header=False)


def test_an_endless_line_is_let_go(tmp_path):
    path = tmp_path / "x"
    path.write_bytes(b"")
    file = GrowingFile(path, header=False)
    file.open()
    for _ in range(5):
        add(path, 10_000 * "x")
        assert file.lines() == []
    add(path, "\n1\n")
    assert file.lines() == [b"1"]
    file.close()


def test_a_short_file_that_grows_while_it_is_opened_is_read_on(tmp_path, monkeypatch):
    path, fstat = tmp_path / "x", os.fstat
    path.write_bytes(b"old\n")

    def grows(number):
        found = fstat(number)
        add(path, "1.5\n")
        return found

    monkeypatch.setattr(os, "fstat", grows)
    file = GrowingFile(path, header=False)
    file.open()
    monkeypatch.setattr(os, "fstat", fstat)
    file.lines()
    add(path, "2.5\n")
    assert file.lines() == [b"2.5"]
    file.close()


lines = st.lists(st.binary(max_size=30).map(lambda line: line.replace(b"\n", b"").replace(b"\r", b"")), max_size=12)


@given(lines, st.lists(st.integers(0, 400), max_size=12))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_line_comes_once_and_whole_however_it_is_written(tmp_path, written, places):
    path = tmp_path / "x"
    path.write_bytes(b"old\n")
    file = GrowingFile(path, header=False)
    file.open()
    data = b"".join(line + b"\n" for line in written)
    edges = sorted({0, len(data), *(place % (len(data) + 1) for place in places)})
    found = []
    for a, b in zip(edges, edges[1:], strict=False):  # noqa: RUF007  the two ends of a part
        with path.open("ab") as end:
            end.write(data[a:b])
        found += file.lines()
    file.close()
    assert found == written


@given(st.lists(st.binary(max_size=60), max_size=6))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_written_raises_only_instrument_errors(tmp_path, chunks):
    path = tmp_path / "log.csv"
    path.write_bytes(b"a,b\n")
    driver = csv_tail(path, {"a": {"column": "a"}, "b": {"column": 2}})
    said = ""
    try:
        driver.open()
        for chunk in chunks:
            with path.open("ab") as end:
                end.write(chunk + b"\n")
            for reading in driver.receive(0.0):
                assert (reading.value is None) == bool(reading.problem)
                assert reading.problem.isprintable()
    except BenchmonError as problem:
        said = str(problem)
    finally:
        driver.close()
    assert "report this" not in said


def test_comments_and_the_separator_of_spreadsheets_are_no_rows(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("sep=;\n# a logger\nt;U\n1;5\n")
    driver = csv_tail(path, {"u": {"column": "U"}}, separator=";", comment="#")
    driver.open()
    with path.open("a") as file:
        file.write("# 99;99\n2;6\n")
    assert [one.value for one in next_readings(driver)] == [6.0]
    # The logger copies its table elsewhere, cuts it, and begins again.
    path.write_text("sep=;\n# again\nU;t\n7;3\n")
    assert [one.value for one in next_readings(driver)] == [7.0]
    driver.close()


@pytest.mark.parametrize(("field", "value"), [("22.1 mV", 0.0221), ("12 MV", 0.012), ("5 VDC", 5.0), ("5 A", None)])
def test_a_value_in_a_file_may_have_a_unit(tmp_path, field, value):
    path = tmp_path / "log.csv"
    path.write_text("U\n")
    driver = csv_tail(path, {"u": {"column": "U"}})
    driver.open()
    with path.open("a") as file:
        file.write(f"{field}\n")
    [reading] = next_readings(driver)
    assert reading.value == (value if value is None else pytest.approx(value))
    driver.close()
    (tmp_path / "value").write_text(field)
    alone = value_file(tmp_path / "value", {"u": {}}, unit="V")
    alone.open()
    assert alone.read("u").value == (value if value is None else pytest.approx(value))


def test_a_denied_file_is_said_in_the_words_of_files(tmp_path, monkeypatch):
    def deny(path):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr("benchmon_drivers.value_file.open_ordinary", deny)
    (tmp_path / "value").write_text("5")
    driver = value_file(tmp_path / "value", {"u": {}}, unit="V")
    driver.open()
    with pytest.raises(InstrumentError, match="no permission to read the file"):
        driver.read("u")
