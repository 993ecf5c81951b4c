"""Courses that a temperature may take, given what has been read of it: rises with one and two time constants, averaged.

Heat that enters at a part's inside warms a row of heat capacities. At any place of it the temperature follows

    T(u) = a + A1·ψ(k1·u) + A2·ψ(k2·u),   u the time since the rise began,

with one term per time constant that matters (lumped heat capacities, JESD51-1). ψ(s) = 1 − exp(−s) where the part loses
heat in proportion to its rise above the air; free convection carries heat off by a power of about 1.2 of that rise
(laminar flow, exponent 5/4 in handbooks of heat transfer, from memory), and then ψ solves dψ/ds = 1 − ψ^1.2. A rise
that grows ever faster, exp(g·u), competes with these.

What none of these foresees, moving air and power that wanders, stays for a while: it is a Gaussian process with a
Matérn covariance of order 3/2 (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, 4.2), in
proportion to the rise above the air. So readings that follow each other closely count for little more than one, and
an interval does not shrink with their number around a model that is not quite right.

For each pair of rates on a grid, each ψ, and each size and memory of the process, a, A1, A2 and small changes of the
rates have a normal distribution in closed form, and the readings have a probability: the evidence (the same, 5.4.1). By
it the combinations are averaged, as equally spaced draws from all of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchmon.signals.arrays import Floats

Indices = npt.NDArray[np.intp]
Booleans = npt.NDArray[np.bool_]
_Triangle = list[list[Floats]]
"""A lower triangle of many matrices, by rows of entries."""

FEWEST = 8
"""Readings from which on a rise is fitted."""

LIKELY = 0.9
"""How probable it must be that a limit is passed for its time to be given, and not the earliest one alone."""

_DRAWS = 320
_CONVECTION = 0.2
"""By how much more than in proportion to its rise free convection cools a part: the exponent less one."""

_SLOWEST, _FASTEST, _RATES = 0.02, 30.0, 25
"""The grid of rates: time constants from fifty times the time seen to a thirtieth of it."""

_NEAREST, _FARTHEST = 4, 9
"""How many grid places two rates are apart: factors of 3 to 16."""

_GROWTHS = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Rates of growth that are tried, over the time seen."""

_SIZES = ((0.002, 0.3), (0.01, 0.45), (0.03, 0.25))
"""What moving air and power add, as a part of the rise (standard deviation), and how probable each is beforehand."""

_MEMORIES = ((0.04, 0.3), (0.15, 0.4), (0.6, 0.3))
"""How long that stays, as a part of the time seen, and how probable each is beforehand."""

_WITHOUT_RISE = 8.0
"""Kelvins that count as a rise for what moves a temperature at rest: the air itself wanders."""

_TWO, _GROWING = 0.4, 0.02
"""How probable two time constants, and a rise that grows, are beforehand."""

_AGAINST = 0.05
"""How probable it is that the slow part of a course goes against the fast one, over that it goes along with it."""

_KNOWN_WITHIN, _KNOWN_RISE, _UNKNOWN = 0.7, 0.3, 0.15
"""How well a bench file states a time constant (in its natural logarithm) and a rise (as a part of it), and how
probable a value far from it is, over one that is near."""

_USUAL_RISE, _USUAL_WITHIN = 80.0, 0.6
"""A part is seldom built to rise by more than so many kelvins above the air; what is more is less probable, by the
normal distribution of the rise's natural logarithm. From memory."""

_LEFT_OUT = 0.006
"""What all of these courses leave out of where a temperature settles, as a part of its rise (standard deviation): heat
sinks cool by other powers of their rise, and conduct the better the hotter they are. From memory."""

_SENSOR_LAG = 3.0
"""Seconds by which a sensor follows late, from memory: a bead glued on a case."""

_WIDE = 2.0
_COLUMNS = 20


@dataclass(frozen=True, slots=True)
class Interval:
    """A best value with the ends of its 95 % interval; infinite where there is none."""

    best: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Foreknowledge:
    """What is known of a temperature before it is read, None where it is not.

    `air` is the temperature of the air (°C), `time_constant` that of the rise (s), `final` where it should settle and
    `doubt` the standard uncertainty of that (°C).
    """

    air: float | None = None
    time_constant: float | None = None
    final: float | None = None
    doubt: float = 0.0


