"""A supply with defects: every diode and every winding for itself, whatever conducts together.

`network` knows paths, which is quick and enough for sound rectifiers. Here each winding's current and each node's
voltage is an unknown, so that diodes may be open or shorted and windings the wrong way round, in any rectifier.
Nothing repeats within a mains period then, so a whole one is solved.

A circuit with defects as the collocation takes it: the stamped network, each diode's junction at its own heat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench, Capacitor, Choke, ResistorLoad
from benchmon.prediction.circuit.circuit import mains_wave, slopes, spread
from benchmon.prediction.circuit.diode import DiodeCharacteristic, conduct
from benchmon.prediction.circuit.network import CapacitorAt, Node, Stamps, load_current, load_is_linear
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.collocation import Mesh, PeriodicSolution, charge_rates
from benchmon.prediction.defects.wiring import Defects, DiodeWiring, Rail, wiring_by_diode
from benchmon.signals.arrays import Floats
from benchmon.standards import SHORTED_DIODE

_LEAK = 1e-7
"""Siemens across every diode. Where all diodes block, nothing else says where the winding stands."""

_LEAST_OHMS = 1e-5
_DISCONNECTED = 1e-6


@dataclass
class DiodeEquations:
    """The assembled network: `mass` and `conductance` (b, n, n), and what drives it.

    `across` (d, n) picks the volts across the diodes that still are diodes; `conducting` are their places in the
    wiring, `shorted` those of the shorted ones. `loads` (r, n) picks the volts across the loads. `turns` (w,) are the
    windings in each branch, less the reversed ones; `branches` and `chokes` the unknowns that are currents; `reservoir`
    is the first capacitor of the first rail.
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
    reservoir: CapacitorAt | None
    softness: float = 1.0

    @property
    def size(self) -> int:
        """The number of unknowns."""
        return int(self.mass.shape[-1])


def assemble_by_diode(bench: Bench, parts: Parts, defects: Defects) -> DiodeEquations:
    """Return the equations of the bench's circuit with `defects` and the values in `parts`."""
    wiring = wiring_by_diode(bench)
    build = Stamps(parts.variants)
    for _ in range(wiring.nodes):
        build.unknown()
    ones = np.ones(parts.variants)
    conducting = _place_diodes(build, wiring, defects, ones)
    ratio = parts["transformer.open_circuit_voltage"] / bench.transformer.primary_voltage
    turns = _turns_of(wiring, defects)
    branches = _place_windings(build, wiring, parts, ratio, turns)
    reservoir = _place_halves(build, wiring, parts, defects)
    ends: list[tuple[Node, Node, int]] = []
    chokes: list[int] = []
    for number, rail in enumerate(wiring.rails, 1):
        placed, end = _place_filter(build, bench, parts, rail, chokes=chokes, left=_left_of(number, defects))
        reservoir = reservoir or placed
        if load_is_linear(bench) and isinstance(bench.load, ResistorLoad):
            build.connect(end, rail.end, 1.0 / parts.load_ohms)
        ends.append((end, rail.end, rail.sign))
    return DiodeEquations(
        wiring,
        parts,
        bench,
        build.matrix(build.masses),
        build.matrix(build.conductances),
        differences([wiring.diodes[place] for place in conducting], build.count),
        conducting,
        tuple(number - 1 for number in sorted(defects.shorted_diodes)),
        np.array([[float(sign)] for *_, sign in ends]) * differences([end[:2] for end in ends], build.count),
        turns,
        branches,
        tuple(chokes),
        ratio,
        reservoir,
    )


def _place_diodes(build: Stamps, wiring: DiodeWiring, defects: Defects, ones: Floats) -> tuple[int, ...]:
    """Stamp what is linear of the diodes; return the places of those that are still diodes."""
    for number, (anode, cathode) in enumerate(wiring.diodes, 1):
        build.connect(anode, cathode, ones / SHORTED_DIODE if number in defects.shorted_diodes else _LEAK * ones)
    broken = defects.open_diodes | defects.shorted_diodes
    return tuple(place for place in range(len(wiring.diodes)) if place + 1 not in broken)


def _turns_of(wiring: DiodeWiring, defects: Defects) -> Floats:
    signs = [
        [-1.0 if one in defects.reversed_windings else 1.0 for one in branch.windings] for branch in wiring.branches
    ]
    return np.array([sum(each) for each in signs])


