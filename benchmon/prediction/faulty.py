"""What meters read on a supply with defects, settled: the circuit diode by diode, with each diode at its own heat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench
from benchmon.errors import NoSteadyState, PredictionError
from benchmon.prediction.collocation import PeriodicSolution
from benchmon.prediction.defects import Defects
from benchmon.prediction.diode_circuit import DiodeCircuit, diode_circuit
from benchmon.prediction.heat import Warmth, settle, with_ntc
from benchmon.prediction.measures import phasors
from benchmon.prediction.parts import Parts
from benchmon.prediction.predict import temperatures_of
from benchmon.prediction.readings import readings_of
from benchmon.prediction.result import Floats
from benchmon.prediction.steady import steady_solution
from benchmon.prediction.traces import Traces, fed_by, mains_side, without_overshoot

_FINE = 32
"""Intervals per half period: half as many as a sound supply has, since there are twice the unknowns and more faults."""

_ONCE = 0.5
"""The part of its second harmonic from which on the output's first makes it repeat once a period, not twice."""


@dataclass(frozen=True)
class FaultyState:
    """A solved circuit with defects: the equations with the solution of every variant."""

    circuit: DiodeCircuit
    solution: PeriodicSolution


@dataclass(frozen=True)
class FaultySupply:
    """A settled supply with defects, (b,) of every quantity; `junctions` (b, d) are those of all diodes, in °C."""

    state: FaultyState
    traces: Traces
    parts: Parts
    junctions: Floats
    ntc: Floats
    quantities: dict[str, Floats]

    @property
    def junction(self) -> Floats:
        """The measured diode's, the first one's, (b,)."""
        return self.junctions[:, 0]


def solve_faulty(
    bench: Bench,
    parts: Parts,
    defects: Defects,
    shift: Floats | float = 0.0,
    near: FaultySupply | None = None,
) -> FaultySupply:
    """Return all quantities of all variants in `parts`, with `defects`; `near` is a supply to start from.

    `shift` (b,) kelvin is added to every junction's rise. Raises `PredictionError`, never a number it does not trust.
    """

    def solve(now: Parts, junction: Floats, state: FaultyState | None) -> tuple[FaultyState, Floats]:
        circuit = diode_circuit(bench, now, defects, junction)
        state = FaultyState(circuit, steady_solution(circuit, now.variants, state.solution if state else None, _FINE))
        return state, _diode_powers(state)

    parts, ntc = with_ntc(bench, parts, near.ntc if near else None)
    diodes = len(diode_circuit(bench, parts, defects, parts["ambient.temperature"][:, None]).equations.wiring.diodes)
    start = near.junctions if near else parts["ambient.temperature"][:, None]
    warmth = Warmth(parts, np.broadcast_to(start, (parts.variants, diodes)), ntc)
    try:
        first = near.state if near else None
        state, warmth = settle(bench, warmth, shift, first, solve=solve, traces_of=faulty_traces)
    except NoSteadyState:
        raise PredictionError("the steady state of the circuit with this fault was not found") from None
    if not np.all(state.solution.converged):
        raise PredictionError("the steady state of the circuit with this fault did not converge")
    traces = faulty_traces(state)
    quantities, _ = readings_of(traces, warmth.parts["mains.frequency"], _ripple_order(traces))
    found = FaultySupply(state, traces, warmth.parts, warmth.junction, warmth.ntc, quantities)
    quantities |= temperatures_of(bench, found, quantities)
    if not all(np.all(np.isfinite(value)) for value in quantities.values()):
        raise PredictionError("the steady state of the circuit with this fault is not finite")
    return found


def _diode_powers(state: FaultyState) -> Floats:
    """Return the mean dissipation of every diode, watts, (b, d)."""
    current, volts = state.circuit.all_diodes(state.solution.y)
    powers: Floats = np.einsum("bmsd,ms->bd", current * volts, state.solution.mesh.weights)
    return np.maximum(powers, 0.0)


def _ripple_order(traces: Traces) -> Floats:
    """Return how often the output repeats within a period, (b,); behind a regulator, what feeds it."""
    ripple = traces["regulator.input"] if "regulator.input" in traces else traces["output.voltage"]
    first, second = np.abs(phasors(ripple, traces.angle, 2)).T
    return np.where(first > _ONCE * second, 1.0, 2.0)


def faulty_traces(state: FaultyState) -> Traces:
    """Return the traces of a circuit with defects: those that its meters are on."""
    circuit, solution = state.circuit, state.solution
    at, mesh = circuit.equations, solution.mesh
    flat = (len(solution.y), -1, at.size)
    y, dy = solution.y.reshape(flat), solution.dy.reshape(flat)
    angle, weights = mesh.stages.ravel(), mesh.weights.ravel()
    currents, volts = (values[..., 0] for values in circuit.all_diodes(y))
    branches = y[..., list(at.branches)]
    first = at.wiring.branches[0]
    across = y[..., list(first.start)].sum(-1) - y[..., list(first.end)].sum(-1)
    values = {
        "secondary.voltage": across / len(first.windings),
        "secondary.current": branches[..., 0],
        "diode.current": currents,
        "diode.drop": volts,
        "diode.reverse": without_overshoot(np.maximum(-volts, 0.0), currents),
    }
    values |= mains_side(at.bench, at.parts, angle, weights, at.ratio[:, None] * (branches @ at.turns))
    values |= fed_by(at, y @ at.loads[0])
    if at.reservoir is not None:
        placed = at.reservoir
        values["reservoir.voltage"] = y[..., list(placed.node)].sum(-1) - y[..., list(placed.end)].sum(-1)
        rate = dy[..., list(placed.inner)].sum(-1) - dy[..., list(placed.end)].sum(-1)
        values["reservoir.current"] = placed.capacitance[:, None] * rate
    return Traces(angle, weights, values)
