"""The circuit of a healthy supply at given junction temperatures, as a `PeriodicSystem` of the collocation.

`Circuit` evaluates the assembled network; `circuit_of` builds it from a bench. `mains_wave`, `batched_matvec` and
`with_conductances` are shared with the circuit that is solved diode by diode.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench
from benchmon.prediction.circuit.core import CoreStart
from benchmon.prediction.circuit.diode import DiodeCharacteristic
from benchmon.prediction.circuit.network import (
    LEAST_CONDUCTANCE,
    Equations,
    assemble,
    load_current,
    path_currents,
)
from benchmon.prediction.circuit.parts import SECOND_WARMER, Parts
from benchmon.prediction.circuit.rectifier import windings_of, wiring_of
from benchmon.prediction.collocation import Mesh, PeriodicSolution, charge_rates
from benchmon.signals.arrays import Floats, planes

_UNBALANCED, _ROUNDED = 0.01, 1e-4
"""Allowed imbalance of charge: as a fraction of what flows out, and of what flows to and fro in the paths."""


@dataclass(frozen=True)
class Sag:
    """What the idle current of the core takes from the EMF of a path: `volts` (b, k) at mains angles `angle` (k,).

    The angles rise over one period and end at 2π. In between, the volts are straight. `flux` (b, m, 2) is that of the
    core on the circuit's mesh, and `core_steps` as many of Newton's as are enough from there; None: all that it takes.
    `current` (b, k) is the idle current at the primary, where that is known.
    """

    angle: Floats
    volts: Floats
    flux: Floats
    core_steps: int | None = None
    current: Floats | None = None

    @property
    def core_start(self) -> CoreStart:
        """From where the core of this circuit is solved."""
        return CoreStart(self.flux, self.core_steps)

    def at(self, angle: Floats) -> Floats:
        """Return the volts at mains angles (…), (b, …)."""
        if angle.size <= len(self.angle) and np.array_equal(angle.ravel(), self.angle[: angle.size]):
            return self.volts[:, : angle.size].reshape(-1, *angle.shape)
        known = np.concatenate([[0.0], self.angle])
        volts = np.concatenate([self.volts[:, -1:], self.volts], axis=1)
        where = np.where(angle.ravel() > known[-1], angle.ravel() - known[-1], angle.ravel())
        index = np.clip(np.searchsorted(known, where) - 1, 0, len(known) - 2)
        part = (where - known[index]) / (known[index + 1] - known[index])
        found = volts[:, index] * (1.0 - part) + volts[:, index + 1] * part
        volts_there: Floats = found.reshape(-1, *angle.shape)
        return volts_there

    def chosen(self, rows: NDArray[np.intp]) -> Sag:
        """Return that of the variants of these numbers alone; a single one stands for all."""
        volts, flux = (value[rows] if len(value) > 1 else value for value in (self.volts, self.flux))
        return replace(self, volts=volts, flux=flux)


@dataclass(frozen=True)
class Circuit:
    """The equations of a circuit, with saturation current and thermal voltage (b,) of its diodes in `junction`.

    `sag` is what the core's idle current takes from the EMF; None where that is nothing, or is left out.
    """

    equations: Equations
    junction: tuple[Floats, Floats]
    sag: Sag | None = None

    @cached_property
    def angular_frequency(self) -> Floats:
        """Radians per second of the mains, (b,)."""
        return 2.0 * np.pi * self.equations.parts["mains.frequency"]

    @property
    def needs_pivoting(self) -> bool:
        """Whether there are chokes: a node between two has no conductance of its own."""
        return bool(self.equations.chokes) or bool(self.equations.second and self.equations.second.chokes)

    @cached_property
    def exchange(self) -> Floats:
        """The unknowns exchanged after half a period: the capacitors of a doubler, the windings of the paths."""
        swapped = np.eye(self.equations.size)
        if self.equations.wiring.symmetric:
            unknowns, wiring = self.equations.winding_unknowns, self.equations.wiring
            pairs = (
                [(unknowns[at], unknowns[other]) for at, other in enumerate(wiring.mirrored) if at < other]
                if unknowns
                else []
            )
            if wiring.ports == 2 and not wiring.apart:
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
        """Return the EMF of the winding at mains angles (…), volts, (b, …)."""
        return self._waves.at(angle, self.equations.parts, self.equations.windings.emf, self.sag)

    @cached_property
    def _waves(self) -> KeptWaves:
        return KeptWaves()

    def terms(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats]:
        """Return q and f at stage values y, as `PeriodicSystem.terms` requires."""
        current, _ = path_currents(self.equations, y, self.emf(mesh.stages), self.junction)
        return self._terms(y, mesh, current, [load[0] for load in self._loads(y)])

    def evaluate(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats, Floats, Floats]:
        """Return q, f and their derivatives at stage values y, as `PeriodicSystem.evaluate` requires."""
        equations = self.equations
        current, conductance = path_currents(equations, y, self.emf(mesh.stages), self.junction)
        loads = self._loads(y)
        matrices = equations.mass, equations.conductance, equations.inject, equations.flux
        terms = self._terms(y, mesh, current, [load[0] for load in loads])
        return *terms, *self._slopes(matrices, conductance, [load[1] for load in loads])

    def mean_slopes(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats]:
        """Return the mean derivatives, as `PeriodicSystem.mean_slopes` requires: of the mean parts and conductances."""
        equations = self.equations
        _, conductance = path_currents(equations, y, self.emf(mesh.stages), self.junction)
        slopes = [load[1].mean(axis=0, keepdims=True) for load in self._loads(y)]
        matrices = equations.mass, equations.conductance, equations.inject, equations.flux
        means = (matrix.mean(axis=0, keepdims=True) for matrix in matrices)
        return self._slopes(tuple(means), conductance.mean(axis=0, keepdims=True), slopes)

    def _loads(self, y: Floats) -> list[tuple[Floats, Floats]]:
        """Return current and slope (b, m, 2) of each load that is not linear."""
        return [
            load_current(output, y[..., list(output.load_node)].sum(-1))[:2] for output in self.equations.bent_loads
        ]

    def _terms(self, y: Floats, mesh: Mesh, current: Floats, through: Sequence[Floats]) -> tuple[Floats, Floats]:
        """Return q and f with the paths' `current` (b, m, 2, p), and what goes `through` loads that are not linear."""
        equations, emf = self.equations, self.emf(mesh.stages)
        q = batched_matvec(equations.mass, y)
        f = batched_matvec(equations.conductance, y) + batched_matvec(equations.inject, current)
        for path, unknown in enumerate(equations.winding_unknowns):
            f[..., unknown] += equations.wiring.signs[path] * emf
        if equations.winding_unknowns:
            q += batched_matvec(equations.flux, current)
        for output, amperes in zip(equations.bent_loads, through, strict=True):
            f[..., list(output.load_node)] -= amperes[..., None]
        return q, f

    def _slopes(
        self, matrices: tuple[Floats, ...], conductance: Floats, load_slopes: Sequence[Floats]
    ) -> tuple[Floats, Floats]:
        """Return the derivatives of q and f with the paths' `conductance` (b, m, 2, p) and the slopes of the loads.

        `matrices` are mass, conductance, inject and flux.
        """
        mass, linear, inject, flux = matrices
        equations = self.equations
        f_slope = with_conductances(linear, inject, conductance, equations.drive)
        q_slope: Floats = np.broadcast_to(mass[:, None, None], f_slope.shape)
        if equations.winding_unknowns:
            q_slope = with_conductances(mass, flux, conductance, equations.drive)
        for output, slope in zip(equations.bent_loads, load_slopes, strict=True):
            node = list(output.load_node)
            rows, columns = np.ix_(node, node)
            f_slope[..., rows, columns] -= slope[..., None, None]
        return q_slope, f_slope

    def currents(self, y: Floats, angle: Floats) -> Floats:
        """Return the currents of the paths at unknowns `y` (b, …, n) and mains angles (…), (b, …, p).

        The last ones are kept: of one solution they are asked for again and again.
        """
        if not (self._last and self._last[0][0] is y and self._last[0][1] is angle):
            self._last[:] = [(y, angle, path_currents(self.equations, y, self.emf(angle), self.junction)[0])]
        return self._last[0][2]

    @cached_property
    def _last(self) -> list[tuple[Floats, Floats, Floats]]:
        return []

    def is_physical(self, solution: PeriodicSolution) -> NDArray[np.bool_]:
        """Return which variants conserve charge, (b,).

        Over a period no capacitor gains charge, so the mean current of the paths is that of the load and of what the
        nodes lose. An output without load that was charged too high has a diode's leakage for an imbalance, so no
        current of that size is left out.
        """
        equations, mesh = self.equations, solution.mesh
        wiring = equations.wiring
        if wiring.apart:
            return self._each_output_is_physical(solution)
        ports = wiring.ports
        currents, y = self.currents(solution.y, mesh.stages), solution.y
        supplied = np.einsum("bmsp,ms->b", currents, mesh.weights) / ports
        flowing = np.einsum("bmsp,ms->b", np.abs(currents), mesh.weights) / ports
        node = y[..., list(equations.load_node)].sum(-1)
        lost = y[..., :ports] @ wiring.passes / ports
        if equations.load_node not in [(port,) for port in range(ports)]:
            lost = lost + node
        drawn = np.einsum("bms,ms->b", load_current(equations, node)[0] + LEAST_CONDUCTANCE * lost, mesh.weights)
        balanced: NDArray[np.bool_] = np.abs(supplied - drawn) <= _UNBALANCED * np.abs(drawn) + _ROUNDED * flowing
        return balanced

    def _each_output_is_physical(self, solution: PeriodicSolution) -> NDArray[np.bool_]:
        """Return which variants, (b,), conserve charge at each of two outputs."""
        equations, y, weights = self.equations, solution.y, solution.mesh.weights
        currents = self.currents(y, solution.mesh.stages)
        balanced = np.ones(len(y), np.bool_)
        second = equations.second
        ends = [equations.load_node[:1], second.load_node if second else ()]
        for port, end in enumerate(ends):
            output = equations.outputs[min(port, len(equations.outputs) - 1)]
            paths = [path for path, charges in enumerate(equations.wiring.charges) if charges[port]]
            supplied = np.einsum("bmsp,ms->b", currents[..., paths], weights)
            flowing = np.einsum("bmsp,ms->b", np.abs(currents[..., paths]), weights)
            lost = y[..., port] + (y[..., list(end)].sum(-1) if end != (port,) else 0.0)
            through = load_current(output, y[..., list(output.load_node)].sum(-1))[0]
            drawn = np.einsum("bms,ms->b", through + LEAST_CONDUCTANCE * lost, weights)
            balanced &= np.abs(supplied - drawn) <= _UNBALANCED * np.abs(drawn) + _ROUNDED * flowing
        return balanced

    def with_wider_corners(self, factor: float) -> Circuit:
        """Return the circuit with diode and load characteristics whose corners are `factor` times wider."""
        saturation, thermal = self.junction
        return replace(
            self, equations=self.equations.with_wider_corners(factor), junction=(saturation, thermal * factor)
        )

    def chosen(self, rows: NDArray[np.intp]) -> Circuit:
        """Return the circuit of the variants of these numbers alone."""
        saturation, thermal = self.junction
        return replace(
            self,
            equations=self.equations.chosen(rows),
            junction=(saturation[rows], thermal[rows]),
            sag=self.sag and self.sag.chosen(rows),
        )

    def guess(self, mesh: Mesh) -> Floats:
        """Return rough stage values to start from, (b, m, 2, n)."""
        equations = self.equations
        start = np.zeros((equations.parts.variants, len(mesh.widths), 2, equations.size))
        level = (0.85 * np.sqrt(2.0) * equations.windings.emf - equations.wiring.in_series * 0.8).clip(min=0.1)
        start += level[:, None, None, None]
        for output in equations.outputs:
            for current in output.chokes.values():
                load = np.full(len(level), 0.0)
                if "load.resistance" in output.parts:
                    load = level / output.parts.load_ohms
                start[..., current] = load[:, None, None]
        emf = self.emf(mesh.stages)
        for path, unknown in enumerate(equations.winding_unknowns):
            start[..., unknown] = equations.wiring.signs[path] * emf
        return start

    def energy_lost(self, solution: PeriodicSolution) -> float:
        """Return the numerical energy loss of the first variant over a period, as a fraction of the energy supplied.

        Ideal capacitors and inductances lose nothing, but the method damps (Radau IIA), the more the coarser the mesh.
        """
        equations, mesh = self.equations, solution.mesh
        emf, current = self.emf(mesh.stages), self.currents(solution.y, mesh.stages)
        coupled = solution.y.copy()
        if equations.winding_unknowns:
            # The row of a winding holds the voltage of its leakage inductance, which acts on the current of its path.
            coupled[..., list(equations.winding_unknowns)] = current
        stored = np.einsum("msn,msn,ms->", coupled[0], charge_rates(self, solution)[0], mesh.weights)
        supplied = np.einsum("msp,p,ms,ms->", current[0], np.array(equations.wiring.signs, float), emf[0], mesh.weights)
        return abs(float(stored)) / (abs(float(supplied)) or 1.0)


