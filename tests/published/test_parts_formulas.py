"""Formulas of single parts, as the prediction has them: NTC thermistor and diode."""

import math

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from benchmon.errors import PredictionError
from benchmon.prediction.circuit.diode import DiodeCharacteristic, conduct, fit_forward, forward_voltage, wright_omega
from benchmon.prediction.circuit.parts import Parts, parts_of
from benchmon.prediction.solved import solve
from benchmon.prediction.thermal.equilibrium import ntc_resistance, ntc_temperature
from benchmon.standards import USUAL_LEAKAGE, USUAL_REGULATION, USUAL_RESISTANCE
from support.circuits.drawn import capacitor, plain, resistor

BOLTZMANN, CHARGE = 1.380649e-23, 1.602176634e-19
THERMAL_VOLTAGE = BOLTZMANN * 298.15 / CHARGE


def limiter(r25: float, beta: float, **more: float) -> Parts:
    values = {"ntc.r25": r25, "ntc.beta": beta} | {name.replace("_", ".", 1): size for name, size in more.items()}
    return Parts({name: np.array([size]) for name, size in values.items()})


@pytest.mark.parametrize(
    ("celsius", "ohms"), [(0.0, 33620.60), (25.0, 10000.0), (50.0, 3588.18), (85.0, 1086.67), (41.4602, 5000.0)]
)
def test_an_ntc_of_10_kilohm_and_beta_3950(celsius, ohms):
    # R = R25·exp(β(1/T − 1/298.15 K)), closed form.
    found = ntc_resistance(limiter(10e3, 3950.0), np.array([celsius]))
    assert float(found[0]) == pytest.approx(ohms, rel=2e-6)


@given(st.floats(0.5, 500.0), st.floats(1000.0, 6000.0), st.floats(1e-3, 0.1), st.floats(0.0, 20.0))
def test_an_ntc_settles_where_it_gives_off_what_the_current_brings(r25, beta, dissipation, current):
    # D·(T − Ta) = I²·R(T): the definition of the dissipation factor (IEC 60539-1, memory).
    parts = limiter(r25, beta, ntc_dissipation_factor=dissipation, ambient_temperature=25.0)
    celsius = ntc_temperature(parts, np.array([current]))
    brought = current**2 * float(ntc_resistance(parts, celsius)[0])
    if float(celsius[0]) < 1000.0:
        assert dissipation * (float(celsius[0]) - 25.0) == pytest.approx(brought, rel=1e-6, abs=1e-9)


def test_the_thermal_voltage_at_25_celsius():
    # kT/q with the exact constants of the SI (2019): 25.693 mV.
    _, thermal = DiodeCharacteristic(np.array([1e-9]), np.array([1.0]), np.array([0.0])).at(np.array([25.0]))
    assert float(thermal[0]) == pytest.approx(0.0256926, rel=1e-5)


def test_an_ideal_diode_gains_59_millivolts_a_decade():
    # Shockley: n·Vt·ln 10 = 59.16 mV a decade at 25 °C (closed form).
    one, ten = (
        float(forward_voltage(np.array(amperes), np.array(1e-12), np.array(THERMAL_VOLTAGE), np.array(0.0)))
        for amperes in (0.01, 0.1)
    )
    assert ten - one == pytest.approx(0.05916, rel=1e-4)


@pytest.mark.parametrize("celsius", [-20.0, 60.0, 125.0])
@pytest.mark.parametrize("amperes", [0.01, 1.0])
def test_the_forward_drop_of_silicon_falls_by_2_millivolts_a_kelvin(celsius, amperes):
    # For silicon, from memory.
    junction = DiodeCharacteristic(np.array(1e-9), np.array(1.8), np.array(0.02))

    def drop(temperature: float) -> float:
        saturation, thermal = junction.at(np.array(temperature))
        return float(forward_voltage(np.array(amperes), saturation, thermal, junction.resistance))

    assert drop(celsius) - drop(25.0) == pytest.approx(-2e-3 * (celsius - 25.0), rel=1e-3)


@given(st.floats(-690.0, 1e6))
def test_wright_s_omega_is_scipy_s(z):
    # Corless and Jeffrey (2002); scipy.special.wrightomega as reference.
    assert float(wright_omega(np.array([z]))[0]) == pytest.approx(float(scipy.special.wrightomega(z).real), rel=1e-12)


@pytest.mark.parametrize("view", [np.transpose, lambda z: z[::-1, ::2], lambda z: np.broadcast_to(z[:1], (3, 40))])
def test_wright_omega_of_arrays_in_any_order(view):
    z = view(np.linspace(-300.0, 50.0, 120).reshape(3, 40))
    assert wright_omega(z) == pytest.approx(scipy.special.wrightomega(z).real, rel=1e-12)


