"""Fits of a first-order rise against outside figures."""

import numpy as np
import pytest

from benchmon.watch.heating.first_order_fit import fit_curve, three_point_final

# NIST StRD, nonlinear regression, Misra1a: y = b1(1 − exp(−b2·x)), the shape of a first-order temperature rise.
Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]
X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
CERTIFIED = (238.94212918, 5.5015643181e-4)
CERTIFIED_DEVIATIONS = (2.7070075241, 7.2668688436e-6)
STARTS = [(500.0, 1e-4), (250.0, 5e-4)]


def misra(parameters):
    x = np.array(X)
    size, rate = parameters
    fall = np.exp(-rate * x)
    return size * (1 - fall), np.column_stack([1 - fall, size * x * fall])


@pytest.mark.parametrize("start", STARTS)
def test_misra1a_reaches_its_certified_values(start):
    fit = fit_curve(misra, np.array(Y), np.array(start))
    assert fit.parameters == pytest.approx(CERTIFIED, rel=1e-8)
    assert fit.standard_uncertainties == pytest.approx(CERTIFIED_DEVIATIONS, rel=1e-7)
    assert fit.deviation == pytest.approx(0.10187876330, rel=1e-7)


# Closed form: exact exponentials. The three-point rule is that of IEC 60076-2 (written down from memory; the closed
# form verifies it): readings at 30 min steps of a rise of 85 K with 40 min.
def test_three_points_of_an_exact_rise():
    final, time_constant = three_point_final(54.296174072, 70.496539590, 78.149050403, 30.0)
    assert (final, time_constant) == pytest.approx((85.0, 40.0), rel=1e-8)


def test_three_points_rounded_to_a_tenth():
    final, time_constant = three_point_final(54.3, 70.5, 78.1, 30.0)
    assert (final, time_constant) == pytest.approx((84.8, 39.6), abs=0.05)


def test_three_points_that_do_not_slow_down_have_no_final_value():
    assert three_point_final(10.0, 20.0, 30.0, 30.0) is None
    assert three_point_final(10.0, 20.0, 31.0, 30.0) is None
