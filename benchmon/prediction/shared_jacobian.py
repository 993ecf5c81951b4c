"""Periodic solutions of variants that differ little, such as sensitivities: all of them share one Jacobian.

Newton's method with a Jacobian that is kept (simplified Newton) costs a fraction of one that follows every variant, and
converges linearly. Jacobians of neighbours differ where a diode begins and ends to conduct, which is in few intervals;
the error that this leaves lies in few directions, and mixing with the last steps removes it (Anderson, J. ACM 12, 1965,
547; in the form of Walker & Ni, SIAM J. Numer. Anal. 49, 2011, 1715).

Shapes are those of `collocation`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol, Self

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

_OF_ESTIMATE = 0.3
"""Part of what may be left of a variant's error up to which the estimate of what its last step leaves is trusted."""

_FEW, _MOST_OF_FEW = 2, 5
"""Variants that are so few are left to others if they need more steps than these.

Each step costs nearly what one of their own Newton steps does, of which a few are enough.
"""

_WHOLE = 64
"""Stored unknowns of all intervals up to which one whole inverse is faster than joining intervals further."""


class VariedSystem(PeriodicSystem, Protocol):
    """A system of variants that differ little, of which some may be solved without the others."""

    def chosen(self, rows: NDArray[np.intp]) -> Self:
        """Return the system of the variants of these numbers alone."""
        ...


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
    system: VariedSystem, mesh: Mesh, start: Floats, known: SharedJacobian | None = None
) -> SharedSolution:
    """Return the periodic solution of variants that differ little, from stage values `start` (b, m, 2, n).

    `known` is a Jacobian that has served for the same variants; otherwise it is the mean of theirs. Variants whose
    steps do not shrink, or shrink too slowly, are marked as not converged, where their steps have come to. Raises
    `PredictionError` if the shared matrix is singular.
    """
    seconds = mesh.widths / system.angular_frequency[:, None]
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        is_near = known is not None and known.first is not None and bool(np.all(known.first < _NEAR))
        jacobian = known if known and is_near else _factored(system, seconds, *system.mean_slopes(start, mesh))
        y, converged, first = _followed(system, mesh, start, jacobian)
        dy = rates_of(y, starts_of(system, y), seconds)
        return SharedSolution(mesh, y, dy, converged, replace(jacobian, first=first))


def _followed(
    system: VariedSystem, mesh: Mesh, start: Floats, jacobian: SharedJacobian
) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Return where the steps with one `jacobian` lead from `start`, for which variants they end there, and `first`.

    A variant that has converged takes no more steps: where half of them have, the others go on without them.
    """
    found, converged = start.copy(), np.zeros(len(start), bool)
    rows, y, seconds = np.arange(len(start)), start, mesh.widths / system.angular_frequency[:, None]
    scale, last, done = size_scale(y), np.full(len(y), np.inf), np.zeros(len(y), bool)
    first, steps = jacobian.first, _Mixing(scale)
    for step in range(_MOST_STEPS):
        change = jacobian.step(-residual_of(system, seconds, *system.terms(y, mesh)), system.exchange)
        sizes = np.max(np.abs(change) / scale, axis=(1, 2, 3))
        first = sizes if first is None else first
        begun = first[rows]
        allowed = np.maximum(_TOLERANCE, _FRACTION * begun)
        # What a step leaves is as much smaller than it as it was than the one before.
        left = sizes * np.minimum(sizes / last, 1.0) if step else sizes
        is_there = ~done & ((sizes < allowed) | (left < _OF_ESTIMATE * allowed))
        found[rows[is_there]] = y[is_there] + change[is_there]
        converged[rows[is_there]], done = True, done | is_there
        # A variant whose steps do not shrink is left to others; the rest go on as long as one of them gets nearer.
        # One that is near may first get farther: there is nothing to mix its first step with.
        shrinks = (sizes < _CONTRACTION * last) | ((sizes < _NEAR) & (step < _MIXED))
        if not np.any(~done & shrinks) or (step > _MIXED and _are_slow(allowed[~done], sizes[~done], last[~done])):
            break
        y, last = steps.mixed(y, change, begun < _NEAR), sizes
        keep = np.flatnonzero(~done)
        if 2 * len(keep) <= len(done):
            system, rows, y, seconds = system.chosen(keep), rows[keep], y[keep], seconds[keep]
            scale, last, done = scale[keep], last[keep], done[keep]
            steps.keep(keep)
    found[rows[~done]] = y[~done]
    return found, converged, first if first is not None else np.zeros(len(start))


def _are_slow(allowed: Floats, sizes: Floats, last: Floats) -> bool:
    """Return whether the variants that are left are few, and get on slowly by the `sizes` of their steps, all (b,)."""
    if len(sizes) > _FEW:
        return False
    shrinks = np.log(np.maximum(last / sizes, 1.0))
    return bool(np.max(np.log(sizes / allowed) / np.maximum(shrinks, 1e-3)) > _MOST_OF_FEW)


class _Mixing:
    """The last steps of every variant, from which the next one is mixed; `scale` (b, 1, 1, n) weighs the unknowns."""

    def __init__(self, scale: Floats) -> None:
        self._weight = 1.0 / scale
        self._last: tuple[Floats, Floats] | None = None
        self._moves: list[tuple[Floats, Floats]] = []

    def keep(self, rows: NDArray[np.intp]) -> None:
        """Go on with the variants of these numbers alone."""
        self._weight = self._weight[rows]
        self._last = self._last and (self._last[0][rows], self._last[1][rows])
        self._moves = [(bend[rows], move[rows]) for bend, move in self._moves]

    def mixed(self, y: Floats, change: Floats, near: NDArray[np.bool_]) -> Floats:
        """Return the next stage values after `y`, at which the step is `change`; only variants `near` are mixed."""
        weighted, ahead = (change * self._weight).reshape(len(y), -1), y + change
        if self._last is not None:
            self._moves = [*self._moves, (weighted - self._last[0], ahead - self._last[1])][-_MIXED:]
        self._last = weighted, ahead
        if not self._moves:
            return ahead
        bends = [bend for bend, _ in self._moves]
        square = np.empty((len(y), len(bends), len(bends)))
        for at, bend in enumerate(bends):
            for other in range(at + 1):
                square[:, at, other] = square[:, other, at] = np.einsum("bk,bk->b", bend, bends[other])
        right = np.stack([np.einsum("bk,bk->b", bend, weighted) for bend in bends], axis=1)
        size = np.trace(square, axis1=1, axis2=2)[:, None, None]
        square = square + (1e-10 * size + 1e-300) * np.eye(len(bends))
        shares = np.linalg.solve(square, right[..., None])[..., 0]
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