def circuit_of(bench: Bench, parts: Parts, celsius: Floats, sag: Sag | None = None) -> Circuit:
    """Return the circuit of a bench with junctions at `celsius` (b,) and a known `sag` of its EMF.

    Raises `PredictionError` as `assemble` does.
    """
    wiring = wiring_of(bench)
    equations = assemble(bench, wiring, windings_of(wiring, parts, bench.transformer.primary_voltage), parts)
    diode = DiodeCharacteristic(
        parts["diode.saturation_current"], parts["diode.emission_coefficient"], parts["diode.series_resistance"]
    )
    if wiring.apart:
        return Circuit(equations, _junctions_apart(diode, celsius, parts), sag)
    return Circuit(equations, diode.at(celsius), sag)


def _junctions_apart(diode: DiodeCharacteristic, celsius: Floats, parts: Parts) -> tuple[Floats, Floats]:
    """Return saturation current (b, p) and thermal voltage (b,) of diodes that are not equally warm at two outputs."""
    saturation, thermal = diode.at(celsius)
    second, _ = diode.at(celsius + parts[SECOND_WARMER])
    return np.stack([saturation, saturation, second, second], axis=-1), thermal


_MANY_VARIANTS = 50
"""Variants above which operations on whole planes are faster than a product of small matrices for each."""


