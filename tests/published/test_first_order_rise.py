"""Fits of a first-order rise against outside figures."""

import numpy as np
import pytest

from benchmon.watch.heating.first_order_fit import fit_curve

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
    assert fit.deviation * np.sqrt(np.diag(fit.unit_covariance)) == pytest.approx(CERTIFIED_DEVIATIONS, rel=1e-7)
    assert fit.deviation == pytest.approx(0.10187876330, rel=1e-7)
