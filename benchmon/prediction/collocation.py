"""Collocation over one period: find a periodic steady state directly, all instants and all variants in one Newton loop.

The two-stage Radau IIA method (order 3, stiffly accurate: Hairer & Wanner, Solving Ordinary Differential Equations II,
IV.5) is written for every interval of a mesh at once. The stages of each interval are eliminated, which leaves
δy(k+1) = A(k)·δy(k) + b(k) around the period; pairs of intervals are joined until one is left (`close_period`), so the
work is linear in the number of intervals and stays inside array operations.

Values have shape (b, m, 2, n): b variants, m intervals, two stages, n unknowns. Small matrices, one for every interval
and variant, have shape (rows, columns, b, m): their own axes come first, so that a step of an elimination is one
operation on whole rows. If one variant represents all of them, its b is 1.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from benchmon.prediction.sparse_stages import MANY_BLOCKS, kept, singular_circuit, solve_sparsely, stages_of
from benchmon.signals.arrays import Floats

STAGES = np.array([1.0 / 3.0, 1.0])
"""Positions of the two stages in an interval, as fractions of its width."""

WEIGHTS = np.array([0.75, 0.25])
"""Quadrature weights of the two stages."""

_INVERSE = np.array([[1.5, 0.5], [-4.5, 2.5]])
_MOST_STEPS = 60
_MOST_HALVINGS = 12
TOLERANCE = 3e-6
"""Relative size of the last step: the error left by Newton's method is about its square."""

_LEFT, _QUADRATIC = 3e-8, 0.01
"""Relative size that the next step would have at most, for this one to be the last, and that of the one before it.

Newton's method converges quadratically near the end, so two steps tell how large the next one would be.
"""

_LEAST_SCALE, _LARGEST_SCALE = 1e-3, 200.0
"""Limits, in volts or amperes, of the size that a step is compared with: a junction bends within millivolts."""


@dataclass(frozen=True)
class Mesh:
    """Intervals over one repetition of the circuit, in radians of the mains: `edges` (m + 1,), m a power of two.

    `adapted` is how many times they have been adapted to a solution.
    """

    edges: Floats
    adapted: int = 0

    @cached_property
    def widths(self) -> Floats:
        """The width of each interval, (m,)."""
        return np.diff(self.edges)

    @cached_property
    def stages(self) -> Floats:
        """The angle of every stage, (m, 2)."""
        stages: Floats = self.edges[:-1, None] + self.widths[:, None] * STAGES
        return stages

    @cached_property
    def weights(self) -> Floats:
        """Weights (m, 2) that average a trace over the repetition; their sum is 1."""
        weights: Floats = self.widths[:, None] * WEIGHTS / (self.edges[-1] - self.edges[0])
        return weights


class PeriodicSystem(Protocol):
    """d q(y)/dt = f(y, t) for b variants and n unknowns, with y(end) = S·y(start), where S is its own inverse."""

    @property
    def exchange(self) -> Floats:
        """S, (n, n): the exchange of unknowns after half a period; the unit matrix over a full period."""
        ...

    @property
    def angular_frequency(self) -> Floats:
        """Radians per second, (b,)."""
        ...

    @property
    def needs_pivoting(self) -> bool:
        """Whether an equation may have a zero on its diagonal."""
        ...

    def terms(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats]:
        """Return q and f (b, m, 2, n) at stage values y (b, m, 2, n)."""
        ...

    def evaluate(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats, Floats, Floats]:
        """Return q, f (b, m, 2, n) and their derivatives (b, m, 2, n, n) at stage values y (b, m, 2, n)."""
        ...

    def mean_slopes(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats]:
        """Return the derivatives of q and f, (1, m, 2, n, n), of variants that differ little: about their mean."""
        ...


@dataclass(frozen=True)
class PeriodicSolution:
    """Stage values `y` and their rates `dy` per second, (b, m, 2, n), and which variants converged, (b,).

    `steps` are those that Newton's method took; 0 where the solution was found otherwise.
    """

    mesh: Mesh
    y: Floats
    dy: Floats
    converged: NDArray[np.bool_]
    steps: int = field(default=0, kw_only=True)


