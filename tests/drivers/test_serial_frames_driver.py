"""Meters with a binary output on pseudo-terminals: streaming and polled, with checksums, noise and late replies."""

import json
import math
import struct
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmon.errors import BenchmonError, InstrumentTimeout
from benchmon.instruments.testing.fake_instrument import FakeSerialInstrument, FakeTcpInstrument
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.serial.frames import SerialFramesChannel, SerialFramesDriver, SerialFramesSettings
from support.far_ends.receiving import next_readings

LAYOUT = {"sync": "AA 55", "length": 8, "checksum": "sum"}
"""AA 55, a kind, a number of two bytes, a number of two bytes, the sum."""


def frame(kind, first, second):
    body = struct.pack(">2sBhH", b"\xaa\x55", kind, first, second)
    return body + bytes([sum(body) & 0xFF])


def in_pairs(data):
    """All queries here have two bytes."""
    whole = len(data) - len(data) % 2
    return [data[n : n + 2] for n in range(0, whole, 2)], data[whole:]


def driver_at(address, channels, unit="V", **keys):
    keys = {"timeout": 0.3, "address": address} | LAYOUT | keys
    driven = [
        DrivenChannel(name, unit, 0.1, 1.0, SerialFramesChannel.model_validate(how)) for name, how in channels.items()
    ]
    return SerialFramesDriver("meter", SerialFramesSettings.model_validate(keys), driven)


@pytest.fixture
def fake_instrument():
    with FakeSerialInstrument(split=in_pairs) as end:
        yield end


FIRST = {"at": 3, "format": ">h", "factor": 0.01}


def test_a_stream_of_frames_is_read_with_its_kinds(opened, fake_instrument):
    channels = {
        "u": FIRST | {"when": [2, 1]},
        "i": FIRST | {"when": [2, 2], "offset": 1},
        "last": {"at": -3, "format": ">H"},
    }
    driver = opened(driver_at(fake_instrument.path, channels))
    fake_instrument.send(frame(1, -2210, 7) + frame(2, 50, 8))
    assert [(one.channel, one.value) for one in next_readings(driver, 4)] == [
        ("u", -22.1),
        ("last", 7.0),
        ("i", 1.5),
        ("last", 8.0),
    ]


def test_frames_are_found_again_after_noise_and_half_frames(opened, fake_instrument):
    driver = opened(driver_at(fake_instrument.path, {"u": FIRST}))
    fake_instrument.send(
        frame(1, 1, 0)[3:] + b"\xaa\x55\xaa\x55\x00" + frame(1, 200, 0) + b"\xff" * 7 + frame(1, 300, 0)
    )
    assert [one.value for one in next_readings(driver, 2)] == [2.0, 3.0]


@pytest.mark.parametrize(
    ("number", "value"),
    [(32767, math.inf), (-32768, -math.inf), (100, 1.0)],
)
def test_over_range_has_its_sign(opened, fake_instrument, number, value):
    driver = opened(driver_at(fake_instrument.path, {"u": FIRST | {"overload": [32767, -32768]}}))
    fake_instrument.send(frame(1, number, 0))
    assert next_readings(driver)[0].value == value


def test_no_value_and_implausible_floats_are_no_numbers(opened, fake_instrument):
    channels = {"none": FIRST | {"no_value": [-1]}, "f": {"at": 3, "format": ">f"}, "nan": {"at": 3, "format": ">f"}}
    driver = opened(driver_at(fake_instrument.path, channels))
    fake_instrument.send(frame(1, -1, 0x7FFF) + frame(1, 0x7E00, 0))
    readings = next_readings(driver, 6)
    assert [one.value for one in readings[:3]] == [None, None, None]
    assert "no number" in readings[0].problem
    assert "implausible" in readings[4].problem


def test_a_stream_without_a_right_frame_is_lost_and_names_what_to_check(opened, fake_instrument):
    driver = opened(driver_at(fake_instrument.path, {"u": FIRST}))
    fake_instrument.send(b"23.4 V\r\n" * 4)
    with pytest.raises(InstrumentTimeout, match="32 bytes that are no whole frame; check sync"):
        _ = [driver.receive(0.1) for _ in range(40)]


def test_frames_about_something_else_are_counted(opened, fake_instrument):
    driver = opened(driver_at(fake_instrument.path, {"u": FIRST | {"when": [2, 9]}}))
    fake_instrument.send(frame(1, 1, 1) * 3)
    with pytest.raises(InstrumentTimeout, match="3 frames, none of which is about a channel"):
        _ = [driver.receive(0.1) for _ in range(40)]


def test_a_query_brings_all_channels_that_share_it(opened, fake_instrument):
    answers = {b"\x01?": frame(1, 100, 7), b"\x02?": b"\x00" + frame(2, 200, 0)}
    fake_instrument.answer = answers.get
    channels = {"u": FIRST, "n": {"at": 5, "format": ">H"}, "v": FIRST | {"query": "02 3F"}}
    driver = opened(driver_at(fake_instrument.path, channels, query="01 3F"))
    readings = driver.read_together(["u", "n", "v"])
    assert [one.value for one in readings] == [1.0, 7.0, 2.0]
    assert fake_instrument.received == [b"\x01?", b"\x02?"]


