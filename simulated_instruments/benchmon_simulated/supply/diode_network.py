"""Any rectifier as a network of windings and diodes, each diode on its own, so that any may be open or shorted.

`solve` finds the node voltages by Newton's method. Each diode is represented by the tangent to its curve: a conductance
and a source. Where its current grows, the tangent is taken at the new current, else at the new voltage, so that the
exponential never overshoots; a time step starts from the end of the last one. The windings (`WindingBranches`) share
the primary circuit; each has its own resistance and leakage inductance.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchmon_simulated.supply.circuit import (
    STEPS,
    Cycle,
    DiodeState,
    Floats,
    OutputNetwork,
    PeriodConditions,
    SecondOutput,
)
from benchmon_simulated.supply.core import PrimaryCircuit
from benchmon_simulated.supply.diode import path_current
from benchmon_simulated.supply.filter import GEAR, StateHistory
from benchmon_simulated.supply.topology import Nodes, NodeWiring

Matrix = list[list[float]]

OPEN, SHORTED = "open", "shorted"

MOST_ROUNDS = 60
CLOSE = 1e-7
"""The deviation of a diode's current from its curve that is accepted, as a part of the largest current."""

SHORT_OHMS = 5e-3
"""The resistance of a shorted diode."""

LEAK = 1e-7
"""Siemens across every diode, open ones too: real ones leak, and a node without a path to common has no voltage."""

_NEGLIGIBLE = 1e-15
"""Siemens."""

_KNEE_CURRENT = 0.7
"""Amperes per volt of slope."""

_LEAST_OHMS = 1e-5
"""The least resistance of a winding: without any, the currents of parallel windings would be undetermined."""


class NetworkDiode:
    """A diode between two nodes: `slope` (V), `saturation` (A) and `ohms` of its curve, and its last `current`.

    Below `blocking` volts it only leaks: its tangent is level, and stays the same as long as it stays below.
    """

    __slots__ = (
        "_knee",
        "_offset",
        "anode",
        "blocking",
        "cathode",
        "conductance",
        "current",
        "ohms",
        "saturation",
        "slope",
        "source",
    )

    def __init__(self, nodes: Nodes) -> None:
        self.anode, self.cathode = nodes
        self.slope = self.saturation = 1.0
        self.ohms = self.current = 0.0
        self.conductance = self.source = self.blocking = self._offset = self._knee = 0.0

    def set_curve(self, slope: float, saturation: float, ohms: float) -> None:
        """Set the curve; the current stays."""
        self.slope, self.saturation, self.ohms = slope, saturation, ohms
        self.blocking = -40.0 * slope
        # Where the exponential becomes steep, as usual in circuit simulation.
        self._knee = slope * math.log1p(_KNEE_CURRENT * slope / saturation)
        self._tangent_at_current(max(0.0, self.current))

    def follow(self, volts: float) -> float:
        """Update the tangent for `volts` across the diode; return the current's deviation from the curve in amperes."""
        linear = self.source + self.conductance * volts
        if volts > self._offset and volts > self._knee:
            self._tangent_at_current(max(linear, _KNEE_CURRENT * self.slope))
            return max(abs(self.conductance * (self._offset - volts)), abs(self.current - linear))
        self._tangent_at_voltage(volts)
        return abs(self.current - linear)

    def _tangent_at_current(self, current: float) -> None:
        slope = self.ohms + self.slope / (current + self.saturation)
        self.current = current
        self._offset = self.slope * math.log1p(current / self.saturation) + self.ohms * current
        self.conductance = 1.0 / slope
        self.source = current - self._offset / slope

    def _tangent_at_voltage(self, volts: float) -> None:
        if volts < self.blocking:
            self.conductance, self.current = 0.0, -self.saturation
        elif volts < 0.0:
            power = self.saturation * math.exp(volts / self.slope)
            self.conductance = power / self.slope
            self.current = power - self.saturation
        elif self.ohms > 0.0:
            self.current = path_current(volts, self.ohms, self.slope, self.saturation)
            self.conductance = 1.0 / (self.ohms + self.slope / (self.current + self.saturation))
        else:
            power = self.saturation * math.exp(min(700.0, volts / self.slope))
            self.conductance = power / self.slope
            self.current = power - self.saturation
        self._offset = volts
        self.source = self.current - self.conductance * volts


