"""A meter's corrections: zero and gain taken off every reading, dates of its calibration, a zero that is taken."""

from __future__ import annotations

from datetime import date

import pytest

from benchmon.bench import calibration_cautions, read_bench
from benchmon.errors import BadInput, BenchFileError
from benchmon.instruments.acquisition import Acquisition
from benchmon.instruments.registry import prepare
from support.supplies import supply

CHANNEL = """
[[instrument]]
name = "DMM"
driver = "hand"
[[channel]]
name = "output"
instrument = "DMM"
quantity = "output.voltage.mean"
scale = 10
"""


def bench_with(more):
    return read_bench(supply() + CHANNEL + more)


def typed(driver, text):
    driver.open()
    driver.enter_manual("output", text, 1.0)
    [reading] = driver.receive(0.01)
    return reading.value


def test_a_reading_is_what_is_shown_times_its_ratio_less_the_zero_times_the_gain():
    [driver] = prepare(bench_with('zero = "20 mV"\ngain = 1.01\n'))
    assert typed(driver, "2.002 V") == pytest.approx((20.02 - 0.02) * 1.01)


def test_a_zero_that_is_taken_adds_to_that_of_the_bench_file():
    bench = bench_with('zero = "20 mV"\ngain = 1.01\n')
    [driver] = prepare(bench)
    acquisition = Acquisition(bench, print, drivers=[driver])
    shorted = typed(driver, "5 mV")
    assert acquisition.take_zero("output", shorted) == pytest.approx(0.05)
    driver.enter_manual("output", "5 mV", 2.0)
    [reading] = driver.receive(0.01)
    assert reading.value == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(BadInput, match="nothing is not a channel"):
        acquisition.take_zero("nothing", 1.0)


def test_a_meter_is_due_a_year_after_its_calibration_unless_a_date_is_given():
    [channel] = bench_with('calibrated = 2026-03-01\nserial = "M-7"\n').channel
    assert channel.due_date == date(2027, 3, 1)
    assert channel.meter_in_words == "M-7, calibrated 2026-03-01, due 2027-03-01"
    [channel] = bench_with("calibrated = 2026-03-01\ncalibration_due = 2026-09-01\n").channel
    assert channel.due_date == date(2026, 9, 1)


@pytest.mark.parametrize(
    ("today", "said"),
    [
        (date(2026, 12, 1), []),
        (date(2027, 2, 10), ["output: its meter M-7 is due to be calibrated on 2027-03-01."]),
        (date(2027, 3, 1), ["output: its meter M-7 was due to be calibrated on 2027-03-01."]),
        (date(2026, 1, 1), ["output: its meter M-7 is calibrated on 2026-03-01 by the bench file, which lies ahead."]),
    ],
)
def test_a_check_says_what_is_due(today, said):
    bench = bench_with('calibrated = 2026-03-01\nserial = "M-7"\n')
    assert calibration_cautions(bench.channel, today) == said


@pytest.mark.parametrize(
    ("more", "key"),
    [
        ('zero = "20 mA"', "zero"),
        ("gain = 10", "gain"),
        ('calibrated = "spring"', "calibrated"),
        ("calibrated = 2026-03-01\ncalibration_due = 2025-03-01", "calibration_due"),
        ('[[step]]\nname = "a"\nzero = ["volts"]', "zero"),
        ('[[step]]\nname = "a"\nrecord = [{ name = "b", unit = "MΩ", at_least = "2 V" }]', "at_least"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_key(more, key):
    with pytest.raises(BenchFileError, match=key):
        bench_with(more)
