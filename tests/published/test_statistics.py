"""Agreement of measurements, against what the standards say."""

import math

import pytest

from benchmon.watch.records import Verdict
from benchmon.watch.verdict import en_number, verdict_of


def test_en_number_of_iso_13528():
    # ISO 13528 and ISO/IEC 17043: En = (a − b)/√(Ua² + Ub²), satisfactory where |En| ≤ 1.
    en = en_number(10.05, 0.04, 10.00, 0.03)
    assert en == pytest.approx(1.000, abs=5e-4)
    assert verdict_of(en) is Verdict.AGREES


def test_en_is_twice_the_standardised_difference():
    # JCGM 100:2008, 5.1: uncorrelated standard uncertainties add as squares; expanded ones are twice those (k = 2).
    standard = math.sqrt(0.3**2 + 0.4**2)
    assert en_number(12.0, 2 * 0.3, 11.0, 2 * 0.4) == pytest.approx((12.0 - 11.0) / (2 * standard))
