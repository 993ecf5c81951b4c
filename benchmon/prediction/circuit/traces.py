"""Traces of a solved circuit over one whole mains period: voltages and currents at the points where meters are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench, Capacitor
from benchmon.prediction.circuit.circuit import Sag, mains_wave
from benchmon.prediction.circuit.core import Core, CoreStart, solve_core
from benchmon.prediction.circuit.network import LoadedCircuit, LoadedOutput, driving_volts, load_current
from benchmon.prediction.circuit.no_load import rms_of_shape
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.circuit.rectifier import WindingModel, windings_of
from benchmon.prediction.circuit.steady_state import SteadyState
from benchmon.prediction.collocation import Mesh
from benchmon.quantities import at_first_output
from benchmon.signals.arrays import Floats

_MOST_SATURATING = 0.99
"""The largest part of the magnetising current that saturates: without a straight part it has no slope at zero."""

_LEAST_MAGNETISING = 0.05
"""The least part of the no-load current that magnetises, even where a drawn loss takes all of it (from memory).

A core that takes none has nothing to balance a direct current with. The whole current is then 0.1 % more.
"""

_RESTS = 0.01
"""Fraction of its mean below which a choke's current counts as none."""

_CONDUCTS = 1e-6
"""Fraction of its peak current above which a path counts as conducting."""


@dataclass(frozen=True)
class Traces:
    """Traces (b, k), in volts and amperes, at mains angles `angle` (k,), with weights (k,) that average them.

    Names: `mains.source`, `mains.voltage`, `mains.current`, `secondary.voltage`, `secondary.current` (one winding),
    `diode.current`, `diode.drop`, `diode.reverse` (one diode), `output.voltage`, `output.current`, and, if there are
    such parts, `reservoir.voltage`, `reservoir.current`, `regulator.input`, `regulator.quiescent`, and
    `regulator.noise`, whose every value is the rms noise at the output. Those of a second output are at `output_2` and
    so on; where it equals the first they are the very same arrays. `secondary_2.current` is there where two windings
    carry different currents.
    """

    angle: Floats
    weights: Floats
    values: dict[str, Floats]

    def __getitem__(self, name: str) -> Floats:
        return self.values[name]

    def __contains__(self, name: str) -> bool:
        return name in self.values


def of_second(traces: Traces) -> Traces:
    """Return the traces of the second output under the names of the first; none of the circuit before it."""
    own = {name: trace for name, trace in traces.values.items() if name.partition(".")[0].endswith("_2")}
    return Traces(traces.angle, traces.weights, {at_first_output(name): trace for name, trace in own.items()})


def traces_of(state: SteadyState, idle: Sag | None = None) -> Traces:
    """Return the traces of a steady state; `idle` is what its core takes, where `sag_of` has found that already."""
    circuit, mesh = state.circuit, state.solution.mesh
    equations = circuit.equations
    angle, weights = mesh.stages.ravel(), mesh.weights.ravel()
    current = circuit.currents(state.solution.y, mesh.stages)
    current = current.reshape(len(current), -1, current.shape[-1])
    if equations.wiring.symmetric:
        current = np.concatenate([current, current[..., list(equations.wiring.mirrored)]], axis=1)
        angle, weights = np.concatenate([angle, angle + np.pi]), np.concatenate([weights, weights]) / 2.0
    y, dy = unknowns_over_period(state)
    values = _winding_side(state, y, current, angle, idle) | _load_side(state, y, dy)
    return Traces(angle, weights, values)


def load_traces_of(state: SteadyState) -> Traces:
    """Return only the traces behind the rectifier."""
    mesh, symmetric = state.solution.mesh, state.circuit.equations.wiring.symmetric
    angle, weights = mesh.stages.ravel(), mesh.weights.ravel()
    if symmetric:
        angle, weights = np.concatenate([angle, angle + np.pi]), np.concatenate([weights, weights]) / 2.0
    return Traces(angle, weights, _load_side(state, *unknowns_over_period(state)))


def unknowns_over_period(state: SteadyState) -> tuple[Floats, Floats]:
    """Return the unknowns and their rates per second over one whole mains period, (b, k, n)."""
    circuit, solution = state.circuit, state.solution
    mirrored = np.argmax(circuit.exchange, axis=1) if circuit.equations.wiring.symmetric else None
    return _over_period(solution.y, mirrored), _over_period(solution.dy, mirrored)