@dataclass(frozen=True)
class Courses:
    """Courses that the readings allow, all equally likely, from `start` (s) on; they were fitted until `seen` (s).

    Each of the n draws is `level` + Σ `sizes`·ψ(`rates`·u) + Σ `bends`·dψ/d(ln rate), (n,) and (n, 2); `rates` below 0
    grow. `convects` (n,) says
    whether the slow term's ψ is that of free convection. `aside` (n,) is by how much the temperature is off its
    course at `seen`, `memory` (s) how long that stays, `unrest` the standard deviation of it, `chance` (n,) draws of it
    in time to come, in standard deviations. `misfit` is the mean square of what is left, over what was to be expected.
    """

    start: float
    seen: float
    level: Floats
    sizes: Floats
    rates: Floats
    bends: Floats
    convects: Booleans
    aside: Floats
    memory: Floats
    unrest: Floats
    chance: Floats
    misfit: float

    def paths(self, times: Floats) -> Floats:
        """Return the temperatures (n, m) of all courses at `times` (m,), s, with what moving air may do until then."""
        ahead = np.maximum(times - self.seen, 0.0)
        stays = _memory(ahead[None, :], self.memory[:, None])
        moved = self.unrest * self.chance
        return self._plain(times) + self.aside[:, None] * stays + moved[:, None] * np.sqrt(1.0 - stays**2)

    def _plain(self, times: Floats) -> Floats:
        u = times - self.start
        total = np.repeat(self.level[:, None], len(times), axis=1)
        for term, convects in enumerate((None, self.convects)):
            shape, bend = _shapes(self.rates[:, term], u, convects)
            total += self.sizes[:, term, None] * shape + self.bends[:, term, None] * bend
        return total

    def course(self, times: Floats) -> Floats:
        """Return the mean of the courses (m,) at `times` (m,), °C, without what moving air does."""
        return np.asarray(self._plain(times).mean(axis=0), float)

    def at(self, time: float) -> tuple[float, float]:
        """Return the expected temperature at `time` (s) and its standard deviation."""
        found = self.paths(np.array([time]))
        return float(found.mean()), float(found.std())

    def rate(self, time: float) -> tuple[float, float]:
        """Return the rate of the courses at `time` and its standard deviation, K/s; moving air is left out."""
        step = max(0.02 * (time - self.start), 1e-3)
        low, high = self._plain(np.array([time - step, time])).T
        found = (high - low) / step
        return float(found.mean()), float(found.std())

    @property
    def growing(self) -> float:
        """The probability that the temperature rises ever faster."""
        return float(np.mean((self.rates[:, 0] < 0.0) & (self.sizes[:, 0] > 0.0)))

    @property
    def time_constant(self) -> float | None:
        """The time constant of the larger term, s; None where the courses rather grow."""
        settles = self.rates[:, 0] > 0.0
        if self.growing > 0.5 or not settles.any():
            return None
        larger = np.argmax(np.abs(self.sizes[settles]), axis=1)
        return float(1.0 / np.median(np.take_along_axis(self.rates[settles], larger[:, None], axis=1)))

    @property
    def finals(self) -> Floats:
        """Where each course settles (n,), °C, without what moving air does to it; infinite where it grows."""
        ends = self.level + self.sizes.sum(axis=1)
        return np.where(self.rates[:, 0] < 0.0, np.copysign(np.inf, self.sizes[:, 0]), ends)

    @property
    def first(self) -> Floats:
        """Where each course began (n,), °C."""
        return self.level

    def to_come(self, time: float) -> Floats:
        """Return by how much each course still changes after `time` (s), (n,), K; infinite where it grows."""
        return self.finals - self._plain(np.array([time]))[:, 0]

    @property
    def final(self) -> Interval:
        """Where the temperature settles, °C."""
        finals, settles = self.finals, np.isfinite(self.finals)
        doubts = np.hypot(self.unrest, _LEFT_OUT * np.abs(np.where(settles, finals, 0.0) - self.first))
        return _interval(np.where(settles, finals + doubts * self.chance, finals))

    def until(self, limits: Sequence[float]) -> list[Interval]:
        """Return for each of `limits` (°C) how long after `seen` the temperature passes it, s; infinite where never.

        The low end is infinite where fewer than one course in 40 passes it, the best value where fewer than `LIKELY`
        do, the high end where not all but one in 40 do.
        """
        longest = 8.0 * max(float(np.quantile(1.0 / np.abs(self.rates[:, 1]), 0.9)), 60.0)
        ahead = np.concatenate([[0.0], np.geomspace(1.0, longest, 40)])
        paths = self.paths(self.seen + ahead)
        return [_crossed(ahead, paths, limit) for limit in limits]


