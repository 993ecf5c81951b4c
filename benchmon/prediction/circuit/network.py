"""The network from the winding to the load as equations d q(y)/dt = f(y, t), for many variants at a time.

The unknowns y are node voltages, the inner voltages of capacitors with ESR, choke currents and, if paths can conduct
together (leakage inductance, or a choke that draws current through the zero of the mains), the EMF of each path less
the voltage drops caused by the others. Rows of nodes are sums of currents (Kirchhoff). Diodes enter through the closed
form of their path's current, so the equations are smooth and need no switching. Linear parts are stamped into the
matrices (modified nodal analysis).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench, Capacitor, Choke, CurrentLoad, ResistorLoad, SeriesResistor
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.diode import conduct
from benchmon.prediction.circuit.parts import Parts, of_second_output
from benchmon.prediction.circuit.rectifier import PathWiring, WindingModel, windings_of
from benchmon.signals.arrays import Floats, planes

Node = tuple[int, ...]
"""Unknowns whose sum is the voltage of a node: the output of a doubler is the sum of two. Empty for the common line."""


class Stamps:
    """Collects the stamps of linear parts in d q(y)/dt = f(y), then adds them up to matrices."""

    def __init__(self, variants: int) -> None:
        self.variants = variants
        self.count = 0
        self.masses: list[tuple[int, int, Floats]] = []
        self.conductances: list[tuple[int, int, Floats]] = []

    def unknown(self) -> int:
        """Add an unknown and return its number."""
        self.count += 1
        return self.count - 1

    def capacitance(self, start: Node, value: Floats, end: Node = ()) -> None:
        """Stamp a capacitance between two nodes."""
        for sign, rows in ((1.0, start), (-1.0, end)):
            for row in rows:
                self.masses += [(row, column, sign * value) for column in start]
                self.masses += [(row, column, -sign * value) for column in end]

    def connect(self, start: Node, end: Node, value: Floats) -> None:
        """Stamp a conductance between two nodes."""
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


LEAST_CONDUCTANCE = 1e-9
"""Siemens across the rectifier's outputs and the load, so that no node hangs in the air; with defects, across diodes.