def test_a_reply_with_a_wrong_checksum_is_no_value(opened, fake_instrument):
    fake_instrument.answer = lambda _: frame(1, 100, 7)[:-1] + b"\x00"
    driver = opened(driver_at(fake_instrument.path, {"u": FIRST}, query="01 3F"))
    assert "no whole frame" in driver.read("u").problem
    fake_instrument.answer = lambda _: frame(1, 100, 7)
    assert driver.read("u").value == 1.0


def test_a_silent_meter_is_lost(opened, fake_instrument):
    driver = opened(driver_at(fake_instrument.path, {"u": FIRST}, query="01 3F", timeout=0.1))
    with pytest.raises(InstrumentTimeout, match=r"no answer within 0\.1 s"):
        driver.read("u")


@pytest.mark.parametrize("line", ["pty", "socket"])
def test_a_late_reply_is_not_taken_for_the_next_reply(opened, line):
    def answer(question):
        if question == b"\x01?":
            time.sleep(0.35)
            return frame(1, 11100, 0)
        return frame(1, 200, 0)

    with (
        FakeSerialInstrument(answer, in_pairs)
        if line == "pty"
        else FakeTcpInstrument(answer, split=in_pairs) as fake_instrument
    ):
        channels = {"a": FIRST | {"query": "01 3F"}, "b": FIRST | {"query": "02 3F"}}
        address = fake_instrument.path if line == "pty" else fake_instrument.url
        driver = opened(driver_at(address, channels, timeout=0.2, retries=0))
        for _ in range(2):
            found = {one.channel: one.value for one in driver.read_together(["a", "b"])}
            assert found["a"] in (None, 111.0)
            assert found["b"] in (None, 2.0)


def test_the_setup_is_sent_on_opening(opened, fake_instrument):
    opened(driver_at(fake_instrument.path, {"u": FIRST}, setup=["01 02", "FF 00"]))
    deadline = time.monotonic() + 60
    while len(fake_instrument.received) < 2:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    assert fake_instrument.received == [b"\x01\x02", b"\xff\x00"]


def test_a_length_in_the_frame_and_crc(opened, fake_instrument):
    driver = opened(
        driver_at(
            fake_instrument.path,
            {"u": {"at": 3, "format": "<f"}},
            length=None,
            length_at=2,
            length_adds=5,
            checksum="crc16",
        )
    )
    good = bytes.fromhex("AA 55 04 00 00 B0 41")
    fake_instrument.send(good + crc_bit_by_bit(good))
    assert next_readings(driver)[0].value == 22.0


def crc_bit_by_bit(data):
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"sync": "AA 5"}, "hexadecimal"),
        ({"sync": 5}, "hexadecimal"),
        ({"length": None}, "give either length, or length_at"),
        ({"length_at": 2}, "give either length, or length_at"),
        ({"sync": "", "checksum": "none"}, "needs sync bytes, a checksum"),
        ({"length": 2}, "leaves no room for sync, checksum and tail, which take 3"),
        ({"checksum": "md5"}, "'sum'"),
        ({"address": ""}, "must be a serial port"),
    ],
)
def test_settings_that_cannot_be_are_refused(keys, says):
    with pytest.raises(ValueError, match=says):
        SerialFramesSettings.model_validate({"address": "/dev/x"} | LAYOUT | keys)


@pytest.mark.parametrize("layout", ["h", ">h", "<f", ">d", "B"])
def test_formats_of_one_number_are_taken(layout):
    assert SerialFramesChannel.model_validate({"at": 3, "format": layout}).format == layout


@pytest.mark.parametrize("layout", ["", ">hh", "4s", "x", "@h", ">e", "h h"])
def test_other_formats_are_refused(layout):
    with pytest.raises(ValueError, match="one number of Python's struct"):
        SerialFramesChannel.model_validate({"at": 3, "format": layout})


def test_a_field_outside_the_frame_is_refused_before_anything_is_opened():
    with pytest.raises(ValueError, match=r"frames of 8 bytes have no >f at 5, which u wants"):
        driver_at("/dev/x", {"u": {"at": 5, "format": ">f"}})


def test_channels_with_and_without_a_query_is_refused():
    with pytest.raises(ValueError, match=r"with a query and without \(b\)"):
        driver_at("/dev/x", {"a": FIRST | {"query": "01"}, "b": FIRST})


@pytest.fixture(scope="module")
def fuzzed_end():
    with FakeSerialInstrument() as end:
        yield end


@given(st.lists(st.one_of(st.binary(max_size=40), st.builds(frame, *3 * [st.integers(0, 255)])), max_size=8))
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_fuzzed_bytes_raise_only_instrument_errors(fuzzed_end, chunks):
    driver = driver_at(fuzzed_end.path, {"u": {"at": 3, "format": ">f"}}, timeout=0.05)
    said = ""
    try:
        driver.open()
        for chunk in chunks:
            fuzzed_end.send(chunk or b"\xaa")
            for reading in driver.receive(0.01):
                assert (reading.value is None) == bool(reading.problem)
    except BenchmonError as problem:
        said = str(problem)
    finally:
        driver.close()
    assert said.isprintable()
    assert "report this" not in said


def test_settings_can_be_written_down_as_a_bench_file_has_them():
    settings = SerialFramesSettings.model_validate({"address": "/dev/x", "query": "01 ff"} | LAYOUT)
    written = settings.model_dump(mode="json")
    assert (written["sync"], written["query"]) == ("AA 55", "01 FF")
    assert SerialFramesSettings.model_validate_json(json.dumps(written)) == settings
