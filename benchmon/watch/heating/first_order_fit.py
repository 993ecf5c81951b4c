"""A first-order rise of temperature, fitted to what has been seen of it.

The curve is T(u) = a + c·(1 − exp(−k·u))/k with u the time since the rise began: temperature a and rate c at its
start, and k, one over the time constant. It passes smoothly through k = 0, a straight line, to k < 0, a rise that
grows ever faster. For k > 0 it settles at a + c/k.

Least squares for a curve with a few parameters: Gauss–Newton, and what the parameters are uncertain by.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchmon.signals.arrays import Floats
from benchmon.watch.drift.trend_test import memory_widening

Model = Callable[[Floats], tuple[Floats, Floats]]
"""From parameters (p,) to the curve (n,) and its derivatives (n, p)."""

_MOST_ROUNDS = 100
_MOST_HALVINGS = 30


@dataclass(frozen=True)
class FirstOrderParameters:
    """Parameters (p,), their covariance (p, p) for values of unit deviation, and the residual standard deviation."""

    parameters: Floats
    unit_covariance: Floats
    deviation: float


def fit_curve(model: Model, values: Floats, start: Floats, offset: float = 0.0) -> FirstOrderParameters | None:
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


def _fit(at: Floats, slopes: Floats, squares: float, count: int) -> FirstOrderParameters | None:
    sizes = np.linalg.norm(slopes, axis=0)
    if count <= len(at) or np.any(sizes == 0.0):
        return None
    scaled = slopes / sizes
    try:
        inverse = np.linalg.inv(scaled.T @ scaled) / np.outer(sizes, sizes)
    except np.linalg.LinAlgError:
        return None
    return FirstOrderParameters(at, inverse, math.sqrt(squares / (count - len(at))))


COVERED = 4.0
"""Coverage factor 2, squared: how far the likelihood may fall inside an interval (Bates and Watts 1988, 6.1)."""

_FASTEST, _SLOWEST, _RATES, _NEAR = 30.0, 0.02, 41, 65
"""The grid of k: from this many to this many time constants in the time seen, on both sides of zero."""

_CLOSER, _BETWEEN = 2, 17
"""How often, and among how many k, the best is looked for between its neighbours before the fit begins."""

_OFFSET = 0.001
"""Where a fit may end: this part of what its readings allow (the value that Bates and Watts, 1981, give)."""

_STEEPEST = 8.0
"""Growth beyond e to this power within the time seen is no rise any more but a step."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A best value with the ends of its 95 % interval; infinite where it cannot be told."""

    best: float
    low: float
    high: float


@dataclass(frozen=True)
class Rise:
    """A fitted rise that began at `start` (s): a, c and k, the deviation of a point, and what k may be as well.

    `rates` (g,) are the k that the readings allow, `starts` and `slopes` (g,) their best a and c, `slacks` (g,) how
    many standard deviations each may still move, and `doubts` (g, 2, 2) the covariance of a and c there. `growth` is
    the normal score by which an ever faster rise fits better than any that settles.
    """

    start: float
    temperature: float
    slope: float
    rate: float
    deviation: float
    rates: Floats
    starts: Floats
    slopes: Floats
    slacks: Floats
    doubts: Floats
    growth: float
    covariance: Floats | None

    def at(self, time: float) -> float:
        """Return the fitted temperature at `time` (s)."""
        return self.temperature + self.slope * _shape(self.rate, time - self.start)

    def doubt_at(self, time: float) -> float:
        """Return the standard uncertainty of the fitted temperature at `time`, infinite where it is not known."""
        if self.covariance is None:
            return math.inf
        u = time - self.start
        gradient = np.array([1.0, _shape(self.rate, u), self.slope * float(_bend(np.array([self.rate]), u)[0])])
        return math.sqrt(max(0.0, float(gradient @ self.covariance @ gradient)))

    @property
    def time_constant(self) -> float | None:
        """Seconds, None for a rise that does not settle."""
        return 1.0 / self.rate if self.rate > 0 else None

    @property
    def final(self) -> Interval:
        """Where it settles; an end is infinite where the readings allow that it does not."""
        best = self.temperature + self.slope / self.rate if self.rate > 0 else math.copysign(math.inf, self.slope)
        if np.any(self.rates <= 0.0) or not len(self.rates):
            return Interval(best, -math.inf, math.inf)
        finals = self.starts + self.slopes / self.rates
        gradient = np.stack([np.ones_like(self.rates), 1.0 / self.rates], axis=1)
        spread = self.slacks * np.sqrt(np.einsum("gi,gij,gj->g", gradient, self.doubts, gradient))
        return Interval(best, float(np.min(finals - spread)), float(np.max(finals + spread)))

    def time_until(self, limit: float, now: float) -> Interval | None:
        """Return how long from `now` (s) until it passes `limit`, None where no allowed curve does.

        The best and the late end are infinite where those curves do not reach it. A limit already passed gives 0.
        """
        u = now - self.start
        best = _time_of(np.array([self.temperature]), np.array([self.slope]), np.array([self.rate]), limit)[0] - u
        gradient = np.stack([np.ones_like(self.rates), _shapes(self.rates, max(u, 1e-9))], axis=1)
        spread = np.sqrt(np.einsum("gi,gij,gj->g", gradient, self.doubts, gradient)) * self.slacks
        reached = [
            _time_of(self.starts + side * spread, self.slopes, self.rates, limit) - u for side in (-1.0, 0.0, 1.0)
        ]
        low = min(float(best), float(np.min(reached))) if len(self.rates) else float(best)
        if math.isinf(low):
            return None
        high = max(float(best), float(np.max(reached))) if len(self.rates) else math.inf
        return Interval(max(0.0, float(best)), max(0.0, low), max(0.0, high))


