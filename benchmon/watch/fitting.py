"""Least squares for a curve with a few parameters: Gauss–Newton, and what the parameters are uncertain by."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Model = Callable[[Floats], tuple[Floats, Floats]]
"""From parameters (p,) to the curve (n,) and its derivatives (n, p)."""

_MOST_ROUNDS = 100
_MOST_HALVINGS = 30


@dataclass(frozen=True)
class Fit:
    """Parameters (p,), their covariance (p, p) for values of unit deviation, and the residual standard deviation."""

    parameters: Floats
    unit_covariance: Floats
    deviation: float


def fit_curve(model: Model, values: Floats, start: Floats, offset: float = 0.0) -> Fit | None:
    """Return the least-squares fit of `model` to `values` (n,) from parameters `start` (p,), n > p.

    Gauss–Newton with step halving (Björck, Numerical Methods for Least Squares Problems, 9.2); each step is solved by
    a scaled orthogonal factorisation, so parameters of very different size do no harm. It ends where the parameters no
    longer change, or sooner: where they are within a part `offset` of their joint confidence region's radius (Bates and
    Watts, A relative offset convergence criterion, Technometrics 23, 1981). None where it does not converge.
    """
    at = np.array(start, float)
    curve, slopes = model(at)
    squares = _squares(values - curve)
    for _ in range(_MOST_ROUNDS):
        step = _step(slopes, values - curve)
        if step is None:
            return None
        if offset and _relative_offset(slopes @ step, squares, len(at)) <= offset:
            return _fit(at, slopes, squares, len(values))
        for _ in range(_MOST_HALVINGS):
            tried_curve, tried_slopes = model(at + step)
            tried = _squares(values - tried_curve)
            if tried <= squares:
                break
            step /= 2.0
        small = bool(np.all(np.abs(step) <= 1e-10 * (np.abs(at) + 1e-10)))
        if tried <= squares:
            at, curve, slopes, squares = at + step, tried_curve, tried_slopes, tried
        if small or tried > squares:
            return _fit(at, slopes, squares, len(values))
    return None


def _relative_offset(tangent: Floats, squares: float, parameters: int) -> float:
    """Return how far the curve may still move along its tangent plane, over the scatter about it (both per freedom)."""
    moved = float(tangent @ tangent)
    rest = max(squares - moved, 0.0) / max(1, len(tangent) - parameters)
    return math.sqrt(moved / parameters / rest) if rest > 0.0 else math.inf


def _squares(rest: Floats) -> float:
    total = float(rest @ rest)
    return total if np.isfinite(total) else np.inf


def _step(slopes: Floats, rest: Floats) -> Floats | None:
    sizes = np.linalg.norm(slopes, axis=0)
    if not np.all(np.isfinite(sizes)) or np.any(sizes == 0.0):
        return None
    step: Floats = np.linalg.lstsq(slopes / sizes, rest, rcond=None)[0] / sizes
    return step


def _fit(at: Floats, slopes: Floats, squares: float, count: int) -> Fit | None:
    sizes = np.linalg.norm(slopes, axis=0)
    if count <= len(at) or np.any(sizes == 0.0):
        return None
    scaled = slopes / sizes
    try:
        inverse = np.linalg.inv(scaled.T @ scaled) / np.outer(sizes, sizes)
    except np.linalg.LinAlgError:
        return None
    return Fit(at, inverse, math.sqrt(squares / (count - len(at))))
