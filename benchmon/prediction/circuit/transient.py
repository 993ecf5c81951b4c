"""Transient of a circuit after switch-on: the two-stage Radau IIA method, one Newton loop a step, all variants at once.

The equations are those of the periodic steady state, so both are available for every topology and filter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from benchmon.bench import Bench
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.circuit import Circuit, circuit_of, mains_wave
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.collocation import STAGES, WEIGHTS, Mesh
from benchmon.signals.arrays import Floats

_INVERSE = np.linalg.inv(np.array([[5.0, -1.0], [9.0, 3.0]]) / 12.0)
_CLOSE = 1e-4
_MOST_NEWTON = 25
_FIRST_STEP = 1e-4
_LEAST_STEP = 1e-9


@dataclass(frozen=True)
class ClosedCircuit(Circuit):
    """A circuit whose variants are switched on at mains angles `closing` (b,), in radians; angle zero is switch-on."""

    closing: Floats = field(kw_only=True)

    def emf(self, angle: Floats) -> Floats:
        """Return the EMF of the winding at angles (…) since switch-on, volts, (b, …)."""
        return mains_wave(self.equations.parts, self.equations.windings.emf, angle, self.closing)


def closed_circuit(bench: Bench, parts: Parts, closing: Floats) -> ClosedCircuit:
    """Return the circuit of a bench with junctions at ambient, switched on at mains angles `closing` (b,), radians.

    Raises `PredictionError` as `circuit_of` does.
    """
    circuit = circuit_of(bench, parts, parts["ambient.temperature"])
    return ClosedCircuit(circuit.equations, circuit.junction, closing=closing)


@dataclass(frozen=True)
class TransientStep:
    """One step: `angles` (2,) of its stages since switch-on, `weights` (2,) that integrate over it, `y` (b, 2, n)."""

    angles: Floats
    weights: Floats
    y: Floats


def integrate(circuit: Circuit, y: Floats, start: float, end: float, width: float) -> Iterator[TransientStep]:
    """Yield steps of at most `width` radians from `y` (b, n) at angle `start` to `end`.

    The first steps after angle zero are tiny, to resolve the jump at switch-on. A step that Newton's method cannot
    solve is halved. Raises `PredictionError` if even the smallest step has no solution.
    """
    angle, size = start, width if start > 0.0 else _FIRST_STEP * width
    slope = np.zeros_like(y)
    while angle < end - _LEAST_STEP:
        size = min(size, width, end - angle)
        mesh = Mesh(np.array([angle, angle + size]))
        stages = _solve_step(circuit, y, mesh, y[:, None] + slope[:, None] * (size * STAGES[:, None]))
        if stages is None:
            size /= 2.0
            if size < _LEAST_STEP:
                raise PredictionError(
                    "the switch-on transient could not be followed; "
                    "check the filter and load for values far out of proportion"
                )
            continue
        yield TransientStep(angle + size * STAGES, size * WEIGHTS, stages)
        slope = (stages[:, 1] - stages[:, 0]) / ((STAGES[1] - STAGES[0]) * size)
        y, angle, size = stages[:, 1], angle + size, 2.0 * size


def _solve_step(circuit: Circuit, y: Floats, mesh: Mesh, guess: Floats) -> Floats | None:
    """Return the stages (b, 2, n) of one step from `y` (b, n) by Newton from `guess`, None if it does not converge."""
    variants, n = y.shape
    per_second = circuit.angular_frequency[:, None, None] / mesh.widths[0]
    q_start = circuit.evaluate(np.repeat(y[:, None, None], 2, axis=2), mesh)[0][:, 0, :1]
    stages = guess[:, None]
    gain = (per_second * _INVERSE)[..., None, None]
    for _ in range(_MOST_NEWTON):
        q, f, q_slope, f_slope = (part[:, 0] for part in circuit.evaluate(stages, mesh))
        residual = per_second * (_INVERSE @ (q - q_start)) - f
        matrix = gain * q_slope[:, None]
        matrix[:, [0, 1], [0, 1]] -= f_slope
        square = matrix.swapaxes(2, 3).reshape(variants, 2 * n, 2 * n)
        try:
            change = np.linalg.solve(square, -residual.reshape(variants, 2 * n, 1)).reshape(variants, 1, 2, n)
        except np.linalg.LinAlgError:
            return None
        stages = stages + change
        size = np.max(np.abs(change) / (np.max(np.abs(stages), axis=2, keepdims=True) + 1e-3))
        if not np.isfinite(size):
            return None
        if size < _CLOSE:
            return stages[:, 0]
    return None
