"""The steady state of a bench's circuit: a first solution on an even mesh, then on meshes that follow it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from benchmon.bench import Bench
from benchmon.errors import NoSteadyState
from benchmon.prediction.collocation import Mesh, PeriodicSolution, charge_rates, solve_periodic
from benchmon.prediction.diode import Junction
from benchmon.prediction.network import Equations, assemble, load_current, load_is_linear, path_currents
from benchmon.prediction.parts import Parts
from benchmon.prediction.rectifier import windings_of, wiring_of
from benchmon.prediction.result import Floats

COARSE, FINE = 32, 64
"""Intervals of the first and of the following meshes, per half period."""

_FINER, _MOST_LOST = (128, 256), 1e-4
"""Intervals where those were too few: capacitors and chokes then lose more than this part of the input's energy."""

_FOLLOWINGS, _MOST_FOLLOWINGS = 2, 6
"""Meshes that follow a solution: the first finds the steps of current, the second resolves them."""

_LARGEST_STEP = 0.15
"""The largest change of a path's current between neighbouring instants, of its swing, that counts as resolved."""

_EVEN_SHARE = 1.5
_UNBALANCED, _STRAY_SIEMENS = 0.01, 1e-8

_SOFTEST, _SOFTENING = 100.0, 3.0
"""How much softer than they are diodes and loads are made where Newton fails, and by what factor they harden again."""

_MOST_HARDENINGS = 30


@dataclass(frozen=True)
class Circuit:
    """The equations of a circuit at given junction temperatures, as the collocation takes them."""

    equations: Equations
    junction: tuple[Floats, Floats]

    @cached_property
    def angular_frequency(self) -> Floats:
        """Radians per second of the mains, (b,)."""
        return 2.0 * np.pi * self.equations.parts["mains.frequency"]

    @property
    def needs_pivoting(self) -> bool:
        """Whether there are chokes: a node between two has no conductance of its own."""
        return bool(self.equations.chokes)

    @cached_property
    def exchange(self) -> Floats:
        """Which unknowns change places after half a period: the doubler's capacitors, the paths' windings."""
        swapped = np.eye(self.equations.size)
        if self.equations.wiring.symmetric:
            pairs = [self.equations.winding_unknowns] if self.equations.winding_unknowns else []
            if len(set(self.equations.wiring.ports)) == 2:
                pairs.append((0, 1))
                inner = self.equations.capacitors[0].inner[0]
                pairs += [(inner, inner + 1)] if inner > 1 else []
            for first, second in pairs:
                swapped[[first, second]] = swapped[[second, first]]
        return swapped

    @property
    def repeat(self) -> float:
        """The angle after which the circuit repeats, in radians of the mains."""
        return np.pi if self.equations.wiring.symmetric else 2.0 * np.pi

    def emf(self, angle: Floats) -> Floats:
        """Return the winding's EMF at mains angles (…), volts, (b, …)."""
        return mains_wave(self.equations.parts, self.equations.windings.emf, angle)

    def evaluate(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats, Floats, Floats]:
        """Return q, f and their derivatives at stage values y, as `PeriodicSystem` says."""
        at = self.equations
        emf = self.emf(mesh.stages)
        current, conductance = path_currents(at, y, emf, self.junction)
        q = _spread(at.mass, y)
        f = _spread(at.conductance, y) + _spread(at.inject, current)
        f_slope = at.conductance[:, None, None] + _slopes(at.inject, conductance, at.drive)
        q_slope = np.broadcast_to(at.mass[:, None, None], f_slope.shape)
        for path, unknown in enumerate(at.winding_unknowns):
            f[..., unknown] += at.wiring.signs[path] * emf
        if at.winding_unknowns:
            q = q + _spread(at.flux, current)
            q_slope = q_slope + _slopes(at.flux, conductance, at.drive)
        if not load_is_linear(at.bench):
            node = list(at.load_node)
            through, slope, _ = load_current(at, y[..., node].sum(-1))
            f[..., node] -= through[..., None]
            f_slope[..., np.ix_(node, node)[0], np.ix_(node, node)[1]] -= slope[..., None, None]
        return q, f, q_slope, f_slope


def _spread(matrix: Floats, vectors: Floats) -> Floats:
    """Return matrix (b, i, j) times every vector of (b, m, 2, j): one product a variant, not one an instant."""
    variants, intervals, stages, length = vectors.shape
    product = vectors.reshape(variants, intervals * stages, length) @ matrix.transpose(0, 2, 1)
    return product.reshape(variants, intervals, stages, -1)


def _slopes(inject: Floats, conductance: Floats, drive: Floats) -> Floats:
    """Return inject·diag(conductance)·drive, (b, m, 2, n, n), for conductances (b, m, 2, p) of the paths."""
    outer = inject.transpose(0, 2, 1)[..., None] * drive[:, None, :]
    found = _spread(outer.reshape(*outer.shape[:2], -1).transpose(0, 2, 1), conductance)
    return found.reshape(*conductance.shape[:3], *outer.shape[2:])