def solve_periodic(
    system: PeriodicSystem,
    mesh: Mesh,
    start: Floats,
    most_steps: int = _MOST_STEPS,
    *,
    damped: bool = False,
    tolerance: float = TOLERANCE,
) -> PeriodicSolution:
    """Return the periodic solution by Newton's method from stage values `start` (b, m, 2, n).

    `damped` shortens steps that do not reduce the residual: slower, but it seldom diverges. `tolerance` is the relative
    size of the last step. Variants that do not converge within `most_steps` are marked as such. Raises
    `PredictionError` if the first matrix is singular.
    """
    y = start
    seconds = mesh.widths / system.angular_frequency[:, None]
    converged, last = np.zeros(len(y), bool), np.full(len(y), np.inf)
    # A variant that diverges becomes infinite, and is marked like any other that does not converge.
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        for step in range(most_steps):
            found = system.evaluate(y, mesh)
            change = _newton_step(system, seconds, found)
            if step == 0 and not np.any(np.isfinite(change)):
                raise singular_circuit()
            scale = size_scale(y)
            y = y + (_shortened(system, mesh, seconds, y, change, found=found) if damped else change)
            sizes = np.max(np.abs(change) / scale, axis=(1, 2, 3))
            converged = sizes < tolerance
            if step > 1 and not damped and tolerance <= TOLERANCE:
                converged |= (last < _QUADRATIC) & (sizes * (sizes / last) ** 2 < _LEFT)
            last = sizes
            if np.all(converged) or not np.any(np.isfinite(sizes)):
                break
        return PeriodicSolution(mesh, y, rates_of(y, starts_of(system, y), seconds), converged, steps=step + 1)


def size_scale(y: Floats) -> Floats:
    """Return the size that a change of each unknown is compared with, (b, 1, 1, n)."""
    scale: Floats = np.clip(np.max(np.abs(y), axis=(1, 2), keepdims=True), _LEAST_SCALE, _LARGEST_SCALE)
    return scale


def charge_rates(system: PeriodicSystem, solution: PeriodicSolution) -> Floats:
    """Return the rate of q at every stage of a solution, (b, m, 2, n)."""
    q, _ = system.terms(solution.y, solution.mesh)
    seconds = solution.mesh.widths / system.angular_frequency[:, None]
    return rates_of(q, starts_of(system, q), seconds)


_Evaluated = tuple[Floats, Floats, Floats, Floats]
"""What `PeriodicSystem.evaluate` returns."""


def _shortened(
    system: PeriodicSystem, mesh: Mesh, seconds: Floats, y: Floats, change: Floats, *, found: _Evaluated
) -> Floats:
    """Return `change`, halved for each variant until its scaled residual falls (a line search); `found` is at y."""
    known_q, known_f, q_slope, f_slope = found
    stiffness = np.abs(np.diagonal(q_slope, axis1=-2, axis2=-1)) / seconds[:, :, None, None]
    stiffness = stiffness + np.abs(np.diagonal(f_slope, axis1=-2, axis2=-1))
    stiffness += 1e-12 * np.max(stiffness, axis=(1, 2), keepdims=True) + 1e-300

    def distance(q: Floats, f: Floats) -> Floats:
        off = (rates_of(q, starts_of(system, q), seconds) - f) / stiffness
        norm: Floats = np.sqrt(np.sum(off * off, axis=(1, 2, 3)))
        return norm

    before, share = distance(known_q, known_f), np.ones(len(y))
    for _ in range(_MOST_HALVINGS):
        shortened = share[:, None, None, None] * change
        is_closer = distance(*system.terms(y + shortened, mesh)) <= (1.0 - 0.1 * share) * before
        if np.all(is_closer):
            break
        share = np.where(is_closer, share, share / 2.0)
    return shortened


def starts_of(system: PeriodicSystem, y: Floats) -> Floats:
    """Return the value at the start of every interval, (b, m, n)."""
    return shifted(y[:, :, 1], system.exchange)


def rates_of(values: Floats, starts: Floats, seconds: Floats) -> Floats:
    """Return the rates per second of `values` at both stages of every interval, (b, m, 2, n)."""
    rise = values - starts[:, :, None]
    rates = np.empty_like(rise)
    per_second = 1.0 / seconds[:, :, None]
    for stage in (0, 1):
        np.multiply(rise[:, :, 0], _INVERSE[stage, 0] * per_second, out=rates[:, :, stage])
        rates[:, :, stage] += rise[:, :, 1] * (_INVERSE[stage, 1] * per_second)
    return rates


def _newton_step(system: PeriodicSystem, seconds: Floats, found: _Evaluated) -> Floats:
    """Return the change of all stages, (b, m, 2, n), of a full step where the system is as `found`."""
    q, f, q_slope, f_slope = found
    forced = -residual_of(system, seconds, q, f)
    if forced[0].size >= MANY_BLOCKS:
        stages, stored = stages_of(system.exchange, seconds, _INVERSE, q_slope, f_slope)
        solved = solve_sparsely(stages, forced)
        return _step(solved[:, :-1], solved[:, -1], system.exchange, stored)
    local, from_start, stored = eliminated_stages(system, seconds, q_slope, f_slope)
    n = q.shape[-1]
    right = np.concatenate([from_start, forced[:, None]], axis=1)
    if system.needs_pivoting or n > MANY or local[0, 0].size < _FEW_BLOCKS:
        solved = solve_blocks_pivoting(local, right)
    else:
        solved = solve_blocks(local, right)
    return _step(solved[:, :-1], solved[:, -1], system.exchange, stored)


