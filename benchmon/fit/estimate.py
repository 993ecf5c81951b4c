"""The estimate: Gauss-Newton on the engine, what readings determine, outliers, and parts that changed.

The most probable unknowns minimise Σu² + Σ((y − f(u))/σ)², the posterior of normal priors and normal errors (A. Gelman
and others, Bayesian Data Analysis, 2013, 4.1: its normal approximation at the mode); the covariance is that of the
linearised problem there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmon.errors import PredictionError
from benchmon.fit.model import Evaluated, SupplyModel, Unknown
from benchmon.fit.readings import Data
from benchmon.prediction.circuit.parts import WINDING_WARMTH
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE

DETERMINED = 0.5
"""A part is determined where its uncertainty has shrunk to this part of what it was, or less."""
_MOST_STEPS, _CLOSE, _HALVINGS = 12, 0.02, 6
"""Gauss-Newton steps at most; the largest step, in prior deviations, that ends them; how often one is halved."""
_LONGEST = 2.5
"""Prior deviations that one unknown moves in a step at most."""
_FAR = 4.0
"""Deviations from what all other readings lead to expect, from which a reading is an outlier: of a hundred readings
chance gives one beyond that in 150 fits."""
_MOST_OUTLIERS = 5
"""One reading in so many may be an outlier."""
_IMPROVES = 13.0
"""Fall of χ² from which a part counts as changed between sessions: chance gives that to one of 25 candidates in at most
one fit of 100 (χ² with one degree of freedom, above 13 with a probability of 0.0003), and most candidates act alike."""
_TRIED = 3
_CHANGE_SIZE = 1.5
"""Deviation of the logarithm of a part that changed: a factor of 20 either way at two deviations."""


@dataclass(frozen=True)
class Estimate:
    """The most probable unknowns `u` (k,), their covariance (k, k), and what the model makes of them.

    `weights` (n,) are one over the standard uncertainty of each reading, 0 where it is left out. `chi_square` is the
    sum that was minimised.
    """

    model: SupplyModel
    u: Floats
    covariance: Floats
    evaluated: Evaluated
    weights: Floats
    chi_square: float

    @property
    def freedom(self) -> int:
        """Degrees of freedom of `chi_square`: the readings that count, as every unknown has a prior."""
        return int(np.count_nonzero(self.weights))

    @property
    def deviations(self) -> Floats:
        """The standard uncertainty of every unknown, in its prior's, (k,)."""
        return np.sqrt(np.diag(self.covariance))

    def without(self, rows: Floats) -> Floats:
        """Return the standard uncertainties, (k,), if the readings of a mask (n,) were not there."""
        weighted = self.evaluated.slopes * np.where(rows, 0.0, self.weights)[:, None]
        return np.sqrt(np.diag(np.linalg.inv(np.eye(len(self.u)) + weighted.T @ weighted)))


@dataclass(frozen=True)
class Outlier:
    """A reading, by its place, that others do not lead to expect; `deviations` is by how many of them it is off."""

    reading: int
    deviations: float


@dataclass(frozen=True)
class Fitted:
    """The estimate of a supply, its outliers, and the changes of parts between sessions that the data call for."""

    posterior: Estimate
    outliers: tuple[Outlier, ...]
    changes: tuple[Unknown, ...]


def fit(data: Data) -> Fitted:
    """Return the estimate of the parts behind `data`. Raises `PredictionError` where the circuit has no solution.

    Sessions are taken one after the other, the earliest first. Where a later one is not as those before let expect, one
    part that changed is looked for; what a change explains is no outlier.
    """
    session_of = np.array([data.conditions[one.condition].session for one in data.readings])
    changes: list[Unknown] = []
    outliers: list[Outlier] = []
    once, twice = set[int](), set[int]()
    found = posterior_of(SupplyModel(data), left_out=set(np.flatnonzero(session_of > 0).tolist()))
    for session in range(len(data.sessions)):
        later = set(np.flatnonzero(session_of > session).tolist())
        if session:
            ignored = later | {each.reading for each in outliers}
            better = _with_a_change(found, session, ignored | _doubtful(data, outliers), changes)
            if better is not None:
                found = better
                changes.append(found.model.unknowns[-1])
            found = posterior_of(found.model, found, ignored)
        while True:
            left_out = _left_out(found, outliers, once, twice)
            if {each.reading for each in left_out} == {each.reading for each in outliers}:
                break
            outliers = left_out
            # What such a reading has spoilt is no good start: only changes of parts stay where they are.
            start = replace(found, u=_changes_alone(found))
            found = posterior_of(found.model, start, later | {each.reading for each in outliers})
        outliers = left_out
    return Fitted(found, tuple(outliers), tuple(changes))


