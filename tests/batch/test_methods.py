"""The statistical methods, against published tables and worked examples, and against scipy."""

import math

import numpy as np
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.batch.methods import (
    LEVELS,
    OutlierKind,
    capability_of,
    chi_square_quantile,
    deviation_limits,
    grubbs_critical,
    is_normal,
    outlying,
    student_quantile,
    tolerance_factor,
)


@settings(max_examples=40)
@given(st.integers(1, 2000), st.floats(1e-6, 0.999))
def test_quantiles_are_those_of_scipy(freedom, probability):
    # One per cent over ten thousand units is 1e-6.
    assert chi_square_quantile(probability, freedom) == pytest.approx(
        scipy.stats.chi2.isf(probability, freedom), rel=1e-9
    )
    assert student_quantile(probability, freedom) == pytest.approx(
        scipy.stats.t.isf(probability / 2, freedom), rel=1e-8, abs=1e-9
    )


# ISO 5725-2, table of critical values for Grubbs' test of one outlying observation, from memory; its last digit is
# rounded upwards.
@pytest.mark.parametrize(
    ("count", "at_1", "at_5"),
    [
        (3, 1.155, 1.155),
        (4, 1.496, 1.481),
        (5, 1.764, 1.715),
        (6, 1.973, 1.887),
        (7, 2.139, 2.020),
        (8, 2.274, 2.126),
        (9, 2.387, 2.215),
        (10, 2.482, 2.290),
        (15, 2.806, 2.549),
        (20, 3.001, 2.709),
    ],
)
def test_critical_values_are_those_of_the_standard(count, at_1, at_5):
    assert grubbs_critical(count, 0.01) == pytest.approx(at_1, abs=1.1e-3)
    assert grubbs_critical(count, 0.05) == pytest.approx(at_5, abs=1.1e-3)


def test_grubbs_worked_example():
    """NIST/SEMATECH e-Handbook, 1.3.5.17.1: 245.57 is an outlier among eight masses, G = 2.4687 against 2.032."""
    masses = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    assert outlying(masses) == {7: OutlierKind.OUTLIER}
    assert outlying(masses[:7]) == {}


def test_several_outliers_worked_example():
    """Rosner 1983, as in NIST/SEMATECH e-Handbook, 1.3.5.17.3: at 5 % the three largest of 54 values are outliers."""
    values = """-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70 1.76 1.77
    1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54 2.62 2.64 2.90 2.92 2.92
    2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01"""
    found = outlying(np.array([float(value) for value in values.split()]))
    assert set(found) == {51, 52, 53}


def test_two_outliers_beside_each_other_do_not_hide():
    """Each of the two makes the deviation so large that a single test finds neither."""
    values = np.concatenate([np.linspace(9.9, 10.1, 28), [11.0, 11.0]])
    assert set(outlying(values)) == {28, 29}


def test_normal_values_seldom_have_an_outlier():
    random = np.random.default_rng(1)
    found = [outlying(random.standard_normal(40)) for _ in range(600)]
    for kind, worse in ((OutlierKind.STRAGGLER, LEVELS[OutlierKind.STRAGGLER]), (OutlierKind.OUTLIER, 0.01)):
        kinds = {OutlierKind.OUTLIER, kind}
        share = np.mean([bool(kinds & set(one.values())) for one in found])
        assert share <= worse + 3.0 * math.sqrt(worse / 600)


def test_equal_values_and_the_last_digit_of_a_meter_are_no_outliers():
    assert outlying(np.full(9, 4.2)) == {}
    values = np.full(30, 5.00)
    values[7] = 5.01
    assert outlying(values, least=0.02) == {}
    assert outlying(values) == {7: OutlierKind.OUTLIER}