def batched_matvec(matrix: Floats, vectors: Floats) -> Floats:
    """Return matrix (b, i, j) times every vector of (b, m, 2, j): one product a variant, not one an instant.

    Of many variants the entries that are not zero are taken one by one.
    """
    variants, intervals, stages, length = vectors.shape
    if variants > _MANY_VARIANTS:
        found = planes(matrix.shape[1], vectors[..., 0])
        for row, column in zip(*np.nonzero(np.any(matrix, axis=0)), strict=True):
            found[..., row] += matrix[:, row, column, None, None] * vectors[..., column]
        return found
    product = vectors.reshape(variants, intervals * stages, length) @ matrix.transpose(0, 2, 1)
    return product.reshape(variants, intervals, stages, -1)


def with_conductances(linear: Floats, inject: Floats, conductance: Floats, drive: Floats) -> Floats:
    """Return linear + inject·diag(conductance)·drive, (b, m, 2, n, n), for conductances (b, m, 2, p) of the paths.

    In memory every entry of the matrices is a plane of its own, since an elimination takes them one by one; few of them
    are not zero.
    """
    variants, intervals, _, paths = conductance.shape
    size = linear.shape[-1]
    planes = np.zeros((2, size, size, variants, intervals))
    rows, columns = np.nonzero(np.any(linear, axis=0))
    planes[:, rows, columns] = linear[:, rows, columns].T[..., None]
    by_path = np.ascontiguousarray(conductance.transpose(3, 2, 0, 1))
    for path in range(paths):
        columns = np.flatnonzero(drive[path])
        for row in np.flatnonzero(np.any(inject[..., path], axis=0)):
            slopes = inject[:, row, path] * drive[path, columns, None]
            planes[:, row, columns] += slopes[:, :, None] * by_path[path, :, None]
    return planes.transpose(3, 4, 0, 1, 2)