def _crossed(ahead: Floats, paths: Floats, limit: float) -> Interval:
    """Return after which time `paths` (n, m), at times `ahead` (m,), first pass a limit."""
    above = paths >= limit
    after, row = np.argmax(above, axis=1), np.arange(len(paths))
    before = np.maximum(after - 1, 0)
    low, high = paths[row, before], paths[row, after]
    part = np.where(after > 0, (limit - low) / np.where(high > low, high - low, 1.0), 0.0)
    passes = above.any(axis=1)
    until = _interval(np.where(passes, ahead[before] + part * (ahead[after] - ahead[before]), np.inf))
    return until if np.mean(passes) >= LIKELY else replace(until, best=math.inf)


def _interval(values: Floats) -> Interval:
    low, best, high = np.quantile(values, (0.025, 0.5, 0.975), method="inverted_cdf")
    return Interval(float(best), float(low), float(high))


def fit_rise(times: Floats, temperatures: Floats, deviations: Floats, known: Foreknowledge | None = None) -> Courses:
    """Return the courses through `temperatures` (n,), °C, at rising `times` (n,), s; n is at least `FEWEST`.

    `deviations` (n,) are the standard deviations of the readings by themselves, K.
    """
    known = known or Foreknowledge()
    u = times - times[0]
    span, first = float(u[-1]), float(temperatures[0])
    y = temperatures - first
    seen = max(float(np.ptp(y)), 4.0 * float(deviations.max()), 0.5)
    grid = _grid()
    columns = grid.columns(u / span)
    air = known.air if known.air is not None else min(25.0, float(temperatures.min()))
    noise = _Unrest.of(u, temperatures - air, np.hypot(deviations, _late_by_the_sensor(u, y)))
    weighed = np.concatenate([noise.inverses @ some for some in _in_parts(columns)], axis=2)
    gram = np.concatenate([columns.T @ some for some in _in_parts(weighed)], axis=2)
    pull = y @ weighed
    whole = noise.inverses @ y @ y
    widths = grid.widths(seen)
    lower, z = _reduced(gram, pull, grid, widths)
    fits = np.sum([each**2 for each in z], axis=0)
    determinant = math.prod((row[-1] for row in lower), start=np.ones(()))
    score = 0.5 * (fits - whole[:, None]) - np.log(determinant)
    score += noise.prior[:, None] - np.log(widths).sum(axis=-1) + grid.prior(span, known.time_constant)
    best = np.unravel_index(int(np.argmax(score)), score.shape)
    misfit = float((whole[best[0]] - fits[best]) / len(y))
    return _courses(_Posterior(times, y, first, air, columns, noise, lower, z, misfit), _drawn(score), known)


def _late_by_the_sensor(u: Floats, y: Floats) -> Floats:
    """Return by how much a sensor that follows late may be off (n,), K, soon after the rise began."""
    steepest = float(np.max(np.abs(np.diff(y[:FEWEST]) / np.maximum(np.diff(u[:FEWEST]), 0.1))))
    return steepest * _SENSOR_LAG * np.exp(-u / _SENSOR_LAG)