def fit_rise(
    times: Floats, temperatures: Floats, deviation: float, time_constant: float | None = None, doubt: float = 0.5
) -> Rise:
    """Return the first-order rise through `temperatures` (n,) at rising `times` (n,), n ≥ 5.

    `deviation` is the least standard deviation of one point; the scatter about the fit may raise it. `time_constant`
    is one known beforehand, to `doubt` in its natural logarithm.
    """
    u = times - times[0]
    known = (time_constant, doubt)
    coarse = _profile(_grid(float(u[-1])), u, temperatures)
    found, covariance = _refined(u, temperatures, coarse)
    deviation = max(deviation, _scatter(found, u, temperatures), 1e-9)
    profile = coarse
    if covariance is not None:
        covariance = covariance * deviation**2
        near = found[2] + math.sqrt(covariance[2, 2]) * np.linspace(-3.0, 3.0, _NEAR)
        profile = coarse.joined(_profile(near[near * u[-1] > -_STEEPEST], u, temperatures))
        if time_constant is not None:
            found = profile.best(deviation, known)
    falls = profile.cost(deviation, known)
    falls -= falls.min()
    growing = profile.rates < 0.0
    growth = math.sqrt(max(0.0, float(falls[~growing].min() - falls[growing].min()))) if growing.any() else 0.0
    covered = COVERED * (1.0 + 2.5 / max(1, len(u) - 3))  # as Student's factor grows for few readings
    allowed = falls <= covered
    return Rise(
        start=float(times[0]),
        temperature=found[0],
        slope=found[1],
        rate=found[2],
        deviation=deviation,
        rates=profile.rates[allowed],
        starts=profile.starts[allowed],
        slopes=profile.slopes[allowed],
        slacks=np.sqrt(covered - falls[allowed]),
        doubts=profile.doubts[allowed] * deviation**2,
        growth=growth,
        covariance=covariance,
    )


@dataclass(frozen=True)
class _Profile:
    """The best straight fits for each of some k: `rates`, `starts`, `slopes`, `squares` (g,), `doubts` (g, 2, 2)."""

    rates: Floats
    starts: Floats
    slopes: Floats
    doubts: Floats
    squares: Floats

    def cost(self, deviation: float, known: tuple[float | None, float]) -> Floats:
        """Return twice the negative logarithm of the likelihood of each k, (g,), but for a constant."""
        return self.squares / deviation**2 + _prior(self.rates, *known)

    def best(self, deviation: float, known: tuple[float | None, float]) -> tuple[float, float, float]:
        """Return a, c and k of the likeliest."""
        top = int(np.argmin(self.cost(deviation, known)))
        return float(self.starts[top]), float(self.slopes[top]), float(self.rates[top])

    def joined(self, other: _Profile) -> _Profile:
        """Return both together."""
        return _Profile(
            np.concatenate([self.rates, other.rates]),
            np.concatenate([self.starts, other.starts]),
            np.concatenate([self.slopes, other.slopes]),
            np.concatenate([self.doubts, other.doubts]),
            np.concatenate([self.squares, other.squares]),
        )


def _profile(rates: Floats, u: Floats, values: Floats) -> _Profile:
    return _Profile(rates, *_straight_fits(_shapes(rates[:, None], u[None, :]), values))


def _at_the_bottom(profile: _Profile, u: Floats, values: Floats) -> tuple[float, float, float]:
    """Return a, c and k of the least squares, from ever closer k around the best of `profile`.

    Where readings hardly tell k the valley is long and flat: steps of all three parameters would creep along it.
    """
    for _ in range(_CLOSER):
        top = int(np.argmin(profile.squares))
        ends = profile.rates[max(0, top - 1)], profile.rates[min(len(profile.rates), top + 2) - 1]
        profile = _profile(np.linspace(*ends, _BETWEEN), u, values)
    return profile.best(1.0, (None, 1.0))


