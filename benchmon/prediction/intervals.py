"""Small matrices, one of every interval and variant: solved all at once, and joined around a period.

Shapes are (rows, columns, b, m) for b variants and m intervals: the matrices' own axes come first, so that a step of an
elimination is one operation on whole rows. Where one variant stands for all, b is 1 beside other arrays' b.
"""

from __future__ import annotations

import numpy as np

from benchmon.errors import PredictionError
from benchmon.prediction.result import Floats

_FEW, _SMALL = 2, 32
"""Variants, and unknowns of one, up to which a whole matrix is quicker than joining intervals on and on."""

MANY = 6
"""Unknowns from which on a matrix is better left to LAPACK and BLAS than taken element by element."""


def no_single_answer() -> PredictionError:
    """Return the refusal of a circuit whose matrix has no inverse."""
    return PredictionError(
        "the circuit has no single answer: a node is held by nothing or by two things at once; "
        "check for a choke that feeds a constant current without a capacitor, and for parts of zero"
    )


def eliminated(local: Floats, right: Floats) -> Floats:
    """Return x of local·x = right, for local (k, k, …) and right (k, r, …), by Gauss's elimination; both are used up.

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


def pivoted(local: Floats, right: Floats) -> Floats:
    """Return the same as `eliminated`, with partial pivoting."""
    try:
        solved: Floats = np.linalg.solve(local.transpose(2, 3, 0, 1), right.transpose(2, 3, 0, 1)).astype(float)
    except np.linalg.LinAlgError as problem:
        raise no_single_answer() from problem
    return solved.transpose(2, 3, 0, 1)


def inverted(local: Floats) -> Floats:
    """Return the inverse, (m, k, k), of the one variant of local (k, k, 1, m)."""
    try:
        inverse: Floats = np.linalg.inv(local[:, :, 0].transpose(2, 0, 1)).astype(float)
    except np.linalg.LinAlgError as problem:
        raise no_single_answer() from problem
    return inverse


def applied(matrix: Floats, vector: Floats) -> Floats:
    """Return matrix (i, j, …) times vector (j, …)."""
    if len(vector) > MANY:
        return _product(matrix, vector[:, None])[:, 0]
    return np.asarray(sum(matrix[:, j] * vector[j] for j in range(len(vector))))


def _product(left: Floats, right: Floats) -> Floats:
    """Return left (i, j, …) times right (j, k, …)."""
    if len(right) > MANY:
        found: Floats = np.matmul(left.transpose(2, 3, 0, 1), right.transpose(2, 3, 0, 1))
        return found.transpose(2, 3, 0, 1)
    return np.asarray(sum(left[:, j, None] * right[None, j] for j in range(len(right))))


def around(gain: Floats, offset: Floats, exchange: Floats) -> Floats:
    """Return δy at the start of every interval, (n, b, m), for δy(end) = gain·δy(start) + offset around the period."""
    n, variants, intervals = offset.shape
    if intervals == 1 or (variants <= _FEW and n * intervals <= _SMALL):
        return _closed(gain, offset, exchange)
    even, odd = gain[..., 0::2], gain[..., 1::2]
    joined = _product(odd, even)
    starts = around(joined, applied(odd, offset[..., 0::2]) + offset[..., 1::2], exchange)
    between = applied(even, starts) + offset[..., 0::2]
    return np.stack([starts, between], axis=-1).reshape(n, variants, intervals)


def _closed(gain: Floats, offset: Floats, exchange: Floats) -> Floats:
    """Return the same as `around`, all intervals in one matrix a variant: for few variants that is quicker."""
    n, variants, intervals = offset.shape
    whole = np.zeros((variants, intervals, n, intervals, n))
    steps = gain.transpose(2, 3, 0, 1)
    forced = offset.transpose(1, 2, 0).copy()
    at = np.arange(intervals)
    whole[:, at, :, at, :] = np.eye(n)
    whole[:, at[1:], :, at[:-1], :] = -steps[:, :-1].transpose(1, 0, 2, 3)
    whole[:, 0, :, -1, :] -= exchange @ steps[:, -1]
    forced = np.concatenate([forced[:, -1:] @ exchange.T, forced[:, :-1]], axis=1)
    size = intervals * n
    try:
        starts: Floats = np.linalg.solve(whole.reshape(variants, size, size), forced.reshape(variants, size, 1)).astype(
            float
        )
    except np.linalg.LinAlgError as problem:
        raise no_single_answer() from problem
    return starts.reshape(variants, intervals, n).transpose(2, 0, 1)
