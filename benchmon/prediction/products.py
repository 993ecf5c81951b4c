"""Matrix products of many rows, kept in one thread."""

from __future__ import annotations

import numpy as np

from benchmon.prediction.result import Floats

_SMALL = 200_000
"""Multiplications in one product below which BLAS libraries do not spread it over threads."""


def product(rows: Floats, matrix: Floats) -> Floats:
    """Return rows (b, k) times matrix (k, n), in blocks of rows.

    A product of this size is done sooner than threads have found one another, above all on a machine that is busy.
    """
    block = max(1, _SMALL // matrix.size)
    whole = len(rows) // block * block
    blocks = rows[:whole].reshape(-1, block, rows.shape[1]) @ matrix
    return np.concatenate([blocks.reshape(whole, matrix.shape[1]), rows[whole:] @ matrix])