A reservoir that nothing empties stands at the peak less the drop at what flows through these: ten times as much takes
0.1 V from it, so the circuits with and without defects share the figure."""

_KNEE = 2e-3
"""Volts over which the corners of a regulator are rounded."""

_TURN_ON = 0.02
"""Volts over which a constant-current load turns on."""


class LoadedCircuit(Protocol):
    """Equations of a circuit with a load, such as `Equations`."""

    parts: Parts
    bench: Bench
    corner_factor: float


class LoadedOutput(LoadedCircuit, Protocol):
    """An output with its filter and its load: of a circuit with one output the whole of it."""

    load_node: Node
    capacitors: dict[int, CapacitorAt]
    chokes: dict[int, int]


@dataclass
class CapacitorAt:
    """Position of a filter capacitor: its nodes, the unknown behind its ESR, and its capacitance in farads (b,)."""

    node: Node
    inner: Node
    capacitance: Floats
    end: Node = ()

    def chosen(self, rows: NDArray[np.intp]) -> CapacitorAt:
        """Return that of the variants of these numbers alone."""
        return replace(self, capacitance=self.capacitance[rows])


@dataclass
class OutputAt:
    """A second output: `parts` and `bench` are those seen from there, as if it were the first.

    `loaded` is whether it has a load of its own.
    """

    parts: Parts
    bench: Bench
    load_node: Node
    capacitors: dict[int, CapacitorAt]
    chokes: dict[int, int]
    loaded: bool = True
    corner_factor: float = 1.0

    def chosen(self, rows: NDArray[np.intp]) -> OutputAt:
        """Return that of the variants of these numbers alone."""
        capacitors = {index: one.chosen(rows) for index, one in self.capacitors.items()}
        return replace(self, parts=self.parts.chosen(rows), capacitors=capacitors)


@dataclass
class Equations:
    """The assembled network: matrices `mass` and `conductance` (b, n, n), and the coupling of the nonlinear paths.

    `drive` (p, n) gives the driving voltage of each path from y; `inject` and `flux` (b, n, p) add path currents to f
    and to q. `capacitors` and `chokes` (the unknown of the current) are by the index of the part in the filter;
    `winding_unknowns` is empty if only one path conducts at a time. `stacked` are the capacitors of a multiplier that
    stand beside the first one. `second` is the second output where there are two that differ. `corner_factor` widens
    the corners of the load characteristic, see `steady_state`.
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
    stacked: tuple[CapacitorAt, ...] = ()
    second: OutputAt | None = None
    corner_factor: float = 1.0

    @property
    def size(self) -> int:
        """The number of unknowns."""
        return int(self.mass.shape[-1])

    @cached_property
    def outputs(self) -> tuple[LoadedOutput, ...]:
        """The outputs that have a load, the first one first."""
        return (self,) if self.second is None or not self.second.loaded else (self, self.second)

    @cached_property
    def bent_loads(self) -> tuple[LoadedOutput, ...]:
        """The outputs whose load is no plain conductance."""
        return tuple(output for output in self.outputs if not load_is_linear(output.bench))

    def with_wider_corners(self, factor: float) -> Equations:
        """Return those of loads whose corners are `factor` times wider."""
        second = self.second and replace(self.second, corner_factor=factor)
        return replace(self, second=second, corner_factor=factor)

    def chosen(self, rows: NDArray[np.intp]) -> Equations:
        """Return those of the variants of these numbers alone, with the same unknowns."""
        parts = self.parts.chosen(rows)
        return replace(
            self,
            windings=windings_of(self.wiring, parts, self.bench.transformer.primary_voltage),
            parts=parts,
            mass=self.mass[rows],
            conductance=self.conductance[rows],
            inject=self.inject[rows],
            flux=self.flux[rows],
            capacitors={index: one.chosen(rows) for index, one in self.capacitors.items()},
            stacked=tuple(one.chosen(rows) for one in self.stacked),
            second=self.second and self.second.chosen(rows),
        )

    def placed(self, index: int) -> tuple[CapacitorAt, ...]:
        """Return where the filter's capacitor `index` is: of a multiplier's first one, every one."""
        return (self.capacitors[index], *(self.stacked if index == 0 else ()))

    @cached_property
    def path_ohms(self) -> Floats:
        """The resistance in series with the junctions of each path, ohms (b, p)."""
        own = np.diagonal(self.windings.resistance, axis1=1, axis2=2)
        ohms: Floats = own + self.wiring.in_series * self.parts["diode.series_resistance"][:, None]
        return ohms


def assemble(bench: Bench, wiring: PathWiring, windings: WindingModel, parts: Parts) -> Equations:
    """Return the equations of a bench's circuit with the values in `parts`.

    Raises `PredictionError` if a choke feeds a load that determines its current, or the load has no resistance.
    """
    build = Stamps(parts.variants)
    ports: list[Node] = [(build.unknown(),) for _ in range(wiring.ports)]
    input_node: Node = tuple(index for output in wiring.outputs for index in ports[output])
    multiplied = ports if len(ports) > 1 and not wiring.apart else []
    behind = _place_filter(build, bench, parts, input_node, multiplied)
    second = _second_output(build, bench, parts, ports[1]) if wiring.apart else None
    ends = [behind.node, *([second.load_node] if second else [])]
    ones = np.ones(parts.variants)
    for node in {*ports, *ends}:
        build.connect(node, (), LEAST_CONDUCTANCE * ones)
    load_node = ends[0] if second is None or second.loaded else ends[0] + ends[1]
    if isinstance(bench.load, ResistorLoad) and bench.regulator is None:
        build.connect(load_node, (), 1.0 / parts.load_ohms)
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
        load_node,
        behind.capacitors,
        behind.chokes,
        winding_unknowns,
        behind.stacked,
        second,
    )


@dataclass
class _FilterAt:
    """Where a filter is: the `node` behind it, its capacitors and chokes, and the capacitors beside the first one."""

    node: Node
    capacitors: dict[int, CapacitorAt]
    chokes: dict[int, int]
    stacked: tuple[CapacitorAt, ...]


