"""The statistical methods of a batch: outliers, tolerance intervals, spread against a predicted one, capability.

All take values as normally distributed; `is_normal` tests that. The normal distribution is that of `statistics`; those
of chi-square and Student are worked out here, since neither numpy nor the standard library has them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from benchmon.signals.arrays import Floats

CONFIDENCE = 0.95
"""Of every interval."""
CONTENT = 0.95
"""The part of all units that a tolerance interval holds."""

_NORMAL = NormalDist()
_TINY, _LAST_BITS, _HALVINGS = 1e-300, 1e-15, 200


def chi_square_above(values: Floats, freedom: int) -> Floats:
    """Return the probabilities, (n,), that chi-square with `freedom` degrees of freedom exceeds `values` (n,) from 0.

    Closed form for whole degrees of freedom (M. Abramowitz, I. A. Stegun, 1964, 26.4.4 and 26.4.5), each term by its
    logarithm, as single factors of it are too large or too small for a number.
    """
    half, least = np.maximum(values / 2.0, _TINY), freedom % 2 / 2.0
    orders = least + np.arange(freedom // 2)
    logs = np.log(half)[:, None] * orders - half[:, None] - [math.lgamma(order + 1.0) for order in orders.tolist()]
    first = [math.erfc(root) if least else 0.0 for root in np.sqrt(half).tolist()]
    above: Floats = np.exp(logs).sum(axis=1) + first
    return above


def student_beyond(value: float, freedom: int) -> float:
    """Return the probability that Student's t with `freedom` degrees of freedom lies beyond ±`value`.

    Closed form for whole degrees of freedom (M. Abramowitz, I. A. Stegun, 1964, 26.7.3 and 26.7.4). It is a difference
    from one, so that 1e-15 is as small as it knows.
    """
    squared, is_odd = freedom / (freedom + value * value), freedom % 2
    term = math.sqrt(squared) if is_odd else 1.0
    total = 0.0
    for count in range(1 + is_odd, freedom, 2):
        total += term
        term *= squared * count / (count + 1.0)
    inside = math.sqrt(1.0 - squared) * total
    if is_odd:
        return 2.0 / math.pi * (math.atan2(math.sqrt(freedom), value) - inside)
    return 1.0 - inside


def _where_it_falls_to(falling: Callable[[float], float], wanted: float, high: float) -> float:
    """Return where a function that falls from 0 on is `wanted`, by halving; `high` is a first guess above it."""
    low = 0.0
    while falling(high) > wanted:
        low, high = high, 2.0 * high
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if falling(middle) > wanted else (low, middle)
        if high - low <= _LAST_BITS * high:
            break
    return 0.5 * (low + high)


@lru_cache(maxsize=4096)
def chi_square_quantile(above: float, freedom: int) -> float:
    """Return the value that chi-square with `freedom` degrees of freedom exceeds with probability `above`."""
    return _where_it_falls_to(
        lambda value: float(chi_square_above(np.array([value]), freedom)[0]), above, 2.0 * freedom
    )


@lru_cache(maxsize=4096)
def student_quantile(beyond: float, freedom: int) -> float:
    """Return the value that Student's t exceeds in size with probability `beyond`, both sides together."""
    return _where_it_falls_to(lambda value: student_beyond(value, freedom), beyond, 4.0)


def deviation_of(values: Floats) -> float:
    """Return the standard deviation of `values` (n,), exactly 0 where rounding alone keeps them apart."""
    found = float(np.std(values, ddof=1))
    return found if found > 1e-12 * float(np.max(np.abs(values))) else 0.0


class OutlierKind(StrEnum):
    """What a test calls a value that differs from the others (ISO 5725-2:2019, 7.3.3.3)."""

    STRAGGLER = "straggler"
    OUTLIER = "outlier"


LEVELS = {OutlierKind.OUTLIER: 0.01, OutlierKind.STRAGGLER: 0.05}
"""Levels of significance: beyond the critical value of 5 % a value is a straggler, beyond that of 1 % an outlier
(ISO 5725-2:2019, 7.3.3.3, from memory)."""

FEWEST = 3
"""Values from which one of them can be tested."""
_SEVERAL_FROM, _MOST_OUTLYING, _PART_OUTLYING = 15, 10, 5
"""From how many values on several outliers are looked for (Rosner 1983: the critical values are good from 15 on), how
many at most, and at most one in how many (from memory)."""


@lru_cache(maxsize=4096)
def grubbs_critical(count: int, level: float) -> float:
    """Return the largest |x − mean|/s that chance gives `count` normal values with the probability `level`.

    F. E. Grubbs, Technometrics 11 (1969) 1, by Student's t; the tables of ISO 5725-2 hold these values.
    """
    t = student_quantile(level / count, count - 2)
    return (count - 1) / math.sqrt(count) * math.sqrt(t * t / (count - 2 + t * t))