def solve(matrix: Matrix, currents: list[float], diodes: Sequence[NetworkDiode]) -> list[float]:
    """Return the node voltages in volts (the first is common, 0 V) of a network with `diodes`.

    `matrix` (siemens, symmetric and positive) and `currents` (amperes into each node) are its linear part, with a row
    for common that is ignored. Afterwards each diode's `current` is set. Where Newton's method does not converge, the
    last iteration is returned, and the next time step starts from it.
    """
    eliminate = _FEW_NODES.get(len(currents), _eliminate)
    volts: list[float] = []
    for _ in range(MOST_ROUNDS):
        rows, inwards = [row[:] for row in matrix], currents[:]
        for diode in diodes:
            anode, cathode, source = diode.anode, diode.cathode, diode.source
            inwards[anode] -= source
            inwards[cathode] += source
            conductance = diode.conductance
            # Most diodes block most of the time: nothing to add.
            if conductance > _NEGLIGIBLE:
                above, below = rows[anode], rows[cathode]
                above[anode] += conductance
                below[cathode] += conductance
                above[cathode] -= conductance
                below[anode] -= conductance
        volts = eliminate(rows, inwards)
        off = largest = 0.0
        for diode in diodes:
            across = volts[diode.anode] - volts[diode.cathode]
            if across < diode.blocking and not diode.conductance:
                continue
            wrong = diode.follow(across)
            off = max(off, wrong)
            largest = max(largest, diode.current)
        if off <= CLOSE * largest + 1e-12:
            break
    return volts


def _eliminate(rows: Matrix, inwards: list[float]) -> list[float]:
    """Return the node voltages of a network of any size by the nodes' `rows` and currents (Gauss), the first is 0 V."""
    size = len(rows)
    for pivot in range(1, size - 1):
        above = rows[pivot]
        for at in range(pivot + 1, size):
            row = rows[at]
            factor = row[pivot] / above[pivot]
            if factor:
                inwards[at] -= factor * inwards[pivot]
                for column in range(pivot + 1, size):
                    row[column] -= factor * above[column]
    volts = [0.0] * size
    for at in range(size - 1, 0, -1):
        row = rows[at]
        rest = inwards[at]
        for column in range(at + 1, size):
            rest -= row[column] * volts[column]
        volts[at] = rest / row[at]
    return volts


# The same for the few nodes that most rectifiers have: a symmetric matrix needs only its upper half, and without
# loops this takes a fifth of the time.


def _two_nodes(rows: Matrix, inwards: list[float]) -> list[float]:
    (_, a, b), (_, _, d) = rows[1:]
    _, x, y = inwards
    factor = b / a
    second = (y - factor * x) / (d - factor * b)
    return [0.0, (x - b * second) / a, second]


def _three_nodes(rows: Matrix, inwards: list[float]) -> list[float]:
    (_, a, b, c), (_, _, d, e), (_, _, _, f) = rows[1:]
    _, x, y, z = inwards
    factor, other = b / a, c / a
    d -= factor * b
    e -= factor * c
    y -= factor * x
    last = e / d
    third = (z - other * x - last * y) / (f - other * c - last * e)
    second = (y - e * third) / d
    return [0.0, (x - b * second - c * third) / a, second, third]