def _place_filter(build: Stamps, bench: Bench, parts: Parts, node: Node, multiplied: list[Node]) -> _FilterAt:
    """Stamp the filter behind `node`; its first capacitor is at each of the ports `multiplied`, where there are any."""
    _refuse_held_choke(bench)
    found = _FilterAt(node, {}, {}, ())
    for index, part in enumerate(bench.filter):
        if isinstance(part, Capacitor):
            targets = multiplied if index == 0 and multiplied else [found.node]
            placed = [place_capacitor(build, parts, index, target) for target in targets]
            found.capacitors[index] = placed[0]
            found.stacked = found.stacked or tuple(placed[1:])
        else:
            found.node, current = place_series_part(build, parts, index, found.node, is_choke=isinstance(part, Choke))
            found.chokes |= {} if current is None else {index: current}
    return found


def _second_output(build: Stamps, bench: Bench, parts: Parts, node: Node) -> OutputAt:
    """Stamp filter and load of the second output behind `node`."""
    own, values = bench.seen_from_output_2(), of_second_output(parts)
    loaded = bench.rectifier.loads == "each"
    try:
        behind = _place_filter(build, own, values, node, [])
        if loaded and isinstance(own.load, ResistorLoad) and own.regulator is None:
            build.connect(behind.node, (), 1.0 / values.load_ohms)
    except PredictionError as problem:
        raise PredictionError(f"second output: {problem}") from None
    return OutputAt(values, own, behind.node, behind.capacitors, behind.chokes, loaded)


def _refuse_held_choke(bench: Bench) -> None:
    """Refuse a choke whose current the load determines: the voltage between the two is then undefined."""
    last = max((index for index, part in enumerate(bench.filter) if not isinstance(part, SeriesResistor)), default=None)
    if last is None or not isinstance(bench.filter[last], Choke) or load_is_linear(bench):
        return
    holder = "regulator" if bench.regulator is not None else "constant-current load"
    raise PredictionError(
        f"filter[{last + 1}] choke: feeds the {holder} without a capacitor behind it, and both hold the current; "
        "put a capacitor after the choke"
    )


def _commutates(bench: Bench, wiring: PathWiring, parts: Parts) -> bool:
    """Return whether both paths may conduct at once, so that the voltage drop of one affects the other.

    Without leakage inductance this happens if the output of the rectifier falls below zero: only a choke can pull it
    there, even through a capacitor if that is small.
    """
    pulled = len(wiring.signs) > 1 and any(isinstance(part, Choke) for part in bench.filter)
    return pulled or wiring.overlaps or bool(np.any(parts["transformer.leakage_inductance"] > 0))


def place_capacitor(
    build: Stamps, parts: Parts, index: int, node: Node, end: Node = (), *, remaining: tuple[float, float] = (1.0, 1.0)
) -> CapacitorAt:
    """Stamp the filter's capacitor `index` with its ESR from `node` to `end`, and return its position.

    `remaining` are factors of its capacitance and ESR, for a defective one.
    """
    capacitance, esr = parts[f"filter.{index}.capacitance"] * remaining[0], parts[f"filter.{index}.esr"] * remaining[1]
    inner = node
    if np.any(esr > 0):
        inner = (build.unknown(),)
        build.connect(node, inner, 1.0 / np.maximum(esr, 1e-6))
    build.capacitance(inner, capacitance, end)
    return CapacitorAt(node, inner, capacitance, end)


def place_series_part(
    build: Stamps, parts: Parts, index: int, node: Node, *, is_choke: bool
) -> tuple[Node, int | None]:
    """Stamp the filter's choke or resistor `index` after `node`; return the node behind it, and a choke's current."""
    after: Node = (build.unknown(),)
    if not is_choke:
        build.connect(node, after, 1.0 / parts[f"filter.{index}.resistance"])
        return after, None
    current = build.unknown()
    ones = np.ones(build.variants)
    build.masses.append((current, current, parts[f"filter.{index}.inductance"]))
    build.conductances.append((current, current, -parts[f"filter.{index}.resistance"]))
    for sign, end in ((1.0, node), (-1.0, after)):
        for unknown in end:
            build.conductances += [(current, unknown, sign * ones), (unknown, current, -sign * ones)]
    return after, current


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
    # Few unknowns drive a path, however many there are: a product with all of them grew with every filter section.
    drive = planes(len(equations.drive), y[..., 0])
    for path, sign in enumerate(equations.wiring.signs):
        own = drive[..., path]
        own += driving_volts(equations, path, y)
        if not equations.winding_unknowns:
            own += sign * emf
    series = equations.wiring.in_series
    saturation, thermal = (like_paths(value, drive) for value in junction)
    ohms = equations.path_ohms
    ohms = ohms.reshape(len(ohms), *[1] * (drive.ndim - 2), -1)
    return conduct(drive, ohms, saturation, series * thermal)


