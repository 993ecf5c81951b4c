"""Limits of harmonic currents that a supply may draw from the public mains (IEC 61000-3-2, table 1)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from benchmon.standards import (
    HARMONIC_LIMIT_EVEN_FROM_8,
    HARMONIC_LIMIT_ODD_FROM_15,
    HARMONIC_LIMITS_EVEN,
    HARMONIC_LIMITS_ODD,
    HIGHEST_HARMONIC,
)


@dataclass(frozen=True, slots=True)
class HarmonicLimit:
    """The rms of a harmonic and its limit, both in amperes; `ok` is whether it is within the limit."""

    order: int
    value: float
    limit: float
    ok: bool


def limit_of(order: int) -> float | None:
    """Return the limit of a harmonic in rms amperes for class A, most equipment; None where that order has none.

    >>> limit_of(3), limit_of(15)
    (2.3, 0.15)
    """
    if not 2 <= order <= HIGHEST_HARMONIC:
        return None
    if order % 2 == 1:
        return HARMONIC_LIMITS_ODD.get(order, HARMONIC_LIMIT_ODD_FROM_15 / order)
    return HARMONIC_LIMITS_EVEN.get(order, HARMONIC_LIMIT_EVEN_FROM_8 / order)


def compare_with_limits(harmonics: Iterable[tuple[int, float]]) -> list[HarmonicLimit]:
    """Return every harmonic (order, rms amperes) that has a limit, beside it."""
    found = []
    for order, value in harmonics:
        limit = limit_of(order)
        if limit is not None:
            found.append(HarmonicLimit(order, value, limit, value <= limit))
    return found
