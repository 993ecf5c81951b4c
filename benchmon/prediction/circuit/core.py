"""The iron core of the transformer: flux, magnetising current and core loss, many variants at a time.

The flux x is relative to its peak at the rated primary voltage V and frequency, a sine there. The magnetising current
is odd and steep, k·((1 − s)·x + s·x·|x|^(n − 1)): a straight part and one that saturates (a usual two-term fit of a
magnetising curve, from memory). The core's loss is a conductance across the winding's EMF. The EMF is what the source
leaves behind the resistance R of the primary circuit, which carries the reflected current i' as well:

    dx/dθ = e/(√2·V)·f₀/f,    e = v − R·(i' + k·h(x) + g·e)

over mains angle θ. Its periodic solution passes no direct current: the mean of e is zero, so the line current has the
mean of v/R, which is zero too, and a half wave's mean current is balanced by that of the magnetising current: the flux
is offset until it is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchmon.prediction.collocation import Mesh, solve_periodic
from benchmon.signals.arrays import Floats

_LEAST_SHARE = 1e-6
"""The least part of the rated voltage that the resistance of the primary circuit takes at the largest current.

Without any resistance, nothing would bring the mean of the line current to zero.
"""

_OFFSET_STEPS = 8
_NEWTON_STEPS = 30


@dataclass(frozen=True)
class Core:
    """The core of b variants. `peak` is k in amperes, `saturating` is s, `exponent` n, `conductance` g in siemens.

    `ohms` is R of the primary circuit, `rate` (f₀/f)/(√2·V) in relative flux per volt and radian. All are (b,).
    """

    peak: Floats
    saturating: Floats
    exponent: Floats
    conductance: Floats
    ohms: Floats
    rate: Floats

    def current(self, flux: Floats) -> tuple[Floats, Floats]:
        """Return the magnetising current, amperes, at a relative `flux` (b, …), and its slope."""
        peak, share, exponent = (_like(value, flux) for value in (self.peak, self.saturating, self.exponent))
        power = share * np.abs(flux) ** (exponent - 1.0)
        return peak * (1.0 - share + power) * flux, peak * (1.0 - share + exponent * power)


@dataclass(frozen=True)
class CoreStart:
    """A relative `flux` (b or 1, m, 2) to start from; `steps` of Newton's are enough there, None: all that it takes."""

    flux: Floats
    steps: int | None = None


@dataclass(frozen=True)
class CoreState:
    """Relative flux, and magnetising and loss current of the primary in amperes, (b, m, 2) at the stages of a mesh."""

    flux: Floats
    magnetising: Floats
    loss: Floats


def solve_core(
    core: Core, mesh: Mesh, source: Floats, reflected: Floats, *, symmetric: bool, start: CoreStart | None = None
) -> CoreState:
    """Return the periodic state of the core.

    `source` is the mains voltage without load and `reflected` the current of the windings referred to the primary,
    (b, m, 2). If `symmetric`, `mesh` is half a period, and the other half is the same with the opposite sign. `start`
    is left out where it is on another mesh.
    """
    system = _FluxSystem(core, core.ohms, source, reflected, symmetric)
    if not np.any(core.peak > 0.0):
        # A core that takes no current: its inductance is endless, and carries the mean of the reflected current.
        constant = -np.einsum("bms,ms->b", reflected, mesh.weights) * (0.0 if symmetric else 1.0)
        magnetising = np.broadcast_to(constant[:, None, None], reflected.shape)
        return CoreState(np.zeros_like(reflected), magnetising, system.loss(magnetising))
    if not symmetric:
        largest = np.max(np.abs(reflected), axis=(1, 2)) + core.peak
        system = replace(system, ohms=np.maximum(core.ohms, _LEAST_SHARE / (core.rate * np.maximum(largest, 1e-30))))
    flux = None if start is None else _flux_from(system, mesh, start)
    if flux is None:
        flux = solve_periodic(system, mesh, _first_flux(system, mesh)[..., None], _NEWTON_STEPS).y[..., 0]
    magnetising, _ = core.current(flux)
    return CoreState(flux, magnetising, system.loss(magnetising))


def _flux_from(system: _FluxSystem, mesh: Mesh, start: CoreStart) -> Floats | None:
    """Return the flux, (b, m, 2), from a `start`; None where that is on another mesh, or leads nowhere."""
    shape = system.reflected.shape
    if start.flux.shape[1:] != shape[1:] or len(start.flux) not in (1, shape[0]):
        return None
    flux = np.broadcast_to(start.flux, shape)
    if start.steps == 0:
        return flux
    solution = solve_periodic(system, mesh, flux[..., None], start.steps or _NEWTON_STEPS)
    is_enough = start.steps is not None or np.all(solution.converged)
    return solution.y[..., 0] if is_enough else None


