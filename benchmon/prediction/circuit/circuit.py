"""A sound supply's circuit, at given junction temperatures, as the collocation takes it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench
from benchmon.prediction.circuit.diode import DiodeCharacteristic
from benchmon.prediction.circuit.network import Equations, assemble, load_current, load_is_linear, path_currents
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.circuit.rectifier import windings_of, wiring_of
from benchmon.prediction.collocation import Mesh, PeriodicSolution, charge_rates
from benchmon.signals.arrays import Floats

HARMONICS = (3, 5, 7)
"""Orders of the mains' voltage that a fault may add."""

_UNBALANCED, _STRAY_SIEMENS = 0.01, 1e-8


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
            if self.equations.wiring.ports == 2:
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
        q = spread(at.mass, y)
        f = spread(at.conductance, y) + spread(at.inject, current)
        f_slope = at.conductance[:, None, None] + slopes(at.inject, conductance, at.drive)
        q_slope = np.broadcast_to(at.mass[:, None, None], f_slope.shape)
        for path, unknown in enumerate(at.winding_unknowns):
            f[..., unknown] += at.wiring.signs[path] * emf
        if at.winding_unknowns:
            q = q + spread(at.flux, current)
            q_slope = q_slope + slopes(at.flux, conductance, at.drive)
        if not load_is_linear(at.bench):
            node = list(at.load_node)
            through, slope, _ = load_current(at, y[..., node].sum(-1))
            f[..., node] -= through[..., None]
            f_slope[..., np.ix_(node, node)[0], np.ix_(node, node)[1]] -= slope[..., None, None]
        return q, f, q_slope, f_slope

    def currents(self, y: Floats, angle: Floats) -> Floats:
        """Return the paths' currents at unknowns `y` (b, …, n) and mains angles (…), (b, …, p)."""
        return path_currents(self.equations, y, self.emf(angle), self.junction)[0]

    def is_answer(self, found: PeriodicSolution) -> NDArray[np.bool_]:
        """Return which variants bring the load what it draws, (b,).

        Charge: over a period no capacitor keeps any, so the paths' mean current is the load's.
        """
        at, mesh = self.equations, found.mesh
        brought = np.einsum("bmsp,ms->b", self.currents(found.y, mesh.stages), mesh.weights) / at.wiring.ports
        drawn = np.einsum("bms,ms->b", load_current(at, found.y[..., list(at.load_node)].sum(-1))[0], mesh.weights)
        stray = _STRAY_SIEMENS * at.windings.emf
        balanced: NDArray[np.bool_] = np.abs(brought - drawn) <= _UNBALANCED * np.abs(drawn) + stray
        return balanced

    def softened(self, factor: float) -> Circuit:
        """Return the circuit with diodes and loads whose corners are `factor` times wider."""
        saturation, thermal = self.junction
        return replace(
            self, equations=replace(self.equations, softness=factor), junction=(saturation, thermal * factor)
        )

    def guess(self, mesh: Mesh) -> Floats:
        """Return stage values to start from, (b, m, 2, n)."""
        at = self.equations
        start = np.zeros((at.parts.variants, len(mesh.widths), 2, at.size))
        level = (0.85 * np.sqrt(2.0) * at.windings.emf - at.wiring.in_series * 0.8).clip(min=0.1)
        start += level[:, None, None, None]
        for current in at.chokes.values():
            load = np.full(len(level), 0.0)
            if "load.resistance" in at.parts:
                load = level / at.parts.load_ohms
            start[..., current] = load[:, None, None]
        emf = self.emf(mesh.stages)
        for path, unknown in enumerate(at.winding_unknowns):
            start[..., unknown] = at.wiring.signs[path] * emf
        return start

    def energy_lost(self, solution: PeriodicSolution) -> float:
        """Return what the first variant's capacitors and inductances lose over a period, of the energy coming in.

        They lose nothing: the method does (Radau IIA damps), the more the coarser the mesh is for what happens on it.
        """
        at, mesh = self.equations, solution.mesh
        emf, current = self.emf(mesh.stages), self.currents(solution.y, mesh.stages)
        coupled = solution.y.copy()
        if at.winding_unknowns:
            # A winding's row holds the volts of its leakage inductance, which its path's current works on.
            coupled[..., list(at.winding_unknowns)] = current
        stored = np.einsum("msn,msn,ms->", coupled[0], charge_rates(self, solution)[0], mesh.weights)
        taken = np.einsum("msp,p,ms,ms->", current[0], np.array(at.wiring.signs, float), emf[0], mesh.weights)
        return abs(float(stored)) / (abs(float(taken)) or 1.0)


def circuit_of(bench: Bench, parts: Parts, celsius: Floats) -> Circuit:
    """Return the equations of a bench's circuit with junctions at `celsius` (b,)."""
    wiring = wiring_of(bench)
    equations = assemble(bench, wiring, windings_of(wiring, parts, bench.transformer.primary_voltage), parts)
    diode = DiodeCharacteristic(
        parts["diode.saturation_current"], parts["diode.emission_coefficient"], parts["diode.series_resistance"]
    )
    return Circuit(equations, diode.at(celsius))


def spread(matrix: Floats, vectors: Floats) -> Floats:
    """Return matrix (b, i, j) times every vector of (b, m, 2, j): one product a variant, not one an instant."""
    variants, intervals, stages, length = vectors.shape
    product = vectors.reshape(variants, intervals * stages, length) @ matrix.transpose(0, 2, 1)
    return product.reshape(variants, intervals, stages, -1)


def slopes(inject: Floats, conductance: Floats, drive: Floats) -> Floats:
    """Return inject·diag(conductance)·drive, (b, m, 2, n, n), for conductances (b, m, 2, p) of the paths."""
    outer = inject.transpose(0, 2, 1)[..., None] * drive[:, None, :]
    variants, paths, rows, columns = outer.shape  # there may be no path
    found = spread(outer.reshape(variants, paths, rows * columns).transpose(0, 2, 1), conductance)
    return found.reshape(*conductance.shape[:3], rows, columns)


def mains_wave(parts: Parts, rms: Floats, angle: Floats) -> Floats:
    """Return a wave of `rms` (b,) at mains angles (…) with the mains' distortion, (b, …).

    The distortion is a third harmonic whose sign flattens the top, and what `mains.harmonic.N` adds of another order,
    N odd, in phase with the fundamental's zero; the rms is that of the whole wave.
    """
    shape = (-1, *[1] * angle.ndim)
    orders = {3: parts["mains.voltage_thd"]}
    for order in HARMONICS:
        if f"mains.harmonic.{order}" in parts:
            orders[order] = orders.get(order, 0.0) + parts[f"mains.harmonic.{order}"]
    peak = np.sqrt(2.0 / (1.0 + sum(size**2 for size in orders.values()))) * rms
    wave = np.sin(angle) + sum(size.reshape(shape) * np.sin(order * angle) for order, size in orders.items())
    return peak.reshape(shape) * wave
