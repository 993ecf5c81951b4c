"""The network from the winding to the load as equations d q(y)/dt = f(y, t), for many variants at a time.

The unknowns y are node voltages, the inner voltages of capacitors with ESR, choke currents and, where paths conduct
together (leakage inductance, or a choke that draws on through the zero of the mains), each path's EMF less what the
others drop. Rows of nodes are sums of currents (Kirchhoff); diodes enter through the
closed form of their path's current, so the equations stay smooth and need no switching.

Stamps of a network's linear parts: where in the matrices of d q(y)/dt = f(y) each conductance and mass stands.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

import numpy as np

from benchmon.bench import Bench, Capacitor, Choke, CurrentLoad, ResistorLoad, SeriesResistor
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.diode import conduct
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.circuit.rectifier import PathWiring, WindingModel
from benchmon.signals.arrays import Floats

Node = tuple[int, ...]
"""Unknowns whose sum is a node's voltage: a doubler's output stands on two capacitors."""


class Stamps:
    """Collects stamps, then makes the matrices."""

    def __init__(self, variants: int) -> None:
        self.variants = variants
        self.count = 0
        self.masses: list[tuple[int, int, Floats]] = []
        self.conductances: list[tuple[int, int, Floats]] = []

    def unknown(self) -> int:
        """Return a new unknown."""
        self.count += 1
        return self.count - 1

    def capacitance(self, start: Node, value: Floats, end: Node = ()) -> None:
        """Stamp a capacitance between two nodes; an empty node is the common line."""
        for sign, rows in ((1.0, start), (-1.0, end)):
            for row in rows:
                self.masses += [(row, column, sign * value) for column in start]
                self.masses += [(row, column, -sign * value) for column in end]

    def connect(self, start: Node, end: Node, value: Floats) -> None:
        """Stamp a conductance between two nodes; an empty node is the common line."""
        for sign, rows in ((-1.0, start), (1.0, end)):
            for row in rows:
                self.conductances += [(row, column, sign * value) for column in start]
                self.conductances += [(row, column, -sign * value) for column in end]

    def matrix(self, stamps: list[tuple[int, int, Floats]]) -> Floats:
        """Return the sum of `stamps`, (b, n, n)."""
        made = np.zeros((self.variants, self.count, self.count))
        for row, column, value in stamps:
            made[:, row, column] += value
        return made


_LEAST_CONDUCTANCE = 1e-9
_KNEE = 2e-3
_DEAD_LOAD = 0.02


class Loaded(Protocol):
    """A circuit with a load: see `Equations`, which is one."""

    parts: Parts
    bench: Bench
    softness: float


@dataclass
class CapacitorAt:
    """Where a filter capacitor sits: its node, the unknown that holds its charge, and its capacitance (b,).

    `end` is the node of its other side.
    """

    node: Node
    inner: Node
    capacitance: Floats
    end: Node = ()


@dataclass
class Equations:
    """The assembled network: `mass` and `conductance` (b, n, n), and what is not linear.

    `drive` (p, n) picks each path's driving voltage from y; `inject` (b, n, p) and `flux` (b, n, p) add path currents
    to f and to q.
    """

    wiring: PathWiring
    windings: WindingModel
    parts: Parts
    bench: Bench
    mass: Floats
    conductance: Floats
    drive: Floats
    inject: Floats
    flux: Floats
    input_node: Node
    load_node: Node
    capacitors: dict[int, CapacitorAt] = field(default_factory=dict)
    chokes: dict[int, int] = field(default_factory=dict)
    winding_unknowns: tuple[int, ...] = ()
    softness: float = 1.0
    """How many times wider than they are the corners of the load's curve are made, on the way to a solution."""

    @property
    def size(self) -> int:
        """The number of unknowns."""
        return int(self.mass.shape[-1])

    @cached_property
    def path_ohms(self) -> Floats:
        """What stands in series with each path's junctions, (b, p)."""
        own = np.diagonal(self.windings.resistance, axis1=1, axis2=2)
        ohms: Floats = own + self.wiring.in_series * self.parts["diode.series_resistance"][:, None]
        return ohms


