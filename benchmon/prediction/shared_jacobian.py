"""Periodic solutions of variants that differ little, such as sensitivities: all of them share one Jacobian.

Newton's method with a Jacobian that is kept (simplified Newton) costs a fraction of one that follows every variant, and
converges linearly. Jacobians of neighbours differ where a diode begins and ends to conduct, which is in few intervals;
the error that this leaves lies in few directions, and mixing with the last steps removes it (Anderson, J. ACM 12, 1965,
547; in the form of Walker & Ni, SIAM J. Numer. Anal. 49, 2011, 1715).

Shapes are those of `collocation`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchmon.prediction.collocation import (
    Mesh,
    PeriodicSolution,
    PeriodicSystem,
    closing_matrix,
    eliminated_stages,
    inverted,
    rates_of,
    residual_of,
    size_scale,
    starts_of,
)
from benchmon.signals.arrays import Floats

_MOST_STEPS, _CONTRACTION = 12, 0.9
"""Most steps with one Jacobian, and the largest ratio of successive steps with which a variant goes on."""

_TOLERANCE, _FRACTION = 3e-7, 1e-3
"""Relative size of the last step, or its size as a fraction of a variant's first one."""

_MIXED = 3
"""Earlier steps that are mixed in: a conduction begins and ends in one or two intervals each."""

_NEAR = 0.02
"""Relative size of the first step below which steps are mixed, and the Jacobian is kept for the next solution.

From farther off, either may jump past a diode's bend. A capacitor without load that is charged too high stays there:
nothing discharges it, and no step with the others' Jacobian shows it.
"""

_WHOLE = 64
"""Stored unknowns of all intervals up to which one whole inverse is faster than joining intervals further."""


@dataclass(frozen=True)
class SharedJacobian:
    """One Jacobian for all variants, eliminated so far that a step takes products alone.

    `inverse` (m, 2n, 2n) and `by_start` (m, 2n, s) solve the stages of an interval, `joined` are the gains of pairs of
    intervals, (m/2, s, s) and so on, level by level, and `closing` closes the period of those that are left. `first`
    (b,) are the sizes of the first step of every variant.
    """

    inverse: Floats
    by_start: Floats
    stored: NDArray[np.intp]
    joined: tuple[tuple[Floats, Floats], ...]
    closing: Floats
    first: Floats | None = None

    def step(self, forced: Floats, exchange: Floats) -> Floats:
        """Return the change of all stages, (b, m, 2, n), that answers to residuals of −`forced` (2n, b, m)."""
        n, stored = len(forced) // 2, self.stored
        change = self.inverse @ np.ascontiguousarray(forced.transpose(2, 0, 1))
        if len(stored):
            change += self.by_start @ self._starts(change[:, n + stored], exchange[np.ix_(stored, stored)], 0)
        return np.ascontiguousarray(change.transpose(2, 0, 1)).reshape(forced.shape[1], -1, 2, n)

    def _starts(self, offset: Floats, exchange: Floats, level: int) -> Floats:
        """Return the change at the start of every interval, (m, s, b), from the `offset` at its end."""
        if level == len(self.joined):
            forced = np.concatenate([(exchange @ offset[-1])[None], offset[:-1]])
            closed: Floats = self.closing @ forced.reshape(-1, forced.shape[-1])
            return closed.reshape(offset.shape)
        even, odd = self.joined[level]
        starts = np.empty(offset.shape)
        starts[0::2] = self._starts(odd @ offset[0::2] + offset[1::2], exchange, level + 1)
        starts[1::2] = even @ starts[0::2] + offset[0::2]
        return starts


@dataclass(frozen=True)
class SharedSolution(PeriodicSolution):
    """A solution with the Jacobian that led to it, from which one of the same variants may start."""

    jacobian: SharedJacobian


