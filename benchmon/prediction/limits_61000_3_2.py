"""Limits of harmonic currents that a supply may draw from the public mains (IEC 61000-3-2, table 1, from memory)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

_ODD = {3: 2.30, 5: 1.14, 7: 0.77, 9: 0.40, 11: 0.33, 13: 0.21}
_EVEN = {2: 1.08, 4: 0.43, 6: 0.30}
_HIGHEST_ORDER = 40


@dataclass(frozen=True, slots=True)
class HarmonicLimit:
    """A harmonic's rms beside its limit, both in amperes; `ok` tells whether it keeps it."""

    order: int
    value: float
    limit: float
    ok: bool


def limit_of(order: int) -> float | None:
    """Return the limit of a harmonic in rms amperes for class A, most equipment; None where that order has none.

    >>> limit_of(3), limit_of(15)
    (2.3, 0.15)
    """
    if not 2 <= order <= _HIGHEST_ORDER:
        return None
    odd = order % 2 == 1
    return _ODD.get(order, 0.15 * 15.0 / order) if odd else _EVEN.get(order, 0.23 * 8.0 / order)


def compare_with_limits(harmonics: Iterable[tuple[int, float]]) -> list[HarmonicLimit]:
    """Return every harmonic (order, rms amperes) that has a limit, beside it."""
    found = []
    for order, value in harmonics:
        limit = limit_of(order)
        if limit is not None:
            found.append(HarmonicLimit(order, value, limit, value <= limit))
    return found