class KeptWaves:
    """The EMF of one circuit at the angles of one mesh after another, each worked out once."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[Floats, Floats]] = {}

    def at(self, angle: Floats, parts: Parts, rms: Floats, sag: Sag | None) -> Floats:
        """Return the EMF of `rms` (b,) volts less its `sag` at mains angles (…), (b, …)."""
        # By the identity of the array, which is kept too: no other one can take its place in memory.
        known = self._known.get(id(angle))
        if known is not None:
            return known[1]
        wave = mains_wave(parts, rms).at(angle)
        wave = wave if sag is None else wave - sag.at(angle)
        self._known[id(angle)] = angle, wave
        return wave


@dataclass(frozen=True)
class MainsWave:
    """A wave Σ (a·sin kωt + b·cos kωt): `orders` k (o,), `sines` a and `cosines` b in volts, (b, o)."""

    orders: Floats
    sines: Floats
    cosines: Floats

    def at(self, angle: Floats) -> Floats:
        """Return its volts at mains angles (…) in radians, (b, …)."""
        turns = self.orders[:, None] * angle.ravel()
        wave: Floats = self.sines @ np.sin(turns)
        if np.any(self.cosines):
            wave += self.cosines @ np.cos(turns)
        shaped: Floats = wave.reshape(len(wave), *angle.shape)
        return shaped


def mains_wave(parts: Parts, rms: Floats, since: Floats | None = None) -> MainsWave:
    """Return the wave of `rms` (b,) volts with the shape of the mains, later by `since` (b,) radians.

    The wave is √2·V1·(sin ωt + Σ (a_k·sin kωt + b_k·cos kωt)) with the parts `mains.harmonic.k.sin` and `.cos` (a
    Fourier series as in IEC 61000-4-7, 3.1); `rms` is that of the whole wave.
    """
    orders, sines, cosines = parts.mains_components
    peak = np.sqrt(2.0 / np.sum(sines**2 + cosines**2, axis=1)) * rms
    if since is not None:
        turned = since[:, None] * orders
        sines, cosines = (
            sines * np.cos(turned) - cosines * np.sin(turned),
            sines * np.sin(turned) + cosines * np.cos(turned),
        )
    return MainsWave(orders, peak[:, None] * sines, peak[:, None] * cosines)
