"""Uncertainty budget: the share of each input in the variance of a result."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.prediction import predict
from benchmon.prediction.uncertainty import MODEL, shares_of, with_contribution
from support.supplies import rated

SIZES = st.lists(st.floats(0.0, 1e6), min_size=1, max_size=12)


@given(SIZES, st.floats(0.0, 1e3))
def test_shares_add_up_to_at_most_one_and_fall(sizes, model):
    shares = shares_of([f"part {index}" for index in range(len(sizes))], np.array(sizes), model)
    parts = [share for _, share in shares]
    assert sum(parts) <= 1.0 + 1e-9
    assert parts == sorted(parts, reverse=True)
    assert all(share > 0.0 for share in parts)


def test_entries_with_the_same_label_are_added_up():
    shares = dict(shares_of(["winding", "mains", "winding"], np.array([1.0, -2.0, 1.0]), 0.0))
    assert shares == pytest.approx({"mains": 2 / 3, "winding": 1 / 3})


def test_another_contribution_reduces_all_other_shares():
    assert dict(with_contribution([("a", 0.5), ("b", 0.5)], "c", 0.6)) == pytest.approx({"c": 0.6, "a": 0.2, "b": 0.2})


def test_without_uncertainty_there_are_no_shares():
    assert shares_of(["a"], np.array([0.0]), 0.0) == []


def test_a_wide_mains_tolerance_dominates_unless_the_mains_is_measured():
    wide = predict(rated())
    label, share = wide.contributions["output.voltage.mean"][0]
    assert label == "mains voltage"
    assert share > 0.7
    measured = predict(rated(), mains_voltage=230.0)
    assert "mains voltage" not in dict(measured.contributions["output.voltage.mean"])


def test_the_reservoir_s_tolerance_dominates_its_ripple():
    ripple = predict(rated(), mains_voltage=230.0).contributions["output.voltage.ripple"]
    assert ripple[0][0] == "capacitor 1"
    assert ripple[0][1] > 0.9


def test_shares_are_those_of_predictions_with_other_values():
    nominal = predict(rated())
    u = nominal.quantities["output.voltage.mean"].uncertainty / 2.0
    tolerance = 0.06 / np.sqrt(3.0)
    up, down = (predict(rated(), mains_voltage=230 * (1 + sign * tolerance)) for sign in (1, -1))
    change = (up.quantities["output.voltage.mean"].value - down.quantities["output.voltage.mean"].value) / 2.0
    share = dict(nominal.contributions["output.voltage.mean"])["mains voltage"]
    assert share == pytest.approx((change / u) ** 2, rel=0.02)


def test_every_quantity_has_its_contributions():
    prediction = predict(rated())
    for name, expected in prediction.quantities.items():
        shares = prediction.contributions[name]
        assert sum(share for _, share in shares) <= 1.0 + 1e-9
        assert shares
        assert expected.uncertainty > 0.0
    case = dict(prediction.contributions["diode.temperature.case"])
    assert "where the probe sits" in case
    assert MODEL in dict(prediction.contributions["mains.frequency"])