def _four_nodes(rows: Matrix, inwards: list[float]) -> list[float]:
    (_, a, b, c, d), (_, _, e, f, g), (_, _, _, h, i), (_, _, _, _, j) = rows[1:]
    _, w, x, y, z = inwards
    first, second, third = b / a, c / a, d / a
    _, *rest = _three_nodes(
        [
            [],
            [0.0, e - first * b, f - first * c, g - first * d],
            [0.0, 0.0, h - second * c, i - second * d],
            [0.0, 0.0, 0.0, j - third * d],
        ],
        [0.0, x - first * w, y - second * w, z - third * w],
    )
    return [0.0, (w - b * rest[0] - c * rest[1] - d * rest[2]) / a, *rest]


_FEW_NODES = {3: _two_nodes, 4: _three_nodes, 5: _four_nodes}


class WindingBranches:
    """The branches of windings in one period: their part of the network, and their currents after each step."""

    def __init__(self, wiring: NodeWiring, ratio: float, leakage: float) -> None:
        self._wiring, self.ratio, self._leakage = wiring, ratio, leakage
        self._flows = [StateHistory() for _ in wiring.branches]
        self.has_inertia = leakage > 0.0

    def set_period(self, now: PeriodConditions) -> None:
        """Set ohms, polarities and frequency of the next period."""
        self.turns = [now.turns * sum(now.polarities[at] for at in branch.windings) for branch in self._wiring.branches]
        own = max(now.secondary_resistance, _LEAST_OHMS)
        inertia = self._leakage * now.frequency * STEPS / GEAR
        self.inertias = [inertia * len(branch.windings) for branch in self._wiring.branches]
        counts = [len(branch.windings) for branch in self._wiring.branches]
        ohms = now.primary_resistance * self.ratio**2 * np.outer(self.turns, self.turns)
        ohms = ohms + np.diag([own * count for count in counts]) + np.diag(self.inertias)
        self.conductance: Matrix = np.linalg.inv(ohms).tolist()
        self._each = [
            (turns, volts, flow, row, *branch.nodes)
            for turns, volts, flow, row, branch in zip(
                self.turns, self.inertias, self._flows, self.conductance, self._wiring.branches, strict=True
            )
        ]
        ones: list[float] = [0.0] * (self._wiring.size + 1)
        self.injections = ones
        """Amperes into each node for a volt of EMF of one winding, without inertia."""
        for branch, row in zip(self._wiring.branches, self.conductance, strict=True):
            injected = sum(siemens * turns for siemens, turns in zip(row, self.turns, strict=True))
            ones[branch.nodes[0]] += injected
            ones[branch.nodes[1]] -= injected

    def stamp(self, matrix: Matrix) -> None:
        """Add the branches to the network's `matrix`."""
        branches = self._wiring.branches
        for at, row in enumerate(self.conductance):
            for other, siemens in enumerate(row):
                (start, end), (begin, finish) = branches[at].nodes, branches[other].nodes
                matrix[start][begin] += siemens
                matrix[end][finish] += siemens
                matrix[start][finish] -= siemens
                matrix[end][begin] -= siemens

    def drive(self, emf: float, currents: list[float]) -> list[float]:
        """Add the current of `emf`, the volts of one winding, into each node; return each branch's driving volts."""
        driving = []
        for turns, inertia, flow, *_ in self._each:
            driving.append(turns * emf + inertia * (4.0 * flow.last - flow.before) / 3.0)
        for *_, row, start, end in self._each:
            injected = 0.0
            for siemens, volts in zip(row, driving, strict=False):
                injected += siemens * volts
            currents[start] += injected
            currents[end] -= injected
        return driving

    def accept(self, driving: list[float], volts: list[float]) -> float:
        """End the step with the nodes at `volts`; return the amperes that the branches draw from the primary."""
        left = []
        for push, (*_, start, end) in zip(driving, self._each, strict=False):
            left.append(push - volts[start] + volts[end])
        reflected = 0.0
        for turns, _, flow, row, *_ in self._each:
            amperes = 0.0
            for siemens, rest in zip(row, left, strict=False):
                amperes += siemens * rest
            flow.last, flow.before = amperes, flow.last
            reflected += turns * amperes
        return self.ratio * reflected

    @property
    def flows(self) -> list[StateHistory]:
        """The branches' currents at the last two steps."""
        return self._flows

    @property
    def currents(self) -> list[float]:
        """The branches' currents at the last step, amperes, where they have inertia."""
        return [flow.last for flow in self._flows]

    def currents_at(self, emf: Floats, nodes: Floats) -> Floats:
        """Return the branches' currents without inertia, (branches, STEPS), by one winding's EMF and the node volts."""
        ends = [nodes[branch.nodes[0]] - nodes[branch.nodes[1]] for branch in self._wiring.branches]
        currents: Floats = np.array(self.conductance) @ (np.outer(self.turns, emf) - np.array(ends))
        return currents


