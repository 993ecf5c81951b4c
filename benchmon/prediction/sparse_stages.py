"""The stages of very many intervals at once, eliminated by operations on those entries alone that are not zero.

`collocation` writes two stages of n unknowns for every interval and variant. With a filter of some sections few entries
of their matrices are not zero, and the same ones everywhere: every entry is then an array (b, m) of b variants and m
intervals, and no others are made.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchmon.errors import PredictionError
from benchmon.signals.arrays import Floats

MANY_BLOCKS = 500
"""Matrices at once from which operations on their entries that are not zero are faster than LAPACK on each.

Measured with 14 rows, of which LAPACK takes 4 µs each and the operations about 250 times 2 µs and 1 ns each.
"""

Entries = dict[tuple[int, int], Floats]
"""The entries, (b, m), by row and column, that are not zero in all matrices."""


@dataclass(frozen=True)
class SparseStages:
    """The matrices of every interval's stages, of `size` rows, and their dependence on the state at its start.

    The columns of `from_start` are the `stored` unknowns: those that store charge or flux.
    """

    size: int
    local: Entries
    from_start: Entries
    stored: int


def singular_circuit() -> PredictionError:
    """Return the error for a circuit whose matrix has no inverse."""
    return PredictionError(
        "the circuit has no unique solution: a node is connected to nothing or held by two parts at once; "
        "check for a choke that feeds a constant current without a capacitor, and for parts of zero"
    )


def kept(values: Floats) -> Floats:
    """Return `values` without the repetitions along axes that are only broadcast."""
    return values[tuple(slice(0, 1) if stride == 0 else slice(None) for stride in values.strides)]


def stages_of(
    exchange: Floats, seconds: Floats, inverse: Floats, q_slope: Floats, f_slope: Floats
) -> tuple[SparseStages, NDArray[np.intp]]:
    """Return the stages of a system, and the numbers of the unknowns that store.

    `exchange` (n, n) is that of the unknowns after the repetition, `seconds` (b, m) are the widths, `inverse` (2, 2) is
    that of the method's matrix, `q_slope` and `f_slope` (b, m, 2, n, n) are the derivatives at the stages.
    """
    q_planes, f_planes = (slope.transpose(3, 4, 2, 0, 1) for slope in (q_slope, f_slope))
    n, per_second = len(exchange), 1.0 / seconds
    stores = list(_filled(q_planes))
    exchanged = (exchange @ q_planes[:, :, 1, :, -1].transpose(2, 0, 1) @ exchange).transpose(1, 2, 0)
    wraps = np.any(exchanged, axis=2)
    local: Entries = {}
    for at, of in stores:
        for row, column in np.ndindex(2, 2):
            local[row * n + at, column * n + of] = (inverse[row, column] * per_second) * q_planes[at, of, column]
    for at, of in _filled(f_planes):
        for stage in (0, 1):
            place = stage * n + at, stage * n + of
            local[place] = local[place] - f_planes[at, of, stage] if place in local else -f_planes[at, of, stage]
    stored = np.flatnonzero(np.any(wraps, axis=0) | np.isin(np.arange(n), [of for _, of in stores]))
    from_start: Entries = {}
    for at, of in sorted({*stores, *zip(*(found.tolist() for found in np.nonzero(wraps)), strict=True)}):
        before = np.concatenate([exchanged[at, of, :, None], q_planes[at, of, 1, :, :-1]], axis=1)
        side = int(np.searchsorted(stored, of))
        for row in (0, 1):
            from_start[row * n + at, side] = (inverse[row].sum() * per_second) * before
    return SparseStages(2 * n, local, from_start, len(stored)), stored


def _filled(found: Floats) -> Iterator[tuple[int, int]]:
    """Yield row and column of the entries of (n, n, …) that are not zero everywhere."""
    for at, of in np.ndindex(found.shape[:2]):
        plane = kept(found[at, of])
        # Where the first one is not zero, the others need no look.
        if plane.flat[0] != 0.0 or np.any(plane):
            yield at, of


def solve_sparsely(stages: SparseStages, forced: Floats) -> Floats:
    """Return x, (2n, s + 1, b, m), of local·x = from_start, and in the last column of local·x = `forced` (2n, b, m).

    The order of elimination leaves few other entries (Markowitz, Management Science 3, 1957, 255), and every pivot is
    on the diagonal. A node between two chokes has nothing there until the current of one is eliminated. Raises
    `PredictionError` if there is no such order.
    """
    local, size = dict(stages.local), stages.size
    x = np.zeros((size, stages.stored + 1, *forced.shape[1:]))
    x[:, -1] = forced
    filled = np.zeros((size, stages.stored + 1), bool)
    filled[:, -1] = True
    for place, value in stages.from_start.items():
        x[place], filled[place] = value, True
    pattern = np.zeros((size, size), bool)
    pattern[tuple(zip(*local, strict=True))] = True
    steps, product = _elimination_order(size, pattern.tobytes()), np.empty(forced.shape[1:])
    for k, rows, columns in steps:
        known = np.flatnonzero(filled[k])
        inverse = local[k, k] = 1.0 / local[k, k]
        for row in rows:
            factor = local[row, k] * inverse
            for column in columns:
                np.multiply(factor, local[k, column], out=product)
                before = local.get((row, column))
                local[row, column] = -product if before is None else before - product
            for side in known:
                np.multiply(factor, x[k, side], out=product)
                x[row, side] -= product
            filled[row] |= filled[k]
    for k, _, columns in reversed(steps):
        for column in columns:
            for side in np.flatnonzero(filled[column]):
                np.multiply(local[k, column], x[column, side], out=product)
                x[k, side] -= product
            filled[k] |= filled[column]
        for side in np.flatnonzero(filled[k]):
            x[k, side] *= local[k, k]
    return x


@lru_cache(maxsize=64)
def _elimination_order(size: int, pattern: bytes) -> tuple[tuple[int, list[int], list[int]], ...]:
    """Return the pivots in order, each with the rows and the columns of the rest that it meets.

    `pattern` are the bytes of a matrix (size, size) of which entries are not zero. Raises `PredictionError` if the
    diagonal of the rest is empty.
    """
    filled = np.frombuffer(pattern, bool).reshape(size, size).copy()
    left, steps = list(range(size)), []
    while left:
        rest = filled[np.ix_(left, left)]
        usable = np.flatnonzero(np.diagonal(rest))
        if len(usable) == 0:
            raise singular_circuit()
        work = (rest.sum(axis=0) - 1) * (rest.sum(axis=1) - 1)
        k = left.pop(int(usable[np.argmin(work[usable])]))
        rows, columns = ([each for each in left if one[each]] for one in (filled[:, k], filled[k]))
        filled[np.ix_(rows, columns)] = True
        steps.append((k, rows, columns))
    return tuple(steps)
