"""Limits of harmonic currents drawn from the public mains (IEC 61000-3-2, tables 1 and 3, from memory)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Class = Literal["A", "D"]

_ODD = {3: 2.30, 5: 1.14, 7: 0.77, 9: 0.40, 11: 0.33, 13: 0.21}
_EVEN = {2: 1.08, 4: 0.43, 6: 0.30}
_PER_WATT = {3: 3.4e-3, 5: 1.9e-3, 7: 1.0e-3, 9: 0.5e-3, 11: 0.35e-3}
_HIGHEST_ORDER = 40


@dataclass(frozen=True, slots=True)
class HarmonicLimit:
    """The rms of a harmonic and its limit, both in amperes; `ok` is whether it is within the limit."""

    order: int
    value: float
    limit: float
    ok: bool


def limit_of(order: int, kind: Class = "A", power: float = 0.0) -> float | None:
    """Return the limit of a harmonic in rms amperes, None where the class has none for that order.

    Class A holds for most equipment; class D (television sets and computers up to 600 W) for `power` in watts, never
    above class A.

    >>> limit_of(3), limit_of(15), limit_of(3, "D", 100.0)
    (2.3, 0.15, 0.33999999999999997)
    """
    if not 2 <= order <= _HIGHEST_ORDER:
        return None
    odd = order % 2 == 1
    of_class_a = _ODD.get(order, 0.15 * 15.0 / order) if odd else _EVEN.get(order, 0.23 * 8.0 / order)
    if kind == "A":
        return of_class_a
    return min(_PER_WATT.get(order, 3.85e-3 / order) * power, of_class_a) if odd else None


def compare_with_limits(
    harmonics: Iterable[tuple[int, float]], kind: Class = "A", power: float = 0.0
) -> list[HarmonicLimit]:
    """Return every harmonic (order, rms amperes) that has a limit, with the limit."""
    found = []
    for order, value in harmonics:
        limit = limit_of(order, kind, power)
        if limit is not None:
            found.append(HarmonicLimit(order, value, limit, value <= limit))
    return found