def _over_period(values: Floats, mirrored: NDArray[np.intp] | None) -> Floats:
    """Return stage values (b, m, 2, n) one after another, (b, k, n), followed by those of the `mirrored` unknowns (n,).

    In memory every unknown is a plane of its own, as a trace is.
    """
    variants, intervals, stages, size = values.shape
    halves = [np.arange(size)] if mirrored is None else [np.arange(size), mirrored]
    made = np.empty((size, variants, len(halves), intervals, stages))
    for half, order in enumerate(halves):
        for unknown, of in enumerate(order):
            made[unknown, :, half] = values[..., of]
    return np.moveaxis(made.reshape(size, variants, -1), 0, -1)


def _winding_side(state: SteadyState, y: Floats, current: Floats, angle: Floats, idle: Sag | None) -> dict[str, Floats]:
    circuit, equations = state.circuit, state.circuit.equations
    wiring, windings = equations.wiring, equations.windings
    emf = circuit.emf(angle)
    first = current[..., 0]
    net = current @ np.array(wiring.signs, float)
    own = current @ wiring.through(1)
    behind_leakage = emf
    if equations.winding_unknowns:
        behind_leakage = y[..., equations.winding_unknowns[0]] + _others_drop(windings, current)
    terminal = behind_leakage - windings.reflected[:, None] * net - windings.winding[:, None] * own
    ohms = windings.resistance[:, 0, 0][:, None]
    drive = _first_drive(state, y, emf, current)
    drop = (drive - ohms * first) / wiring.in_series
    # Of one diode, with the drop of the other path's current.
    reverse = without_overshoot(np.maximum(-drive / wiring.in_series, 0.0), first)
    second = {"secondary_2.current": current @ wiring.through(2)} if wiring.apart else {}
    return (
        second
        | {
            "secondary.voltage": terminal / wiring.turns,
            "secondary.current": own / wiring.windings_in_parallel,
            "diode.current": first,
            "diode.drop": drop,
            "diode.reverse": reverse,
        }
        | mains_side(
            equations.bench,
            equations.parts,
            angle,
            windings.line_ratio[:, None] * net,
            symmetric=wiring.symmetric,
            start=None if circuit.sag is None else circuit.sag.core_start,
            idle=None if idle is None else idle.current,
        )
    )


def _first_drive(state: SteadyState, y: Floats, emf: Floats, current: Floats) -> Floats:
    """Return the volts (b, k) that drive the first path: across its own resistances and its diodes."""
    equations = state.circuit.equations
    drive = driving_volts(equations, 0, y)
    if not equations.winding_unknowns:
        drive = drive + emf - _others_drop(equations.windings, current)
    return drive


def _others_drop(windings: WindingModel, current: Floats) -> Floats:
    """Return the volts (b, k) that the other paths' currents (b, k, p) take from the first path."""
    drop: Floats = np.einsum("bkp,bp->bk", current[..., 1:], windings.resistance[:, 0, 1:])
    return drop


def without_overshoot(reverse: Floats, current: Floats) -> Floats:
    """Return a reverse voltage (b, k) without the numerical overshoot at the end of conduction of `current` (b, k).

    If a current through an inductance ends inside an interval, the stage voltages of that interval overshoot without
    meaning. The voltage that the diode then jumps to is extrapolated from the instants of the next interval.
    """
    starts = np.roll(current[:, 1::2], 1, axis=1)
    conducts = starts > _CONDUCTS * np.max(current, axis=1, keepdims=True)
    first, second = reverse[:, 0::2], reverse[:, 1::2]
    # The first instant is at a third of its interval, so the start is half as far before it as the second is after it.
    jump = np.maximum(np.roll(1.5 * first - 0.5 * second, -1, axis=1), 0.0)
    ends = np.where(conducts, np.where(np.roll(conducts, -1, axis=1), 0.0, jump), second)
    clean = np.empty_like(reverse)
    clean[:, 0::2], clean[:, 1::2] = np.where(conducts, 0.0, first), ends
    return clean


def mains_side(
    bench: Bench,
    parts: Parts,
    angle: Floats,
    reflected: Floats,
    *,
    symmetric: bool = False,
    start: CoreStart | None = None,
    direct: Floats | float = 0.0,
    idle: Floats | None = None,
) -> dict[str, Floats]:
    """Return mains voltage and line current from the `reflected` winding current (b, k), referred to the primary.

    `angle` (k,) are the stages of a mesh of one period. The core adds what it takes, and balances the
    mean of the reflected current, for the transformer passes no direct current. `symmetric` says that the second half
    period repeats the first with the opposite sign, `start` is from where the core is solved, and `direct` is a direct
    voltage (b,) of the mains. `idle` (b, k) is what the core adds, where that is known.
    """
    source = mains_wave(parts, parts["mains.voltage"]).at(angle) + np.reshape(direct, (-1, 1))
    if idle is None:
        idle, _ = idle_current(bench, parts, angle, (source, reflected), symmetric=symmetric, start=start)
    line = reflected + idle
    return {
        "mains.source": source,
        "mains.voltage": source - parts["mains.source_resistance"][:, None] * line,
        "mains.current": line,
    }


