"""The prediction against closed forms and worked examples of the capacitor-input rectifier.

Textbooks take ideal diodes. Here all voltages and impedances are scaled up together, so that currents stay as in the
example and the predicted diodes' drop is next to none.
"""

import math

import numpy as np
import pytest
import scipy

from benchmon.bench import Bench
from benchmon.prediction import Prediction, predict
from support.circuits.drawn import capacitor, current, plain, resistor

HALF, TAP, BRIDGE = "half wave", "centre tap", "bridge"
SCALE = 50.0


def supply(kind, peak, hertz, farads, load, *, source_ohms=0.0) -> Bench:
    """Return a supply of `peak` volts EMF, all voltages and impedances SCALE times as large as asked."""
    load = dict(load)
    if "resistance" in load:
        load["resistance"] *= SCALE
    transformer = {
        "open_circuit_voltage": SCALE * peak / math.sqrt(2),
        "primary_resistance": 0.0,
        "secondary_resistance": SCALE * source_ohms,
    }
    return plain(
        kind,
        mains={"frequency": hertz},
        transformer=transformer,
        diode={"saturation_current": 1e-9, "emission_coefficient": 0.5, "series_resistance": 0.0},
        filter=[capacitor(farads / SCALE)],
        load=load,
    )


def volts(found: Prediction, quantity: str) -> float:
    return found.quantities[quantity].value / SCALE


def amperes(found: Prediction, quantity: str) -> float:
    return found.quantities[quantity].value


@pytest.mark.parametrize(
    ("kind", "share", "mean"),
    [(BRIDGE, 0.05, 0.832205), (TAP, 0.05, 0.832205), (BRIDGE, 0.01, 0.937639), (HALF, 0.05, 0.751796)],
)
def test_an_infinite_reservoir_behind_a_source_resistance(kind, share, mean):
    """Closed form: tan φ − φ = (π/2)·Rs/RL full-wave, π·Rs/RL half-wave; mean/peak = cos φ."""
    turns = math.pi * share * (1.0 if kind == HALF else 0.5)
    angle = scipy.optimize.brentq(lambda phi: math.tan(phi) - phi - turns, 1e-6, 1.5)
    assert math.cos(angle) == pytest.approx(mean, abs=1e-6)
    found = predict(supply(kind, 100.0, 50.0, 10.0, resistor(100.0), source_ohms=100.0 * share))
    assert volts(found, "output.voltage.mean") / 100.0 == pytest.approx(mean, rel=5e-4)


def test_winding_currents_of_an_infinite_reservoir():
    # The same closed form at 5 %, full-wave: rms over mean load current 1.7939, peak over mean 4.0325.
    found = predict(supply(BRIDGE, 100.0, 50.0, 10.0, resistor(100.0), source_ohms=5.0))
    mean = amperes(found, "output.current.mean")
    assert amperes(found, "secondary.current.rms") / mean == pytest.approx(1.7939, rel=1e-3)
    assert amperes(found, "secondary.current.peak") / mean == pytest.approx(4.0325, rel=3e-3)


@pytest.mark.parametrize(
    ("kind", "omega_c_r", "share", "expected"),
    [
        (BRIDGE, 2, 0.01, 72.97),
        (BRIDGE, 2, 0.05, 70.04),
        (BRIDGE, 2, 0.20, 59.99),
        (BRIDGE, 10, 0.01, 88.61),
        (TAP, 10, 0.01, 88.61),
        (BRIDGE, 10, 0.05, 81.67),
        (BRIDGE, 10, 0.20, 64.26),
        (BRIDGE, 50, 0.01, 93.45),
        (BRIDGE, 50, 0.05, 83.15),
        (BRIDGE, 50, 0.20, 64.53),
        (HALF, 10, 0.01, 77.96),
        (HALF, 10, 0.05, 70.57),
        (HALF, 10, 0.20, 50.62),
    ],
)
def test_the_mean_behind_a_finite_reservoir_and_a_source_resistance(kind, omega_c_r, share, expected):
    # Schade's circuit (Proc. IRE 31, 1943, 341-361) solved exactly, not his printed curve: 100 × mean over peak.
    farads = omega_c_r / (2 * math.pi * 50.0 * 100.0)
    found = predict(supply(kind, 100.0, 50.0, farads, resistor(100.0), source_ohms=100.0 * share))
    assert volts(found, "output.voltage.mean") == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("kind", "ripple", "peak", "mean"), [(HALF, 43.13, 4.515, 148.11), (BRIDGE, 21.88, 3.438, 159.24)]
)
def test_a_worked_example_of_120_volts_500_ohms_100_microfarads(kind, ripple, peak, mean):
    # Hart, Power Electronics, ch. 3 and 4 (memory; re-computed): 120 V rms, 60 Hz, ideal parts. The diode's current
    # begins with a step, which a diode with any resistance rounds.
    found = predict(supply(kind, 120.0 * math.sqrt(2), 60.0, 100e-6, resistor(500.0)))
    assert volts(found, "output.voltage.mean") == pytest.approx(mean, rel=5e-4)
    assert volts(found, "output.voltage.ripple") == pytest.approx(ripple, rel=3e-3)
    assert amperes(found, "diode.current.peak") == pytest.approx(peak, rel=1e-2)


def test_a_worked_example_of_a_peak_rectifier():
    # Sedra and Smith, peak rectifier (memory): 100 V peak, 60 Hz, 10 kΩ and 2 V of ripple need 83.3 µF, of which the
    # diode carries 324 mA on average while it conducts and 638 mA at most. First estimates, a few per cent high.
    found = predict(supply(HALF, 100.0, 60.0, 83.3e-6, resistor(10e3)))
    assert volts(found, "output.voltage.ripple") == pytest.approx(2.0, rel=0.05)
    assert amperes(found, "diode.current.peak") == pytest.approx(0.638, rel=0.04)
    trace, time = found.waveforms.traces["diode.current"], found.waveforms.time
    conducts = trace > 0.05 * trace.max()
    duration = np.ptp(time[conducts])
    average = amperes(found, "diode.current.mean") / 60.0 / duration
    assert average == pytest.approx(0.324, rel=0.08)


def test_a_worked_example_of_a_constant_current():
    # Fardo and Patrick, p. 197 (memory): 28.2 V peak, 500 µF, 300 mA, full-wave, 60 Hz: 28.2 − I/(4·f·C) = 25.70 V.
    # It takes the capacitor to discharge over the whole half period, so the true mean is above.
    found = predict(supply(BRIDGE, 28.2, 60.0, 500e-6, current(0.3)))
    assert 25.70 < volts(found, "output.voltage.mean") < 25.70 * 1.03


@pytest.mark.parametrize("kind", [HALF, BRIDGE])
@pytest.mark.parametrize("microfarads", [100.0, 1000.0, 10000.0])
def test_the_first_estimate_of_ripple_is_always_above_the_true_one(kind, microfarads):
    # I/(2·f·C) full-wave, I/(f·C) half-wave (from memory).
    found = predict(supply(kind, 30.0, 50.0, microfarads * 1e-6, resistor(100.0), source_ohms=1.0))
    times = 1 if kind == HALF else 2
    estimate = amperes(found, "output.current.mean") / (times * 50.0 * microfarads * 1e-6)
    assert volts(found, "output.voltage.ripple") < estimate
    if microfarads == 10000.0:
        assert volts(found, "output.voltage.ripple") > 0.7 * estimate
