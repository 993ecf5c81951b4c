"""Measures of sampled waves: any phase, length and offset, even or uneven samples, and data that is no wave."""

from __future__ import annotations

import contextlib
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.errors import BadInput, DataFileError
from benchmon.prediction import predict
from benchmon.signals.measures import measure, measure_power
from support.supplies import rated

TURN = 2 * np.pi


def mixed(angle):
    """A wave of odd and even harmonics: rms of each order in HARMONICS, on an offset of 3."""
    return 3.0 + sum(math.sqrt(2) * size * np.sin(order * angle + order) for order, size in HARMONICS.items())


HARMONICS = {1: 10.0, 2: 0.5, 3: 4.0, 5: 2.0, 9: 0.7}
RMS = math.sqrt(9.0 + sum(size**2 for size in HARMONICS.values()))
THD = math.sqrt(sum(size**2 for order, size in HARMONICS.items() if order > 1)) / 10.0

CAPTURES = st.tuples(
    st.floats(42.0, 68.0),
    st.floats(0.0, TURN),
    st.floats(2.0, 23.0),
    st.integers(24, 300),
    st.floats(0.0, 0.45),
    st.integers(0, 2**31),
)


def capture(frequency, phase, periods, per_period, jitter=0.0, seed=0):  # noqa: PLR0917  drawn as one tuple
    """Times of a capture, unevenly sampled by `jitter` of a sample, and the wave's angle at each."""
    count = int(periods * per_period)
    steps = np.arange(count) + jitter * np.random.default_rng(seed).uniform(-1.0, 1.0, count)
    time = 0.7 + steps / (per_period * frequency)
    return time, TURN * frequency * time + phase


@given(CAPTURES)
@settings(max_examples=60, deadline=None)
def test_measures_do_not_depend_on_phase_length_or_sampling(drawn):
    time, angle = capture(*drawn)
    found = measure(time, mixed(angle))
    assert found.frequency == pytest.approx(drawn[0], rel=1e-3)
    assert found.rms == pytest.approx(RMS, rel=1e-3)
    assert found.mean == pytest.approx(3.0, abs=0.02)
    assert found.ac_rms == pytest.approx(math.sqrt(RMS**2 - 9.0), rel=1e-3)
    assert found.thd == pytest.approx(THD, abs=2e-3)
    for order, size in found.harmonics:
        assert size == pytest.approx(HARMONICS.get(order, 0.0), abs=0.03)


@given(CAPTURES)
@settings(max_examples=30, deadline=None)
def test_power_factors_do_not_depend_on_phase_length_or_sampling(drawn):
    time, angle = capture(*drawn)
    volts = 325.0 * np.sin(angle) + 6.0 * np.sin(3 * angle)
    amperes = 2.0 * np.sin(angle - 0.6) + 1.2 * np.sin(3 * angle - 1.0)
    found = measure_power(time, volts, amperes)
    active = (325.0 * 2.0 * math.cos(0.6) + 6.0 * 1.2 * math.cos(1.0)) / 2
    apparent = math.sqrt((325.0**2 + 36.0) / 2 * (4.0 + 1.44) / 2)
    assert found.active == pytest.approx(active, rel=1e-3)
    assert found.apparent == pytest.approx(apparent, rel=1e-3)
    assert found.power_factor == pytest.approx(active / apparent, abs=1e-3)
    assert found.displacement_factor == pytest.approx(math.cos(0.6), abs=1e-3)
    assert found.current.thd == pytest.approx(0.6, abs=2e-3)


@given(CAPTURES, st.floats(1e-6, 1e6), st.floats(-20.0, 20.0))
@settings(max_examples=25, deadline=None)
def test_scale_and_offset_pass_through(drawn, scale, offset):
    time, angle = capture(*drawn)
    plain, moved = measure(time, mixed(angle)), measure(time, scale * (mixed(angle) + offset))
    assert moved.frequency == pytest.approx(plain.frequency, rel=1e-6)
    assert moved.ac_rms == pytest.approx(scale * plain.ac_rms, rel=1e-6)
    assert moved.mean == pytest.approx(scale * (plain.mean + offset), rel=1e-6, abs=1e-6 * scale)
    assert moved.peak_to_peak == pytest.approx(scale * plain.peak_to_peak, rel=1e-9)
    assert moved.thd == pytest.approx(plain.thd, rel=1e-6)


def test_noise_does_not_hide_the_frequency():
    time, angle = capture(59.3, 1.0, 14.3, 200, 0.3, 5)
    noisy = mixed(angle) + np.random.default_rng(1).normal(0.0, 2.0, len(time))
    found = measure(time, noisy)
    assert found.frequency == pytest.approx(59.3, rel=1e-3)
    assert found.rms == pytest.approx(math.hypot(RMS, 2.0), rel=0.02)


def test_a_strong_third_harmonic_is_not_the_fundamental():
    time, angle = capture(50.0, 0.3, 9.7, 100)
    found = measure(time, np.sin(angle) + 2.0 * np.sin(3 * angle + 1.0))
    assert found.frequency == pytest.approx(50.0, rel=1e-4)
    assert found.thd == pytest.approx(2.0, rel=1e-3)


@pytest.mark.parametrize(("frequency", "periods"), [(50.0, 30), (60.0, 36), (100.0, 60)])
def test_windows_are_a_fifth_of_a_second(frequency, periods):
    time, angle = capture(frequency, 0.0, periods + 3.3, 100)
    assert measure(time, np.sin(angle)).cycles == periods