def idle_current(
    bench: Bench,
    parts: Parts,
    angle: Floats,
    waves: tuple[Floats, Floats],
    *,
    symmetric: bool,
    start: CoreStart | None = None,
) -> tuple[Floats, Floats]:
    """Return what the core adds to the line current (b, k), amperes at the primary, and its flux.

    `waves` are the mains voltage without load and the reflected current, (b, k); the other arguments are those of
    `mains_side`.

    Without load that is the no-load current; with one, its mean is that of the reflected current, which it balances.
    """
    half = len(angle) // 2 if symmetric else len(angle)
    mesh = Mesh(np.concatenate([[0.0], angle[1:half:2]]))
    on_mesh = (wave[:, :half].reshape(len(wave), -1, 2) for wave in waves)
    state = solve_core(core_of(bench, parts), mesh, *on_mesh, symmetric=symmetric, start=start)
    idle = (state.magnetising + state.loss).reshape(parts.variants, -1)
    return np.concatenate([idle, -idle], axis=1) if symmetric else idle, state.flux


def sag_of(state: SteadyState, parts: Parts) -> Sag | None:
    """Return what the idle current of the core takes from the EMF, with the currents of `state` and other `parts`.

    None where the core takes nothing.
    """
    equations = state.circuit.equations
    bench, symmetric = equations.bench, equations.wiring.symmetric
    if symmetric and not np.any(parts["core.current"] > 0.0):
        return None
    angle, reflected = _reflected(state, parts)
    windings = windings_of(equations.wiring, parts, bench.transformer.primary_voltage)
    ratio = windings.emf / parts["mains.voltage"]
    before = state.circuit.sag
    return sag_of_reflected(bench, parts, ratio, angle, reflected, before=before, symmetric=symmetric)


def _reflected(state: SteadyState, parts: Parts) -> tuple[Floats, Floats]:
    """Return the angles (k,) of a whole period, and the windings' current referred to the primary on them, (b, k)."""
    equations, mesh = state.circuit.equations, state.solution.mesh
    wiring, angle = equations.wiring, mesh.stages.ravel()
    net = state.circuit.currents(state.solution.y, mesh.stages) @ np.array(wiring.signs, float)
    net = net.reshape(len(net), -1)
    if wiring.symmetric:
        angle, net = np.concatenate([angle, angle + np.pi]), np.concatenate([net, -net], axis=1)
    windings = windings_of(wiring, parts, equations.bench.transformer.primary_voltage)
    return angle, np.broadcast_to(windings.line_ratio[:, None] * net, (parts.variants, len(angle)))


def line_traces_of(state: SteadyState, parts: Parts, direct: Floats) -> Traces:
    """Return the traces of the mains with a `direct` voltage (b,) added, at the currents of `state`."""
    (angle, reflected), weights = _reflected(state, parts), state.solution.mesh.weights.ravel()
    if state.circuit.equations.wiring.symmetric:
        weights = np.concatenate([weights, weights]) / 2.0
    return Traces(angle, weights, mains_side(state.circuit.equations.bench, parts, angle, reflected, direct=direct))


def sag_of_reflected(
    bench: Bench,
    parts: Parts,
    ratio: Floats,
    angle: Floats,
    reflected: Floats,
    *,
    before: Sag | None = None,
    symmetric: bool = False,
) -> Sag:
    """Return the sag of an EMF that is `ratio` (b,) times the mains voltage, from the `reflected` current (b, k).

    `before` is a sag found before, to start from; the other arguments are those of `mains_side`.
    """
    start = None if before is None else before.core_start
    waves = mains_wave(parts, parts["mains.voltage"]).at(angle), reflected
    idle, flux = idle_current(bench, parts, angle, waves, symmetric=symmetric, start=start)
    return Sag(angle, (ratio * parts.primary_ohms)[:, None] * idle, flux, current=idle)