def mains_wave(parts: Parts, rms: Floats, angle: Floats) -> Floats:
    """Return a wave of `rms` (b,) at mains angles (…) with the mains' distortion, (b, …).

    The distortion is a third harmonic whose sign flattens the top; the rms is that of the whole wave.
    """
    thd = parts["mains.voltage_thd"]
    peak = np.sqrt(2.0 / (1.0 + thd**2)) * rms
    shape = (len(peak), *[1] * angle.ndim)
    return peak.reshape(shape) * (np.sin(angle) + thd.reshape(shape) * np.sin(3.0 * angle))


@dataclass(frozen=True)
class SteadyState:
    """A solved circuit: the equations with the solution of every variant."""

    circuit: Circuit
    solution: PeriodicSolution


def solve_circuit(bench: Bench, parts: Parts, celsius: Floats, near: SteadyState | None = None) -> SteadyState:
    """Return the steady state with all junctions at `celsius` (b,); `near` is a solution to start from.

    Raises `PredictionError` where no variant converges; single variants that fail are marked in the solution.
    """
    circuit = circuit_of(bench, parts, celsius)
    if near is not None:
        mesh = near.solution.mesh
        start = np.broadcast_to(near.solution.y, (parts.variants, *near.solution.y.shape[1:]))
        solution = _solve_on(circuit, mesh, start)
        if np.all(solution.converged):
            return SteadyState(circuit, solution)
    mesh = even_mesh(circuit)
    solution = _solve_on(circuit, mesh, _guess(circuit, mesh))
    for followed in range(_MOST_FOLLOWINGS):
        if followed >= _FOLLOWINGS and _largest_step(circuit, solution) <= _LARGEST_STEP:
            break
        _refuse_unsolved(solution)
        mesh = following_mesh(circuit, solution, FINE)
        solution = _solve_on(circuit, mesh, _moved(solution, mesh, circuit))
    for intervals in _FINER:
        if _energy_lost(circuit, solution) <= _MOST_LOST:
            break
        _refuse_unsolved(solution)
        mesh = following_mesh(circuit, solution, intervals)
        solution = _solve_on(circuit, mesh, _moved(solution, mesh, circuit))
    _refuse_unsolved(solution)
    return SteadyState(circuit, solution)


def _refuse_unsolved(solution: PeriodicSolution) -> None:
    if not np.any(solution.converged):
        raise NoSteadyState(
            "the circuit's steady state was not found; check the filter and load for values far out of proportion"
        )


def circuit_of(bench: Bench, parts: Parts, celsius: Floats) -> Circuit:
    """Return the equations of a bench's circuit with junctions at `celsius` (b,)."""
    wiring = wiring_of(bench)
    equations = assemble(bench, wiring, windings_of(wiring, parts, bench.transformer.primary_voltage), parts)
    diode = Junction(
        parts["diode.saturation_current"], parts["diode.emission_coefficient"], parts["diode.series_resistance"]
    )
    return Circuit(equations, diode.at(celsius))


def even_mesh(circuit: Circuit) -> Mesh:
    """Return the first mesh, evenly spaced."""
    halves = round(circuit.repeat / np.pi)
    return Mesh(np.linspace(0.0, circuit.repeat, COARSE * halves + 1))


def _solve_on(circuit: Circuit, mesh: Mesh, start: Floats) -> PeriodicSolution:
    """Return the solution on `mesh`; where Newton fails, damped, and at last by way of softer diodes and loads."""
    for damped in (False, True):
        solution = _solved(circuit, mesh, start, damped=damped)
        if np.all(solution.converged):
            return solution
    softness, step = _SOFTEST, _SOFTENING
    for _ in range(_MOST_HARDENINGS):
        softened = _solved(_softened(circuit, softness), mesh, start, damped=True)
        if not np.all(softened.converged):
            # Back to what was solved, and on from there by a smaller step.
            softness, step = softness * step, step**0.5
        elif softness == 1.0:
            return softened
        else:
            start = softened.y
        softness = max(softness / step, 1.0)
    return solution


def _solved(circuit: Circuit, mesh: Mesh, start: Floats, *, damped: bool) -> PeriodicSolution:
    """Return Newton's solution; what does not bring the load what it draws is none, however small Newton's last step.

    Charge: over a period no capacitor keeps any, so the paths' mean current is the load's.
    """
    found = solve_periodic(circuit, mesh, start, damped=damped)
    at = circuit.equations
    with np.errstate(over="ignore", invalid="ignore"):
        current, _ = path_currents(at, found.y, circuit.emf(mesh.stages), circuit.junction)
        brought = np.einsum("bms,ms->b", current.sum(-1), mesh.weights) / len(set(at.wiring.ports))
        drawn = np.einsum("bms,ms->b", load_current(at, found.y[..., list(at.load_node)].sum(-1))[0], mesh.weights)
        stray = _STRAY_SIEMENS * at.windings.emf
        balanced = np.abs(brought - drawn) <= _UNBALANCED * np.abs(drawn) + stray
    return replace(found, converged=found.converged & balanced)


