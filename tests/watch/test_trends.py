"""Noise, trend tests and the streaming statistics, by their properties and an independent reference."""

import math

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from benchmon.watch.drift.blocks import NoiseEstimate, onset_of, score_for, trend_of

FINITE = st.floats(-1e6, 1e6)


def noise_of(values):
    noise = NoiseEstimate()
    for value in values:
        noise.add(float(value))
    return noise


def test_noise_is_the_deviation_of_normal_noise():
    values = np.random.default_rng(1).normal(22.0, 0.005, (200, 66))
    assert np.mean([noise_of(row).deviation for row in values]) == pytest.approx(0.005, rel=0.05)


@given(st.floats(-5, 5), FINITE)
def test_noise_ignores_level_and_steady_movement(slope, level):
    values = np.random.default_rng(2).normal(0.0, 1.0, 66)
    moved = values + slope * np.arange(66) + level
    assert noise_of(moved).deviation == pytest.approx(noise_of(values).deviation, rel=1e-4)


def test_spikes_and_a_step_hardly_change_the_noise():
    values = np.random.default_rng(3).normal(0.0, 1.0, 66)
    hurt = values.copy()
    hurt[[10, 40]] += 500.0
    hurt[25:] += 100.0
    assert noise_of(hurt).deviation == pytest.approx(noise_of(values).deviation, rel=0.35)


def test_a_coarse_display_has_the_noise_of_its_last_digit():
    values = [20.0] * 30 + [20.1] + [20.0] * 30
    assert noise_of(values).deviation == pytest.approx(0.1 / math.sqrt(12), rel=1e-6)


def test_values_that_never_change_have_no_noise():
    assert noise_of([5.0] * 20).deviation == 0.0


@pytest.mark.parametrize("seed", range(5))
def test_trend_is_that_of_the_reference(seed):
    random = np.random.default_rng(seed)
    times = np.cumsum(random.uniform(0.5, 1.5, 40))
    values = 0.03 * times + random.normal(0.0, 1.0, 40)
    trend = trend_of(times, values)
    slope, _, low, high = scipy.stats.theilslopes(values, times, 0.95)
    assert trend.slope == pytest.approx(slope)
    # The reference knows no memory of the noise, so its interval may only be narrower.
    assert trend.low <= low + 0.1 * abs(high - low)
    assert trend.high >= high - 0.1 * abs(high - low)
    tau = scipy.stats.kendalltau(times, values)
    assert 2.0 * scipy.stats.norm.sf(abs(trend.score)) == pytest.approx(tau.pvalue, abs=0.1)


@given(st.floats(0.001, 1000), st.floats(-100, 100))
def test_a_trend_scales_with_unit_and_offset(factor, offset):
    times = np.arange(20.0)
    values = 0.1 * times + np.random.default_rng(4).normal(0.0, 1.0, 20)
    plain, scaled = trend_of(times, values), trend_of(times, factor * values + offset)
    assert scaled.slope == pytest.approx(factor * plain.slope, rel=1e-6, abs=1e-9)
    assert scaled.score == pytest.approx(plain.score, abs=1e-6)


def test_noise_with_a_memory_is_no_trend():
    random = np.random.default_rng(6)
    beyond = 0
    for _ in range(200):
        walk = np.zeros(60)
        for index in range(1, 60):
            walk[index] = 0.7 * walk[index - 1] + random.normal()
        beyond += abs(trend_of(np.arange(60.0), walk).score) > score_for(0.01)
    assert beyond <= 16  # a test that knew no memory would find about 60


def test_the_bend_is_found():
    times = np.arange(60.0)
    values = np.maximum(times - 33.0, 0.0) + np.random.default_rng(7).normal(0.0, 0.5, 60)
    assert onset_of(times, values) == pytest.approx(33.0, abs=4.0)


def test_score_for_a_false_alarm():
    assert score_for(0.05) == pytest.approx(1.959964, abs=1e-6)  # the normal distribution's 97.5 % point
