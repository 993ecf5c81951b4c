"""Numbers, digits and segments in frames: the manual's worked examples, and that no frame gives a number it lacks."""

import math
import re
from importlib.resources import files

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from benchmon.bench import read_bench
from benchmon.errors import BadReply
from benchmon.instruments.registry import prepare
from benchmon.instruments.testing.fake_instrument import FakeSerialInstrument
from benchmon.instruments.types import DrivenChannel
from benchmon.quantities import VOLTAGE, parse_value
from benchmon_drivers.serial.frame_numbers import CHECKSUMS, SerialFramesChannel, frame_value
from benchmon_drivers.serial.frames import (
    FrameLayout,
    FrameSplitter,
    SerialFramesDriver,
    SerialFramesSettings,
    joined_halves,
)
from support.far_ends.receiving import next_readings
from support.supplies import supply

PAGE = files("benchmon").joinpath("manual/serial-frames.md").read_text("utf-8")
EXAMPLES = re.findall(r"Sent:\s`([0-9A-F ]+)`\. Read: `([^`]+)`\..*?```toml\n(.*?)```", PAGE, re.DOTALL)
TABLE = {"3F": "0", "06": "1", "5B": "2", "4F": "3", "66": "4", "6D": "5", "7D": "6", "07": "7", "7F": "8", "6F": "9"}


def channel(**keys):
    announced = {"point", "exponent", "ranges", "fixed_range"} & keys.keys()
    return SerialFramesChannel.model_validate({"at": 1} | ({} if announced else {"fixed_range": True}) | keys)


@pytest.mark.parametrize(("sent", "read", "text"), EXAMPLES)
def test_a_worked_example_of_the_manual(opened, sent, read, text):
    with FakeSerialInstrument() as end:
        [driver] = prepare(read_bench(supply() + text.replace("/dev/ttyUSB0", end.path), "bench.toml"))
        opened(driver)
        end.send(3 * bytes.fromhex(sent))
        assert next_readings(driver)[0].value == pytest.approx(parse_value(read, VOLTAGE), rel=1e-12)


def test_the_manual_has_three_worked_examples():
    assert len(EXAMPLES) == 3


@pytest.mark.parametrize(
    ("keys", "frame", "value"),
    [
        ({"format": "u24"}, b"\x00\x01\x02\x03", 0x010203),
        ({"format": "<u24"}, b"\x00\x01\x02\x03", 0x030201),
        ({"format": "s24"}, b"\x00\xff\xff\xfe", -2),
        ({"format": "bcd", "count": 2}, b"\x00\x12\x34", 1234),
        ({"format": "<bcd", "count": 2}, b"\x00\x12\x34", 3412),
        ({"format": "bcd", "count": 2, "mask": 0x0F}, b"\x00\x51\x62", 12),
        ({"format": "ascii", "count": 5}, b"\x00-1.50", -1.5),
        ({"format": "ascii", "count": 4}, b"\x00  7\x00", 7),
        ({"format": "ascii", "count": 5}, b"\x001.50-", -1.5),
        ({"format": "hex", "count": 4}, b"\x0008a6", 2214),
        ({"format": "ascii", "count": 3, "step": 2}, b"\x001x2x3", 123),
        ({"format": "ascii", "count": 4}, b"\x00 0.L", math.inf),
        ({"format": "ascii", "count": 4, "sign": [0, 1]}, b"\x01 0.L", -math.inf),
        ({"format": "B", "sign": [0, 6]}, b"\x04\x05", -5),
        ({"format": "B", "exponent": [0, 0x70, -2]}, b"\x30\x05", 50),
        ({"format": "B", "overload_bits": [0, 2], "factor": -1}, b"\x02\x05", -math.inf),
        ({"format": "B", "when": [[0, 0xF0, 0x20]]}, b"\x2a\x05", 5),
        ({"format": "B", "when": [[0, 0xF0, 0x20], [0, 1, 1]]}, b"\x2a\x05", None),
        ({"format": "B", "point": [[0, 1, 1], [0, 2, 2], [0, 0, 0]]}, b"\x02\x05", 0.05),
        ({"format": "B", "point": [[0, 1, 1], [0, 2, 2], [0, 0, 0]]}, b"\x00\x05", 5),
    ],
)
def test_what_a_frame_shows(keys, frame, value):
    assert frame_value(channel(**keys), frame) == (value if value is None else pytest.approx(value))


@pytest.mark.parametrize(
    ("keys", "frame", "says"),
    [
        ({"format": "bcd", "count": 2}, b"\x00\x1a\x34", "not a number"),
        ({"format": "ascii", "count": 4}, b"\x001 23", "not a number"),
        ({"format": "ascii", "count": 4}, b"\x00-12-", "not a number"),
        ({"format": "hex", "count": 4}, b"\x00 -a6", "not a hexadecimal number"),
        ({"format": "ascii", "count": 4}, b"\x00    ", "not a number"),
        ({"format": "segments", "count": 1, "segments": TABLE}, b"\x00\x55", "not in its table"),
        ({"format": "B", "point": [[0, 1, 1], [0, 2, 2]]}, b"\x00\x05", "0 decimal points"),
        ({"format": "B", "point": [[0, 1, 1], [0, 2, 2]]}, b"\x03\x05", "2 decimal points"),
        ({"format": "B", "ranges": [{"when": [[0, 255, 1]], "factor": 0.1}]}, b"\x02\x05", "none of its ranges"),
        ({"format": "B", "exponent": [0, 255, 0]}, b"\xff\x05", "implausible"),
        ({"format": "B", "sign": [7, 1]}, b"\x02\x05", "a frame of 2 bytes"),
    ],
)
def test_what_does_not_say_its_range_or_is_no_digit_is_no_reading(keys, frame, says):
    found = frame_value(channel(**keys), frame)
    assert isinstance(found, BadReply)
    assert says in str(found)


