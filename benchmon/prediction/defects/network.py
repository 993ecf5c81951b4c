"""The network of a supply with defects, with every diode and winding by itself, as a `PeriodicSystem`.

`circuit.network` combines diodes to conducting paths, which is fast and sufficient for healthy rectifiers. Here the
current of each winding branch and the voltage of each node is an unknown, so that in any rectifier diodes may be open
or shorted and windings reversed. Half periods then differ, so a whole mains period is solved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench, Capacitor, Choke, ResistorLoad
from benchmon.prediction.circuit.circuit import KeptWaves, Sag, batched_matvec, with_conductances
from benchmon.prediction.circuit.diode import DiodeCharacteristic, conduct
from benchmon.prediction.circuit.network import (
    LEAST_CONDUCTANCE,
    CapacitorAt,
    Node,
    Stamps,
    load_current,
    load_is_linear,
    place_capacitor,
    place_series_part,
)
from benchmon.prediction.circuit.parts import Parts, of_second_output
from benchmon.prediction.collocation import Mesh, PeriodicSolution, charge_rates
from benchmon.prediction.defects.wiring import Defects, DiodeWiring, Rail, wiring_by_diode
from benchmon.signals.arrays import Floats
from benchmon.standards import SHORTED_DIODE

_LEAST_OHMS = 1e-5
_DISCONNECTED = 1e-6


@dataclass
class OutputOfRail:
    """The parts of one output, as a `LoadedCircuit`: `parts` and `bench` are those seen from there."""

    parts: Parts
    bench: Bench
    corner_factor: float = 1.0


@dataclass
class DiodeEquations:
    """The assembled network: matrices `mass` and `conductance` (b, n, n), and its nonlinear parts and sources.

    `across` (d, n) gives the voltages of the working diodes from y; `conducting` are their places in the wiring,
    `shorted` those of the shorted ones. `loads` (r, n) gives the voltages of the loads, `outputs` are theirs, and
    `bent` the places of those that are not linear. `turns` (w,) is the net number of windings in each branch, reversed
    ones counted negative; `branches` and `chokes` are the unknowns that are currents; `ratio` (b,) is the voltage ratio
    of a winding; `reservoirs` are the first capacitors of the rails, None where there is none.
    """

    wiring: DiodeWiring
    parts: Parts
    bench: Bench
    mass: Floats
    conductance: Floats
    across: Floats
    conducting: tuple[int, ...]
    shorted: tuple[int, ...]
    loads: Floats
    turns: Floats
    branches: tuple[int, ...]
    chokes: tuple[int, ...]
    ratio: Floats
    reservoirs: tuple[CapacitorAt | None, ...]
    outputs: tuple[OutputOfRail, ...]
    bent: tuple[int, ...]

    @property
    def size(self) -> int:
        """The number of unknowns."""
        return int(self.mass.shape[-1])


def assemble_by_diode(bench: Bench, parts: Parts, defects: Defects) -> DiodeEquations:
    """Return the equations of a bench's circuit with `defects` and the values in `parts`.

    Raises `PredictionError` if the load has no resistance.
    """
    wiring = wiring_by_diode(bench)
    build = Stamps(parts.variants)
    for _ in range(wiring.nodes):
        build.unknown()
    ones = np.ones(parts.variants)
    conducting = _place_diodes(build, wiring, defects, ones)
    ratio = parts["transformer.open_circuit_voltage"] / bench.transformer.primary_voltage * parts["core.turns"]
    turns = _turns_of(wiring, defects)
    branches = _place_windings(build, wiring, parts, ratio, turns)
    half = _place_halves(build, wiring, parts, defects)
    outputs = _outputs_of(bench, parts)
    ends: list[Node] = []
    chokes: list[int] = []
    reservoirs: list[CapacitorAt | None] = []
    for number, (rail, output) in enumerate(zip(wiring.rails, outputs, strict=True), 1):
        remaining = _remaining_capacitance(number, defects)
        placed, end = _place_filter(build, output.bench, output.parts, rail, chokes=chokes, remaining=remaining)
        reservoirs.append(half or placed)
        ends.append(end)
    across = [
        (end, rail.end) if rail.sign > 0 else (rail.end, end) for end, rail in zip(ends, wiring.rails, strict=True)
    ]
    if bench.rectifier.loads == "across":
        across, outputs = [(across[0][0], across[1][1])], outputs[:1]
    bent = tuple(place for place, output in enumerate(outputs) if not load_is_linear(output.bench))
    for place, (output, (plus, minus)) in enumerate(zip(outputs, across, strict=True)):
        if place not in bent and isinstance(output.bench.load, ResistorLoad):
            build.connect(plus, minus, 1.0 / output.parts.load_ohms)
    return DiodeEquations(
        wiring,
        parts,
        bench,
        build.matrix(build.masses),
        build.matrix(build.conductances),
        differences([wiring.diodes[place] for place in conducting], build.count),
        conducting,
        tuple(number - 1 for number in sorted(defects.shorted_diodes)),
        differences(across, build.count),
        turns,
        branches,
        tuple(chokes),
        ratio,
        tuple(reservoirs),
        tuple(outputs),
        bent,
    )


def _outputs_of(bench: Bench, parts: Parts) -> list[OutputOfRail]:
    first = OutputOfRail(parts, bench)
    if bench.outputs_apart:
        return [first, OutputOfRail(of_second_output(parts), bench.seen_from_output_2())]
    return [first] * len(bench.rectifier.topology.rails)


def _place_diodes(build: Stamps, wiring: DiodeWiring, defects: Defects, ones: Floats) -> tuple[int, ...]:
    """Stamp the linear parts of the diodes; return the places of the working ones.

    Where all diodes block, nothing but the least conductance across each determines the potential of the winding.
    """
    for number, (anode, cathode) in enumerate(wiring.diodes, 1):
        siemens = 1.0 / SHORTED_DIODE if number in defects.shorted_diodes else LEAST_CONDUCTANCE
        build.connect(anode, cathode, siemens * ones)
    broken = defects.open_diodes | defects.shorted_diodes
    return tuple(place for place in range(len(wiring.diodes)) if place + 1 not in broken)


def _turns_of(wiring: DiodeWiring, defects: Defects) -> Floats:
    signs = [
        [-1.0 if one in defects.reversed_windings else 1.0 for one in branch.windings] for branch in wiring.branches
    ]
    return np.array([sum(each) for each in signs])


def _place_windings(build: Stamps, wiring: DiodeWiring, parts: Parts, ratio: Floats, turns: Floats) -> tuple[int, ...]:
    """Stamp the winding branches and return their unknowns; their rows are L·di/dt = EMF − drops − node voltage."""
    primary = parts.primary_ohms * ratio**2
    currents = tuple(build.unknown() for _ in wiring.branches)
    ones = np.ones(build.variants)
    for place, (branch, current) in enumerate(zip(wiring.branches, currents, strict=True)):
        count = len(branch.windings)
        own = count * np.maximum(parts.secondary_ohms, _LEAST_OHMS)
        build.masses.append((current, current, count * parts["transformer.leakage_inductance"]))
        build.conductances.append((current, current, -own))
        for other, through in enumerate(currents):
            build.conductances.append((current, through, -turns[place] * turns[other] * primary))
        for sign, node in ((1.0, branch.start), (-1.0, branch.end)):
            for row in node:
                build.conductances += [(row, current, sign * ones), (current, row, -sign * ones)]
    return currents


def _place_halves(build: Stamps, wiring: DiodeWiring, parts: Parts, defects: Defects) -> CapacitorAt | None:
    """Stamp a multiplier's capacitors; return the first one."""
    placed = [
        place_capacitor(build, parts, 0, plus, minus, remaining=_remaining_capacitance(number, defects))
        for number, (plus, minus) in enumerate(wiring.halves, 1)
    ]
    return placed[0] if placed else None


