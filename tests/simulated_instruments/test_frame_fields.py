"""What a simulated meter's frame holds where its digits are few, read by the driver, which shares no code with it."""

import math

import pytest

from benchmon_drivers.serial.frame_numbers import SerialFramesChannel, frame_value
from benchmon_simulated.servers.driver_settings import Keys
from benchmon_simulated.servers.frame_server import FrameBits, FrameField

POINTS = [[0, 1, 3], [0, 2, 2], [0, 4, 1]]
TABLE = {"10": "-"} | {f"{0x30 + digit:02X}": str(digit) for digit in range(10)}


def read_back(value, **keys):
    keys = {"at": 1, "fixed_range": True} | keys
    bits = FrameBits(6, halves=False)
    FrameField(Keys("channel 'u'", keys)).fill(bits, value)
    return frame_value(SerialFramesChannel.model_validate(keys), bytes(bits.written()))


@pytest.mark.parametrize(
    ("keys", "value", "shows"),
    [
        ({"format": "bcd", "count": 2}, -3.0, 0.0),
        ({"format": "bcd", "count": 2}, 12_345.0, 9999.0),
        ({"format": "bcd", "count": 2, "mask": 15}, 123.0, 99.0),
        ({"format": "hex", "count": 2}, 300.0, 255.0),
        ({"format": "ascii", "count": 4}, -1234.0, -999.0),
        ({"format": "segments", "count": 3, "segments": TABLE}, -12.0, -12.0),
        ({"format": "segments", "count": 3, "segments": TABLE}, -123.0, -99.0),
        ({"format": "ascii", "count": 4, "sign": [0, 8]}, -1234.0, -1234.0),
        ({"format": "ascii", "count": 4, "point": POINTS}, 123_456.0, 999.9),
    ],
)
def test_a_number_that_the_digits_cannot_hold_becomes_the_nearest(keys, value, shows):
    assert read_back(value, **keys) == pytest.approx(shows)


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("how", [{"overload": [9999]}, {"overload_bits": [0, 16]}])
@pytest.mark.parametrize("announced", [{}, {"point": POINTS}])
def test_over_range_keeps_its_sign_and_its_code(side, how, announced):
    keys = {"format": "bcd", "count": 2, "sign": [0, 8]}
    assert read_back(side * math.inf, **keys, **how, **announced) == side * math.inf


def test_no_number_is_its_code():
    assert math.isnan(read_back(math.nan, format="bcd", count=2, point=POINTS, no_value=[7777]))