@pytest.mark.parametrize("keys", [{"format": "bcd"}, {"format": "segments", "segments": TABLE}])
def test_digits_that_do_not_say_their_range_are_refused(keys):
    with pytest.raises(ValidationError, match="nothing announces the range"):
        channel(count=2, fixed_range=False, **keys)
    channel(count=2, fixed_range=True, **keys)


@pytest.mark.parametrize(("digits", "value"), [(b"2214", None), (b"22.1", 22.1), (b" 0.L", math.inf)])
def test_text_without_a_point_is_no_reading_where_the_range_is_not_fixed(digits, value):
    found = frame_value(channel(format="ascii", count=4, fixed_range=False), b"\x00" + digits)
    assert "range is not known" in str(found) if value is None else found == value


def test_integers_without_a_range_are_cautioned_of():
    keys = {"at": 2, "format": ">h"}
    with FakeSerialInstrument() as end:
        settings = SerialFramesSettings.model_validate({"address": end.path, "sync": "AA", "length": 6})
        channels = [
            DrivenChannel(name, "V", 1.0, 1.0, SerialFramesChannel.model_validate(keys | more))
            for name, more in {"u": {}, "fixed": {"fixed_range": True}, "float": {"format": ">f"}}.items()
        ]
        [caution] = SerialFramesDriver("meter", settings, channels).cautions()
    assert caution.startswith("u: its frame announces no range")


@pytest.mark.parametrize(
    "keys",
    [
        {"format": "bcd"},
        {"format": "B", "count": 2},
        {"format": "segments", "count": 2},
        {"format": "segments", "count": 2, "segments": {"3F": "00"}},
        {"format": "B", "sign": [0, 0]},
        {"format": "B", "point": [[0, 0, 0], [0, 1, 1]]},
    ],
)
def test_keys_that_do_not_fit_are_refused(keys):
    with pytest.raises(ValidationError):
        channel(**keys)


@pytest.mark.parametrize(
    ("name", "check"),
    [
        ("sum16", 0x01DD),
        ("negated sum", 0x23),
        ("inverted sum", 0x22),
        ("crc8", 0xF4),
        ("ccitt", 0x29B1),
        ("xmodem", 0x31C3),
    ],
)
def test_the_check_value_of_a_checksum(name, check):
    """Over 123456789, as catalogues of CRCs give them (from memory); the sums by hand: 9 · 53 = 477 = 1DD in hex."""
    assert CHECKSUMS[name][1](b"123456789") == check


DISPLAY = channel(
    format="segments",
    count=4,
    step=2,
    mask=0x7F,
    segments=TABLE,
    sign=[1, 0x80],
    point=[[3, 128, 3], [5, 128, 2], [7, 128, 1]],
)


def read_by_eye(data):
    """Return what a display of four digits shows, None where it shows no number; from the segments alone."""
    halves = [byte & 15 for byte in data]
    shown, digits = [halves[at] * 16 + halves[at + 1] for at in (1, 3, 5, 7)], ""
    points = [place for place in (1, 2, 3) if shown[place] > 127]
    for code in shown:
        digits += TABLE.get(f"{code % 128:02X}", "?")
    if "?" in digits or len(points) != 1:
        return None
    return (-1 if shown[0] > 127 else 1) * float(f"{digits[: points[0]]}.{digits[points[0] :]}")


def read_by_driver(data):
    """Return what the driver reads, None where it refuses."""
    found = frame_value(DISPLAY, joined_halves(data))
    return None if isinstance(found, BadReply) else pytest.approx(found, rel=1e-12)


digit = st.tuples(st.sampled_from([*(int(code, 16) for code in TABLE), 0x55]), st.booleans())
displays = st.lists(digit, min_size=4, max_size=4).map(
    lambda digits: bytes(
        [0x10, *(half for code, bit in digits for half in divmod(code + 128 * bit, 16)), 0, 0, 0, 0, 0]
    )
)


@given(st.one_of(displays, st.binary(min_size=14, max_size=14)))
def test_a_display_is_read_as_by_eye_or_not_at_all(data):
    assert read_by_eye(data) == read_by_driver(data)


@pytest.mark.long
@pytest.mark.timeout(3600)
@settings(max_examples=100_000)
@given(st.one_of(displays, st.binary(min_size=14, max_size=14)))
def test_100_000_displays_are_read_as_by_eye_or_not_at_all(data):
    assert read_by_eye(data) == read_by_driver(data)


@given(st.binary(max_size=40))
def test_numbered_halves_are_found_again_after_noise(noise):
    frame = bytes(16 * number + 5 for number in range(1, 15))
    splitter = FrameSplitter(FrameLayout(length=14, halves=True))
    assert splitter.feed(noise + 3 * frame, 1.0)[-1] == frame
