"""A supply that was on before anybody looked: how warm it was follows from the first readings of its temperatures."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmon.prediction.result import Prediction, Waveforms
from benchmon.quantities import Expected
from benchmon.watch.conditions import MeasuredConditions

TAU, AMBIENT, SETTLED = 100.0, 25.0, 75.0
PREDICTION = Prediction(
    230.0,
    50.0,
    AMBIENT,
    {"diode.temperature.case": Expected(SETTLED, 4.0, "°C")},
    {},
    Waveforms(np.zeros(1), {}),
    {"diode.temperature.case": TAU},
)


def expected_after(bench, first, later, mains=230.0, power_at=0.0):
    """Return what the case should read `later`, its first reading `first` being (seconds, °C)."""
    measured = MeasuredConditions(bench)
    case = next(channel for channel in bench.channel if channel.name == "case")
    for step in range(int(5 * later)):
        time = step / 5
        measured.observe("line", time, mains if time >= power_at else 0.0)
        if time >= first[0]:
            measured.observe("case", time, first[1])
    return PREDICTION.at("diode.temperature.case", measured.warm_for(case, later, PREDICTION)).value


def test_a_supply_found_warm_goes_on_from_there(bench):
    assert expected_after(bench, (0.0, 50.0), 0.2) == pytest.approx(50.0, abs=0.2)
    assert expected_after(bench, (0.0, 50.0), TAU) == pytest.approx(SETTLED - 25.0 * math.exp(-1), abs=0.1)
    assert expected_after(bench, (0.0, 74.9), 10.0) == pytest.approx(SETTLED, abs=0.2)


def test_what_is_hotter_than_it_should_ever_be_is_judged_by_where_it_should_settle(bench):
    assert expected_after(bench, (0.0, 110.0), 1.0) == pytest.approx(SETTLED)


def test_what_is_colder_than_the_air_began_cold(bench):
    assert expected_after(bench, (0.0, 10.0), TAU) == pytest.approx(SETTLED - 50.0 * math.exp(-1), abs=0.1)


def test_a_first_reading_that_comes_late_is_traced_back(bench):
    on_its_way = SETTLED - 50.0 * math.exp(-0.3)
    assert expected_after(bench, (30.0, on_its_way), 60.0) == pytest.approx(SETTLED - 50.0 * math.exp(-0.6), abs=0.2)


def test_a_time_constant_without_a_prediction_is_no_stumbling_block(bench):
    """A load without a rating is predicted no temperature, though how quickly it would warm is known."""
    case = next(channel for channel in bench.channel if channel.name == "case")
    measured = MeasuredConditions(bench)
    measured.observe("line", 0.0, 230.0)
    measured.observe("case", 0.0, 40.0)
    assert measured.warm_for(case, 1.0, replace(PREDICTION, quantities={})) == pytest.approx(1.0)


def test_power_that_was_seen_to_come_finds_all_cold(bench):
    """A case that is hot all the same is then no excuse for itself."""
    assert expected_after(bench, (0.0, 60.0), 10.0, power_at=5.0) == pytest.approx(
        SETTLED - 50.0 * math.exp(-0.05), abs=0.2
    )


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(first=st.floats(-40.0, 400.0), later=st.floats(0.2, 300.0))
def test_it_stays_between_cold_and_settled(bench, first, later):
    assert AMBIENT - 1e-6 <= expected_after(bench, (0.0, first), later) <= SETTLED + 1e-6
