"""Measures of a periodic trace that is sampled at uneven instants with quadrature weights; many variants at a time.

Traces are (b, k) over one whole period, weights (k,) with sum 1. Definitions are those of IEEE 1459-2010 and
IEC 61000-4-7: rms is true rms of the whole wave, distortion is of the fundamental, orders 2 to 40.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchmon.prediction.products import product
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

    `angle` (k,) are the instants, rising, over one period of 2π. Where the neighbours do not curve like the top, there
    is a corner and no parabola, and its rise counts as far as they do.
    """
    top = np.argmax(trace, axis=1)
    highest = trace[np.arange(len(trace)), top]
    slope, curvature = _parabola(trace, angle, top)
    beside = np.minimum(_parabola(trace, angle, top - 1)[1], _parabola(trace, angle, top + 1)[1])
    alike = np.clip(ratio(beside, curvature), 0.0, 1.0)
    rise = np.where(curvature > 0, alike * ratio(slope * slope, 4.0 * curvature), 0.0)
    top_of_parabola: Floats = highest + rise
    return top_of_parabola


def _parabola(trace: Floats, angle: Floats, at: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Return slope and half the downward curvature, (b,), of the parabola through the samples around `at` (b,)."""
    rows, count = np.arange(len(trace)), trace.shape[1]
    left, right = (at - 1) % count, (at + 1) % count
    at = at % count
    back = (angle[at] - angle[left]) % (2 * np.pi)
    ahead = (angle[right] - angle[at]) % (2 * np.pi)
    middle = trace[rows, at]
    fall_back = (middle - trace[rows, left]) / back
    fall_ahead = (middle - trace[rows, right]) / ahead
    return (fall_back * ahead - fall_ahead * back) / (back + ahead), (fall_back + fall_ahead) / (back + ahead)


def phasors(trace: Floats, angle: Floats, orders: int = ORDERS) -> NDArray[np.complex128]:
    """Return the complex rms of orders 1 to `orders`, (b, orders), of a trace at `angle` (k,), straight in between.

    Straight pieces have their Fourier integral in closed form (Filon 1928, with linear interpolation): so high orders
    need no more instants than the trace's bends do.
    """
    turns = np.cumprod(np.broadcast_to(np.exp(-1j * angle)[:, None], (len(angle), orders)), axis=1)
    change = (np.roll(turns, -1, axis=0) - turns) / (np.sqrt(2.0) * np.pi * np.arange(1, orders + 1) ** 2)
    widths = np.append(np.diff(angle), angle[0] + 2.0 * np.pi - angle[-1])
    slopes = (np.roll(trace, -1, axis=1) - trace) / widths
    found: NDArray[np.complex128] = product(slopes, change.real) + 1j * product(slopes, change.imag)
    return found


def distortion(harmonics: NDArray[np.complex128]) -> Floats:
    """Return the total harmonic distortion, (b,), as a fraction of the fundamental; 0 where there is none."""
    sizes = np.abs(harmonics)
    return ratio(np.sqrt(np.sum(sizes[:, 1:] ** 2, axis=1)), sizes[:, 0])


def ratio(upper: Floats, lower: Floats) -> Floats:
    """Return upper/lower, and 0 where the lower one is zero."""
    some = np.abs(lower) > 1e-300
    return np.where(some, upper / np.where(some, lower, 1.0), 0.0)