def _remaining_capacitance(number: int, defects: Defects) -> tuple[float, float]:
    """Return the capacitance and ESR factors of the first capacitor of rail or half `number`."""
    if number in defects.open_reservoirs:
        return _DISCONNECTED, 1.0
    return defects.left_when_dry if number in defects.dry_reservoirs else (1.0, 1.0)


def _place_filter(
    build: Stamps, bench: Bench, parts: Parts, rail: Rail, *, chokes: list[int], remaining: tuple[float, float]
) -> tuple[CapacitorAt | None, Node]:
    """Stamp the filter of a rail and add its choke currents to `chokes`; return the first capacitor and last node."""
    first: CapacitorAt | None = None
    node = rail.start
    has_halves = bool(bench.rectifier.topology.capacitors)
    for index, part in enumerate(bench.filter):
        if isinstance(part, Capacitor):
            if has_halves and index == 0:
                continue
            factors = (1.0, 1.0) if first else remaining
            placed = place_capacitor(build, parts, index, node, rail.end, remaining=factors)
            first = first or placed
            continue
        node, current = place_series_part(build, parts, index, node, is_choke=isinstance(part, Choke))
        chokes += [] if current is None else [current]
    return first, node


def differences(pairs: Sequence[tuple[Node, Node]], count: int) -> Floats:
    """Return rows (p, n) that give the voltage from the first to the second node of each pair."""
    rows = np.zeros((len(pairs), count))
    for row, (plus, minus) in zip(rows, pairs, strict=True):
        row[list(plus)] += 1.0
        row[list(minus)] -= 1.0
    return rows


