"""Predictions at the measured mains, ambient and load."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmon.bench import Accuracy
from benchmon.errors import PredictionError
from benchmon.prediction import predict
from benchmon.prediction.operating_point import SPACING, OperatingPointPredictor
from support.supplies import rated

READINGS = (
    "output.voltage.mean",
    "mains.current.rms",
    "diode.power.mean",
    "output.voltage.ripple",
    "mains.current.thd",
)


@pytest.fixture(scope="module")
def predictor():
    return OperatingPointPredictor(rated())


def test_without_measurements_it_is_the_nominal_prediction(predictor):
    plain = predict(rated())
    assert predictor.at().quantities == plain.quantities


@pytest.mark.parametrize("volts", [230.0, 215.3, 244.9])
def test_the_terminals_have_the_measured_voltage(volts):
    weak = rated(mains={"source_resistance": "12 Ω"})
    at_measured_mains = OperatingPointPredictor(weak).at(mains_voltage=volts)
    source = volts
    for _ in range(6):
        plain = predict(weak, mains_voltage=source)
        source += volts - plain.quantities["mains.voltage.rms"].value
    assert source > volts + 1.0
    for name in READINGS:
        assert at_measured_mains.quantities[name].value == pytest.approx(plain.quantities[name].value, rel=2e-3), name
    assert at_measured_mains.mains_voltage == pytest.approx(volts, rel=5e-4)


def test_without_source_resistance_it_equals_predict():
    stiff = rated(mains='voltage = "230 V"\nfrequency = "50 Hz"\ntolerance = "6 %"')
    at_measured_mains = OperatingPointPredictor(stiff).at(mains_voltage=236.0, ambient=31.0, load=20.0)
    plain = predict(stiff, mains_voltage=at_measured_mains.mains_voltage, ambient=31.0, load=20.0)
    for name, expected in plain.quantities.items():
        if name != "mains.voltage.rms":
            assert at_measured_mains.quantities[name].value == pytest.approx(expected.value, rel=1e-3, abs=1e-9), name
            assert at_measured_mains.quantities[name].uncertainty == pytest.approx(expected.uncertainty, rel=0.02), name


def test_a_measured_mains_narrows_the_band_but_not_its_own(predictor):
    nominal, at_measured_mains = predict(rated()), predictor.at(mains_voltage=236.0)
    name = "output.voltage.mean"
    assert at_measured_mains.quantities[name].uncertainty < 0.5 * nominal.quantities[name].uncertainty
    assert at_measured_mains.quantities[name].value > nominal.quantities[name].value
    assert at_measured_mains.quantities["mains.voltage.rms"] == nominal.quantities["mains.voltage.rms"]
    assert at_measured_mains.contributions["mains.voltage.rms"] == nominal.contributions["mains.voltage.rms"]


def test_a_noisy_reading_uses_the_cache(predictor):
    first = predictor.at(mains_voltage=230.0, ambient=25.0)
    assert predictor.at(mains_voltage=230.05, ambient=25.2) is first
    assert predictor.at(mains_voltage=231.0, ambient=25.2) is not first
    assert predictor.at(mains_voltage=229.98, ambient=24.9) is first


def test_the_result_does_not_depend_on_the_order_of_mains_voltages():
    walked = OperatingPointPredictor(rated())
    volts = [20.0, 60.0, 115.0, 180.0, 229.0, 230.0, 231.0, 229.5, 100.0]
    for value in volts:
        at_measured_mains = walked.at(mains_voltage=value)
        fresh = OperatingPointPredictor(rated()).at(mains_voltage=value)
        for name in READINGS:
            wanted = fresh.quantities[name].value
            assert at_measured_mains.quantities[name].value == pytest.approx(wanted, rel=2e-3, abs=1e-6), (value, name)


def test_an_open_load_and_back(predictor):
    loaded = predictor.at(mains_voltage=230.0)
    idle = predictor.at(mains_voltage=230.0, load="open")
    assert idle.quantities["output.voltage.mean"].value > loaded.quantities["output.voltage.mean"].value + 1.0
    assert idle.quantities["output.current.mean"].value == pytest.approx(0.0, abs=1e-6)
    assert predictor.at(mains_voltage=230.0) is loaded


def test_ambient_shifts_temperatures(predictor):
    cool, warm = predictor.at(mains_voltage=230.0, ambient=15.0), predictor.at(mains_voltage=230.0, ambient=35.0)
    name = "diode.temperature.junction"
    assert warm.quantities[name].value - cool.quantities[name].value == pytest.approx(20.0, abs=1.5)


def test_only_the_latest_predictions_are_kept():
    few = OperatingPointPredictor(rated(), keep=3)
    first, *others, last = (few.at(mains_voltage=volts) for volts in (230.0, 231.0, 232.0, 233.0))
    assert few.at(mains_voltage=233.0) is last
    assert few.at(mains_voltage=231.0) is others[0]
    assert few.at(mains_voltage=230.0) is not first


@pytest.mark.parametrize("volts", [0.0, -3.0, math.nan, math.inf])
def test_a_missing_mains_is_refused_in_one_line(predictor, volts):
    with pytest.raises(PredictionError, match=r"^mains\.voltage: [^\n]+$"):
        predictor.at(mains_voltage=volts)


@pytest.mark.parametrize("changes", [{"ambient": math.inf}, {"ambient": 9.9e37}, {"load": -1.0}, {"load": math.nan}])
def test_absurd_readings_are_refused(predictor, changes):
    with pytest.raises(PredictionError, match=r"^(ambient|load)\.\w+: "):
        predictor.at(mains_voltage=230.0, **changes)


@pytest.mark.parametrize("mains", [180.0, 221.3, 230.0, 243.7])
def test_interpolation_agrees_with_a_full_prediction(predictor, mains):
    own = OperatingPointPredictor(rated()).at(mains, 25.0)
    for quantity in READINGS:
        found = predictor.expected(quantity, own.mains_voltage, 25.0)
        assert found.value == pytest.approx(own.quantities[quantity].value, rel=5e-4), quantity
        assert found.uncertainty == pytest.approx(own.quantities[quantity].uncertainty, rel=0.02), quantity


def test_expected_values_have_no_steps_along_the_mains(predictor):
    volts = np.linspace(225.0, 235.0, 401)
    values = np.array([predictor.expected("output.voltage.mean", float(one)).value for one in volts])
    assert np.all(np.diff(values) > 0.0)
    assert np.abs(np.diff(values, 2)).max() < 1e-4


def test_expected_values_have_no_steps_along_the_ambient(predictor):
    values = np.array(
        [predictor.expected("output.voltage.mean", 230.0, celsius).value for celsius in np.linspace(22, 25, 131)]
    )
    assert np.ptp(values) > 1e-3
    assert np.abs(np.diff(values)).max() < 2.0 * np.ptp(values) / 130


def test_the_uncertainty_of_the_mains_meter_is_propagated_by_the_slope(predictor):
    """JCGM 100, 5.1.3: u² = own² + (∂y/∂V·u(V))²."""
    name, accuracy = "output.voltage.mean", Accuracy(relative=0.01)
    bare = predictor.expected(name, 230.0)
    slope = (predictor.expected(name, 231.0).value - predictor.expected(name, 229.0).value) / 2.0
    found = OperatingPointPredictor(rated(), accuracy).expected(name, 230.0)
    assert found.value == pytest.approx(bare.value, rel=1e-6)
    assert found.uncertainty == pytest.approx(math.hypot(bare.uncertainty, slope * 2.3), rel=1e-3)


def test_a_grid_covers_only_neighbouring_operating_points(predictor):
    around = predictor.around(230.0, 25.4)
    assert around.covers(230.0 * (1 + 0.9 * SPACING), 26.9)
    assert not around.covers(230.0 * (1 + 1.5 * SPACING), 25.4)
    assert not around.covers(230.0, 29.0)
    assert not around.covers(None, 25.4)
    assert not around.covers(230.0, None)


def test_an_unmeasured_mains_is_the_nominal_one(predictor):
    around = predictor.around(None)
    assert around.expected("output.voltage.mean", None) == predictor.nominal.quantities["output.voltage.mean"]


def test_a_load_that_is_set_is_predicted_exactly():
    stiff = rated()
    followed, plain = OperatingPointPredictor(stiff).at(load=20.009), predict(stiff, load=20.009)
    current = "output.current.mean"
    assert followed.quantities[current].value == pytest.approx(plain.quantities[current].value, rel=1e-9)