@dataclass(frozen=True)
class _FluxSystem:
    """dx/dθ of the relative flux as a `PeriodicSystem` of one unknown, whose time is the mains angle."""

    core: Core
    ohms: Floats
    source: Floats
    reflected: Floats
    symmetric: bool

    @property
    def exchange(self) -> Floats:
        """The sign of the flux after half a period, or after a whole one."""
        return np.array([[-1.0 if self.symmetric else 1.0]])

    @property
    def angular_frequency(self) -> Floats:
        """One: the equations are over angles."""
        return np.ones(len(self.ohms))

    @property
    def needs_pivoting(self) -> bool:
        """One equation is never exchanged for another."""
        return False

    def emf(self, magnetising: Floats) -> Floats:
        """Return the EMF of the primary, volts, at a `magnetising` current (b, m, 2)."""
        ohms = _like(self.ohms, magnetising)
        held = self.source - ohms * (self.reflected + magnetising)
        found: Floats = held / (1.0 + ohms * _like(self.core.conductance, magnetising))
        return found

    def loss(self, magnetising: Floats) -> Floats:
        """Return the current of the core's loss, amperes, beside a `magnetising` current (b, m, 2)."""
        found: Floats = _like(self.core.conductance, magnetising) * self.emf(magnetising)
        return found

    def terms(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats]:
        """Return q and f, as `PeriodicSystem.terms` requires."""
        return self.evaluate(y, mesh)[:2]

    def evaluate(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats, Floats, Floats]:
        """Return q, f and their derivatives, as `PeriodicSystem.evaluate` requires."""
        del mesh  # the source and the reflected current are on it already
        magnetising, slope = self.core.current(y[..., 0])
        rate, ohms = _like(self.core.rate, magnetising), _like(self.ohms, magnetising)
        falls = -rate * ohms / (1.0 + ohms * _like(self.core.conductance, magnetising)) * slope
        f = rate * self.emf(magnetising)
        return y, f[..., None], np.ones((*y.shape, 1)), falls[..., None, None]

    def mean_slopes(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats]:
        """Return the mean derivatives, as `PeriodicSystem.mean_slopes` requires."""
        q_slope, f_slope = (slope.mean(axis=0, keepdims=True) for slope in self.evaluate(y, mesh)[2:])
        return q_slope, f_slope


def _first_flux(system: _FluxSystem, mesh: Mesh) -> Floats:
    """Return the flux (b, m, 2) without the drop of the magnetising current, offset so that the mean current fits.

    The mean current is steeper than straight in the offset. The first offset is too large, so that Newton's steps come
    down to the root without passing it.
    """
    core = system.core
    slope = _like(core.rate, system.source) * (system.source - _like(system.ohms, system.source) * system.reflected)
    mean = np.einsum("bms,ms->b", slope, mesh.weights)
    if not system.symmetric:
        slope = slope - mean[:, None, None]
    flux = _integral(slope, mesh)
    if system.symmetric:
        centred: Floats = flux - flux[:, -1:, 1:] / 2.0
        return centred
    flux = flux - np.einsum("bms,ms->b", flux, mesh.weights)[:, None, None]
    wanted = -np.einsum("bms,ms->b", system.reflected, mesh.weights)
    offset: Floats = flux + _offset(core, flux, mesh, wanted)[:, None, None]
    return offset


def _integral(slope: Floats, mesh: Mesh) -> Floats:
    """Return the integral (b, m, 2) of `slope` (b, m, 2), zero at the start: that of the two-stage Radau IIA method."""
    first = mesh.widths * (5.0 * slope[..., 0] - slope[..., 1]) / 12.0
    whole = mesh.widths * (3.0 * slope[..., 0] + slope[..., 1]) / 4.0
    end = np.cumsum(whole, axis=1)
    return np.stack([end - whole + first, end], axis=2)


def _offset(core: Core, flux: Floats, mesh: Mesh, wanted: Floats) -> Floats:
    """Return the offset (b,) of `flux` (b, m, 2) at which the mean magnetising current is `wanted` (b,), amperes."""
    relative = np.abs(wanted) / np.maximum(core.peak, 1e-30)
    straight = relative / np.maximum(1.0 - core.saturating, 1e-12)
    steep = (relative / np.maximum(core.saturating, 1e-12)) ** (1.0 / core.exponent)
    offset = np.sign(wanted) * np.minimum(straight, steep)
    for _ in range(_OFFSET_STEPS):
        current, slope = core.current(flux + offset[:, None, None])
        missing = wanted - np.einsum("bms,ms->b", current, mesh.weights)
        offset = offset + missing / np.maximum(np.einsum("bms,ms->b", slope, mesh.weights), 1e-30)
    return offset


def _like(value: Floats, shape: Floats) -> Floats:
    return value.reshape(-1, *[1] * (shape.ndim - 1))
