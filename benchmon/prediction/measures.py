"""Measures of a periodic trace that is sampled at uneven instants with quadrature weights; many variants at a time.

Traces are (b, k) over one whole period, weights (k,) with sum 1. Definitions are those of IEEE 1459-2010 and
IEC 61000-4-7: rms is true rms of the whole wave, distortion is of the fundamental, orders 2 to 40.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchmon.prediction.result import Floats

ORDERS = 40


def mean(trace: Floats, weights: Floats) -> Floats:
    """Return the average, (b,)."""
    return trace @ weights


def rms(trace: Floats, weights: Floats) -> Floats:
    """Return the true rms, (b,)."""
    return np.sqrt((trace * trace) @ weights)


def ac_rms(trace: Floats, weights: Floats) -> Floats:
    """Return the rms of what is left without the mean, (b,): sqrt(rms² − mean²), without its cancellation."""
    return rms(trace - mean(trace, weights)[:, None], weights)


def peak(trace: Floats, angle: Floats) -> Floats:
    """Return the largest value, (b,), from the parabola through the highest sample and its neighbours.

    `angle` (k,) are the instants, rising, over one period of 2π.
    """
    top = np.argmax(trace, axis=1)
    rows = np.arange(len(trace))
    count = trace.shape[1]
    left, right = (top - 1) % count, (top + 1) % count
    back = (angle[top] - angle[left]) % (2 * np.pi)
    ahead = (angle[right] - angle[top]) % (2 * np.pi)
    highest = trace[rows, top]
    fall_back = (highest - trace[rows, left]) / back
    fall_ahead = (highest - trace[rows, right]) / ahead
    curvature = (fall_back + fall_ahead) / (back + ahead)
    slope = (fall_back * ahead - fall_ahead * back) / (back + ahead)
    safe = np.where(curvature > 0, curvature, 1.0)
    rise = np.where(curvature > 0, slope * slope / (4.0 * safe), 0.0)
    top_of_parabola: Floats = highest + np.minimum(
        rise, 0.5 * np.maximum(np.minimum(fall_back * back, fall_ahead * ahead), 0.0)
    )
    return top_of_parabola


def phasors(trace: Floats, weights: Floats, angle: Floats, orders: int = ORDERS) -> NDArray[np.complex128]:
    """Return the complex rms of orders 1 to `orders`, (b, orders): sqrt(2)·Σ w·x·exp(−j·h·θ)."""
    turns = np.exp(-1j * np.outer(angle, np.arange(1, orders + 1)))
    found: NDArray[np.complex128] = np.sqrt(2.0) * ((trace * weights) @ turns)
    return found


def distortion(harmonics: NDArray[np.complex128]) -> Floats:
    """Return the total harmonic distortion, (b,), as a fraction of the fundamental; 0 where there is none."""
    sizes = np.abs(harmonics)
    return ratio(np.sqrt(np.sum(sizes[:, 1:] ** 2, axis=1)), sizes[:, 0])


def ratio(upper: Floats, lower: Floats) -> Floats:
    """Return upper/lower, and 0 where the lower one is zero."""
    some = np.abs(lower) > 1e-300
    return np.where(some, upper / np.where(some, lower, 1.0), 0.0)
