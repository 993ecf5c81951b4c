"""Periodic steady state, found directly: collocation over one period, all instants and all variants in one Newton.

The two-stage Radau IIA method (order 3, stiffly accurate: Hairer & Wanner, Solving Ordinary Differential Equations II,
IV.5) is written for every interval of a mesh at once. Each interval's stages are eliminated, which leaves
δy(k+1) = A(k)·δy(k) + b(k) around the period; pairs of intervals are joined until one is left, so the work is linear in
the number of intervals and stays inside array operations.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from benchmon.errors import PredictionError
from benchmon.prediction.result import Floats

STAGES = np.array([1.0 / 3.0, 1.0])
"""Where in an interval the two stages stand."""

WEIGHTS = np.array([0.75, 0.25])
"""Quadrature weights of the two stages."""

_INVERSE = np.array([[1.5, 0.5], [-4.5, 2.5]])
_MOST_STEPS = 60
_TOLERANCE = 1e-8


@dataclass(frozen=True)
class Mesh:
    """Intervals over one repeat of the circuit, in radians of the mains: `edges` (m + 1,), m a power of two."""

    edges: Floats

    @property
    def widths(self) -> Floats:
        """The width of each interval, (m,)."""
        return np.diff(self.edges)

    @property
    def stages(self) -> Floats:
        """The angle of every stage, (m, 2)."""
        stages: Floats = self.edges[:-1, None] + self.widths[:, None] * STAGES
        return stages

    @property
    def weights(self) -> Floats:
        """Weights (m, 2) that average a trace over the repeat; their sum is 1."""
        weights: Floats = self.widths[:, None] * WEIGHTS / (self.edges[-1] - self.edges[0])
        return weights


class PeriodicSystem(Protocol):
    """d q(y)/dt = f(y, t) for b variants and n unknowns, repeating with y(end) = S·y(start), S its own inverse."""

    @property
    def exchange(self) -> Floats:
        """S, (n, n): what the second half period exchanges; the unit matrix over a full period."""
        ...

    @property
    def angular_frequency(self) -> Floats:
        """Radians per second, (b,)."""
        ...

    def evaluate(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats, Floats, Floats]:
        """Return q, f (b, m, 2, n) and their derivatives (b, m, 2, n, n) at stage values y (b, m, 2, n)."""
        ...


@dataclass(frozen=True)
class PeriodicSolution:
    """Stage values `y` and their rates `dy` per second, (b, m, 2, n), and which variants converged, (b,)."""

    mesh: Mesh
    y: Floats
    dy: Floats
    converged: NDArray[np.bool_]


def solve_periodic(
    system: PeriodicSystem, mesh: Mesh, start: Floats, most_steps: int = _MOST_STEPS
) -> PeriodicSolution:
    """Return the periodic solution by Newton's method from stage values `start` (b, m, 2, n).

    Variants that do not converge within `most_steps` are marked, never passed over.
    """
    y = start
    seconds = mesh.widths / system.angular_frequency[:, None]
    converged = np.zeros(len(y), bool)
    for _ in range(most_steps):
        change = _newton_step(system, mesh, seconds, y)
        scale = np.max(np.abs(y), axis=(1, 2), keepdims=True) + 1e-6
        y = y + change
        sizes = np.max(np.abs(change) / scale, axis=(1, 2, 3))
        converged = sizes < _TOLERANCE
        if np.all(converged) or not np.any(np.isfinite(sizes)):
            break
    return PeriodicSolution(mesh, y, _rates(y, _starts(system, y), seconds), converged)


def _starts(system: PeriodicSystem, y: Floats) -> Floats:
    """Return the value at the start of every interval, (b, m, n)."""
    ends = y[:, :, 1]
    first = ends[:, -1:] @ system.exchange.T
    return np.concatenate([first, ends[:, :-1]], axis=1)


def _rates(values: Floats, starts: Floats, seconds: Floats) -> Floats:
    rise = values - starts[:, :, None]
    first = _INVERSE[0, 0] * rise[:, :, 0] + _INVERSE[0, 1] * rise[:, :, 1]
    second = _INVERSE[1, 0] * rise[:, :, 0] + _INVERSE[1, 1] * rise[:, :, 1]
    return np.stack([first, second], axis=2) / seconds[:, :, None, None]


def _newton_step(system: PeriodicSystem, mesh: Mesh, seconds: Floats, y: Floats) -> Floats:
    q, f, q_slope, f_slope = system.evaluate(y, mesh)
    variants, intervals, _, n = y.shape
    residual = _rates(q, _starts(system, q), seconds) - f
    local = np.empty((variants, intervals, 2 * n, 2 * n))
    right = np.empty((variants, intervals, 2 * n, n + 1))
    per_second = 1.0 / seconds[:, :, None, None]
    start_slope = np.concatenate([system.exchange @ q_slope[:, -1:, 1] @ system.exchange, q_slope[:, :-1, 1]], axis=1)
    for row in (0, 1):
        rows = slice(row * n, (row + 1) * n)
        for column in (0, 1):
            columns = slice(column * n, (column + 1) * n)
            local[:, :, rows, columns] = (_INVERSE[row, column] * per_second) * q_slope[:, :, column]
        local[:, :, rows, rows] -= f_slope[:, :, row]
        right[:, :, rows, :n] = (_INVERSE[row].sum() * per_second) * start_slope
        right[:, :, rows, n] = -residual[:, :, row]
    try:
        solved = np.linalg.solve(local, right)
        at_start = _around(solved[:, :, n:, :n], solved[:, :, n:, n], system.exchange)
    except np.linalg.LinAlgError as problem:
        raise PredictionError(
            "the circuit has no single answer: a node is held by nothing or by two things at once; "
            "check for a choke that feeds a constant current without a capacitor, and for parts of zero"
        ) from problem
    stages = solved[:, :, :, :n] @ at_start[..., None]
    return (stages[..., 0] + solved[:, :, :, n]).reshape(variants, intervals, 2, n)


def _around(gain: Floats, offset: Floats, exchange: Floats) -> Floats:
    """Return δy at the start of every interval, (b, m, n), for δy(end) = gain·δy(start) + offset around the period."""
    if gain.shape[1] == 1:
        unit = np.eye(gain.shape[-1])
        first = np.linalg.solve(unit - exchange @ gain[:, 0], (offset[:, 0] @ exchange.T)[..., None])
        return np.swapaxes(first, 1, 2)
    even, odd = gain[:, 0::2], gain[:, 1::2]
    joined = (odd @ offset[:, 0::2, :, None])[..., 0] + offset[:, 1::2]
    starts = _around(odd @ even, joined, exchange)
    between = (even @ starts[..., None])[..., 0] + offset[:, 0::2]
    return np.stack([starts, between], axis=2).reshape(offset.shape)