def posterior_of(
    model: SupplyModel, start: Estimate | None = None, left_out: set[int] | None = None, *, begin: float = 0.0
) -> Estimate:
    """Return the posterior; `start` is one to start from, `left_out` are readings that do not count.

    `begin` is where an unknown that `start` has not begins.

    Raises `PredictionError` where the circuit has no solution from the start.
    """
    u = np.full(len(model.unknowns), begin)
    if start is not None:
        u[: len(start.u)] = start.u
    values = np.array([one.value for one in model.data.readings])
    own = np.array([one.own for one in model.data.readings])
    counts = np.array([place not in (left_out or ()) for place in range(len(values))])

    def look(u: Floats) -> tuple[Evaluated, Floats, float]:
        evaluated = model.evaluate(u)
        weights: Floats = counts / np.hypot(own, evaluated.model)
        return evaluated, weights, float(np.sum((weights * (values - evaluated.values)) ** 2) + u @ u)

    evaluated, weights, level = look(u)
    for _ in range(_MOST_STEPS):
        weighted = evaluated.slopes * weights[:, None]
        normal = np.eye(len(u)) + weighted.T @ weighted
        step = np.linalg.solve(normal, weighted.T @ (weights * (values - evaluated.values)) - u)
        step *= min(1.0, _LONGEST / max(float(np.max(np.abs(step))), 1e-12))
        for _ in range(_HALVINGS):
            try:
                following = look(u + step)
            except PredictionError:
                following = None
            if following is not None and following[2] <= level * (1.0 + 1e-6) + 1e-6:
                break
            step = step / 2.0
        else:
            break
        u, (evaluated, weights, level) = u + step, following
        if float(np.max(np.abs(step))) < _CLOSE:
            break
    weighted = evaluated.slopes * weights[:, None]
    covariance = np.asarray(np.linalg.inv(np.eye(len(u)) + weighted.T @ weighted), np.float64)
    return Estimate(model, u, covariance, evaluated, weights, level)


def _left_out(found: Estimate, outliers: Sequence[Outlier], once: set[int], twice: set[int]) -> list[Outlier]:
    """Return the readings to leave out after an estimate without `outliers`: those still far, and the farthest one.

    Where either of two readings may be wrong, each is as expected once the other is left out. So one that was left out
    and taken back (it is in `once`) stays out when it is the farthest again (then it is in `twice`).
    """
    far = {each.reading: each for each in _still_far(found, outliers)}
    kept = [far.get(each.reading, each) for each in outliers if each.reading in far or each.reading in twice]
    one = _farthest(found)
    if one is None or len(outliers) >= len(found.model.data.readings) // _MOST_OUTLIERS:
        return kept
    twice |= {one.reading} & once
    once.add(one.reading)
    return [*kept, one]


def _doubtful(data: Data, outliers: Sequence[Outlier]) -> set[int]:
    """Return all readings of meters of which one is an outlier: what such a one reads now shows no change of a part."""
    meters = {data.readings[each.reading].meter for each in outliers}
    return {place for place, one in enumerate(data.readings) if one.meter in meters}


def _farthest(found: Estimate) -> Outlier | None:
    """Return the reading that is farthest from what the others lead to expect, None where none is far."""
    weighted = found.evaluated.slopes * found.weights[:, None]
    # A standardised residual: what is left of a reading, over how much of its own error a fit leaves in it.
    left = 1.0 - np.einsum("nk,kl,nl->n", weighted, found.covariance, weighted)
    values = np.array([one.value for one in found.model.data.readings])
    residuals = found.weights * (values - found.evaluated.values)
    far = np.where(left > 1e-6, np.abs(residuals) / np.sqrt(np.maximum(left, 1e-6)), 0.0)
    place = int(np.argmax(far))
    return Outlier(place, float(far[place])) if far[place] > _FAR else None