def residual_of(system: PeriodicSystem, seconds: Floats, q: Floats, f: Floats) -> Floats:
    """Return the residual of the equations of both stages, (2n, b, m)."""
    residual = (rates_of(q, starts_of(system, q), seconds) - f).transpose(2, 3, 0, 1)
    return residual.reshape(-1, *residual.shape[2:])


def eliminated_stages(
    system: PeriodicSystem, seconds: Floats, q_slope: Floats, f_slope: Floats
) -> tuple[Floats, Floats, NDArray[np.intp]]:
    """Return the matrices of every interval's stages (2n, 2n, b, m), and their dependence on the state at its start.

    The dependence is (2n, s, b, m) for the s unknowns in the third array: only these store charge or flux; the others
    have no memory of the interval before.
    """
    q_slope, f_slope = (slope.transpose(3, 4, 0, 1, 2) for slope in (q_slope, f_slope))
    n, _, variants, intervals, _ = q_slope.shape
    stores = np.any(kept(q_slope), axis=(2, 3, 4))
    start_slope = np.zeros((n, n, variants, intervals))
    at, of = np.nonzero(stores)
    start_slope[at, of, :, 1:] = q_slope[at, of, :, :-1, 1]
    exchanged = system.exchange @ q_slope[..., -1, 1].transpose(2, 0, 1) @ system.exchange
    start_slope[..., 0] = exchanged.transpose(1, 2, 0)
    stored = np.flatnonzero(np.any(stores, axis=0) | np.any(exchanged, axis=(0, 1)))
    local = np.zeros((2, n, 2, n, variants, intervals))
    from_start = np.zeros((2, n, len(stored), variants, intervals))
    per_second = 1.0 / seconds
    for row in (0, 1):
        for column in (0, 1):
            weight = _INVERSE[row, column] * per_second
            local[row, at, column, of] = weight * q_slope[at, of, ..., column]
        local[row, :, row] -= f_slope[..., row]
        from_start[row] = (_INVERSE[row].sum() * per_second) * start_slope[:, stored]
    size = 2 * n
    return local.reshape(size, size, variants, intervals), from_start.reshape(size, -1, variants, intervals), stored


def _step(by_start: Floats, forced: Floats, exchange: Floats, stored: NDArray[np.intp]) -> Floats:
    """Return the change of all stages (b, m, 2, n) that closes the period.

    Within an interval it is `by_start` (2n, s, b, m) times the change of the stored unknowns at its start, plus
    `forced` (2n, b, m). A single variant in `by_start` applies to all.
    """
    n = len(forced) // 2
    change = forced
    if len(stored):
        ends = n + stored
        at_start = close_period(by_start[ends], forced[ends], exchange[np.ix_(stored, stored)])
        change = matvec(by_start, at_start) + forced
    return change.reshape(2, n, *forced.shape[1:]).transpose(2, 3, 0, 1)


_FEW, _SMALL = 2, 32
"""Most variants, and unknowns of one, for which one whole matrix is faster than joining intervals recursively."""

MANY = 6
"""Unknowns above which LAPACK and BLAS are faster on a matrix than operations on whole rows."""


def solve_blocks(local: Floats, right: Floats) -> Floats:
    """Return x of local·x = right, for local (k, k, …) and right (k, r, …), by Gaussian elimination in place.

    Without pivoting: with their rows scaled, the equations of resistors, diodes and capacitors under this method have
    a positive definite symmetric part, for which elimination in any order is stable (Golub & Van Loan, Matrix
    Computations, 4.3). A node between two chokes has nothing on its diagonal: see `needs_pivoting`.
    """
    size = len(local)
    for k in range(size - 1):
        factor = local[k + 1 :, k] / local[k, k]
        local[k + 1 :, k + 1 :] -= factor[:, None] * local[k, None, k + 1 :]
        right[k + 1 :] -= factor[:, None] * right[k]
    for k in reversed(range(size)):
        right[k] /= local[k, k]
        right[:k] -= local[:k, k, None] * right[k]
    return right


_FEW_BLOCKS = 200
"""Matrices at once up to which LAPACK on each is faster than an elimination of all by Python's steps."""


