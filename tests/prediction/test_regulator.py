"""What a series regulator leaves of the ripple, its noise and its case; floors below which nothing is claimed."""

from __future__ import annotations

import pytest

from benchmon.prediction import predict
from support.circuits.drawn import capacitor, plain, resistor

REGULATOR = {"output_voltage": 12.0, "dropout": 2.0, "quiescent_current": 5e-3}


def expected(**keys):
    bench = plain(filter=[capacitor(2.2e-3, 0.03)], load=resistor(24.0), regulator=REGULATOR | keys)
    return predict(bench).quantities


@pytest.mark.parametrize("decibels", [40.0, 54.0])
def test_the_output_has_the_input_ripple_less_the_rejection(decibels):
    # Ripple rejection is the logarithm of the ratio of input to output ripple, 20·lg (usual in data sheets).
    found = expected(ripple_rejection=f"{decibels} dB", noise=0.0)
    ratio = found["reservoir.voltage.ripple"].value / found["output.voltage.ripple"].value
    assert ratio == pytest.approx(10.0 ** (decibels / 20.0), rel=1e-6)


def test_without_ripple_the_output_has_its_noise():
    found = expected(ripple_rejection="140 dB", noise="0.8 mV")
    assert found["output.voltage.ac_rms"].value == pytest.approx(0.8e-3, rel=1e-3)
    assert found["output.voltage.mean"].value == pytest.approx(12.0, rel=1e-6)


def test_ripple_and_noise_add_as_what_is_not_correlated():
    ripple, noise, both = (
        expected(ripple_rejection=decibels, noise=volts)["output.voltage.ac_rms"].value
        for decibels, volts in (("50 dB", 0.0), ("140 dB", "1 mV"), ("50 dB", "1 mV"))
    )
    assert both == pytest.approx((ripple**2 + noise**2) ** 0.5, rel=1e-3)


@pytest.mark.parametrize(("decibels", "noise"), [("55 dB", "30 µV"), ("80 dB", "0.4 mV")])
def test_left_out_any_usual_regulator_agrees(decibels, noise):
    usual, real = expected(), expected(ripple_rejection=decibels, noise=noise)
    for quantity in ("output.voltage.ac_rms", "output.voltage.ripple", "output.voltage.ripple_factor"):
        assert abs(real[quantity].value - usual[quantity].value) <= usual[quantity].uncertainty, quantity


def test_nothing_is_claimed_of_an_output_s_hum_below_a_millivolt():
    open_output = predict(plain(filter=[capacitor(2.2e-3, 0.03)]), load="open").quantities
    for found in (open_output, expected(ripple_rejection="90 dB", noise=0.0)):
        assert found["output.voltage.ac_rms"].uncertainty >= 1e-3
        assert found["output.voltage.ripple"].uncertainty >= 5e-3
    assert open_output["diode.current.mean"].uncertainty >= 1e-4


def test_the_case_is_between_air_and_junction_with_an_allowance_for_the_probe():
    found = expected(thermal_resistance=10.0)
    ambient, case, junction = (
        found[name].value
        for name in ("ambient.temperature", "regulator.temperature.case", "regulator.temperature.junction")
    )
    assert ambient < case < junction
    assert found["regulator.temperature.case"].uncertainty > 0.1 * (case - ambient)
    assert "regulator.temperature.case" not in expected()