def _place_windings(build: Stamps, wiring: DiodeWiring, parts: Parts, ratio: Floats, turns: Floats) -> tuple[int, ...]:
    """Stamp the branches; their rows are volts: EMF less drops less what stands between the nodes is L·di/dt."""
    primary = (
        parts["mains.source_resistance"]
        + parts["transformer.primary_resistance"]
        + parts["fuse.resistance"]
        + parts["ntc.resistance"]
    ) * ratio**2
    currents = tuple(build.unknown() for _ in wiring.branches)
    ones = np.ones(build.variants)
    for at, (branch, current) in enumerate(zip(wiring.branches, currents, strict=True)):
        count = len(branch.windings)
        own = count * np.maximum(parts["transformer.secondary_resistance"], _LEAST_OHMS)
        build.masses.append((current, current, count * parts["transformer.leakage_inductance"]))
        build.conductances.append((current, current, -own))
        for other, through in enumerate(currents):
            build.conductances.append((current, through, -turns[at] * turns[other] * primary))
        for sign, node in ((1.0, branch.start), (-1.0, branch.end)):
            for row in node:
                build.conductances += [(row, current, sign * ones), (current, row, -sign * ones)]
    return currents


def _place_halves(build: Stamps, wiring: DiodeWiring, parts: Parts, defects: Defects) -> CapacitorAt | None:
    """Stamp a multiplier's capacitors; return the first one."""
    placed = [
        _place_capacitor(build, parts, 0, (plus, minus), _left_of(number, defects))
        for number, (plus, minus) in enumerate(wiring.halves, 1)
    ]
    return placed[0] if placed else None


def _left_of(number: int, defects: Defects) -> tuple[float, float]:
    """Return by what the first capacitor's capacitance and series resistance are multiplied in a rail or half."""
    if number in defects.open_reservoirs:
        return _DISCONNECTED, 1.0
    return (0.5, 2.0) if number in defects.dry_reservoirs else (1.0, 1.0)


def _place_filter(
    build: Stamps, bench: Bench, parts: Parts, rail: Rail, *, chokes: list[int], left: tuple[float, float]
) -> tuple[CapacitorAt | None, Node]:
    """Stamp a rail's filter; return its first capacitor and the node that feeds the load."""
    first: CapacitorAt | None = None
    node = rail.start
    has_halves = bool(bench.rectifier.topology.capacitors)
    for index, part in enumerate(bench.filter):
        if isinstance(part, Capacitor):
            if has_halves and index == 0:
                continue
            placed = _place_capacitor(build, parts, index, (node, rail.end), (1.0, 1.0) if first else left)
            first = first or placed
            continue
        after: Node = (build.unknown(),)
        if isinstance(part, Choke):
            chokes.append(_place_choke(build, parts, index, node, after))
        else:
            build.connect(node, after, 1.0 / parts[f"filter.{index}.resistance"])
        node = after
    return first, node


def _place_capacitor(
    build: Stamps, parts: Parts, index: int, between: tuple[Node, Node], left: tuple[float, float]
) -> CapacitorAt:
    """Stamp a capacitor with its series resistance, each multiplied by what is `left` of it."""
    start, end = between
    capacitance, esr = parts[f"filter.{index}.capacitance"] * left[0], parts[f"filter.{index}.esr"] * left[1]
    inner = start
    if np.any(esr > 0):
        inner = (build.unknown(),)
        build.connect(start, inner, 1.0 / np.maximum(esr, 1e-6))
    build.capacitance(inner, capacitance, end)
    return CapacitorAt(start, inner, capacitance, end)


def _place_choke(build: Stamps, parts: Parts, index: int, start: Node, end: Node) -> int:
    current = build.unknown()
    ones = np.ones(build.variants)
    build.masses.append((current, current, parts[f"filter.{index}.inductance"]))
    build.conductances.append((current, current, -parts[f"filter.{index}.resistance"]))
    for sign, node in ((1.0, start), (-1.0, end)):
        for row in node:
            build.conductances += [(current, row, sign * ones), (row, current, -sign * ones)]
    return current


def differences(pairs: Sequence[tuple[Node, Node]], count: int) -> Floats:
    """Return rows (p, n) that pick the volts from the first to the second node of each pair."""
    rows = np.zeros((len(pairs), count))
    for row, (plus, minus) in zip(rows, pairs, strict=True):
        row[list(plus)] += 1.0
        row[list(minus)] -= 1.0
    return rows


_OFF_CURVE, _STRAY_SIEMENS = 1e-3, 1e-4