def _softened(circuit: Circuit, factor: float) -> Circuit:
    saturation, thermal = circuit.junction
    equations = replace(circuit.equations, softness=factor)
    return replace(circuit, equations=equations, junction=(saturation, thermal * factor))


def _guess(circuit: Circuit, mesh: Mesh) -> Floats:
    at = circuit.equations
    start = np.zeros((at.parts.variants, len(mesh.widths), 2, at.size))
    level = (0.85 * np.sqrt(2.0) * at.windings.emf - at.wiring.in_series * 0.8).clip(min=0.1)
    start += level[:, None, None, None]
    for current in at.chokes.values():
        load = np.full(len(level), 0.0)
        if "load.resistance" in at.parts:
            load = level / at.parts.load_ohms
        start[..., current] = load[:, None, None]
    emf = circuit.emf(mesh.stages)
    for path, unknown in enumerate(at.winding_unknowns):
        start[..., unknown] = at.wiring.signs[path] * emf
    return start


def _largest_step(circuit: Circuit, solution: PeriodicSolution) -> float:
    """Return the largest change of the first variant's path currents between neighbouring instants, of their swing."""
    current = _currents(circuit, solution)
    return float(np.max(np.abs(np.diff(current, axis=0)))) / (float(np.ptp(current)) or 1.0)


def _currents(circuit: Circuit, solution: PeriodicSolution) -> Floats:
    """Return the first variant's path currents at every instant, (k, p)."""
    emf = circuit.emf(solution.mesh.stages)
    current: Floats = path_currents(circuit.equations, solution.y, emf, circuit.junction)[0][0]
    return current.reshape(-1, len(circuit.equations.wiring.signs))


def _energy_lost(circuit: Circuit, solution: PeriodicSolution) -> float:
    """Return what the first variant's capacitors and inductances lose over a period, of the energy that comes in.

    They lose nothing: the method does (Radau IIA damps), and the more the coarser the mesh is for what happens on it.
    """
    at, mesh = circuit.equations, solution.mesh
    emf = circuit.emf(mesh.stages)
    current, _ = path_currents(at, solution.y, emf, circuit.junction)
    coupled = solution.y.copy()
    if at.winding_unknowns:
        # The row of a winding's unknown holds the volts of its leakage inductance, which its path's current works on.
        coupled[..., list(at.winding_unknowns)] = current
    stored = np.einsum("msn,msn,ms->", coupled[0], charge_rates(circuit, solution)[0], mesh.weights)
    taken = np.einsum("msp,p,ms,ms->", current[0], np.array(at.wiring.signs, float), emf[0], mesh.weights)
    return abs(float(stored)) / (abs(float(taken)) or 1.0)


def following_mesh(circuit: Circuit, solution: PeriodicSolution, intervals: int) -> Mesh:
    """Return a mesh whose `intervals` a half period crowd where the first variant's path currents bend.

    Intervals are spaced as the square root of the summed curvature of both paths, beside an even share: so each has a
    like share of the error of a line through its ends.
    """
    current = _currents(circuit, solution)
    current = current / (np.ptp(current) or 1.0)
    angle = solution.mesh.stages.ravel()
    steps = np.diff(angle) / circuit.repeat
    slope = np.diff(current, axis=0) / steps[:, None]
    bend = np.abs(np.diff(slope, axis=0)).sum(-1) / (steps[1:] + steps[:-1])
    bend = np.sqrt(np.maximum(np.append(bend, bend[0]), np.insert(bend, 0, bend[-1])))
    density = (bend / (np.sum(bend * steps) or 1.0) + _EVEN_SHARE) * steps
    density = np.convolve(np.pad(density, 2, mode="wrap"), [0.1, 0.2, 0.4, 0.2, 0.1], mode="valid")
    distance = np.concatenate([[0.0], np.cumsum(density)])
    wanted = np.linspace(0.0, distance[-1], round(circuit.repeat / np.pi) * intervals + 1)
    edges = np.interp(wanted, distance, angle)
    edges[0], edges[-1] = 0.0, circuit.repeat
    return Mesh(edges)


def _moved(solution: PeriodicSolution, mesh: Mesh, circuit: Circuit) -> Floats:
    """Return stage values of `solution` interpolated to another mesh, as a start."""
    known = solution.mesh.stages.ravel()
    ends = solution.y[:, -1, 1] @ circuit.exchange.T
    values = np.concatenate([ends[:, None], solution.y.reshape(len(ends), -1, ends.shape[-1])], axis=1)
    known = np.concatenate([[0.0], known])
    where = mesh.stages.ravel()
    index = np.clip(np.searchsorted(known, where) - 1, 0, len(known) - 2)
    part = ((where - known[index]) / (known[index + 1] - known[index]))[None, :, None]
    moved = values[:, index] * (1.0 - part) + values[:, index + 1] * part
    return moved.reshape(len(ends), len(mesh.widths), 2, -1)