def driving_volts(equations: Equations, path: int, y: Floats) -> Floats:
    """Return the volts (b, …) by which unknowns `y` (b, …, n) drive a path, besides the EMF of its winding."""
    volts = np.zeros_like(y[..., 0])
    for unknown in np.flatnonzero(equations.drive[path]):
        volts += equations.drive[path, unknown] * y[..., unknown]
    return volts


def like_paths(value: Floats, shape: Floats) -> Floats:
    """Return values (b,), or (b, p) of each path, so that they broadcast with `shape` (b, …, p)."""
    if value.ndim == 1:
        return value.reshape(-1, *[1] * (shape.ndim - 1))
    return value.reshape(len(value), *[1] * (shape.ndim - 2), -1)


def load_current(equations: LoadedCircuit, voltage: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the current into the load, its derivative, and the load voltage, at a `voltage` (b, …) of the last node.

    A regulator holds its output until the node falls below output voltage plus dropout; a constant-current load turns
    off as its voltage approaches zero, so that no load ever delivers energy. The corners are rounded over 2 mV.
    """
    parts, bench = equations.parts, equations.bench
    output, slope = voltage, np.ones_like(voltage)
    quiescent = np.zeros_like(voltage)
    if bench.regulator is not None:
        gap = voltage - like_paths(parts["regulator.dropout"] + parts["regulator.output_voltage"], voltage)
        fall, slope = _rounded_minimum(gap, equations.corner_factor)
        output = like_paths(parts["regulator.output_voltage"], voltage) + fall
        below, passes = _rounded_minimum(-output, equations.corner_factor)
        output, slope = -below, slope * passes
        quiescent = like_paths(parts["regulator.quiescent_current"], voltage)
    if isinstance(bench.load, ResistorLoad):
        ohms = like_paths(parts.load_ohms, voltage)
        through, rise = output / ohms, 1.0 / ohms
    elif isinstance(bench.load, CurrentLoad):
        amperes = like_paths(parts["load.current"], voltage)
        fraction, rise = _load_turn_on(output, equations.corner_factor)
        through, rise = amperes * fraction, amperes * rise
    else:
        through, rise = np.zeros_like(voltage), np.zeros_like(voltage)
    if bench.regulator is None:
        return through, rise * slope, output
    fraction, fraction_slope = _load_turn_on(voltage, equations.corner_factor)
    return through + quiescent * fraction, rise * slope + quiescent * fraction_slope, output


def load_is_linear(bench: Bench) -> bool:
    """Return whether the load is a plain conductance, already part of the matrices."""
    return bench.regulator is None and not isinstance(bench.load, CurrentLoad)


def _load_turn_on(voltage: Floats, corner_factor: float) -> tuple[Floats, Floats]:
    """Return the fraction of its current that a load draws at a low `voltage`, and its slope; linear below zero."""
    width = _TURN_ON * corner_factor
    scaled = voltage / width
    rest = np.exp(-np.clip(scaled, 0.0, 700.0))
    return np.where(scaled > 0.0, 1.0 - rest, scaled), rest / width


def _rounded_minimum(gap: Floats, corner_factor: float) -> tuple[Floats, Floats]:
    """Return min(gap, 0) with a rounded corner, and its slope."""
    width = _KNEE * corner_factor
    scaled = np.clip(gap / width, -500.0, 500.0)
    value = np.where(np.abs(scaled) < 500.0, -width * np.log1p(np.exp(-scaled)), np.minimum(gap, 0.0))
    return value, 1.0 / (1.0 + np.exp(scaled))
