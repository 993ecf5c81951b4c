"""What a simulated meter shows of a true value."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.bench import Accuracy, Channel
from benchmon_simulated.meters.meter import Display, Meter, Settling, WarmUp
from benchmon_simulated.supply.supply import Snapshot


def channel(**keys):
    given = {"name": "output", "instrument": "meter", "quantity": "output.voltage.mean", "accuracy": "0.5 % + 20 mV"}
    return Channel.model_validate(given | keys)


def shot(value, time=0.0, quantity="output.voltage.mean"):
    return Snapshot(time, {quantity: value}, {})


@given(value=st.floats(-900.0, 900.0), seed=st.integers(0, 10_000), time=st.floats(0.0, 3600.0))
def test_a_reading_lies_within_the_stated_accuracy(value, seed, time):
    meter = Meter(channel(), seed)
    # Noise is normal; four of its deviations are 0.16 of the accuracy, the systematic part at most 0.7.
    readings = [meter.read(shot(value, time)) for _ in range(20)]
    assert abs(float(np.mean(readings)) - value) <= 0.9 * Accuracy(0.005, 0.02).of(value)


def test_readings_of_a_steady_value_differ_by_noise_and_end_on_the_last_digit():
    meter = Meter(channel(), seed=3)
    readings = [meter.read(shot(20.0)) for _ in range(50)]
    assert len(set(readings)) > 3
    assert np.std(readings) < 0.1 * 0.12
    assert all(round(reading, 3) == reading for reading in readings)


def test_the_same_seed_reads_the_same_and_another_channel_reads_otherwise():
    first, again = (Meter(channel(), seed=3).read(shot(20.0)) for _ in range(2))
    other = Meter(channel(name="second"), seed=3).read(shot(20.0))
    assert first == again
    assert first != other


def test_the_instrument_shows_the_value_before_the_channel_s_scale():
    # A clamp of 10 mV/A on a voltmeter: the channel multiplies by 100.
    keys = {"quantity": "mains.current.rms", "accuracy": "1 %", "scale": 100}
    reading = Meter(channel(**keys), seed=1).read(shot(2.0, quantity="mains.current.rms"))
    assert reading * 100 == pytest.approx(2.0, rel=0.01)


def test_beyond_the_range_is_overload_and_nothing_to_measure_is_no_number():
    meter = Meter(channel(), seed=1)
    assert meter.read(shot(1200.0)) == math.inf
    assert Meter(channel(), seed=1).read(shot(-1200.0)) == -math.inf
    assert math.isnan(Meter(channel(), seed=1).read(shot(math.nan)))


def test_a_meter_that_saw_no_number_reads_again_when_there_is_one():
    meter = Meter(channel(), seed=1)
    meter.read(shot(math.nan))
    assert meter.read(shot(20.0, 1.0)) == pytest.approx(20.0, abs=0.12)


def test_a_step_is_followed_with_the_filter_s_time_constant():
    filter_ = Settling(0.5)
    assert filter_.shown(10.0, 0.0) == 10.0
    assert filter_.shown(20.0, 0.5) == pytest.approx(20.0 - 10.0 * math.exp(-1.0))
    assert filter_.shown(20.0, 10.0) == pytest.approx(20.0, abs=1e-6)


def test_the_error_of_a_cold_meter_goes_away():
    warming = WarmUp(0.01, 100.0)
    assert warming.shown(50.0, 0.0) == pytest.approx(50.5)
    assert warming.shown(50.0, 100.0) == pytest.approx(50.0 + 0.5 * math.exp(-1.0))
    assert warming.shown(50.0, 5000.0) == pytest.approx(50.0)


@given(value=st.floats(-900.0, 900.0), relative=st.floats(1e-6, 0.1), absolute=st.floats(1e-6, 1.0))
def test_the_last_digit_is_fine_enough_for_the_accuracy(value, relative, absolute):
    accuracy = Accuracy(relative, absolute)
    assert abs(Display(accuracy, 1000.0).shown(value, 0.0) - value) <= 0.11 * accuracy.of(value)