def outlying(values: Floats, least: float = 0.0) -> dict[int, OutlierKind]:
    """Return which of `values` (n,) are stragglers or outliers, by their place.

    Grubbs' test, from 15 values on for several of them: the generalised one by B. Rosner, Technometrics 25 (1983) 165,
    which two outliers beside each other do not hide from. A value that lies less than `least` from the mean of the
    others is none.
    """
    count = len(values)
    most = 1 if count < _SEVERAL_FROM else min(_MOST_OUTLYING, count // _PART_OUTLYING)
    kept, removed = list(range(count)), list[int]()
    found: dict[int, OutlierKind] = {}
    extremes: list[float] = []
    while len(removed) < most and len(kept) >= FEWEST:
        left = values[kept]
        deviation = deviation_of(left)
        away = np.abs(left - left.mean())
        place = int(np.argmax(away))
        if deviation == 0.0:
            break
        extremes.append(float(away[place]) / deviation)
        removed.append(kept.pop(place))
    for kind in (OutlierKind.STRAGGLER, OutlierKind.OUTLIER):
        passed = [
            number
            for number, extreme in enumerate(extremes, 1)
            if extreme > grubbs_critical(count - number + 1, LEVELS[kind])
        ]
        found |= dict.fromkeys(removed[: max(passed, default=0)], kind)
    rest = [place for place in range(count) if place not in found]
    middle = float(np.mean(values[rest])) if rest else math.nan
    return {place: kind for place, kind in found.items() if abs(float(values[place]) - middle) > least}


_NODES, _REACH = 60, 8.0


@lru_cache(maxsize=1024)
def tolerance_factor(count: int, content: float = CONTENT, confidence: float = CONFIDENCE) -> float:
    """Return k: mean ± k·s of `count` normal values holds a part `content` of all units with this `confidence`.

    Two-sided, mean and deviation unknown (ISO 16269-6:2014). The exact factor: the mean of the sample is off by z/√n
    with a normal z, and an interval around it of half width R(z), in deviations, holds the content; the confidence is
    the mean over z of the probability that k·s is at least that (K. R. Eberhardt, R. W. Mee, C. P. Reeve,
    Communications in Statistics, Simulation 18 (1989) 397).
    """
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    z = 0.5 * _REACH * (nodes + 1.0)
    density = _REACH * weights * np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
    halves = np.array([_half_width(offset, content) for offset in (z / math.sqrt(count)).tolist()])
    freedom = count - 1

    def missing(k: float) -> float:
        return 1.0 - float(density @ chi_square_above(freedom * (halves / k) ** 2, freedom))

    return _where_it_falls_to(missing, 1.0 - confidence, 10.0)


def _half_width(offset: float, content: float) -> float:
    """Return half the width of an interval around `offset` that holds a part `content` of a standard normal."""

    def outside(half: float) -> float:
        return _NORMAL.cdf(offset - half) + _NORMAL.cdf(-offset - half)

    return _where_it_falls_to(outside, 1.0 - content, offset + 3.0)


def deviation_limits(deviation: float, count: int) -> tuple[float, float]:
    """Return the confidence interval of a standard deviation estimated from `count` normal values.

    By chi-square (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.8).
    """
    tail, freedom = (1.0 - CONFIDENCE) / 2.0, count - 1
    low, high = (chi_square_quantile(part, freedom) for part in (tail, 1.0 - tail))
    return deviation * math.sqrt(freedom / low), deviation * math.sqrt(freedom / high)


def mean_uncertainty(deviation: float, count: int) -> float:
    """Return half the confidence interval of the mean of `count` normal values."""
    return student_quantile(1.0 - CONFIDENCE, count - 1) * deviation / math.sqrt(count)


_ANDERSON_DARLING = 0.752
"""Critical value at 5 % of A²·(1 + 0.75/n + 2.25/n²), mean and deviation estimated (R. B. D'Agostino, M. A. Stephens,
Goodness-of-Fit Techniques, 1986, table 4.9)."""
_FEWEST_FOR_SHAPE = 8


def is_normal(values: Floats) -> bool | None:
    """Return whether `values` (n,) may be normal, by the test of Anderson and Darling at 5 %; None for too few."""
    count = len(values)
    deviation = deviation_of(values) if count >= _FEWEST_FOR_SHAPE else 0.0
    if deviation <= 0.0:
        return None
    scores = np.sort((values - values.mean()) / deviation).tolist()
    # Two logarithms of a probability each; far out they would be of zero.
    low = [math.log(max(_NORMAL.cdf(score), _TINY)) for score in scores]
    high = [math.log(max(_NORMAL.cdf(-score), _TINY)) for score in reversed(scores)]
    total = sum((2 * at + 1) * (one + other) for at, (one, other) in enumerate(zip(low, high, strict=True)))
    statistic = -count - total / count
    return statistic * (1.0 + 0.75 / count + 2.25 / count**2) <= _ANDERSON_DARLING


@dataclass(frozen=True)
class Index:
    """A capability index with its confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Capability:
    """How a process fits its limits, in the unit of the quantity: `pp` needs both of them, `ppk` one."""

    lower: float | None
    upper: float | None
    pp: Index | None
    ppk: Index


def capability_of(mean: float, deviation: float, count: int, limits: tuple[float | None, float | None]) -> Capability:
    """Return process performance of `count` values against `limits`, of which one may be None.

    Indices are those of ISO 22514-2 of a normal distribution, (U − L)/6s and the nearer limit's distance over 3s. The
    interval of the first is exact, by chi-square; that of the second is an approximation (A. F. Bissell, Applied
    Statistics 39 (1990) 331; both in NIST/SEMATECH e-Handbook, 6.1.6). Raises `ValueError` without a limit or a
    deviation.
    """
    lower, upper = limits
    distances = [limit - mean for limit in (upper,) if limit is not None]
    distances += [mean - limit for limit in (lower,) if limit is not None]
    if not distances or deviation <= 0.0:
        raise ValueError("a capability needs a limit and a deviation above zero")
    pp = None
    if lower is not None and upper is not None:
        ratio = (upper - lower) / 6.0
        low, high = deviation_limits(deviation, count)
        pp = Index(ratio / deviation, ratio / high, ratio / low)
    ppk = min(distances) / (3.0 * deviation)
    z = _NORMAL.inv_cdf(0.5 + CONFIDENCE / 2.0)
    half = z * math.sqrt(1.0 / (9.0 * count) + ppk**2 / (2.0 * (count - 1)))
    return Capability(lower, upper, pp, Index(ppk, ppk - half, ppk + half))
