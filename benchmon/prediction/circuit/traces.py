"""Every trace of a solved circuit over one whole mains period."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench, Capacitor
from benchmon.prediction.circuit.circuit import mains_wave
from benchmon.prediction.circuit.diode import forward_voltage
from benchmon.prediction.circuit.network import Loaded, load_current, path_currents
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.circuit.rectifier import WindingModel
from benchmon.prediction.circuit.steady_state import SteadyState
from benchmon.signals.arrays import Floats

_CONDUCTS = 1e-6
"""The part of its peak current from which a path is said to conduct."""


@dataclass(frozen=True)
class Traces:
    """Traces (b, k) at mains angles `angle` (k,), with weights (k,) that average them.

    Names: `mains.voltage`, `mains.current`, `secondary.voltage`, `secondary.current` (one winding), `diode.current`,
    `diode.drop`, `diode.reverse` (one diode), `reservoir.voltage`, `reservoir.current`, `regulator.input`,
    `output.voltage`, `output.current`, `regulator.current` where there are such parts.
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
    circuit, solution = state.circuit, state.solution
    mesh, at = solution.mesh, circuit.equations
    flat = (len(solution.y), -1, at.size)
    y, dy = solution.y.reshape(flat), solution.dy.reshape(flat)
    angle, weights = mesh.stages.ravel(), mesh.weights.ravel()
    current, _ = path_currents(at, y, circuit.emf(angle), circuit.junction)
    if at.wiring.symmetric:
        swap = circuit.exchange.T
        y, dy = np.concatenate([y, y @ swap], axis=1), np.concatenate([dy, dy @ swap], axis=1)
        current = np.concatenate([current, current[..., ::-1]], axis=1)
        angle, weights = np.concatenate([angle, angle + np.pi]), np.concatenate([weights, weights]) / 2.0
    values = _winding_side(state, y, current, angle, weights) | _load_side(state, y, dy)
    return Traces(angle, weights, values)


def _winding_side(state: SteadyState, y: Floats, current: Floats, angle: Floats, weights: Floats) -> dict[str, Floats]:
    circuit, at = state.circuit, state.circuit.equations
    wiring, windings = at.wiring, at.windings
    emf = circuit.emf(angle)
    first = current[..., 0]
    net = current @ np.array(wiring.signs, float)
    own = net if wiring.shared else first
    behind_leakage = emf
    if at.winding_unknowns:
        behind_leakage = y[..., at.winding_unknowns[0]] + _others_drop(windings, current)
    terminal = behind_leakage - windings.reflected[:, None] * net - windings.winding[:, None] * own
    saturation, thermal = circuit.junction
    drop = forward_voltage(first, saturation[:, None], thermal[:, None], at.parts["diode.series_resistance"][:, None])
    reverse = _reverse_voltage(state, y, emf, current)
    return {
        "secondary.voltage": terminal / wiring.turns,
        "secondary.current": own / wiring.windings_in_parallel,
        "diode.current": first,
        "diode.drop": drop,
        "diode.reverse": reverse,
    } | mains_side(at.bench, at.parts, angle, weights, windings.line_ratio[:, None] * net)


def _reverse_voltage(state: SteadyState, y: Floats, emf: Floats, current: Floats) -> Floats:
    """Return the reverse volts of one diode of the first path, less what the other path's current drops."""
    at = state.circuit.equations
    drive = y @ at.drive[0]
    if not at.winding_unknowns:
        drive = drive + emf - _others_drop(at.windings, current)
    return without_overshoot(np.maximum(-drive / at.wiring.in_series, 0.0), current[..., 0])


def _others_drop(windings: WindingModel, current: Floats) -> Floats:
    """Return the volts (b, k) that the other paths' currents (b, k, p) take from the first path."""
    drop: Floats = np.einsum("bkp,bp->bk", current[..., 1:], windings.resistance[:, 0, 1:])
    return drop


def without_overshoot(reverse: Floats, current: Floats) -> Floats:
    """Return a reverse voltage (b, k) without the instants of intervals that the diode's current (b, k) conducts into.

    Where a current through an inductance ends inside an interval, the voltages of its stages overshoot without meaning.
    The voltage that the diode then jumps to is on the line through the instants of the next interval.
    """
    starts = np.roll(current[:, 1::2], 1, axis=1)
    conducts = starts > _CONDUCTS * np.max(current, axis=1, keepdims=True)
    first, second = reverse[:, 0::2], reverse[:, 1::2]
    # The first instant stands at a third of its interval, so the line reaches the start half as far before it.
    jump = np.maximum(np.roll(1.5 * first - 0.5 * second, -1, axis=1), 0.0)
    ends = np.where(conducts, np.where(np.roll(conducts, -1, axis=1), 0.0, jump), second)
    clean = np.empty_like(reverse)
    clean[:, 0::2], clean[:, 1::2] = np.where(conducts, 0.0, first), ends
    return clean


def mains_side(bench: Bench, parts: Parts, angle: Floats, weights: Floats, reflected: Floats) -> dict[str, Floats]:
    """Return mains voltage and line current, from the windings' current as the primary has it, (b, k).

    No direct current crosses the transformer.
    """
    source = mains_wave(parts, parts["mains.voltage"], angle)
    crossing = reflected - (reflected @ weights)[:, None]
    level = parts["mains.voltage"] / bench.transformer.primary_voltage
    loss = parts["transformer.no_load_loss"] / bench.transformer.primary_voltage
    # A loss without a current, or with less than makes it, is a current in phase.
    reactive = np.sqrt(np.maximum(parts["transformer.no_load_current"] ** 2 - loss**2, 0.0))
    magnetising = np.sqrt(2.0) * level[:, None] * (loss[:, None] * np.sin(angle) - reactive[:, None] * np.cos(angle))
    line = crossing + magnetising
    return {
        "mains.source": source,
        "mains.voltage": source - parts["mains.source_resistance"][:, None] * line,
        "mains.current": line,
    }


def _load_side(state: SteadyState, y: Floats, dy: Floats) -> dict[str, Floats]:
    at = state.circuit.equations
    values = fed_by(at, y[..., list(at.load_node)].sum(-1))
    reservoir = next((index for index, part in enumerate(at.bench.filter) if isinstance(part, Capacitor)), None)
    if reservoir is not None:
        placed = at.capacitors[reservoir]
        values["reservoir.voltage"] = y[..., list(placed.node)].sum(-1)
        rate = dy[..., list(placed.inner)].sum(-1)
        values["reservoir.current"] = placed.capacitance[:, None] * rate
    return values


def fed_by(at: Loaded, node: Floats) -> dict[str, Floats]:
    """Return the traces of the load, and of a regulator, that `node` (b, k) volts feed."""
    through, _, volts = load_current(at, node)
    if at.bench.regulator is None:
        return {"output.voltage": volts, "output.current": through}
    quiescent = at.parts["regulator.quiescent_current"][:, None]
    kept = np.minimum(quiescent, np.maximum(through, 0.0))
    return {
        "output.voltage": volts,
        "output.current": through - kept,
        "regulator.input": node,
        "regulator.quiescent": kept,
    }