@dataclass(frozen=True)
class _Unrest:
    """What moving air and power add: inverse covariances of the readings (h, n, n) for each size and memory of it.

    `sizes` and `memories` (h,) are those, as a part of the rise and in s; `prior` (h,) the logarithm of how probable
    each is, with the readings' determinant; `links` (h, n) what the readings show of the unrest at the last of them.
    """

    sizes: Floats
    memories: Floats
    prior: Floats
    inverses: Floats
    links: Floats

    @classmethod
    def of(cls, u: Floats, rise: Floats, deviations: Floats) -> _Unrest:
        pairs = [(size, part, math.log(p * q)) for size, p in _SIZES for part, q in _MEMORIES]
        sizes, parts, prior = (np.array(column) for column in zip(*pairs, strict=True))
        memories = np.maximum(parts * u[-1], 4.0)
        swing = np.hypot(rise, _WITHOUT_RISE)
        shape = _memory(np.abs(u[:, None] - u[None, :])[None], memories[:, None, None]) * np.outer(swing, swing)
        unrest = sizes[:, None, None] ** 2 * shape
        covariances = unrest + np.diag(deviations**2)
        inverses = np.linalg.inv(covariances)
        _, sizes_of = np.linalg.slogdet(covariances)
        return cls(sizes, memories, prior - 0.5 * sizes_of, inverses, np.einsum("hn,hnm->hm", unrest[:, -1], inverses))


class _Grid:
    """The combinations of rates and shapes: columns of the model and which of them each combination has.

    Times are in parts of the time seen. Column 0 is a constant, column 1 is nothing; then come pairs, a shape and what
    a change of its rate does to it.
    """

    def __init__(self) -> None:
        rates = np.geomspace(_SLOWEST, _FASTEST, _RATES)
        self.spacing = math.log(rates[1] / rates[0])
        growths = -np.array(_GROWTHS)
        self.rates = np.concatenate([rates, rates, growths])
        self.convects = np.repeat([False, True, False], [_RATES, _RATES, len(growths)])
        one = [(i,) for i in range(2 * _RATES)]
        two = [
            (i + apart, i + shape)
            for shape in (0, _RATES)
            for apart in range(_NEAREST, _FARTHEST + 1)
            for i in range(_RATES - apart)
        ]
        growing = [(2 * _RATES + i,) for i in range(len(growths))]
        self.members = [*one, *two, *growing]
        self.fast = np.array([member[0] for member in self.members])
        self.slow = np.array([member[-1] for member in self.members])
        self.has_two = np.array([len(member) == 2 for member in self.members])
        self.terms = np.array([_terms(member) for member in self.members])
        kinds = ((1.0 - _TWO, len(one)), (_TWO, len(two)), (_GROWING, len(growing)))
        self._prior: Floats = np.log(np.concatenate([np.full(count, part / count) for part, count in kinds]))
        self._ends = _shapes(self.rates, np.ones(1), self.convects)[0][:, 0]

    def columns(self, u: Floats) -> Floats:
        """Return the columns (n, c) at `u` (n,), in parts of the time seen."""
        shapes, bends = _shapes(self.rates, u, self.convects)
        pairs = np.stack([shapes.T, bends.T], axis=2).reshape(len(u), -1)
        return np.concatenate([np.ones((len(u), 1)), np.zeros((len(u), 1)), pairs], axis=1)

    def widths(self, seen: float) -> Floats:
        """Return the standard deviations (c, 5) of each combination's parameters beforehand; `seen` K have been seen.

        A term may have moved by twice what was seen; a slow one may come to as much as a fast one comes to.
        """
        whole = seen / self._ends
        fast = _WIDE * whole[self.fast]
        slow = np.where(self.has_two, whole[self.fast], 1.0)
        bend = self.spacing / math.sqrt(12.0)
        constant = np.full(len(fast), 2.0 * seen + 1.0)
        fast_bend = np.where(self.rates[self.fast] > 0.0, bend, 0.2) * whole[self.fast]
        slow_bend = np.where(self.has_two, bend * whole[self.fast], 1.0)
        return np.stack([constant, fast, fast_bend, slow, slow_bend], axis=1)

    def prior(self, span: float, time_constant: float | None) -> Floats:
        """Return the logarithm of how probable each combination is (c,) where the time seen is `span` s."""
        if time_constant is None:
            return self._prior
        fast, slow = (np.abs(self.rates[which]) * time_constant / span for which in (self.fast, self.slow))
        away = np.minimum(np.abs(np.log(fast)), np.abs(np.log(slow))) / _KNOWN_WITHIN
        near = np.logaddexp(-0.5 * away**2, math.log(_UNKNOWN))
        return np.asarray(np.where(self.rates[self.fast] < 0.0, self._prior, self._prior + near), float)