class DiodeNetwork:
    """Any rectifier, with any of its diodes open or shorted, or a winding reversed.

    With a `primary`, whose core draws its own current, `leakage` in henries must be above zero.
    """

    def __init__(
        self,
        wiring: NodeWiring,
        ratio: float,
        leakage: float,
        outputs: OutputNetwork,
        primary: PrimaryCircuit | None = None,
    ) -> None:
        self._wiring, self._outputs, self._primary = wiring, outputs, primary
        self._windings = WindingBranches(wiring, ratio, leakage)
        self._diodes = [NetworkDiode(nodes) for nodes in wiring.diodes]

    @property
    def flows(self) -> list[StateHistory]:
        """The windings' currents at the last two steps."""
        return self._windings.flows

    def run(self, mains_emf: Floats, now: PeriodConditions) -> Cycle:
        """Step through one period of the unloaded mains voltage, shape (STEPS,), and return its waveforms."""
        if self._primary is not None:
            seen = self._primary.begin(mains_emf, now.frequency, now.primary_resistance, now.shorted)
            now = replace(now, primary_resistance=seen)
        self._windings.set_period(now)
        for chain in self._outputs.ports:
            chain.set_step(1.0 / (now.frequency * STEPS))
        healthy: list[NetworkDiode] = []
        for diode, state in zip(self._diodes, now.diodes, strict=True):
            if state.condition in (OPEN, SHORTED):
                diode.current = 0.0
            else:
                diode.set_curve(state.slope, state.saturation, state.ohms)
                healthy.append(diode)
        traces = self._step(mains_emf, self._linear_part(now.diodes), healthy)
        return self._cycle(mains_emf, now, np.array(traces).reshape(len(mains_emf), -1).T)

    def _linear_part(self, diodes: tuple[DiodeState, ...]) -> Matrix:
        matrix = [[0.0] * (self._wiring.size + 1) for _ in range(self._wiring.size + 1)]
        self._windings.stamp(matrix)
        for nodes, state in zip(self._wiring.diodes, diodes, strict=True):
            _connect(matrix, nodes, 1.0 / SHORT_OHMS if state.condition == SHORTED else LEAK)
        return matrix

    def _step(self, mains_emf: Floats, linear: Matrix, healthy: list[NetworkDiode]) -> array[float]:
        """Step through a period; return what was found at its first step, its second step and so on."""
        outputs, windings, diodes = self._outputs, self._windings, self._diodes
        reservoir, rail = outputs.reservoir, outputs.first
        second = [outputs.second] if self._wiring.has_two_outputs else []
        other = outputs.second_reservoir
        ports = [(*nodes, chain) for nodes, chain in zip(self._wiring.ports, outputs.ports, strict=True)]
        last: list[float] = []
        matrix = linear
        traces = array("d")
        primary, ratio, inertia = self._primary, windings.ratio, windings.has_inertia
        nothing = [0.0] * len(linear)
        driving: list[float] = []
        for mains_volts in mains_emf.tolist():
            volts = ratio * (mains_volts if primary is None else primary.emf(mains_volts))
            if inertia:
                currents = nothing[:]
                driving = windings.drive(volts, currents)
            else:
                currents = [injected * volts for injected in windings.injections]
            conductances, sources = [], []
            for plus, minus, chain in ports:
                conductance, source = chain.equivalent()
                conductances.append(conductance)
                sources.append(source)
                currents[plus] -= source
                currents[minus] += source
            if conductances != last:
                # It changes only when the load or regulator changes its mode.
                matrix, last = _with_ports(linear, self._wiring.ports, conductances), conductances
            nodes = solve(matrix, currents, healthy)
            if inertia:
                reflected = windings.accept(driving, nodes)
                if primary is not None:
                    primary.accept(reflected)
            for (plus, minus, chain), conductance, source in zip(ports, conductances, sources, strict=False):
                across = nodes[plus] - nodes[minus]
                chain.accept(across, conductance * across + source)
            traces.fromlist(nodes)
            traces.fromlist(windings.currents)
            traces.fromlist([diode.current for diode in diodes])
            traces.append(rail.feed)
            traces.append(rail.output)
            traces.append(reservoir.voltage if reservoir else 0.0)
            traces.append(reservoir.current if reservoir else 0.0)
            for chain in second:
                stored = (other.voltage, other.current) if other else (0.0, 0.0)
                traces.fromlist([chain.feed, chain.output, *stored])
        return traces

    def _cycle(self, mains_emf: Floats, now: PeriodConditions, traces: Floats) -> Cycle:
        wiring, windings = self._wiring, self._windings
        ends = np.cumsum([wiring.size + 1, len(wiring.branches), len(wiring.diodes)])
        nodes, branches, flows, others = np.split(traces, ends)
        if not windings.has_inertia:
            branches = windings.currents_at(windings.ratio * mains_emf, nodes)
        reflected = windings.ratio * (np.array(windings.turns, float) @ branches)
        primary = self._primary
        induced = mains_emf - now.primary_resistance * reflected if primary is None else np.array(primary.volts)
        emf = windings.ratio * now.turns * induced
        volts = [nodes[anode] - nodes[cathode] for anode, cathode in wiring.diodes]
        amperes = [
            across / SHORT_OHMS if state.condition == SHORTED else flow
            for state, across, flow in zip(now.diodes, volts, flows, strict=True)
        ]
        counts = np.array([len(branch.windings) for branch in wiring.branches], float)
        (start, end), turns = wiring.branches[0].nodes, windings.turns[0] / now.turns
        # The difference of EMF and terminal voltage drops equally in each winding of the branch.
        lost = (turns * emf - nodes[start] + nodes[end]) / counts[0]
        return Cycle(
            frequency=now.frequency,
            mains_emf=mains_emf,
            reflected_current=reflected,
            winding_voltage=now.polarities[0] * emf - lost,
            winding_current=branches[0],
            diode_current=amperes[0],
            diode_voltage=volts[0],
            diode_powers=tuple(float(i @ v) / STEPS for i, v in zip(amperes, volts, strict=True)),
            winding_squares=float(counts @ np.mean(branches**2, axis=1)),
            port_voltages=np.array([nodes[plus] - nodes[minus] for plus, minus in wiring.ports]),
            feed_voltage=others[0],
            output_voltage=others[1],
            reservoir_voltage=others[2],
            reservoir_current=others[3],
            second=SecondOutput(*others[4:8]) if wiring.has_two_outputs else None,
            core_current=None if primary is None else np.array(primary.magnetising) + primary.conductance * induced,
        )


def _with_ports(linear: Matrix, ports: Sequence[Nodes], conductances: Sequence[float]) -> Matrix:
    matrix = [row[:] for row in linear]
    for nodes, conductance in zip(ports, conductances, strict=True):
        _connect(matrix, nodes, conductance)
    return matrix


def _connect(matrix: Matrix, nodes: Nodes, siemens: float) -> None:
    one, other = nodes
    matrix[one][one] += siemens
    matrix[other][other] += siemens
    matrix[one][other] -= siemens
    matrix[other][one] -= siemens