@given(st.floats(-50.0, 50.0), st.floats(1e-3, 100.0), st.floats(1e-14, 1e-5), st.floats(0.02, 0.2))
def test_a_diode_behind_a_resistor_is_lambert_s_function(volts, ohms, saturation, thermal):
    # i = (a/R)·W((R·Is/a)·exp((v + R·Is)/a)) − Is (Banwell and Jayakumar, Electronics Letters 36, 2000, memory).
    current, conductance = (
        float(part[0]) for part in conduct(np.array([volts]), np.array(ohms), np.array(saturation), np.array(thermal))
    )
    exponent = (volts + ohms * saturation) / thermal
    if exponent < 700:
        expected = (
            thermal / ohms * scipy.special.lambertw(ohms * saturation / thermal * math.exp(exponent)).real - saturation
        )
        assert current == pytest.approx(float(expected), rel=1e-9, abs=1e-10 * saturation + 1e-18)
    if current > 1e-9:
        left = volts - ohms * current - thermal * math.log1p(current / saturation)
        assert abs(left) < 1e-9 * max(1.0, abs(volts))
    assert 0 <= conductance <= 1 / ohms


@given(st.floats(1e-12, 1e-6), st.floats(1.0, 1.95), st.floats(0.0, 0.05))
def test_points_of_a_shockley_diode_give_it_back(saturation, emission, ohms):
    currents = (0.01, 0.1, 0.5, 1.0, 3.0)
    thermal = emission * THERMAL_VOLTAGE
    points = tuple((thermal * math.log(amperes / saturation) + ohms * amperes, amperes) for amperes in currents)
    found = fit_forward(points)
    for volts, amperes in points:
        again = found[1] * THERMAL_VOLTAGE * math.log(amperes / found[0]) + found[2] * amperes
        assert again == pytest.approx(volts, abs=1e-6)
    assert found[1] == pytest.approx(emission, abs=1e-4)


@given(st.floats(0.3, 0.9), st.floats(0.01, 0.3), st.floats(0.05, 0.9))
def test_two_points_of_a_data_sheet_are_met_exactly(volts, amperes, rise):
    points = ((volts, amperes), (volts + rise, 30 * amperes))
    try:
        saturation, emission, ohms = fit_forward(points)
    except PredictionError:
        # Less than n = ½ a decade: no junction is that steep.
        assert rise < 0.5 * THERMAL_VOLTAGE * math.log(30)
        return
    for at, through in points:
        assert emission * THERMAL_VOLTAGE * math.log(through / saturation) + ohms * through == pytest.approx(at)


def test_a_diode_heats_by_its_thermal_resistance():
    # θJA = (Tj − Ta)/P (JESD51). A 3 A axial rectifier has about 15 to 20 °C/W: 2 W is a rise of 30 to 40 °C
    # (from memory).
    bench = plain(filter=[capacitor(10e-3)], load=resistor(6.4), diode={"thermal_resistance": 17.5})
    found = {name: float(value[0]) for name, value in solve(bench, parts_of(bench)).quantities.items()}
    rise = found["diode.temperature.junction"] - 25.0
    assert rise == pytest.approx(17.5 * found["diode.power.mean"], abs=0.05)
    assert rise / found["diode.power.mean"] * 2.0 == pytest.approx(35.0, abs=0.5)


@pytest.mark.parametrize(("rating", "most"), [(10.0, 1.0), (25.0, 0.5), (63.0, 0.2), (250.0, 0.15), (630.0, 0.1)])
def test_usual_regulation_is_below_what_a_safety_transformer_may_have(rating, most):
    """IEC 61558-2-6 (from memory): the most by which the volts without load may exceed the rated ones, by the VA."""
    usual = next(text for up_to, text in USUAL_REGULATION if rating <= up_to)
    assert 0.0 < float(usual.removesuffix(" %")) / 100.0 < most


def test_usual_leakage_and_resistance_are_of_the_size_that_a_textbook_s_short_circuit_test_gives():
    """Fitzgerald, Kingsley and Umans, example 2.6: 50 kVA, 2400 V; 48 V, 20.8 A and 617 W with the other side shorted.

    A transformer a thousand times smaller has about as much leakage, and more resistance.
    """
    rated, impedance, resistance = 2400.0**2 / 50e3, 48.0 / 20.8, 617.0 / 20.8**2
    reactance = math.sqrt(impedance**2 - resistance**2)
    assert pytest.approx(reactance / rated, rel=0.5) == USUAL_LEAKAGE
    assert resistance / rated < USUAL_RESISTANCE