def test_a_short_capture_uses_whole_periods_only():
    time, angle = capture(50.0, 1.1, 3.8, 128)
    found = measure(time, 1.0 + np.sin(angle))
    assert found.cycles == 3
    assert found.mean == pytest.approx(1.0, abs=1e-6)


def test_a_known_frequency_measures_a_single_period():
    time, angle = capture(50.0, 0.4, 1.0, 64)
    found = measure(time, mixed(angle), frequency=50.0)
    assert found.cycles == 1
    assert found.rms == pytest.approx(RMS, rel=1e-6)


def test_few_samples_a_period_give_the_resolved_orders():
    time, angle = capture(50.0, 0.4, 10.0, 8)
    found = measure(time, 2.0 * np.sin(angle) + 0.5 * np.sin(3 * angle))
    assert found.thd == pytest.approx(0.25, rel=1e-6)
    assert found.rms == pytest.approx(math.sqrt(2.125), rel=1e-6)
    assert [size for order, size in found.harmonics if order > 3] == [0.0] * 37


def test_a_gap_in_the_samples_is_bridged_or_named():
    time, angle = capture(50.0, 0.4, 10.5, 200)
    small = np.ones(len(time), bool)
    small[300:340] = False
    found = measure(time[small], mixed(angle[small]))
    assert found.rms == pytest.approx(RMS, rel=2e-3)
    large = np.ones(len(time), bool)
    large[300:700] = False
    with pytest.raises(DataFileError, match=r"samples are missing|fewer than three"):
        measure(time[large], mixed(angle[large]), frequency=50.0)


def test_the_measures_of_predicted_waveforms_are_the_predicted_quantities():
    prediction = predict(rated(mains='voltage = "230 V"\nfrequency = "50 Hz"\nharmonics = [[3, "3 %", "0°"]]'))
    waves, quantities = prediction.waveforms, prediction.quantities
    time = np.arange(0.0, 0.2, 5e-5)
    volts, amperes, output = (
        np.interp(time % 0.02, waves.time, waves.traces[name], period=0.02)
        for name in ("mains.voltage", "mains.current", "output.voltage")
    )
    found = measure_power(time, volts, amperes)
    assert found.current.rms == pytest.approx(quantities["mains.current.rms"].value, rel=2e-3)
    assert found.current.thd == pytest.approx(quantities["mains.current.thd"].value, abs=2e-3)
    assert found.power_factor == pytest.approx(quantities["mains.power_factor"].value, abs=1e-3)
    assert found.displacement_factor == pytest.approx(quantities["mains.displacement_factor"].value, abs=1e-3)
    ripple = measure(time, output)
    assert ripple.frequency == pytest.approx(100.0, rel=1e-3)
    assert ripple.peak_to_peak == pytest.approx(quantities["output.voltage.ripple"].value, rel=5e-3)
    assert ripple.mean == pytest.approx(quantities["output.voltage.mean"].value, rel=1e-3)
    assert ripple.ripple_factor == pytest.approx(quantities["output.voltage.ripple_factor"].value, rel=5e-3)


TIME = np.arange(400) / 4000.0
SINE = np.sin(TURN * 50.0 * TIME)


@pytest.mark.parametrize(
    ("time", "value", "words"),
    [
        ([], [], "samples"),
        ([0.0, 1.0], [1.0, -1.0], "2 samples"),
        (TIME, SINE[:-1], "times"),
        (TIME, np.where(TIME > 0.05, np.nan, SINE), "sample 202 has no usable value"),
        (TIME, np.where(TIME > 0.05, np.inf, SINE), "no usable value"),
        (TIME, 1e30 * SINE, "no usable value"),
        (TIME, 0.0 * SINE, "zero throughout"),
        (TIME, 0.0 * SINE + 5.0, "flat"),
        (TIME[::-1], SINE, "sample 2"),
        (np.repeat(TIME[::2], 2), SINE, "sample 2"),
        (TIME[:50], SINE[:50], "repeat"),
        (TIME, TIME, "repeat"),
        (TIME, np.random.default_rng(3).normal(size=400), "repeat"),
    ],
    ids=[
        "empty",
        "two",
        "unequal",
        "nan",
        "infinite",
        "absurd",
        "zero",
        "flat",
        "backwards",
        "twice",
        "short",
        "ramp",
        "noise",
    ],
)
def test_what_is_no_wave_is_refused_in_one_line(time, value, words):
    with pytest.raises(DataFileError) as caught:
        measure(time, value)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert isinstance(caught.value, BadInput)


@pytest.mark.parametrize("frequency", [0.0, -50.0, math.nan, math.inf])
def test_no_fundamental_is_refused(frequency):
    with pytest.raises(DataFileError, match="fundamental"):
        measure(TIME, SINE, frequency=frequency)


def test_less_than_a_period_of_a_known_frequency_is_refused():
    with pytest.raises(DataFileError, match="less than one period"):
        measure(TIME[:50], SINE[:50], frequency=50.0)


@given(st.lists(st.floats(-1e3, 1e3), min_size=4, max_size=80))
@settings(deadline=None)
def test_any_numbers_give_finite_measures_or_one_line(values):
    with contextlib.suppress(DataFileError):
        found = measure(np.arange(len(values)) / 1e3, values)
        assert all(math.isfinite(number) for number in (found.rms, found.ac_rms, found.thd, found.crest_factor))
        assert found.rms <= max(abs(value) for value in values) * 2
