"""Traces of a solved circuit over one whole mains period: voltages and currents at the points where meters are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench, Capacitor
from benchmon.prediction.circuit.circuit import mains_wave
from benchmon.prediction.circuit.diode import forward_voltage
from benchmon.prediction.circuit.network import LoadedCircuit, load_current, path_currents
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.circuit.rectifier import WindingModel
from benchmon.prediction.circuit.steady_state import SteadyState
from benchmon.signals.arrays import Floats

_CONDUCTS = 1e-6
"""Fraction of its peak current above which a path counts as conducting."""


@dataclass(frozen=True)
class Traces:
    """Traces (b, k), in volts and amperes, at mains angles `angle` (k,), with weights (k,) that average them.

    Names: `mains.source`, `mains.voltage`, `mains.current`, `secondary.voltage`, `secondary.current` (one winding),
    `diode.current`, `diode.drop`, `diode.reverse` (one diode), `output.voltage`, `output.current`, and, if there are
    such parts, `reservoir.voltage`, `reservoir.current`, `regulator.input`, `regulator.quiescent`.
    """

    angle: Floats
    weights: Floats
    values: dict[str, Floats]

    def __getitem__(self, name: str) -> Floats:
        return self.values[name]

    def __contains__(self, name: str) -> bool:
        return name in self.values


def traces_of(state: SteadyState) -> Traces:
    """Return the traces of a steady state."""
    circuit, mesh = state.circuit, state.solution.mesh
    equations = circuit.equations
    angle, weights = mesh.stages.ravel(), mesh.weights.ravel()
    repeat = state.solution.y.reshape(len(state.solution.y), -1, equations.size)
    current, _ = path_currents(equations, repeat, circuit.emf(angle), circuit.junction)
    if equations.wiring.symmetric:
        current = np.concatenate([current, current[..., ::-1]], axis=1)
        angle, weights = np.concatenate([angle, angle + np.pi]), np.concatenate([weights, weights]) / 2.0
    y, dy = unknowns_over_period(state)
    values = _winding_side(state, y, current, angle, weights) | _load_side(state, y, dy)
    return Traces(angle, weights, values)


def unknowns_over_period(state: SteadyState) -> tuple[Floats, Floats]:
    """Return the unknowns and their rates per second over one whole mains period, (b, k, n)."""
    circuit, solution = state.circuit, state.solution
    flat = (len(solution.y), -1, circuit.equations.size)
    y, dy = solution.y.reshape(flat), solution.dy.reshape(flat)
    if circuit.equations.wiring.symmetric:
        swap = circuit.exchange.T
        y, dy = np.concatenate([y, y @ swap], axis=1), np.concatenate([dy, dy @ swap], axis=1)
    return y, dy


def _winding_side(state: SteadyState, y: Floats, current: Floats, angle: Floats, weights: Floats) -> dict[str, Floats]:
    circuit, equations = state.circuit, state.circuit.equations
    wiring, windings = equations.wiring, equations.windings
    emf = circuit.emf(angle)
    first = current[..., 0]
    net = current @ np.array(wiring.signs, float)
    own = net if wiring.shared else first
    behind_leakage = emf
    if equations.winding_unknowns:
        behind_leakage = y[..., equations.winding_unknowns[0]] + _others_drop(windings, current)
    terminal = behind_leakage - windings.reflected[:, None] * net - windings.winding[:, None] * own
    saturation, thermal = circuit.junction
    drop = forward_voltage(
        first, saturation[:, None], thermal[:, None], equations.parts["diode.series_resistance"][:, None]
    )
    reverse = _reverse_voltage(state, y, emf, current)
    return {
        "secondary.voltage": terminal / wiring.turns,
        "secondary.current": own / wiring.windings_in_parallel,
        "diode.current": first,
        "diode.drop": drop,
        "diode.reverse": reverse,
    } | mains_side(equations.bench, equations.parts, angle, weights, windings.line_ratio[:, None] * net)


def _reverse_voltage(state: SteadyState, y: Floats, emf: Floats, current: Floats) -> Floats:
    """Return the reverse voltage of one diode of the first path, (b, k), with the drop of the other path's current."""
    equations = state.circuit.equations
    drive = y @ equations.drive[0]
    if not equations.winding_unknowns:
        drive = drive + emf - _others_drop(equations.windings, current)
    return without_overshoot(np.maximum(-drive / equations.wiring.in_series, 0.0), current[..., 0])


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


def mains_side(bench: Bench, parts: Parts, angle: Floats, weights: Floats, reflected: Floats) -> dict[str, Floats]:
    """Return mains voltage and line current from the `reflected` winding current (b, k), referred to the primary.

    The transformer passes no direct current.
    """
    source = mains_wave(parts, parts["mains.voltage"], angle)
    crossing = reflected - (reflected @ weights)[:, None]
    level = parts["mains.voltage"] / bench.transformer.primary_voltage
    loss = parts["transformer.no_load_loss"] / bench.transformer.primary_voltage
    # A loss without a no-load current, or with a smaller one than the loss needs, is a current in phase.
    reactive = np.sqrt(np.maximum(parts["transformer.no_load_current"] ** 2 - loss**2, 0.0))
    magnetising = np.sqrt(2.0) * level[:, None] * (loss[:, None] * np.sin(angle) - reactive[:, None] * np.cos(angle))
    line = crossing + magnetising
    return {
        "mains.source": source,
        "mains.voltage": source - parts["mains.source_resistance"][:, None] * line,
        "mains.current": line,
    }


def _load_side(state: SteadyState, y: Floats, dy: Floats) -> dict[str, Floats]:
    equations = state.circuit.equations
    values = output_side(equations, y[..., list(equations.load_node)].sum(-1))
    reservoir = next((index for index, part in enumerate(equations.bench.filter) if isinstance(part, Capacitor)), None)
    if reservoir is not None:
        placed = equations.capacitors[reservoir]
        values["reservoir.voltage"] = y[..., list(placed.node)].sum(-1)
        rate = dy[..., list(placed.inner)].sum(-1)
        values["reservoir.current"] = placed.capacitance[:, None] * rate
    return values


def output_side(equations: LoadedCircuit, node: Floats) -> dict[str, Floats]:
    """Return the traces of the load and the regulator fed by a `node` voltage (b, k)."""
    through, _, volts = load_current(equations, node)
    if equations.bench.regulator is None:
        return {"output.voltage": volts, "output.current": through}
    quiescent = equations.parts["regulator.quiescent_current"][:, None]
    own = np.minimum(quiescent, np.maximum(through, 0.0))
    return {
        "output.voltage": volts,
        "output.current": through - own,
        "regulator.input": node,
        "regulator.quiescent": own,
    }