def solve_shared_jacobian(
    system: PeriodicSystem, mesh: Mesh, start: Floats, known: SharedJacobian | None = None
) -> SharedSolution:
    """Return the periodic solution of variants that differ little, from stage values `start` (b, m, 2, n).

    `known` is a Jacobian that has served for the same variants; otherwise it is the mean of theirs. Variants whose
    steps do not shrink are marked as not converged. Raises `PredictionError` if the shared matrix is singular.
    """
    y, seconds = start, mesh.widths / system.angular_frequency[:, None]
    scale = size_scale(y)
    converged = np.zeros(len(y), bool)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        q, f = system.terms(y, mesh)
        is_near = known is not None and known.first is not None and bool(np.all(known.first < _NEAR))
        jacobian = known if known and is_near else _factored(system, seconds, *system.mean_slopes(y, mesh))
        first, last, steps = jacobian.first, np.full(len(y), np.inf), _Mixing(scale)
        for step in range(_MOST_STEPS):
            change = jacobian.step(-residual_of(system, seconds, q, f), system.exchange)
            sizes = np.max(np.abs(change) / scale, axis=(1, 2, 3))
            first = sizes if first is None else first
            converged = sizes < np.maximum(_TOLERANCE, _FRACTION * first)
            # A variant whose steps do not shrink is left to others; the rest go on as long as one of them gets nearer.
            # One that is near may first get farther: there is nothing to mix its first step with.
            shrinks = (sizes < _CONTRACTION * last) | ((sizes < _NEAR) & (step < _MIXED))
            goes_on = bool(np.any(~converged & shrinks))
            y = steps.mixed(y, change, first < _NEAR) if goes_on else y + change
            if not goes_on:
                break
            last = sizes
            q, f = system.terms(y, mesh)
        dy = rates_of(y, starts_of(system, y), seconds)
        return SharedSolution(mesh, y, dy, converged, replace(jacobian, first=first))


class _Mixing:
    """The last steps of every variant, from which the next one is mixed; `scale` (b, 1, 1, n) weighs the unknowns."""

    def __init__(self, scale: Floats) -> None:
        self._weight = 1.0 / scale
        self._last: tuple[Floats, Floats] | None = None
        self._moves: list[tuple[Floats, Floats]] = []

    def mixed(self, y: Floats, change: Floats, near: NDArray[np.bool_]) -> Floats:
        """Return the next stage values after `y`, at which the step is `change`; only variants `near` are mixed."""
        weighted, ahead = (change * self._weight).reshape(len(y), -1), y + change
        if self._last is not None:
            self._moves = [*self._moves, (weighted - self._last[0], ahead - self._last[1])][-_MIXED:]
        self._last = weighted, ahead
        if not self._moves:
            return ahead
        bends = np.stack([bend for bend, _ in self._moves], axis=1)
        square = bends @ bends.transpose(0, 2, 1)
        size = np.trace(square, axis1=1, axis2=2)[:, None, None]
        square = square + (1e-10 * size + 1e-300) * np.eye(len(self._moves))
        shares = np.linalg.solve(square, bends @ weighted[..., None])[..., 0]
        shares = np.where(near[:, None], np.nan_to_num(shares), 0.0)
        for share, (_, move) in zip(shares.T, self._moves, strict=True):
            ahead = ahead - share[:, None, None, None] * move
        return ahead


def _factored(system: PeriodicSystem, seconds: Floats, q_slope: Floats, f_slope: Floats) -> SharedJacobian:
    """Return the mean Jacobian of all variants, from the derivatives of `PeriodicSystem.mean_slopes`."""
    local, from_start, stored = eliminated_stages(system, seconds.mean(axis=0, keepdims=True), q_slope, f_slope)
    inverse = inverted(local)
    by_start = inverse @ np.ascontiguousarray(from_start[:, :, 0].transpose(2, 0, 1))
    gain = by_start[:, len(local) // 2 + stored]
    joined = []
    while len(gain) > 1 and len(gain) * len(stored) > _WHOLE:
        even, odd = gain[0::2], gain[1::2]
        joined.append((even, odd))
        gain = odd @ even
    whole = closing_matrix(gain.transpose(1, 2, 0)[:, :, None], system.exchange[np.ix_(stored, stored)])
    closing = inverted(whole.transpose(1, 2, 0)[:, :, None])[0]
    return SharedJacobian(inverse, by_start, stored, tuple(joined), closing)
