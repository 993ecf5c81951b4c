"""Propagation of distributions against JCGM 101:2008, and an uncertainty budget against JCGM 100:2008."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmon.prediction.monte_carlo import deviates_of, distribution_of
from benchmon.prediction.uncertainty import InputUncertainty, shares_of


@pytest.mark.parametrize(("rectangular", "half_width"), [(False, 3.92), (True, 3.879407)])
def test_sum_of_four_inputs_of_unit_deviation(rectangular, half_width):
    """JCGM 101:2008, 9.2.2 and 9.2.3: normal and rectangular inputs; 1.7 of a rectangular one is its half width √3."""
    inputs = [InputUncertainty(f"x{index}", f"X{index}", 1.0, rectangular=rectangular) for index in range(4)]
    draws = deviates_of(np.random.default_rng(2008), inputs, 400_000)
    found = distribution_of(draws.sum(axis=1), "")
    assert found.mean == pytest.approx(0.0, abs=0.02)
    assert found.deviation == pytest.approx(2.0, rel=0.005)
    assert found.high == pytest.approx(half_width, abs=0.025)
    assert found.low == pytest.approx(-half_width, abs=0.025)
    if rectangular:
        assert np.max(np.abs(draws)) <= math.sqrt(3.0)


def test_budget_of_the_end_gauge():
    """JCGM 100:2008, H.1: contributions of 25, 9.7, 2.9 and 16.6 nm combine to 32 nm; the standard's dominates."""
    parts = {"standard": 25.0, "comparison": 9.7, "temperature": 2.9, "expansion": 16.6}
    combined = math.sqrt(sum(size**2 for size in parts.values()))
    assert combined == pytest.approx(32.0, abs=0.5)
    shares = shares_of(list(parts), np.array(list(parts.values())), 0.0)
    assert shares[0] == ("standard", pytest.approx((25.0 / combined) ** 2))
    assert [label for label, _ in shares] == ["standard", "expansion", "comparison", "temperature"]
    assert sum(share for _, share in shares) == pytest.approx(1.0)