def solve_blocks_pivoting(local: Floats, right: Floats) -> Floats:
    """Return the same as `solve_blocks`, with partial pivoting. Raises `PredictionError` if a matrix is singular."""
    try:
        solved: Floats = np.linalg.solve(local.transpose(2, 3, 0, 1), right.transpose(2, 3, 0, 1)).astype(float)
    except np.linalg.LinAlgError as problem:
        raise singular_circuit() from problem
    return solved.transpose(2, 3, 0, 1)


def inverted(local: Floats) -> Floats:
    """Return the inverse, (m, k, k), of the single variant of local (k, k, 1, m).

    Raises `PredictionError` if a matrix is singular.
    """
    try:
        inverse: Floats = np.linalg.inv(local[:, :, 0].transpose(2, 0, 1)).astype(float)
    except np.linalg.LinAlgError as problem:
        raise singular_circuit() from problem
    return inverse


def matvec(matrix: Floats, vector: Floats) -> Floats:
    """Return matrix (i, j, …) times vector (j, …)."""
    if len(vector) > MANY:
        return block_product(matrix, vector[:, None])[:, 0]
    product: Floats = np.einsum("ij...,j...->i...", matrix, vector)
    return product


def block_product(left: Floats, right: Floats) -> Floats:
    """Return left (i, j, …) times right (j, k, …)."""
    if len(right) > MANY:
        found: Floats = np.matmul(left.transpose(2, 3, 0, 1), right.transpose(2, 3, 0, 1))
        return found.transpose(2, 3, 0, 1)
    product: Floats = np.einsum("ij...,jk...->ik...", left, right)
    return product


def close_period(gain: Floats, offset: Floats, exchange: Floats) -> Floats:
    """Return δy at the start of every interval, (n, b, m), for δy(end) = gain·δy(start) + offset around the period.

    Raises `PredictionError` if no such δy exists.
    """
    n, variants, intervals = offset.shape
    if intervals == 1 or (variants <= _FEW and n * intervals <= _SMALL):
        return _closed(gain, offset, exchange)
    even, odd = gain[..., 0::2], gain[..., 1::2]
    joined = block_product(odd, even)
    starts = close_period(joined, matvec(odd, offset[..., 0::2]) + offset[..., 1::2], exchange)
    between = matvec(even, starts) + offset[..., 0::2]
    return np.stack([starts, between], axis=-1).reshape(n, variants, intervals)


def _closed(gain: Floats, offset: Floats, exchange: Floats) -> Floats:
    """Return the same as `close_period` with all intervals in one matrix: faster for few variants."""
    n, variants, intervals = offset.shape
    forced = shifted(offset.transpose(1, 2, 0), exchange).reshape(variants, -1, 1)
    try:
        starts: Floats = np.linalg.solve(closing_matrix(gain, exchange), forced).astype(float)
    except np.linalg.LinAlgError as problem:
        raise singular_circuit() from problem
    return starts.reshape(variants, intervals, n).transpose(2, 0, 1)


def shifted(ends: Floats, exchange: Floats) -> Floats:
    """Return values (b, m, n) at the starts of intervals from those at their `ends`."""
    return np.concatenate([ends[:, -1:] @ exchange.T, ends[:, :-1]], axis=1)


def closing_matrix(gain: Floats, exchange: Floats) -> Floats:
    """Return the matrix (b, m·n, m·n) of δy(start) less what the interval before adds to it by its `gain`."""
    n, _, variants, intervals = gain.shape
    whole = np.zeros((variants, intervals, n, intervals, n))
    steps = gain.transpose(2, 3, 0, 1)
    at = np.arange(intervals)
    whole[:, at, :, at, :] = np.eye(n)
    whole[:, at[1:], :, at[:-1], :] = -steps[:, :-1].transpose(1, 0, 2, 3)
    whole[:, 0, :, -1, :] -= exchange @ steps[:, -1]
    return whole.reshape(variants, intervals * n, intervals * n)


_SMALL_MATRIX = 200_000
"""Multiplications in one product below which BLAS libraries do not use several threads."""


def blocked_matmul(rows: Floats, matrix: Floats) -> Floats:
    """Return rows (b, k) times matrix (k, n), in blocks of rows.

    A product of this size takes less time than starting threads for it, above all on a busy machine.
    """
    block = max(1, _SMALL_MATRIX // matrix.size)
    whole = len(rows) // block * block
    blocks = rows[:whole].reshape(-1, block, rows.shape[1]) @ matrix
    return np.concatenate([blocks.reshape(whole, matrix.shape[1]), rows[whole:] @ matrix])