# Two-sided factors, mean and deviation unknown, from memory of ISO 16269-6 and of R. E. Odeh, D. B. Owen, Tables for
# Normal Tolerance Limits, 1980.
@pytest.mark.parametrize(
    ("count", "content", "confidence", "factor"),
    [
        (2, 0.95, 0.95, 36.519),
        (3, 0.95, 0.95, 9.789),
        (10, 0.95, 0.95, 3.393),
        (10, 0.90, 0.95, 2.856),
        (10, 0.99, 0.95, 4.437),
        (20, 0.95, 0.95, 2.760),
        (30, 0.95, 0.95, 2.555),
        (50, 0.95, 0.95, 2.382),
        (100, 0.95, 0.95, 2.234),
    ],
)
def test_tolerance_factors_are_the_published_ones(count, content, confidence, factor):
    assert tolerance_factor(count, content, confidence) == pytest.approx(factor, abs=1e-3)


@pytest.mark.parametrize("count", [5, 43])
def test_tolerance_factors_against_an_integration_by_scipy(count):
    """The confidence of mean ± k·s: over the sample's mean, and of its deviation by chi-square."""
    factor = tolerance_factor(count, 0.9, 0.99)

    def holds(z):
        half = scipy.stats.ncx2.ppf(0.9, 1, z * z / count) ** 0.5  # |N(μ, 1)| ≤ half has the probability of its square
        return scipy.stats.norm.pdf(z) * scipy.stats.chi2.sf((count - 1) * (half / factor) ** 2, count - 1)

    assert 2.0 * scipy.integrate.quad(holds, 0.0, 9.0)[0] == pytest.approx(0.99, abs=1e-6)


def test_deviation_limits_are_those_of_chi_square():
    low, high = deviation_limits(2.0, 20)
    assert low == pytest.approx(2.0 * math.sqrt(19 / scipy.stats.chi2.ppf(0.975, 19)))
    assert high == pytest.approx(2.0 * math.sqrt(19 / scipy.stats.chi2.ppf(0.025, 19)))


def test_capability_of_limits_and_its_intervals():
    """NIST/SEMATECH e-Handbook, 6.1.6: limits 8 and 20, mean 16, deviation 2: Cp = 1.0, Cpk = 0.6667."""
    found = capability_of(16.0, 2.0, 50, (8.0, 20.0))
    assert found.pp.value == pytest.approx(1.0)
    assert found.ppk.value == pytest.approx(0.6667, abs=1e-4)
    assert found.pp.low == pytest.approx(math.sqrt(scipy.stats.chi2.ppf(0.025, 49) / 49))
    assert found.pp.high == pytest.approx(math.sqrt(scipy.stats.chi2.ppf(0.975, 49) / 49))
    assert found.ppk.low < 0.6667 < found.ppk.high
    one_sided = capability_of(16.0, 2.0, 50, (None, 20.0))
    assert one_sided.pp is None
    assert one_sided.ppk.value == pytest.approx(2 / 3)


def test_capability_intervals_hold_the_truth_as_often_as_they_say():
    random = np.random.default_rng(7)
    inside = 0
    for _ in range(500):
        values = random.normal(10.0, 1.0, 25)
        found = capability_of(float(values.mean()), float(values.std(ddof=1)), 25, (None, 14.0))
        inside += found.ppk.low <= 4.0 / 3.0 <= found.ppk.high
    assert 0.92 <= inside / 500 <= 0.98


def test_normality_is_judged_as_scipy_does():
    """`scipy.stats.anderson` has the same statistic and the critical value 0.752 before its correction for n."""
    random = np.random.default_rng(3)
    answers = set()
    for draw in (random.standard_normal, random.standard_exponential, lambda n: random.standard_t(4, n)):
        for _ in range(10):
            values = draw(30)
            scores = scipy.stats.norm.cdf(np.sort((values - values.mean()) / values.std(ddof=1)))
            odd = 2 * np.arange(1, 31) - 1
            statistic = -30 - np.mean(odd * (np.log(scores) + np.log1p(-scores[::-1])))
            assert is_normal(values) is bool(statistic * (1 + 0.75 / 30 + 2.25 / 900) <= 0.752)
            answers.add(is_normal(values))
    assert answers == {True, False}
    assert is_normal(np.array([1.0, 2.0, 3.0])) is None