def assemble(bench: Bench, wiring: PathWiring, windings: WindingModel, parts: Parts) -> Equations:
    """Return the equations of the bench's circuit with the values in `parts`. Raises `PredictionError`."""
    _refuse_held_choke(bench)
    build = Stamps(parts.variants)
    ports: list[Node] = [(build.unknown(),) for _ in range(wiring.ports)]
    capacitors: dict[int, CapacitorAt] = {}
    chokes: dict[int, int] = {}
    node: Node = tuple(index for output in wiring.outputs for index in ports[output])
    input_node = node
    for index, part in enumerate(bench.filter):
        if isinstance(part, Capacitor):
            targets = ports if index == 0 and len(ports) > 1 else [node]
            for target in targets:
                placed = _place_capacitor(build, parts, index, target)
                capacitors.setdefault(index, placed)
        else:
            node = _place_series(build, parts, index, node, chokes if isinstance(part, Choke) else None)
    ones = np.ones(parts.variants)
    for port in {*ports, node}:
        build.connect(port, (), _LEAST_CONDUCTANCE * ones)
    if isinstance(bench.load, ResistorLoad) and bench.regulator is None:
        build.connect(node, (), 1.0 / parts.load_ohms)
    winding_unknowns = tuple(build.unknown() for _ in wiring.signs) if _commutates(bench, wiring, parts) else ()
    for unknown in winding_unknowns:
        build.conductances.append((unknown, unknown, -ones))
    drive, inject, flux = _paths(build, wiring, windings, ports, winding_unknowns)
    return Equations(
        wiring,
        windings,
        parts,
        bench,
        build.matrix(build.masses),
        build.matrix(build.conductances),
        drive,
        inject,
        flux,
        input_node,
        node,
        capacitors,
        chokes,
        winding_unknowns,
    )


def _refuse_held_choke(bench: Bench) -> None:
    """Refuse a choke whose current the load holds: nothing then says what voltage stands between them."""
    last = max((index for index, part in enumerate(bench.filter) if not isinstance(part, SeriesResistor)), default=None)
    if last is None or not isinstance(bench.filter[last], Choke) or load_is_linear(bench):
        return
    holder = "regulator" if bench.regulator is not None else "constant-current load"
    raise PredictionError(
        f"filter[{last + 1}] choke: feeds the {holder} without a capacitor behind it, and both hold the current; "
        "put a capacitor after the choke"
    )


def _commutates(bench: Bench, wiring: PathWiring, parts: Parts) -> bool:
    """Return whether both paths may conduct at once, so that each feels the other's drop in what they share.

    Without leakage inductance they do where the rectifier's output falls below zero: only a choke can pull it there,
    through a capacitor too if that is small.
    """
    pulled = wiring.symmetric and any(isinstance(part, Choke) for part in bench.filter)
    return pulled or wiring.overlaps or bool(np.any(parts["transformer.leakage_inductance"] > 0))


def _place_capacitor(build: Stamps, parts: Parts, index: int, node: Node) -> CapacitorAt:
    capacitance, esr = parts[f"filter.{index}.capacitance"], parts[f"filter.{index}.esr"]
    inner = node
    if np.any(esr > 0):
        inner = (build.unknown(),)
        build.connect(node, inner, 1.0 / np.maximum(esr, 1e-6))
    build.capacitance(inner, capacitance)
    return CapacitorAt(node, inner, capacitance)


def _place_series(build: Stamps, parts: Parts, index: int, node: Node, chokes: dict[int, int] | None) -> Node:
    after: Node = (build.unknown(),)
    if chokes is None:
        build.connect(node, after, 1.0 / parts[f"filter.{index}.resistance"])
        return after
    current = build.unknown()
    chokes[index] = current
    ones = np.ones(build.variants)
    build.masses.append((current, current, parts[f"filter.{index}.inductance"]))
    build.conductances.append((current, current, -parts[f"filter.{index}.resistance"]))
    for sign, end in ((1.0, node), (-1.0, after)):
        for unknown in end:
            build.conductances += [(current, unknown, sign * ones), (unknown, current, -sign * ones)]
    return after