_UNBALANCED, _STRAY_SIEMENS = 1e-3, 1e-4
"""Allowed error of the node currents: as a fraction of the largest current, and as a conductance across the winding."""


@dataclass(frozen=True)
class DiodeCircuit:
    """The equations, with saturation current and thermal voltage (b, d) of all diodes in `junction`.

    `sag` is what the core's idle current takes from the EMF of a winding, None where it is left out.
    """

    equations: DiodeEquations
    junction: tuple[Floats, Floats]
    sag: Sag | None = None

    @property
    def repeat(self) -> float:
        """A whole period of the mains, in radians."""
        return 2.0 * np.pi

    @property
    def needs_pivoting(self) -> bool:
        """True: the rows of winding currents may have a zero on the diagonal."""
        return True

    @cached_property
    def angular_frequency(self) -> Floats:
        """Radians per second of the mains, (b,)."""
        return 2.0 * np.pi * self.equations.parts["mains.frequency"]

    @cached_property
    def exchange(self) -> Floats:
        """The unit matrix: nothing is exchanged over a whole period."""
        return np.eye(self.equations.size)

    def emf(self, angle: Floats) -> Floats:
        """Return the EMF of one winding at mains angles (…), volts, (b, …)."""
        equations = self.equations
        rms = equations.parts["mains.voltage"] * equations.ratio
        return self._waves.at(angle, equations.parts, rms, self.sag)

    @cached_property
    def _waves(self) -> KeptWaves:
        return KeptWaves()

    def terms(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats]:
        """Return q and f at stage values y, as `PeriodicSystem.terms` requires."""
        return self._terms(y, mesh, self._diodes(y)[0], self._loads(y)[0])

    def evaluate(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats, Floats, Floats]:
        """Return q, f and their derivatives at stage values y, as `PeriodicSystem.evaluate` requires."""
        equations = self.equations
        current, conductance = self._diodes(y)
        through, slope = self._loads(y)
        return *self._terms(y, mesh, current, through), *self._slopes(
            equations.mass, equations.conductance, conductance, slope
        )

    def mean_slopes(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats]:
        """Return the mean derivatives, as `PeriodicSystem.mean_slopes` requires: of the mean parts and conductances."""
        del mesh  # nothing depends on the angle but the EMF, which is a source
        equations = self.equations
        slope = self._loads(y)[1]
        slope = None if slope is None else slope.mean(axis=0, keepdims=True)
        mass, linear = (matrix.mean(axis=0, keepdims=True) for matrix in (equations.mass, equations.conductance))
        return self._slopes(mass, linear, self._diodes(y)[1].mean(axis=0, keepdims=True), slope)

    def _loads(self, y: Floats) -> tuple[Floats | None, Floats | None]:
        """Return current and slope (b, …, r) of the loads that are not linear, None where all are."""
        equations = self.equations
        if not equations.bent:
            return None, None
        found = [load_current(equations.outputs[at], y @ equations.loads[at])[:2] for at in equations.bent]
        through, slope = (np.stack(each, axis=-1) for each in zip(*found, strict=True))
        return through, slope

    def _terms(self, y: Floats, mesh: Mesh, current: Floats, through: Floats | None) -> tuple[Floats, Floats]:
        """Return q and f with the diodes' `current` (b, m, 2, d), and what goes `through` loads that are not linear."""
        equations = self.equations
        f = batched_matvec(equations.conductance, y) - current @ equations.across
        emf = self.emf(mesh.stages)
        for turns, unknown in zip(equations.turns.tolist(), equations.branches, strict=True):
            f[..., unknown] += turns * emf
        if through is not None:
            f -= through @ equations.loads[list(equations.bent)]
        return batched_matvec(equations.mass, y), f

    def _slopes(
        self, mass: Floats, linear: Floats, conductance: Floats, load_slope: Floats | None
    ) -> tuple[Floats, Floats]:
        """Return the derivatives of q and f with the diodes' `conductance` (b, m, 2, d) and the slopes of the loads."""
        equations = self.equations
        inject = np.broadcast_to(-equations.across.T, (len(conductance), *equations.across.T.shape))
        f_slope = with_conductances(linear, inject, conductance, equations.across)
        if load_slope is not None:
            loads = equations.loads[list(equations.bent)]
            drawn = np.broadcast_to(-loads.T, (len(load_slope), *loads.T.shape))
            f_slope += with_conductances(np.zeros_like(linear), drawn, load_slope, loads)
        return np.broadcast_to(mass[:, None, None], f_slope.shape), f_slope

    def _diodes(self, y: Floats) -> tuple[Floats, Floats]:
        """Return current and conductance of the working diodes, (b, …, d), at unknowns y (b, …, n)."""
        equations = self.equations
        # The sizes are explicit, not inferred by −1: a half-wave circuit with its diode shorted has no diode left.
        ones = [1] * (y.ndim - 2)
        saturation, thermal = (
            value[:, list(equations.conducting)].reshape(len(value), *ones, len(equations.conducting))
            for value in self.junction
        )
        ohms = equations.parts["diode.series_resistance"].reshape(-1, *ones, 1)
        return conduct(y @ equations.across.T, ohms, saturation, thermal)

    def all_diodes(self, y: Floats) -> tuple[Floats, Floats]:
        """Return current and voltage of every diode of the wiring, (b, …, d), at unknowns y (b, …, n)."""
        equations = self.equations
        volts = y @ differences(equations.wiring.diodes, equations.size).T
        current = np.zeros_like(volts)
        current[..., list(equations.shorted)] = volts[..., list(equations.shorted)] / SHORTED_DIODE
        current[..., list(equations.conducting)] = self._diodes(y)[0]
        return current, volts

    def currents(self, y: Floats, angle: Floats) -> Floats:  # noqa: ARG002 (a PeriodicCircuit)
        """Return the currents that the mesh is adapted to: those of windings and diodes, (b, …, p)."""
        branches: Floats = y[..., list(self.equations.branches)]
        return np.concatenate([branches, self._diodes(y)[0]], axis=-1)

    def guess(self, mesh: Mesh) -> Floats:
        """Return stage values to start from: every unknown is zero."""
        equations = self.equations
        return np.zeros((equations.parts.variants, len(mesh.widths), 2, equations.size))

    def is_physical(self, solution: PeriodicSolution) -> NDArray[np.bool_]:
        """Return which variants, (b,), have balanced currents at every node."""
        residual = np.abs(charge_rates(self, solution) - self.terms(solution.y, solution.mesh)[1])
        largest = np.max(np.abs(self.currents(solution.y, solution.mesh.stages)), axis=(1, 2, 3))
        stray = _STRAY_SIEMENS * self.equations.parts["mains.voltage"] * self.equations.ratio
        balanced: NDArray[np.bool_] = (
            np.max(residual[..., : self.equations.wiring.nodes], axis=(1, 2, 3)) <= _UNBALANCED * largest + stray
        )
        return balanced

    def with_wider_corners(self, factor: float) -> DiodeCircuit:
        """Return the circuit with diode and load characteristics whose corners are `factor` times wider."""
        saturation, thermal = self.junction
        outputs = tuple(replace(output, corner_factor=factor) for output in self.equations.outputs)
        equations = replace(self.equations, outputs=outputs)
        return replace(self, equations=equations, junction=(saturation, thermal * factor))

    def chosen(self, rows: NDArray[np.intp]) -> DiodeCircuit:
        """Return the circuit of the variants of these numbers alone."""
        equations, (saturation, thermal) = self.equations, self.junction
        chosen = replace(
            equations,
            parts=equations.parts.chosen(rows),
            mass=equations.mass[rows],
            conductance=equations.conductance[rows],
            ratio=equations.ratio[rows],
            reservoirs=tuple(one and one.chosen(rows) for one in equations.reservoirs),
            outputs=tuple(replace(output, parts=output.parts.chosen(rows)) for output in equations.outputs),
        )
        sag = self.sag and self.sag.chosen(rows)
        return replace(self, equations=chosen, junction=(saturation[rows], thermal[rows]), sag=sag)

    def energy_lost(self, solution: PeriodicSolution) -> float:  # noqa: ARG002 (a PeriodicCircuit)
        """Return 0: for a circuit with a fault an error of a few parts in a thousand is accepted."""
        return 0.0


def diode_circuit(
    bench: Bench, parts: Parts, defects: Defects, celsius: Floats, sag: Sag | None = None
) -> DiodeCircuit:
    """Return the circuit of a bench with `defects` and the diode junctions at `celsius` (b, d).

    Raises `PredictionError` if the load has no resistance.
    """
    values = ("diode.saturation_current", "diode.emission_coefficient", "diode.series_resistance")
    junction = DiodeCharacteristic(*(parts[name][:, None] for name in values))
    saturation, thermal = junction.at(celsius)
    return DiodeCircuit(
        assemble_by_diode(bench, parts, defects), (saturation, np.broadcast_to(thermal, celsius.shape)), sag
    )