def _changes_alone(found: Estimate) -> Floats:
    """Return the unknowns (k,) with all but changes of parts at their prior."""
    is_change = np.array([one.from_session is not None for one in found.model.unknowns])
    return np.where(is_change, found.u, 0.0)


def _still_far(found: Estimate, outliers: Sequence[Outlier]) -> list[Outlier]:
    """Return those of the readings left out that are still far from what the others lead to expect."""
    still = []
    for one in outliers:
        reading, slopes = found.model.data.readings[one.reading], found.evaluated.slopes[one.reading]
        doubt = reading.own**2 + found.evaluated.model[one.reading] ** 2 + slopes @ found.covariance @ slopes
        away = abs(reading.value - found.evaluated.values[one.reading]) / math.sqrt(float(doubt))
        if away > _FAR:
            still.append(Outlier(one.reading, float(away)))
    return still


def _with_a_change(found: Estimate, session: int, left_out: set[int], known: Sequence[Unknown]) -> Estimate | None:
    """Return the posterior with the readings of a session and one more part that changed before it.

    None where the readings are as those before let expect, or no change explains them. `left_out` are readings that do
    not count: outliers, those of their meters, and those of sessions after it.
    """
    data = found.model.data
    of_session = np.array([data.conditions[one.condition].session == session for one in data.readings])
    values = np.array([one.value for one in data.readings])
    own = np.array([one.own for one in data.readings])
    rows = np.flatnonzero(of_session & [place not in left_out for place in range(len(data.readings))])
    residuals = (values - found.evaluated.values)[rows]
    slopes = found.evaluated.slopes[rows]
    # What the readings of a session should be, and how well that is known, before any of them is looked at.
    spread = np.diag(own[rows] ** 2 + found.evaluated.model[rows] ** 2) + slopes @ found.covariance @ slopes.T
    precision = np.linalg.inv(spread)
    surprise = float(residuals @ precision @ residuals)
    candidates = []
    for k, one in enumerate(found.model.unknowns):
        unknown = replace(one, size=_CHANGE_SIZE, from_session=session)
        # At which temperature the file's resistances hold does not change between sessions; what acts alike is a joint.
        if one.is_part and one.relative and one.part != WINDING_WARMTH and unknown not in known:
            column = slopes[:, k] * (_CHANGE_SIZE / one.size)
            size = float(column @ precision @ residuals) / (float(column @ precision @ column) + 1.0)
            candidates.append((float(column @ precision @ residuals) * size, size, unknown))
    candidates.sort(key=lambda one: -one[0])
    best: Estimate | None = None
    for gain, size, unknown in candidates[:_TRIED]:
        if gain < _IMPROVES:
            break
        try:
            tried = posterior_of(SupplyModel(data, (*known, unknown)), found, left_out, begin=size)
        except PredictionError:
            continue
        if best is None or tried.chi_square < best.chi_square:
            best = tried
    return best if best is not None and found.chi_square + surprise - best.chi_square > _IMPROVES else None


def interval_of(found: Estimate, k: int) -> tuple[float, float]:
    """Return the value of an unknown part and its expanded uncertainty, in its unit."""
    model, u, deviation = found.model, float(found.u[k]), float(found.deviations[k])
    low, high = (model.value_of(k, u + sign * COVERAGE * deviation) for sign in (-1.0, 1.0))
    return model.value_of(k, u), (high - low) / 2.0


def change_of(found: Estimate, k: int) -> tuple[float, float]:
    """Return a change as a part of the value before, and its expanded uncertainty."""
    one, u, deviation = found.model.unknowns[k], float(found.u[k]), float(found.deviations[k])
    change = math.expm1(one.size * u)
    return change, (1.0 + change) * COVERAGE * one.size * deviation
