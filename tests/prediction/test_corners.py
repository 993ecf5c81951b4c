"""Corners within the tolerances: limits of 95 % in place of a first-order uncertainty that knows one side only."""

import numpy as np
import pytest

from benchmon.cli.output import prediction_as_dict, prediction_as_text
from benchmon.prediction import predict
from benchmon.prediction.monte_carlo import monte_carlo
from benchmon.prediction.operating_point import OperatingPointPredictor
from support.circuits.drawn import capacitor, choke, plain, resistor

RESERVOIR = [capacitor(2.2e-3)]


def regulated(volts: float):
    return plain(filter=RESERVOIR, regulator={"output_voltage": volts, "dropout": 1.5})


def with_choke(henries: float):
    return plain(filter=[choke(henries, 0.1), capacitor(2.2e-3)], load=resistor(10.0))


CORNERS = [
    (regulated(20.4), "output.voltage.ripple"),
    (regulated(20.6), "regulator.voltage.headroom"),
    (with_choke(15e-3), "output.voltage.mean"),
]


@pytest.mark.parametrize(("bench", "quantity"), CORNERS)
def test_limits_hold_95_of_100_supplies_solved_in_full(bench, quantity):
    found = predict(bench).quantities[quantity]
    drawn = monte_carlo(bench, 100, seed=7, fast=False).values[quantity]
    assert found.low is not None
    assert found.high is not None
    room = 1e-3 * abs(found.value) + 1e-6
    assert np.mean((drawn >= found.low - room) & (drawn <= found.high + room)) >= 0.9
    assert found.uncertainty == max(found.high - found.value, found.value - found.low)


@pytest.mark.parametrize("bench", [regulated(12.0), with_choke(0.2), with_choke(5e-3), plain(filter=RESERVOIR)])
def test_away_from_a_corner_there_are_none(bench):
    assert all(found.low is None and found.high is None for found in predict(bench).quantities.values())


def test_they_are_printed():
    bench = regulated(20.4)
    prediction = predict(bench)
    entry = prediction_as_dict(bench, prediction)["quantities"]["output.voltage.ripple"]
    assert entry["low"] <= entry["value"] <= entry["high"]
    assert "low" not in prediction_as_dict(bench, prediction)["quantities"]["mains.frequency"]
    assert "runs out of headroom" in " ".join(prediction_as_text(bench, prediction).split())


def test_limits_follow_the_measured_mains():
    bench, name = regulated(20.4), "output.voltage.ripple"
    predictor = OperatingPointPredictor(bench)
    near, between = (predictor.around(230.0).expected(name, volts) for volts in (230.0, 231.5))
    for found in (near, between):
        assert found.low is not None
        assert found.high is not None
        assert found.low <= found.value <= found.high
        assert found.uncertainty == pytest.approx(max(found.high - found.value, found.value - found.low))
    # More mains, more headroom: less ripple at worst.
    assert between.high < near.high