@dataclass(frozen=True)
class DiodeCircuit:
    """The equations with each diode's junction, (b, d) of all diodes, as `PeriodicCircuit` takes them."""

    equations: DiodeEquations
    junction: tuple[Floats, Floats]

    @property
    def repeat(self) -> float:
        """A whole period of the mains, in radians."""
        return 2.0 * np.pi

    @property
    def needs_pivoting(self) -> bool:
        """Windings' currents have no diagonal to rely on."""
        return True

    @cached_property
    def angular_frequency(self) -> Floats:
        """Radians per second of the mains, (b,)."""
        return 2.0 * np.pi * self.equations.parts["mains.frequency"]

    @cached_property
    def exchange(self) -> Floats:
        """Nothing changes places over a whole period."""
        return np.eye(self.equations.size)

    def emf(self, angle: Floats) -> Floats:
        """Return one winding's EMF at mains angles (…), volts, (b, …)."""
        at = self.equations
        return mains_wave(at.parts, at.parts["mains.voltage"] * at.ratio, angle)

    def evaluate(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats, Floats, Floats]:
        """Return q, f and their derivatives at stage values y, as `PeriodicSystem` says."""
        at = self.equations
        current, conductance = self._diodes(y)
        inject = np.broadcast_to(-at.across.T, (len(y), *at.across.T.shape))
        f = spread(at.conductance, y) + spread(inject, current)
        f_slope = at.conductance[:, None, None] + slopes(inject, conductance, at.across)
        emf = self.emf(mesh.stages)
        for turns, unknown in zip(at.turns.tolist(), at.branches, strict=True):
            f[..., unknown] += turns * emf
        if not load_is_linear(at.bench):
            through, slope, _ = load_current(at, y @ at.loads.T)
            drawn = np.broadcast_to(-at.loads.T, (len(y), *at.loads.T.shape))
            f += spread(drawn, through)
            f_slope = f_slope + slopes(drawn, slope, at.loads)
        return spread(at.mass, y), f, np.broadcast_to(at.mass[:, None, None], f_slope.shape), f_slope

    def _diodes(self, y: Floats) -> tuple[Floats, Floats]:
        """Return current and conductance of the diodes that still are some, (b, …, d), at unknowns y (b, …, n)."""
        at = self.equations
        # No diode may be left, as in a half-wave circuit with its diode shorted: sizes are told, not inferred.
        alike = [1] * (y.ndim - 2)
        saturation, thermal = (
            value[:, list(at.conducting)].reshape(len(value), *alike, len(at.conducting)) for value in self.junction
        )
        ohms = at.parts["diode.series_resistance"].reshape(-1, *alike, 1)
        return conduct(y @ at.across.T, ohms, saturation, thermal)

    def all_diodes(self, y: Floats) -> tuple[Floats, Floats]:
        """Return current and voltage of every diode of the wiring, (b, …, d), at unknowns y (b, …, n)."""
        at = self.equations
        volts = y @ differences(at.wiring.diodes, at.size).T
        current = np.zeros_like(volts)
        current[..., list(at.shorted)] = volts[..., list(at.shorted)] / SHORTED_DIODE
        current[..., list(at.conducting)] = self._diodes(y)[0]
        return current, volts

    def currents(self, y: Floats, angle: Floats) -> Floats:  # noqa: ARG002 (a PeriodicCircuit)
        """Return what meshes follow: the windings' and the diodes' currents, (b, …, p)."""
        branches: Floats = y[..., list(self.equations.branches)]
        return np.concatenate([branches, self._diodes(y)[0]], axis=-1)

    def guess(self, mesh: Mesh) -> Floats:
        """Return stage values to start from: every node at common, no current."""
        at = self.equations
        return np.zeros((at.parts.variants, len(mesh.widths), 2, at.size))

    def is_answer(self, found: PeriodicSolution) -> NDArray[np.bool_]:
        """Return which variants, (b,), leave no current unaccounted for at any node."""
        rest = np.abs(charge_rates(self, found) - self.evaluate(found.y, found.mesh)[1])
        most = np.max(np.abs(self.currents(found.y, found.mesh.stages)), axis=(1, 2, 3))
        stray = _STRAY_SIEMENS * self.equations.parts["mains.voltage"] * self.equations.ratio
        met: NDArray[np.bool_] = (
            np.max(rest[..., : self.equations.wiring.nodes], axis=(1, 2, 3)) <= _OFF_CURVE * most + stray
        )
        return met

    def softened(self, factor: float) -> DiodeCircuit:
        """Return the circuit with diodes and loads whose corners are `factor` times wider."""
        saturation, thermal = self.junction
        equations = replace(self.equations, softness=factor)
        return replace(self, equations=equations, junction=(saturation, thermal * factor))

    def energy_lost(self, solution: PeriodicSolution) -> float:  # noqa: ARG002 (a PeriodicCircuit)
        """Return nothing: a faulty circuit is asked for to a few parts in a thousand."""
        return 0.0


def diode_circuit(bench: Bench, parts: Parts, defects: Defects, celsius: Floats) -> DiodeCircuit:
    """Return the circuit with the diodes' junctions at `celsius` (b, d)."""
    values = ("diode.saturation_current", "diode.emission_coefficient", "diode.series_resistance")
    junction = DiodeCharacteristic(*(parts[name][:, None] for name in values))
    saturation, thermal = junction.at(celsius)
    return DiodeCircuit(assemble_by_diode(bench, parts, defects), (saturation, np.broadcast_to(thermal, celsius.shape)))
