"""Settled readings of a supply with defects, solved diode by diode, each diode at its own junction temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench
from benchmon.errors import NoSteadyState, PredictionError
from benchmon.prediction.circuit.circuit import Sag
from benchmon.prediction.circuit.network import CapacitorAt
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.circuit.trace_measures import phasors, readings_of
from benchmon.prediction.circuit.traces import (
    Traces,
    at_second,
    mains_side,
    output_side,
    sag_of_reflected,
    without_overshoot,
)
from benchmon.prediction.collocation import PeriodicSolution
from benchmon.prediction.defects.network import DiodeCircuit, diode_circuit
from benchmon.prediction.defects.wiring import Defects
from benchmon.prediction.solved import temperatures_of
from benchmon.prediction.thermal.equilibrium import Temperatures, Turn, solve_equilibrium, with_ntc
from benchmon.prediction.thermal.settling_core import CoreModel, SettlingCore
from benchmon.signals.arrays import Floats

_FINE = 32
"""Intervals per half period: half as many as for a healthy supply, since there are twice the unknowns."""

_ONCE = 0.5
"""Ratio of first to second harmonic of the output above which it repeats once a mains period, not twice."""


@dataclass(frozen=True)
class FaultState:
    """A solved circuit with defects: the equations with the solution of every variant."""

    circuit: DiodeCircuit
    solution: PeriodicSolution


@dataclass(frozen=True)
class FaultCircuit:
    """A solved supply with defects: quantities and `ntc` (°C) are (b,), `junctions` of all diodes (b, d) in °C."""

    state: FaultState
    traces: Traces
    parts: Parts
    junctions: Floats
    ntc: Floats
    quantities: dict[str, Floats]

    @property
    def junction(self) -> Floats:
        """The junction temperature of the measured diode, the first one, °C (b,)."""
        return self.junctions[:, 0]


def solve_fault_circuit(
    bench: Bench,
    parts: Parts,
    defects: Defects,
    shift: Floats | float = 0.0,
    initial_guess: FaultCircuit | None = None,
) -> FaultCircuit:
    """Return all quantities of all variants in `parts`, with `defects`; `initial_guess` is a solution to start from.

    `shift` (b,) kelvin is added to the rise of every junction. Raises `PredictionError` if any variant has no finite,
    converged solution.
    """
    settling = SettlingCore(
        CoreModel(
            bench,
            lambda now, junction, sag: diode_circuit(bench, now, defects, junction, sag),
            FaultState,
            _sag_of,
            _FINE,
            together=False,
        )
    )

    def solve(now: Parts, junction: Floats, state: FaultState | None) -> Turn[FaultState]:
        state, settled = settling.next(now, junction, state)
        return Turn(state, _diode_powers(state), settled, settling.is_resolved)

    parts, ntc = with_ntc(bench, parts, initial_guess.ntc if initial_guess else None)
    diodes = len(diode_circuit(bench, parts, defects, parts["ambient.temperature"][:, None]).equations.wiring.diodes)
    start = initial_guess.junctions if initial_guess else parts["ambient.temperature"][:, None]
    temperatures = Temperatures(parts, np.broadcast_to(start, (parts.variants, diodes)), ntc)
    try:
        first = initial_guess.state if initial_guess else None
        state, temperatures = solve_equilibrium(bench, temperatures, shift, first, solve=solve, traces_of=fault_traces)
    except NoSteadyState:
        raise PredictionError("the steady state of the circuit with this fault was not found") from None
    if not np.all(state.solution.converged):
        raise PredictionError("the steady state of the circuit with this fault did not converge")
    traces = fault_traces(state)
    quantities, _ = readings_of(traces, temperatures.parts["mains.frequency"], _ripple_order(traces))
    found = FaultCircuit(state, traces, temperatures.parts, temperatures.junction, temperatures.ntc, quantities)
    quantities |= temperatures_of(bench, found, quantities)
    if not all(np.all(np.isfinite(value)) for value in quantities.values()):
        raise PredictionError("the steady state of the circuit with this fault is not finite")
    return found


def _diode_powers(state: FaultState) -> Floats:
    """Return the mean dissipation of every diode, watts, (b, d)."""
    current, volts = state.circuit.all_diodes(state.solution.y)
    powers: Floats = np.einsum("bmsd,ms->bd", current * volts, state.solution.mesh.weights)
    return np.maximum(powers, 0.0)


def _ripple_order(traces: Traces) -> Floats:
    """Return how often the output, or the input of a regulator, repeats within a mains period, (b,)."""
    ripple = traces["regulator.input"] if "regulator.input" in traces else traces["output.voltage"]
    first, second = np.abs(phasors(ripple, traces.angle, 2)).T
    return np.where(first > _ONCE * second, 1.0, 2.0)


def _sag_of(state: FaultState, parts: Parts) -> Sag | None:
    """Return what the idle current of the core takes from the EMF of a winding, with the currents of `state`."""
    circuit, solution = state.circuit, state.solution
    equations, angle = circuit.equations, solution.mesh.stages.ravel()
    ratio = parts["transformer.open_circuit_voltage"] / equations.bench.transformer.primary_voltage
    net = solution.y.reshape(len(solution.y), -1, equations.size)[..., list(equations.branches)] @ equations.turns
    reflected = np.broadcast_to((ratio * parts["core.turns"])[:, None] * net, (parts.variants, len(angle)))
    return sag_of_reflected(equations.bench, parts, ratio, angle, reflected, before=circuit.sag)


def fault_traces(state: FaultState) -> Traces:
    """Return the traces of a circuit with defects, at the points where its meters are."""
    circuit, solution = state.circuit, state.solution
    equations, mesh = circuit.equations, solution.mesh
    flat = (len(solution.y), -1, equations.size)
    y, dy = solution.y.reshape(flat), solution.dy.reshape(flat)
    angle, weights = mesh.stages.ravel(), mesh.weights.ravel()
    currents, volts = (values[..., 0] for values in circuit.all_diodes(y))
    branches, sag = y[..., list(equations.branches)], circuit.sag
    first = equations.wiring.branches[0]
    across = y[..., list(first.start)].sum(-1) - y[..., list(first.end)].sum(-1)
    values = {
        "secondary.voltage": across / len(first.windings),
        "secondary.current": branches[..., 0],
        "diode.current": currents,
        "diode.drop": volts,
        "diode.reverse": without_overshoot(np.maximum(-volts, 0.0), currents),
    }
    if equations.bench.rectifier.topology.has_two_outputs:
        values["secondary_2.current"] = branches[..., 1]
    reflected = equations.ratio[:, None] * (branches @ equations.turns)
    values |= mains_side(
        equations.bench, equations.parts, angle, reflected, start=None if sag is None else sag.core_start
    )
    for place, rail in enumerate(equations.wiring.rails):
        found: dict[str, Floats] = {}
        if place < len(equations.outputs):
            found = output_side(equations.outputs[place], y @ equations.loads[place], weights)
        found |= _reservoir_traces(equations.reservoirs[place], y, dy, rail.sign)
        values |= at_second(found) if place else found
    return Traces(angle, weights, values)


def _reservoir_traces(placed: CapacitorAt | None, y: Floats, dy: Floats, sign: int) -> dict[str, Floats]:
    """Return the traces of a rail's first capacitor, from the unknowns and their rates (b, k, n)."""
    if placed is None:
        return {}
    volts = y[..., list(placed.node)].sum(-1) - y[..., list(placed.end)].sum(-1)
    rate = dy[..., list(placed.inner)].sum(-1) - dy[..., list(placed.end)].sum(-1)
    return {"reservoir.voltage": sign * volts, "reservoir.current": sign * placed.capacitance[:, None] * rate}
