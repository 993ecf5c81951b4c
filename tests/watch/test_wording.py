import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.watch.wording import with_uncertainty


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "text"),
    [
        (22.14, 0.21, "V", "22.14 ± 0.21 V"),
        (0.7561, 0.0123, "A", "756 ± 12 mA"),
        (0.64, 0.031, "", "0.640 ± 0.031"),
        (63.27, 5.1, "°C", "63.3 ± 5.1 °C"),
        (2300.0, 40.0, "VA", "2.300 ± 0.040 kVA"),
        (0.0, 0.003, "V", "0.0 ± 3.0 mV"),
        (-9.63, 0.0, "V", "-9.630 ± 0.000 V"),
        (math.inf, 1.0, "V", "over range V ± 1.000 V"),
    ],
)
def test_value_and_uncertainty_share_one_unit(value, uncertainty, unit, text):
    assert with_uncertainty(value, uncertainty, unit) == text


@given(st.floats(-1e15, 1e15), st.floats(0, 1e15), st.sampled_from(["V", "A", "", "°C", "Hz"]))
def test_any_pair_can_be_told(value, uncertainty, unit):
    assert " ± " in with_uncertainty(value, uncertainty, unit)