def core_of(bench: Bench, parts: Parts) -> Core:
    """Return the core of a bench with the values in `parts`."""
    volts = bench.transformer.primary_voltage
    level = parts["mains.voltage"] / volts
    loss = parts["core.loss"] / volts
    current = parts["core.current"]
    reactive = np.sqrt(np.maximum(current**2 - loss**2, (_LEAST_MAGNETISING * current) ** 2))
    saturating = np.clip(parts["core.saturating"], 0.0, _MOST_SATURATING)
    shape = rms_of_shape(saturating, parts["core.exponent"])
    return Core(
        parts["core.match"] * reactive / shape,
        saturating,
        parts["core.exponent"],
        loss / volts * parts["core.turns"] ** 2 * level ** (parts["core.loss_exponent"] - 2.0),
        parts.primary_ohms,
        bench.mains.frequency / (parts["mains.frequency"] * np.sqrt(2.0) * volts),
    )


def choke_rests(state: SteadyState) -> Floats | None:
    """Return the part of the time, (b,), in which a choke at the input carries no current; None without one."""
    current = _choke_current(state)
    if current is None:
        return None
    rests: Floats = np.einsum("bms,ms->b", (current < _RESTS).astype(float), state.solution.mesh.weights)
    return rests


def least_choke_current(state: SteadyState) -> Floats | None:
    """Return the least current, (b,), of a choke at the input as a part of its mean; None without one."""
    current = _choke_current(state)
    return None if current is None else np.min(current, axis=(1, 2))


def _choke_current(state: SteadyState) -> Floats | None:
    """Return the current of a choke at the input divided by its mean, (b, m, 2); None without one."""
    equations = state.circuit.equations
    first = min(equations.chokes, default=None)
    if first is None or any(isinstance(part, Capacitor) for part in equations.bench.filter[:first]):
        return None
    current: Floats = state.solution.y[..., equations.chokes[first]]
    mean = np.einsum("bms,ms->b", current, state.solution.mesh.weights)[:, None, None]
    return current / np.where(mean > 0.0, mean, np.inf)


def largest_flux(state: SteadyState) -> Floats | None:
    """Return the largest flux of the core, (b,), relative to its peak at rated voltage; None where it is not solved."""
    sag = state.circuit.sag
    if sag is None:
        return None
    largest: Floats = np.max(np.abs(sag.flux), axis=(1, 2))
    return largest


def _load_side(state: SteadyState, y: Floats, dy: Floats) -> dict[str, Floats]:
    equations = state.circuit.equations
    weights = state.solution.mesh.weights.ravel()
    if equations.wiring.symmetric:
        weights = np.concatenate([weights, weights]) / 2.0
    values = _output_traces(equations, y, dy, weights, loaded=True)
    second = equations.second
    if second is not None:
        return values | at_second(_output_traces(second, y, dy, weights, loaded=second.loaded))
    return values | (at_second(values) if equations.bench.rectifier.topology.has_two_outputs else {})


def at_second(traces: Mapping[str, Floats]) -> dict[str, Floats]:
    """Return traces of one output under the names of the second one."""
    return {"{}_2{}{}".format(*name.partition(".")): trace for name, trace in traces.items()}


def _output_traces(output: LoadedOutput, y: Floats, dy: Floats, weights: Floats, *, loaded: bool) -> dict[str, Floats]:
    """Return the traces of an output's reservoir, and of its load where it is `loaded`."""
    values = output_side(output, y[..., list(output.load_node)].sum(-1), weights) if loaded else {}
    reservoir = min(output.capacitors, default=None)
    if reservoir is not None:
        placed = output.capacitors[reservoir]
        values["reservoir.voltage"] = y[..., list(placed.node)].sum(-1)
        rate = dy[..., list(placed.inner)].sum(-1)
        values["reservoir.current"] = placed.capacitance[:, None] * rate
    return values


def output_side(equations: LoadedCircuit, node: Floats, weights: Floats) -> dict[str, Floats]:
    """Return the traces of the load and the regulator fed by a `node` voltage (b, k), averaged by `weights` (k,).

    A regulator passes a part of its input's ripple. It is too little to change a current.
    """
    through, _, volts = load_current(equations, node)
    if equations.bench.regulator is None:
        return {"output.voltage": volts, "output.current": through}
    quiescent = equations.parts["regulator.quiescent_current"][:, None]
    own = np.minimum(quiescent, np.maximum(through, 0.0))
    ripple = node - (node @ weights)[:, None]
    return {
        "output.voltage": volts + equations.parts["regulator.ripple_passed"][:, None] * ripple,
        "output.current": through - own,
        "regulator.noise": np.broadcast_to(equations.parts["regulator.noise"][:, None], node.shape),
        "regulator.input": node,
        "regulator.quiescent": own,
    }