@cache
def _grid() -> _Grid:
    return _Grid()


def _terms(member: tuple[int, ...]) -> tuple[int, ...]:
    first = 2 + 2 * member[0]
    second = (2 + 2 * member[1], 3 + 2 * member[1]) if len(member) == 2 else (1, 1)
    return (0, first, first + 1, *second)


def _in_parts(columns: Floats) -> Iterator[Floats]:
    """Yield a few of `columns` (…, c) at a time.

    A product of larger matrices would be shared among threads, which wait for each other on a busy machine.
    """
    for first in range(0, columns.shape[-1], _COLUMNS):
        yield columns[..., first : first + _COLUMNS]


def _reduced(gram: Floats, pull: Floats, grid: _Grid, widths: Floats) -> tuple[_Triangle, list[Floats]]:
    """Return the Cholesky factor L of each combination's normal equations, and L⁻¹·pull, by entries of shape (h, c).

    `gram` (h, d, d) and `pull` (h, d) are those of all columns, `widths` (c, p) what the parameters may be beforehand.
    Written out entry by entry: a library call for each of thousands of matrices would take ten times as long.
    """
    lower: _Triangle = []
    z: list[Floats] = []
    for row in range(grid.terms.shape[1]):
        entries: list[Floats] = []
        for column in range(row + 1):
            entry = gram[:, grid.terms[:, row], grid.terms[:, column]]
            if row == column:
                entry = entry + widths[:, row] ** -2.0
            for before in range(column):
                entry = entry - entries[before] * (lower[column] if column < row else entries)[before]
            entries.append(np.sqrt(np.maximum(entry, 1e-300)) if row == column else entry / lower[column][column])
        lower.append(entries)
        rest = pull[:, grid.terms[:, row]]
        for before in range(row):
            rest = rest - entries[before] * z[before]
        z.append(rest / entries[row])
    return lower, z


class _Posterior(NamedTuple):
    """What is known of all combinations, for drawing courses."""

    times: Floats
    y: Floats
    first: float
    air: float
    columns: Floats
    noise: _Unrest
    lower: _Triangle
    z: list[Floats]
    misfit: float


@cache
def _chances(parameters: int) -> tuple[Floats, Floats]:
    """Return the same normal draws each time, (_DRAWS, parameters) and (_DRAWS,)."""
    random = np.random.default_rng(0x7EA7)
    return random.standard_normal((_DRAWS, parameters)), random.standard_normal(_DRAWS)


def _drawn(score: Floats) -> Indices:
    """Return the places of `_DRAWS` draws from combinations with `score` (h, c) as logarithm of their probability."""
    return _spread(np.exp(score - score.max()).ravel())


def _spread(weights: Floats) -> Indices:
    """Return `_DRAWS` places, spread evenly over `weights`."""
    sums = np.cumsum(weights)
    return np.asarray(np.searchsorted(sums, (np.arange(_DRAWS) + 0.5) / _DRAWS * sums[-1]), np.intp)


