"""What is expected where the shape of the mains is measured, against full solutions of mains of that shape."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from benchmon.bench import Bench
from benchmon.prediction import predict
from benchmon.prediction.circuit.circuit import mains_wave
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.mains_shape import MeasuredShape, known_shape
from benchmon.standards import PUBLIC_SUPPLY_HARMONICS, PUBLIC_SUPPLY_THD, USUAL_MAINS_HARMONICS
from support.circuits.agreement import predicted
from support.circuits.drawn import capacitor, plain

FOLLOWED = ("mains.power_factor", "mains.current.thd", "mains.current.crest_factor", "diode.current.peak")


def supply(**mains) -> Bench:
    return plain(filter=[capacitor(4.7e-3, 0.05)], mains={"harmonics": None} | mains)


def drawn_shape(rng: random.Random) -> list[list[float]]:
    return [[order, size, rng.uniform(-180.0, 180.0)] for order, size in USUAL_MAINS_HARMONICS.items()]


def test_a_wave_has_the_harmonics_that_are_given():
    """A discrete Fourier transform finds h·sin(kωt + φ) at order k as −j·h/√2·exp(jφ) (IEC 61000-4-7, 3.1)."""
    given = [[2, 0.01, 30.0], [5, 0.03, -141.0], [7, 0.01, 200.0]]
    parts = parts_of(supply(harmonics=given))
    angle = np.arange(1024) * 2.0 * np.pi / 1024
    wave = mains_wave(parts, parts["mains.voltage"]).at(angle)[0]
    assert math.sqrt(float(np.mean(wave**2))) == pytest.approx(230.0)
    spectrum = np.fft.rfft(wave)
    fundamental = spectrum[1]
    for order, size, degrees in given:
        found = spectrum[order] / fundamental
        assert abs(found) == pytest.approx(size, rel=1e-9)
        assert np.angle(found) == pytest.approx(np.angle(np.exp(1j * math.radians(degrees))), abs=1e-9)
    later = mains_wave(parts, parts["mains.voltage"], np.array([0.5])).at(angle)[0]
    assert np.allclose(later, mains_wave(parts, parts["mains.voltage"]).at(angle + 0.5)[0])


def test_a_third_in_phase_flattens_the_top():
    crest = predicted(supply(harmonics=[[3, 0.05, 0.0]]))["mains.voltage.crest_factor"]
    assert crest == pytest.approx(math.sqrt(2.0) * 0.95 / math.sqrt(1.0 + 0.05**2), rel=1e-4)


def test_usual_harmonics_are_within_what_a_public_supply_may_have():
    assert all(size < PUBLIC_SUPPLY_HARMONICS[order] for order, size in USUAL_MAINS_HARMONICS.items())
    assert math.hypot(*USUAL_MAINS_HARMONICS.values()) < PUBLIC_SUPPLY_THD


def test_supplies_on_usual_mains_are_within_what_is_expected_without_knowing_the_shape():
    expected = predict(supply()).quantities
    rng = random.Random("places")
    found = [predicted(supply(harmonics=drawn_shape(rng))) for _ in range(40)]
    for quantity in FOLLOWED:
        away = [abs(one[quantity] - expected[quantity].value) / expected[quantity].uncertainty for one in found]
        assert np.mean(np.array(away) > 1.0) <= 0.05, quantity
        # Not absurdly wide either: the worst place is past a third of it.
        assert max(away) > 0.33, quantity


def test_a_given_shape_is_narrower_and_nothing_of_it_is_unspecified():
    unknown, shown = predict(supply()), predict(supply(harmonics=[[3, 0.02, 60.0], [5, 0.02, -140.0]]))
    for quantity in FOLLOWED:
        assert shown.quantities[quantity].uncertainty < 0.5 * unknown.quantities[quantity].uncertainty, quantity
        assert "mains harmonics (not given)" in unknown.unspecified[quantity]
        assert "mains harmonics (not given)" not in shown.unspecified.get(quantity, [])


def test_only_the_size_given_scales_the_allowance():
    unknown, small = predict(supply()), predict(supply(voltage_thd=0.01))
    assert small.quantities["mains.voltage.thd"].value == pytest.approx(0.01, rel=0.05)
    for quantity in FOLLOWED:
        assert small.quantities[quantity].value == pytest.approx(unknown.quantities[quantity].value, rel=1e-6)
        assert small.quantities[quantity].uncertainty < 0.5 * unknown.quantities[quantity].uncertainty, quantity


def test_a_measured_crest_factor_moves_what_is_expected_towards_the_truth_and_narrows_it():
    prediction = predict(supply())
    rng = random.Random("crest")
    before, after = [], []
    for _ in range(20):
        true = predicted(supply(harmonics=drawn_shape(rng)))
        shape = MeasuredShape(crest_factor=true["mains.voltage.crest_factor"], crest_factor_uncertainty=0.002)
        known = known_shape(prediction.shape, prediction.quantities, shape)
        for quantity in ("mains.power_factor", "mains.current.crest_factor", "diode.current.peak"):
            was = prediction.quantities[quantity]
            now = known.follow(quantity, was)
            assert now.uncertainty < was.uncertainty
            before.append(abs(true[quantity] - was.value) / was.uncertainty)
            after.append(abs(true[quantity] - now.value) / was.uncertainty)
            assert abs(true[quantity] - now.value) < 1.5 * now.uncertainty, quantity
    assert np.mean(after) < 0.8 * np.mean(before)


def test_a_measured_distortion_is_as_good_as_one_that_is_given():
    prediction, shown = predict(supply()), predict(supply(voltage_thd=0.02))
    known = known_shape(prediction.shape, prediction.quantities, MeasuredShape(thd=0.02, thd_uncertainty=0.0))
    for quantity in FOLLOWED:
        found = known.follow(quantity, prediction.quantities[quantity])
        assert found.uncertainty == pytest.approx(shown.quantities[quantity].uncertainty, rel=0.1), quantity


def test_a_reading_that_is_no_shape_of_a_mains_is_not_followed():
    prediction = predict(supply())
    for shape in (MeasuredShape(thd=0.6), MeasuredShape(crest_factor=7.0), MeasuredShape(thd=math.nan)):
        assert known_shape(prediction.shape, prediction.quantities, shape) is None
