"""Wave measures by quantity, against closed forms: textbook waves (from memory, and by integration)."""

import math

import numpy as np
import pytest

from benchmon.errors import BadReply
from benchmon.quantities import UNITS
from benchmon.signals.quantity_measures import MeasuredWave, is_of_shape, measure_of, unit_of_wave

TIMES = np.arange(4000) / 4000 * 0.1
PHASE = 2 * np.pi * 50 * TIMES
RECTIFIED = 10 * np.abs(np.sin(PHASE))


def reads(quantity, values, times=TIMES):
    return measure_of(quantity)(MeasuredWave(times, values))


@pytest.mark.parametrize(
    ("quantity", "expected"),
    [
        ("output.voltage.rms", 10 / math.sqrt(2)),
        ("output.voltage.mean", 20 / math.pi),
        ("output.voltage.ac_rms", math.sqrt(50 - (20 / math.pi) ** 2)),
        ("output.voltage.peak", 10.0),
        ("output.voltage.frequency", 100.0),
        ("output.voltage.form_factor", math.pi / (2 * math.sqrt(2))),
        ("output.voltage.ripple_factor", math.sqrt(math.pi**2 / 8 - 1)),
    ],
)
def test_a_full_wave_rectified_sine(quantity, expected):
    assert reads(quantity, RECTIFIED) == pytest.approx(expected, rel=1e-3)


def test_ripple_valley_and_headroom_are_between_the_samples_extremes():
    wave = 5.0 + 0.25 * np.sin(2 * PHASE)
    assert reads("reservoir.voltage.ripple", wave) == pytest.approx(0.5, rel=1e-4)
    assert reads("reservoir.voltage.valley", wave) == pytest.approx(4.75, rel=1e-4)
    assert reads("regulator.voltage.headroom", wave) == pytest.approx(4.75, rel=1e-4)


def test_a_square_current():
    square = 2.0 * np.sign(np.sin(PHASE + 1e-6))
    # Commands 3, 5, … 39 of a square wave: thd² = Σ 1/k².
    assert reads("mains.current.thd", square) == pytest.approx(math.sqrt(sum(k**-2 for k in range(3, 41, 2))), rel=0.01)
    assert reads("mains.current.crest_factor", square) == pytest.approx(1.0, rel=1e-3)


def test_the_peak_of_an_alternating_current_is_on_either_side():
    wave = np.where(np.sin(PHASE) < -0.9, -3.0, np.sin(PHASE))
    assert reads("mains.current.peak", wave) == 3.0
    assert reads("diode.current.peak", wave) == pytest.approx(1.0, rel=1e-3)
    assert reads("diode.voltage.reverse_peak", wave) == 3.0


@pytest.mark.parametrize("level", [0.0, 12.0])
def test_a_flat_wave_has_levels_and_no_period(level):
    flat = np.full(200, level)
    times = np.arange(200) * 1e-4
    assert reads("output.voltage.mean", flat, times) == level
    assert reads("output.voltage.rms", flat, times) == level
    assert reads("output.voltage.ac_rms", flat, times) == 0.0
    assert reads("output.voltage.ripple", flat, times) == 0.0
    for quantity in ("mains.current.thd", "output.voltage.frequency", "mains.current.crest_factor"):
        with pytest.raises(BadReply, match="has no such measure"):
            reads(quantity, flat, times)


def test_a_factor_over_a_mean_that_is_not_there_is_a_bad_reply():
    with pytest.raises(BadReply, match="without a mean"):
        reads("output.voltage.ripple_factor", np.zeros(100), np.arange(100.0))


def test_every_quantity_of_one_voltage_or_current_has_a_measure_and_no_other():
    of_a_wave = {quantity for quantity in UNITS if quantity.split(".")[1] in ("voltage", "current")} | {
        "mains.frequency"
    }
    assert {quantity for quantity in UNITS if measure_of(quantity)} == of_a_wave
    for quantity in of_a_wave:
        assert is_of_shape(quantity) == (UNITS[quantity] not in ("V", "A"))
        assert unit_of_wave(quantity) in ("V", "A", "")
