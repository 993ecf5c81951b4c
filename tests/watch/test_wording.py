import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.quantities import Expected
from benchmon.watch.records import Flag
from benchmon.watch.wording import expected_in_words, flag_words, with_uncertainty


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "text"),
    [
        (22.14, 0.21, "V", "22.14 ± 0.21 V"),
        (0.7561, 0.0123, "A", "756 ± 12 mA"),
        (0.64, 0.031, "", "0.640 ± 0.031"),
        (63.27, 5.1, "°C", "63.3 ± 5.1 °C"),
        (2300.0, 40.0, "VA", "2.300 ± 0.040 kVA"),
        (0.0, 0.003, "V", "0.0 ± 3.0 mV"),
        (-9.63, 0.0, "V", "−9.630 ± 0.000 V"),
        (math.inf, 1.0, "V", "over range V ± 1.000 V"),
    ],
)
def test_value_and_uncertainty_share_one_unit(value, uncertainty, unit, text):
    assert with_uncertainty(value, uncertainty, unit) == text


@given(st.floats(-1e15, 1e15), st.floats(0, 1e15), st.sampled_from(["V", "A", "", "°C", "Hz"]))
def test_any_pair_has_words(value, uncertainty, unit):
    assert " ± " in with_uncertainty(value, uncertainty, unit)


@pytest.mark.parametrize(
    ("quantity", "limits", "value", "word"),
    [
        ("diode.temperature.case", {"warn_above": "80 °C"}, 85.0, "hot"),
        ("output.voltage.mean", {"warn_above": "16 V"}, 17.0, "high"),
        ("output.voltage.mean", {"warn_below": "10 V"}, 0.0, "low"),
        ("output.voltage.mean", {"warn_below": "10 V", "warn_above": "16 V"}, 17.0, "high"),
        ("output.voltage.mean", {"warn_below": "10 V"}, None, "low"),
        ("output.voltage.mean", {"warn_below": "10 V", "warn_above": "16 V"}, None, "past warning"),
        ("output.voltage.mean", {}, 3.0, "past warning"),
    ],
)
def test_what_is_past_its_warning_is_called_what_it_is(channel, quantity, limits, value, word):
    warned = channel(quantity=quantity, accuracy="0.1 %", **limits)
    assert flag_words({Flag.HOT, Flag.TRIPPED}, warned, value) == sorted([word, "tripped"])


def test_a_distortion_is_shown_in_per_cent():
    assert expected_in_words(Expected(0.81, 0.15, ""), "mains.current.thd") == "81 ± 15 %"
    assert expected_in_words(Expected(0.773, 0.046, ""), "mains.power_factor") == "0.773 ± 0.046"
