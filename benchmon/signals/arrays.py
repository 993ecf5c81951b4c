"""Array types used in signatures, and how arrays lie in memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def planes(count: int, like: Floats) -> Floats:
    """Return an array of zeros, (…, count), in which every entry of the last axis lies in memory as `like` (…) does.

    Operations on one entry then run through memory without gaps.
    """
    outermost_first = sorted(range(like.ndim), key=lambda axis: -like.strides[axis])
    made = np.zeros((count, *(like.shape[axis] for axis in outermost_first)))
    return made.transpose(*(1 + outermost_first.index(axis) for axis in range(like.ndim)), 0)
