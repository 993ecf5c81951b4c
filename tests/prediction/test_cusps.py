"""What a trace measures between its instants: the cusp at the mains' zero, smooth bottoms, harmonics of a curve."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.prediction.circuit.trace_measures import peak_of, phasors, valley_of
from support.circuits.agreement import predicted
from support.circuits.drawn import plain

ANGLES = st.integers(40, 128).map(lambda count: np.cumsum(np.full(2 * count, np.pi / count)))


@settings(max_examples=60, deadline=None)
@given(ANGLES, st.floats(0.0, 3.0))
def test_the_cusp_of_a_rectified_sine_is_zero(angle, shift):
    trace = 30.0 * np.abs(np.sin(angle - shift))[None]
    assert valley_of(trace, angle, cusps=True)[0] == pytest.approx(0.0, abs=0.03)
    assert peak_of(trace, angle)[0] == pytest.approx(30.0, rel=1e-4)


@settings(max_examples=60, deadline=None)
@given(ANGLES, st.floats(0.0, 3.0), st.floats(1.0, 5.0))
def test_a_round_bottom_stays_round(angle, shift, level):
    trace = (level + np.cos(2.0 * (angle - shift)))[None]
    assert valley_of(trace, angle, cusps=True)[0] == pytest.approx(level - 1.0, abs=2e-4)


@pytest.mark.parametrize("kind", ["centre tap", "bridge", "split rail"])
def test_without_a_filter_the_output_falls_to_zero(kind):
    # The zero of a distorted mains lies anywhere between the instants of the mesh.
    distorted = {"harmonics": [[3, 0.03, 60.0], [5, 0.03, -140.0]]}
    found = predicted(plain(kind, mains=distorted, transformer={"open_circuit_voltage": 400.0}))
    assert found["output.voltage.valley"] == pytest.approx(0.0, abs=1e-3 * found["output.voltage.peak"])
    assert found["output.voltage.ripple"] == pytest.approx(found["output.voltage.peak"], rel=1e-3)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 20), st.floats(0.0, 1.0), st.floats(0.0, 6.3)), min_size=1, max_size=4))
def test_harmonics_of_a_curve_are_those_it_was_made_of(waves):
    widths = 1.0 + 0.5 * np.sin(np.arange(256))
    angle = 2.0 * np.pi * np.cumsum(widths) / np.sum(widths)
    trace = sum(size * np.sin(order * angle + phase) for order, size, phase in waves)[None]
    expected = np.zeros(40, complex)
    for order, size, phase in waves:
        expected[order - 1] += size / np.sqrt(2.0) * np.exp(1j * (phase - np.pi / 2.0))
    assert phasors(trace, angle)[0] == pytest.approx(expected, abs=2e-3)
    # Of more traces than instants, by other means.
    sizes = np.linspace(-1.0, 1.0, 300)[:, None]
    assert phasors(sizes * trace, angle) == pytest.approx(sizes * expected, abs=2e-3)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.0, 3.0), st.floats(0.0, 0.3))
def test_the_peak_of_a_round_top_between_sparse_instants_is_found(shift, third):
    """With 3.75° between instants, a sine that a third harmonic flattens has its peak where its slope is zero."""
    angle = np.cumsum(np.full(96, 2.0 * np.pi / 96))
    trace = np.sin(angle - shift) + third / 9.0 * np.sin(3.0 * (angle - shift))
    # Its slope cos x + (third/3)·cos 3x is zero at x = 90° and, as cos 3x = 4·cos³x − 3·cos x, nowhere else below 1.
    assert peak_of(trace[None], angle)[0] == pytest.approx(1.0 - third / 9.0, abs=3e-6)
