"""Two capacitors of a doubler that differ within their tolerance, against an integration of both (scipy)."""

from __future__ import annotations

import random

import numpy as np
import pytest
import scipy

from benchmon.prediction import predict
from benchmon.prediction.monte_carlo import monte_carlo
from support.circuits.drawn import capacitor, plain, resistor

TOLERANCE, FARADS, ESR, LOAD = 0.2, 2.2e-3, 0.05, 60.0
OHMS, EMISSION, SATURATION, SERIES = 0.3 + 10.0 * (20.0 / 230.0) ** 2, 1.8, 1e-9, 0.02
THERMAL = EMISSION * 8.617333262e-5 * 298.15
PERIOD = 0.02


def doubler(tolerance=TOLERANCE):
    part = capacitor(FARADS, ESR, esr_tolerance=0.0) | {"tolerance": tolerance}
    return plain("full-wave doubler", filter=[part], load=resistor(LOAD))


def current(drive):
    """Amperes through the winding, a diode and a capacitor's ESR: Shockley's diode in series with resistances."""
    ohms = OHMS + SERIES + ESR
    scale = ohms * SATURATION / THERMAL
    return scipy.special.wrightomega(drive / THERMAL + scale + np.log(scale)) * THERMAL / ohms - SATURATION


def output(t, volts):
    """Amperes into both capacitors, and volts at the load, which both ESRs carry."""
    emf = 20.0 * np.sqrt(2.0) * np.sin(2.0 * np.pi * t / PERIOD)
    share = (volts[0] + volts[1]) / (LOAD + 2.0 * ESR)
    # The load's current goes through each ESR too; what it drops there is part of the drive.
    into = np.array([current(emf - volts[0] + ESR * share), current(-emf - volts[1] + ESR * share)])
    through = (volts[0] + volts[1] + ESR * (into[0] + into[1])) / (LOAD + 2.0 * ESR)
    return into - through, LOAD * through


def integrated(first, second):
    farads = FARADS * np.array([first, second])
    span, periods = np.linspace(0.0, PERIOD, 801), 30
    level = 0.9 * 20.0 * np.sqrt(2.0)
    found = scipy.integrate.solve_ivp(
        lambda t, volts: output(t, volts)[0] / farads,
        (0.0, periods * PERIOD),
        [level, level],
        "LSODA",
        t_eval=(periods - 1) * PERIOD + span,
        rtol=1e-6,
        atol=1e-6,
        max_step=PERIOD / 50,
    )
    volts = np.array([output(t, y)[1] for t, y in zip(found.t, found.y.T, strict=True)])
    assert volts[0] == pytest.approx(volts[-1], abs=0.02)
    return float(np.ptp(volts)), float(np.std(volts[:-1])), float(np.mean(volts[:-1]))


def test_equal_capacitors_read_as_predicted():
    found = predict(doubler()).quantities
    ripple, ac_rms, mean = integrated(1.0, 1.0)
    assert ripple == pytest.approx(found["output.voltage.ripple"].value, rel=0.02)
    assert ac_rms == pytest.approx(found["output.voltage.ac_rms"].value, rel=0.02)
    assert mean == pytest.approx(found["output.voltage.mean"].value, rel=0.005)


@pytest.mark.parametrize("number", range(3))
def test_a_drawn_pair_reads_within_what_is_allowed(number):
    rng = random.Random(f"apart {number}")
    pair = (0.8, 1.2) if number == 0 else [1.0 + rng.uniform(-0.2, 0.2) for _ in range(2)]
    found = predict(doubler()).quantities
    ripple, ac_rms, mean = integrated(*pair)
    for quantity, reading in (("ripple", ripple), ("ac_rms", ac_rms), ("mean", mean)):
        expected = found[f"output.voltage.{quantity}"]
        assert abs(reading - expected.value) <= expected.uncertainty, quantity


def test_the_mains_frequency_raises_the_ripple_by_the_half_difference():
    # The closed form of two saw-teeth: 20 % either way is ripple × 1.2, beside the common change of capacitance.
    ripple, apart = integrated(1.0, 1.0)[0], integrated(0.85, 1.15)[0]
    common = (1.0 / 0.85 + 1.0 / 1.15) / 2.0
    assert apart / ripple / common == pytest.approx(1.15, abs=0.05)


def test_measured_capacitors_are_not_apart_and_other_rectifiers_have_none():
    wide, narrow = (predict(doubler(tolerance)).quantities["output.voltage.ripple"] for tolerance in (0.2, 0.0))
    assert narrow.uncertainty < 0.3 * wide.uncertainty
    shares = dict(predict(doubler()).contributions["output.voltage.ripple"])
    assert 0.2 < shares["capacitors that differ"] < 0.6
    bridge = plain(filter=[capacitor(FARADS, ESR) | {"tolerance": TOLERANCE}])
    assert "capacitors that differ" not in dict(predict(bridge).contributions["output.voltage.ripple"])


def test_draws_have_unequal_capacitors_too():
    drawn = monte_carlo(doubler(), 500).quantities["output.voltage.ripple"]
    expected = predict(doubler()).quantities["output.voltage.ripple"]
    assert drawn.mean > expected.value
    assert drawn.high <= expected.value + 1.2 * expected.uncertainty