def _paths(
    build: Stamps, wiring: PathWiring, windings: WindingModel, ports: list[Node], winding_unknowns: tuple[int, ...]
) -> tuple[Floats, Floats, Floats]:
    paths = len(wiring.signs)
    drive = np.zeros((paths, build.count))
    inject = np.zeros((build.variants, build.count, paths))
    flux = np.zeros_like(inject)
    for path, charges in enumerate(wiring.charges):
        for port, sign in zip(ports, charges, strict=True):
            drive[path, list(port)] -= sign
            inject[:, list(port), path] += sign
    for path, unknown in enumerate(winding_unknowns):
        drive[path, unknown] = 1.0
        flux[:, unknown, :] = windings.inductance[:, path, :]
        inject[:, unknown, :] -= windings.resistance[:, path, :]
        inject[:, unknown, path] += windings.resistance[:, path, path]
    return drive, inject, flux


def path_currents(
    equations: Equations, y: Floats, emf: Floats, junction: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Return currents and conductances (b, …, p) of the paths at unknowns `y` (b, …, n) and winding EMF (b, …)."""
    drive = (y.reshape(-1, y.shape[-1]) @ equations.drive.T).reshape(*y.shape[:-1], -1)
    if not equations.winding_unknowns:
        drive = drive + emf[..., None] * np.array(equations.wiring.signs, float)
    series = equations.wiring.in_series
    saturation, thermal = (_like(value, drive) for value in junction)
    ohms = equations.path_ohms
    ohms = ohms.reshape(len(ohms), *[1] * (drive.ndim - 2), -1)
    return conduct(drive, ohms, saturation, series * thermal)


def _like(value: Floats, shape: Floats) -> Floats:
    return value.reshape(-1, *[1] * (shape.ndim - 1))


def load_current(equations: Loaded, voltage: Floats) -> tuple[Floats, Floats, Floats]:
    """Return what the last node feeds, at its `voltage` (b, …): amperes in, their slope, and volts at the load.

    A regulator holds its output until the node falls below output voltage and dropout; a constant-current load lets go
    as its voltage comes near zero, so that no load ever delivers energy. The corners are rounded over 2 mV.
    """
    parts, bench = equations.parts, equations.bench
    output, slope = voltage, np.ones_like(voltage)
    quiescent = np.zeros_like(voltage)
    if bench.regulator is not None:
        gap = voltage - _like(parts["regulator.dropout"] + parts["regulator.output_voltage"], voltage)
        fall, slope = _soft_negative(gap, equations.softness)
        output = _like(parts["regulator.output_voltage"], voltage) + fall
        below, alive = _soft_negative(-output, equations.softness)
        output, slope = -below, slope * alive
        quiescent = _like(parts["regulator.quiescent_current"], voltage)
    if isinstance(bench.load, ResistorLoad):
        ohms = _like(parts.load_ohms, voltage)
        through, rise = output / ohms, 1.0 / ohms
    elif isinstance(bench.load, CurrentLoad):
        amperes = _like(parts["load.current"], voltage)
        alive, rise = _comes_alive(output, equations.softness)
        through, rise = amperes * alive, amperes * rise
    else:
        through, rise = np.zeros_like(voltage), np.zeros_like(voltage)
    kept, grows = _comes_alive(voltage, equations.softness)
    return through + quiescent * kept, rise * slope + quiescent * grows, output


def load_is_linear(bench: Bench) -> bool:
    """Return whether the load is a plain conductance, already part of the matrices."""
    return bench.regulator is None and not isinstance(bench.load, CurrentLoad)


def _comes_alive(voltage: Floats, softness: float) -> tuple[Floats, Floats]:
    """Return the part of its current that a load draws near zero volts, and the slope; a resistor below zero."""
    width = _DEAD_LOAD * softness
    scaled = voltage / width
    rest = np.exp(-np.clip(scaled, 0.0, 700.0))
    return np.where(scaled > 0.0, 1.0 - rest, scaled), rest / width


def _soft_negative(gap: Floats, softness: float) -> tuple[Floats, Floats]:
    """Return min(gap, 0) with its corner rounded, and its slope."""
    width = _KNEE * softness
    scaled = np.clip(gap / width, -500.0, 500.0)
    value = np.where(np.abs(scaled) < 500.0, -width * np.log1p(np.exp(-scaled)), np.minimum(gap, 0.0))
    return value, 1.0 / (1.0 + np.exp(scaled))
