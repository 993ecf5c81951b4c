"""The diode's law and the closed form of a path's current."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon_simulated.supply.diode import DiodeLaw, fit_forward, path_current

LAW = DiodeLaw(10e-9, 1.8, 0.02)


@given(
    drive=st.floats(-400.0, 400.0),
    resistance=st.floats(1e-3, 1e9),
    slope=st.floats(0.02, 0.3),
    saturation=st.floats(1e-15, 1e-4),
)
def test_current_and_drops_add_up_to_the_drive(drive, resistance, slope, saturation):
    current = path_current(drive, resistance, slope, saturation)
    assert current >= -saturation
    if current > 1e-3 * saturation:
        back = resistance * current + slope * math.log1p(current / saturation)
        assert back == pytest.approx(drive, rel=1e-6, abs=1e-6)
    else:
        assert drive < 0.01 * slope + resistance * saturation


@given(drive=st.floats(-50.0, 50.0), more=st.floats(1e-3, 5.0))
def test_more_drive_never_gives_less_current(drive, more):
    assert path_current(drive + more, 2.0, 0.05, 1e-9) >= path_current(drive, 2.0, 0.05, 1e-9)


def test_a_warm_junction_drops_about_two_millivolts_less_per_kelvin():
    # From memory; 1 A, 25 to 75 °C.
    fall = (LAW.forward_voltage(1.0, 75.0) - LAW.forward_voltage(1.0, 25.0)) / 50.0
    assert -0.0025 < fall < -0.0010


def test_forward_points_of_a_law_give_the_law_back():
    points = tuple((LAW.forward_voltage(amperes), amperes) for amperes in (0.01, 0.1, 0.5, 1.0, 3.0, 10.0))
    fitted = fit_forward(points)
    assert fitted.emission == pytest.approx(1.8, rel=1e-4)
    assert fitted.series_resistance == pytest.approx(0.02, rel=1e-3)
    assert fitted.saturation_current == pytest.approx(10e-9, rel=1e-3)


@pytest.mark.parametrize(
    "points",
    [((0.72, 0.1), (0.95, 3.0)), ((0.6, 0.01), (0.8, 1.0), (0.81, 3.0)), ((0.3, 0.001), (0.31, 0.1), (2.0, 1.0))],
)
def test_a_fit_stays_a_diode_whatever_the_points(points):
    fitted = fit_forward(points)
    assert fitted.saturation_current > 0
    assert fitted.emission > 0
    assert fitted.series_resistance >= 0
    if len(points) == 2:
        assert [fitted.forward_voltage(amperes) for _, amperes in points] == pytest.approx([0.72, 0.95], rel=1e-4)
