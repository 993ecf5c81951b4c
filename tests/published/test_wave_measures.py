"""Measures of waves against textbook tables, IEEE 1459-2010 and IEC 61000-3-2."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmon.signals.harmonic_limits import compare_with_limits, limit_of
from benchmon.signals.measures import measure, measure_power

FREQUENCY = 50.0
TIME = 0.0123 + np.arange(40_000) / 200_000.0
ANGLE = 2 * np.pi * FREQUENCY * TIME + 0.77
SINE = np.sin(ANGLE)


def relative(value):
    return pytest.approx(value, rel=2e-4)


def test_half_wave_rectified_sine():
    """Any power-electronics textbook's table of single-phase rectifiers (closed form)."""
    found = measure(TIME, np.maximum(SINE, 0.0))
    assert found.frequency == relative(FREQUENCY)
    assert found.mean == relative(1 / math.pi)
    assert found.rms == relative(0.5)
    assert found.form_factor == relative(math.pi / 2)
    assert found.ripple_factor == pytest.approx(1.2114, abs=2e-4)


def test_full_wave_rectified_sine():
    """The same table; its ripple is at twice the mains, its AC-coupled reading 0.4352 of its rms (closed form)."""
    found = measure(TIME, np.abs(SINE))
    assert found.frequency == relative(2 * FREQUENCY)
    assert found.mean == relative(2 / math.pi)
    assert found.rms == relative(math.sqrt(0.5))
    assert found.form_factor == relative(math.pi / math.sqrt(8))
    assert found.ripple_factor == pytest.approx(0.4834, abs=2e-4)
    assert found.ac_rms / found.rms == pytest.approx(0.4352, abs=2e-4)
    # Fourier series of |sin|: order n of 2·f has peak 4/(π(4n² − 1)).
    for order, size in found.harmonics[:6]:
        assert size == pytest.approx(4 / math.pi / (4 * order**2 - 1) / math.sqrt(2), abs=1e-4)


def test_symmetric_square_wave():
    """THD over all orders is sqrt(π²/8 − 1) = 48.34 %; orders 2 to 40 by the Fourier series 1/n (closed form)."""
    found = measure(TIME, np.sign(SINE))
    to_40 = math.sqrt(sum(1 / order**2 for order in range(3, 41, 2)))
    assert found.thd == pytest.approx(to_40, abs=5e-4)
    assert found.rms == relative(1.0)
    assert found.crest_factor == relative(1.0)
    assert found.form_factor == relative(1.0)
    everything = math.sqrt(found.ac_rms**2 - found.harmonics[0][1] ** 2) / found.harmonics[0][1]
    assert everything == pytest.approx(0.4834, abs=5e-4)


def test_triangle_wave():
    """Closed form: rms peak/√3, form factor 2/√3, harmonics 1/n², THD sqrt(π⁴/96 − 1) = 12.115 %."""
    found = measure(TIME, 2 / math.pi * np.arcsin(SINE))
    assert found.rms == relative(1 / math.sqrt(3))
    assert found.form_factor == relative(2 / math.sqrt(3))
    assert found.crest_factor == pytest.approx(math.sqrt(3), rel=1e-3)
    assert found.thd == pytest.approx(math.sqrt(math.pi**4 / 96 - 1), abs=1e-4)
    assert found.harmonics[2][1] / found.harmonics[0][1] == pytest.approx(1 / 9, abs=1e-5)


def test_sine_calibrated_mean_range():
    """A sine's form factor is π/(2√2) = 1.1107 and its crest factor √2 (closed form)."""
    found = measure(TIME, SINE)
    assert found.form_factor == pytest.approx(1.1107, abs=1e-4)
    assert found.crest_factor == relative(math.sqrt(2))
    assert found.thd < 1e-6


VOLTAGE = [(1, 100.0), (3, 8.0), (5, 15.0), (7, 5.0)]
CURRENT = [(1, 100.0), (3, 20.0), (5, 15.0), (7, 10.0)]


def test_ieee_1459_annex_b_from_samples():
    """The same voltage and current sampled, at phases of our own, which magnitudes must not depend on."""
    volts, amperes = (
        sum(math.sqrt(2) * size * np.sin(order * ANGLE + shift * order) for order, size in lines)
        for lines, shift in ((VOLTAGE, 0.4), (CURRENT, 1.3))
    )
    found = measure_power(TIME, volts, amperes)
    assert found.voltage.rms == pytest.approx(101.557865, rel=1e-6)
    assert found.current.rms == pytest.approx(103.561576, rel=1e-6)
    assert found.voltage.thd == pytest.approx(0.177200, abs=1e-6)
    assert found.current.thd == pytest.approx(0.269258, abs=1e-6)
    assert found.apparent == pytest.approx(10517.4926, rel=1e-6)


def test_distortion_is_of_the_harmonics_alone():
    """IEC 61000-4-7, 3.2.1 (from memory): lines beside the third count in its group, not in the THD."""
    lines = [(50, 100.0), (150, 10.0), (155, 2.0), (160, 3.0), (175, 1.0)]
    wave = sum(math.sqrt(2) * size * np.sin(2 * np.pi * hertz * TIME + 0.3 * hertz) for hertz, size in lines)
    found = measure(TIME, wave, FREQUENCY)
    assert found.thd == pytest.approx(0.100, abs=1e-6)
    assert dict(found.harmonics)[3] == pytest.approx(10.0, rel=1e-6)
    assert found.rms == pytest.approx(math.sqrt(sum(size**2 for _, size in lines)), rel=1e-6)


@pytest.mark.parametrize(("displacement", "thd", "factor"), [(1.0, 0.5, 0.894427), (0.98, 0.7, 0.802847)])
def test_power_factor_from_displacement_and_distortion(displacement, thd, factor):
    """PF = displacement factor / sqrt(1 + THD²) with a sinusoidal voltage (IEEE 1459-2010; closed form)."""
    amperes = np.sin(ANGLE - math.acos(displacement)) + thd * np.sin(5 * ANGLE)
    found = measure_power(TIME, SINE, amperes)
    assert found.power_factor == pytest.approx(factor, abs=1e-6)
    assert found.displacement_factor == pytest.approx(displacement, abs=1e-6)


def test_power_factor_of_a_square_current():
    """A square current in phase with a sinusoidal voltage: 2√2/π = 0.900316 (closed form)."""
    assert measure_power(TIME, SINE, np.sign(SINE)).power_factor == pytest.approx(0.900316, abs=2e-4)


CLASS_A = {3: 2.30, 5: 1.14, 7: 0.77, 9: 0.40, 11: 0.33, 13: 0.21, 2: 1.08, 4: 0.43, 6: 0.30}


def test_class_a_limits():
    """IEC 61000-3-2 table 1, from memory."""
    for order, limit in CLASS_A.items():
        assert limit_of(order) == limit
    for order in range(15, 40, 2):
        assert limit_of(order) == pytest.approx(0.15 * 15 / order)
    for order in range(8, 41, 2):
        assert limit_of(order) == pytest.approx(0.23 * 8 / order)
    assert limit_of(1) is None
    assert limit_of(41) is None


def test_harmonics_beside_their_limits():
    found = compare_with_limits([(1, 9.0), (2, 0.1), (3, 2.4), (5, 1.0), (50, 9.0)])
    assert [(entry.order, entry.ok) for entry in found] == [(2, True), (3, False), (5, True)]