def _courses(found: _Posterior, drawn: Indices, known: Foreknowledge) -> Courses:
    grid, span = _grid(), float(found.times[-1] - found.times[0])
    hyper, which = np.unravel_index(drawn, found.z[0].shape)
    normal, chance = _chances(grid.terms.shape[1])
    at = np.empty_like(normal)
    for row in range(at.shape[1] - 1, -1, -1):
        rest = found.z[row][hyper, which] + normal[:, row]
        for after in range(row + 1, at.shape[1]):
            rest = rest - found.lower[after][row][hyper, which] * at[:, after]
        at[:, row] = rest / found.lower[row][row][hyper, which]
    sizes, bends = at[:, [1, 3]], at[:, [2, 4]]
    two = grid.has_two[which]
    sizes[~two, 1] = bends[~two, 1] = 0.0
    rates = np.stack([grid.rates[grid.fast[which]], grid.rates[grid.slow[which]]], axis=1) / span
    weights = np.zeros((len(at), found.columns.shape[1]))
    np.put_along_axis(weights, grid.terms[which], at, axis=1)
    links = found.noise.links[hyper]
    aside = links @ found.y - np.sum((found.noise.links @ found.columns)[hyper] * weights, axis=1)
    ends = found.first + at[:, 0] + sizes.sum(axis=1)
    kept = _spread(_beforehand(sizes, np.where(rates[:, 0] > 0.0, ends, np.nan), found.air, known))
    unrest = found.noise.sizes[hyper] * np.hypot(
        np.where(rates[:, 0] > 0.0, ends, found.first + found.y[-1]) - found.air, _WITHOUT_RISE
    )
    convects = grid.convects[grid.slow[which]]
    sole = ~two & convects
    # A sole term that convects stands in the place of the slow one, which is where a shape is looked up.
    for array in (sizes, bends):
        array[sole] = array[sole][:, ::-1]
    return Courses(
        start=float(found.times[0]),
        seen=float(found.times[-1]),
        level=(found.first + at[:, 0])[kept],
        sizes=sizes[kept],
        rates=rates[kept],
        bends=bends[kept],
        convects=convects[kept],
        aside=aside[kept],
        memory=found.noise.memories[hyper][kept],
        unrest=unrest[kept],
        chance=chance,
        misfit=found.misfit,
    )


def _beforehand(sizes: Floats, ends: Floats, air: float, known: Foreknowledge) -> Floats:
    """Return how probable each draw is by what closed forms leave out (n,): signs, and where it should settle."""
    weights = np.where(sizes[:, 0] * sizes[:, 1] < 0.0, _AGAINST, 1.0)
    rises = np.maximum(np.abs(ends - air), 1.0)
    usual = np.minimum(np.log(_USUAL_RISE / rises) / _USUAL_WITHIN, 0.0)
    weights = weights * np.where(np.isnan(ends), 1.0, np.exp(-0.5 * usual**2))
    if known.final is not None:
        away = (ends - known.final) / max(known.doubt, _KNOWN_RISE * abs(known.final - air), 2.0)
        weights = weights * np.where(np.isnan(ends), 1.0, _UNKNOWN + np.exp(-0.5 * away**2))
    return np.asarray(weights, float)


def _memory(apart: Floats, memory: Floats) -> Floats:
    """Return the correlation (Matérn, order 3/2) of what is `apart` in time, both in s."""
    ratio = math.sqrt(3.0) * apart / memory
    return np.asarray((1.0 + ratio) * np.exp(-ratio), float)


def _shapes(rates: Floats, u: Floats, convects: Booleans | None = None) -> tuple[Floats, Floats]:
    """Return ψ(rate·u) and its derivative with respect to the rate's logarithm, (k, m) of rates (k,) and u (m,).

    Negative rates give the growth exp(g·u) − 1; `convects` (k,) says where free convection cools.
    """
    s = rates[:, None] * u[None, :]
    settled = np.clip(s, 0.0, 50.0)
    shape = -np.expm1(-settled)
    bend = settled * (1.0 - shape)
    if convects is not None and convects.any():
        shape[convects] = np.interp(settled[convects], *_convecting())
        bend[convects] = settled[convects] * (1.0 - shape[convects] ** (1.0 + _CONVECTION))
    grows = rates < 0.0
    if grows.any():
        growth = np.clip(-s[grows], 0.0, 60.0)
        shape[grows], bend[grows] = np.expm1(growth), growth * np.exp(growth)
    return shape, bend


@cache
def _convecting() -> tuple[Floats, Floats]:
    """Return s (m,) and ψ (m,) with dψ/ds = 1 − ψ^1.2, ψ(0) = 0: classical Runge–Kutta steps of 0.01."""

    def slope(level: float) -> float:
        return 1.0 - math.pow(max(level, 0.0), 1.0 + _CONVECTION)

    step, levels = 0.01, [0.0]
    for _ in range(2000):
        x = levels[-1]
        k1 = slope(x)
        k2 = slope(x + step / 2 * k1)
        k3 = slope(x + step / 2 * k2)
        k4 = slope(x + step * k3)
        levels.append(x + step / 6 * (k1 + 2 * k2 + 2 * k3 + k4))
    return np.arange(len(levels), dtype=float) * step, np.array(levels)