def _scatter(found: tuple[float, float, float], u: Floats, values: Floats) -> float:
    """Return the standard deviation about a fit, widened where the scatter has a memory."""
    first, slope, rate = found
    rest = values - first - slope * _shapes(np.full_like(u, rate), u)
    return math.sqrt(float(rest @ rest) / max(1, len(u) - 3) * memory_widening(rest))


def _grid(span: float) -> Floats:
    rates = np.geomspace(_SLOWEST, _FASTEST, _RATES) / span
    return np.concatenate([-rates[rates * span < _STEEPEST][::-1], [0.0], rates])


def _shape(rate: float, u: float) -> float:
    return float(_shapes(np.array([rate]), u)[0])


def _shapes(rates: Floats, u: Floats | float) -> Floats:
    """Return (1 − exp(−k·u))/k, and u where k is zero."""
    product = rates * u
    flat = np.abs(product) < 1e-8
    safe = np.where(flat, 1.0, rates)
    return np.where(flat, u, -np.expm1(-np.clip(product, -50.0, None)) / safe)


def _bend(rates: Floats, u: Floats | float) -> Floats:
    """Return the derivative of the shape with respect to k."""
    product = rates * u
    flat = np.abs(product) < 1e-3
    safe = np.where(flat, 1.0, rates)
    fall = np.exp(-np.clip(product, -50.0, None))
    series = u * u * (-0.5 + product / 3.0)
    return np.where(flat, series, (fall * (1.0 + product) - 1.0) / safe**2)


def _straight_fits(shapes: Floats, values: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return a, c, the covariance of both for unit deviation, and the sum of squares, for each shape (g, n)."""
    count = shapes.shape[1]
    centre = shapes.mean(axis=1)
    centred = shapes - centre[:, None]
    power = np.maximum(np.sum(centred**2, axis=1), 1e-300)
    slopes = centred @ (values - values.mean()) / power
    starts = values.mean() - slopes * centre
    squares = np.sum((values - starts[:, None] - slopes[:, None] * shapes) ** 2, axis=1)
    doubts = np.empty((len(shapes), 2, 2))
    doubts[:, 1, 1] = 1.0 / power
    doubts[:, 0, 1] = doubts[:, 1, 0] = -centre / power
    doubts[:, 0, 0] = 1.0 / count + centre**2 / power
    return starts, slopes, doubts, squares


def _prior(grid: Floats, time_constant: float | None, doubt: float) -> Floats:
    """Return twice the negative logarithm of what is known of the time constant beforehand."""
    if time_constant is None:
        return np.zeros_like(grid)
    away = np.log(np.maximum(grid, 1e-9 / time_constant) * time_constant) / doubt
    return np.asarray(np.minimum(away**2, 16.0), float)


def _refined(u: Floats, values: Floats, coarse: _Profile) -> tuple[tuple[float, float, float], Floats | None]:
    """Return a, c and k by Gauss–Newton, and their covariance for unit deviation, None if it fails."""
    start = coarse.best(1.0, (None, 1.0))
    if start[2] == coarse.rates[0]:
        # The steepest growth fits best, and a steeper one would fit better: noise without a rise looks like that.
        return start, None
    start = _at_the_bottom(coarse, u, values)

    def model(parameters: Floats) -> tuple[Floats, Floats]:
        first, slope, rate = parameters
        shape = _shapes(np.full_like(u, rate), u)
        return first + slope * shape, np.column_stack([np.ones_like(u), shape, slope * _bend(np.full_like(u, rate), u)])

    fit = fit_curve(model, values, np.array(start), _OFFSET)
    if fit is None or not np.all(np.isfinite(fit.unit_covariance)) or np.any(np.diag(fit.unit_covariance) <= 0.0):
        return start, None
    first, slope, rate = (float(value) for value in fit.parameters)
    if not -_STEEPEST < rate * u[-1] < 10.0 * _FASTEST:
        return start, None
    return (first, slope, rate), fit.unit_covariance


def _time_of(starts: Floats, slopes: Floats, rates: Floats, limit: float) -> Floats:
    """Return u at which each curve is at `limit` going up, infinite where it never is."""
    need = limit - starts
    flat = np.abs(rates * need) < 1e-9 * np.maximum(np.abs(slopes), 1e-300)
    with np.errstate(divide="ignore", invalid="ignore"):
        inside = 1.0 - rates * need / slopes
        curved = np.where(inside > 0.0, -np.log(np.maximum(inside, 1e-300)) / np.where(flat, 1.0, rates), np.inf)
        u = np.where(flat, need / slopes, curved)
    return np.where(slopes > 0.0, u, np.where(need <= 0.0, 0.0, np.inf))
