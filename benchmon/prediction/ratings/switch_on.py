"""Worst-case switch-on: the charging transient of the supply, and an upper bound of the transformer's inrush current.

`switch_on` integrates the circuit with empty capacitors and a cold inrush limiter, over many closing angles, with an
unsaturated core. Until the flux of the core has drifted, which takes several periods, the whole winding current is
reflected into the line, including the mean of a half wave. `core_inrush` bounds the current of a saturated core.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from benchmon.bench import Bench, Choke, Ntc
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.circuit import Circuit, MainsWave, circuit_of, mains_wave
from benchmon.prediction.circuit.network import Equations, Node, path_currents
from benchmon.prediction.circuit.parts import Parts, parts_of
from benchmon.prediction.circuit.trace_measures import mean_of
from benchmon.prediction.circuit.traces import unknowns_over_period
from benchmon.prediction.collocation import WEIGHTS, Mesh
from benchmon.prediction.thermal.equilibrium import ntc_resistance, solve_in_equilibrium
from benchmon.signals.arrays import Floats

_INVERSE = np.linalg.inv(np.array([[5.0, -1.0], [9.0, 3.0]]) / 12.0)
_CLOSE = 1e-4
_MOST_NEWTON = 25
_FIRST_STEP = 1e-4
_LEAST_STEP = 1e-9


@dataclass(frozen=True)
class ClosedCircuit(Circuit):
    """A circuit whose variants are switched on at mains angles `closing` (b,), in radians; angle zero is switch-on."""

    closing: Floats = field(kw_only=True)

    def emf(self, angle: Floats) -> Floats:
        """Return the EMF of the winding at angles (…) since switch-on, volts, (b, …)."""
        return self._latest.at(angle)

    @cached_property
    def _latest(self) -> _LatestVolts:
        return _LatestVolts(mains_wave(self.equations.parts, self.equations.windings.emf, self.closing))


class _LatestVolts:
    """The volts of `wave` at the angles that were asked for last: a step asks for the same several times."""

    def __init__(self, wave: MainsWave) -> None:
        self._wave = wave
        self._angle = self._volts = np.zeros(0)

    def at(self, angle: Floats) -> Floats:
        """Return the volts at angles (…) in radians, (b, …)."""
        if angle is not self._angle:
            self._angle, self._volts = angle, self._wave.at(angle)
        return self._volts


def closed_circuit(bench: Bench, parts: Parts, closing: Floats) -> ClosedCircuit:
    """Return the circuit of a bench with junctions at ambient, switched on at mains angles `closing` (b,), radians.

    Raises `PredictionError` as `circuit_of` does.
    """
    circuit = circuit_of(bench, parts, parts["ambient.temperature"])
    return ClosedCircuit(circuit.equations, circuit.junction, closing=closing)


@dataclass(frozen=True)
class TransientRun:
    """Steps in a row: `angles` (k, 2) of their stages since switch-on, `weights` (k, 2), `y` (b, k, 2, n) there.

    A sum over the stages of a step with its weights, which are in radians, integrates over the step.
    """

    angles: Floats
    weights: Floats
    y: Floats


def integrate(circuit: Circuit, y: Floats, start: float, end: float, width: float) -> Iterator[TransientRun]:
    """Yield steps of at most `width` radians from `y` (b, n) at angle `start` to `end`, in as few runs as possible.

    The first steps after angle zero are tiny, to resolve the jump at switch-on. A run that Newton's method cannot
    solve is halved, and so is a single step. Raises `PredictionError` if even the smallest step has no solution.
    """
    waiting = [_edges(start, end, width)]
    while waiting:
        edges = waiting.pop()
        mesh = Mesh(edges)
        stages = _solve_run(circuit, y, mesh)
        if stages is not None:
            yield TransientRun(mesh.stages, mesh.widths[:, None] * WEIGHTS, stages)
            y = stages[:, -1, 1]
            continue
        if len(edges) == 2:
            if edges[1] - edges[0] < 2.0 * _LEAST_STEP:
                raise PredictionError(
                    "the switch-on transient could not be followed; "
                    "check the filter and load for values far out of proportion"
                )
            edges = np.insert(edges, 1, edges.mean())
        middle = len(edges) // 2
        waiting += [edges[middle:], edges[: middle + 1]]


def _edges(start: float, end: float, width: float) -> Floats:
    """Return the edges (k + 1,) of steps from `start` to `end`: `width` radians, less just after angle zero."""
    edges, size = [start], width if start > 0.0 else _FIRST_STEP * width
    while edges[-1] < end - _LEAST_STEP:
        edges.append(min(edges[-1] + size, end))
        size = min(2.0 * size, width)
    return np.array(edges)


def _solve_run(circuit: Circuit, y: Floats, mesh: Mesh) -> Floats | None:
    """Return the stages (b, k, 2, n) of k steps from `y` (b, n) by Newton's method, None if it does not converge.

    All steps are linearised together; each then follows from the end of the one before.
    """
    (variants, n), count = y.shape, len(mesh.widths)
    per_second = circuit.angular_frequency[:, None, None, None] / mesh.widths[:, None, None]
    stages = np.repeat(np.repeat(y[:, None, None], count, axis=1), 2, axis=2)
    q_before = circuit.terms(stages, mesh)[0][:, :1, 1]
    gain = (per_second * _INVERSE)[..., None, None]
    carry = (per_second[..., 0] * _INVERSE.sum(axis=1))[:, 1:, :, None, None]
    for _ in range(_MOST_NEWTON):
        q, f, q_slope, f_slope = circuit.evaluate(stages, mesh)
        ends = np.concatenate([q_before, q[:, :-1, 1]], axis=1)
        residual = per_second * (_INVERSE @ (q - ends[:, :, None])) - f
        matrix = gain * q_slope[:, :, None]
        matrix[:, :, [0, 1], [0, 1]] -= f_slope
        square = matrix.swapaxes(3, 4).reshape(variants, count, 2 * n, 2 * n)
        carried = np.flatnonzero(q_slope.any(axis=(0, 1, 2, 3)))
        known = np.zeros((variants, count, 2 * n, len(carried) + 1))
        known[..., 0] = -residual.reshape(variants, count, 2 * n)
        known[:, 1:, :, 1:] = (carry * q_slope[:, :-1, None, 1][..., carried]).reshape(variants, count - 1, 2 * n, -1)
        try:
            solved = np.linalg.solve(square, known)
        except np.linalg.LinAlgError:
            return None
        change = solved[..., 0]
        for step in range(1, count):
            change[:, step] += (solved[:, step, :, 1:] @ change[:, step - 1, n + carried, None])[..., 0]
        change = change.reshape(stages.shape)
        stages = stages + change
        size = np.max(np.abs(change) / (np.max(np.abs(stages), axis=(1, 2), keepdims=True) + 1e-3))
        if not np.isfinite(size):
            return None
        if size < _CLOSE:
            return stages
    return None


ANGLES = 24
"""Closing angles tried in each half period in which the circuit differs."""

_SEGMENTS, _LONGER_SEGMENTS = 6, 3
"""Parts of a half period, each solved at once: with a limiter, whose resistance is updated after each, and without."""

_STEPS, _LATER_STEPS = 8, 4
"""Integration steps of a segment in the first `_FINE_HALF_CYCLES`, and later."""

_FINE_HALF_CYCLES = 6
_LEAST_HALF_CYCLES = 3
_MOST_HALF_CYCLES = 400
_HOTTEST_RISE = 1000.0
_STARTED = 0.9
"""Fraction of the settled voltage at which the supply counts as started."""


@dataclass(frozen=True)
class SwitchOn:
    """The worst case of switch-on, each figure over all closing angles.

    Peaks in amperes: `winding_peak` (one winding), `diode_peak` (one diode), `line_peak` (mains side). `line_i2t`
    (angles, k) is the I²t of the line current, A²s, in each half period since closing, for the worst angles.
    `time_to_90` is in seconds to 90 % of the settled voltage of the reservoir (without one: of the last node), None if
    not reached within `half_cycles`. `capacitor_peaks` maps the index of a filter capacitor to its highest voltage.
    `closing_angle` (degrees after the rising zero of the mains) is that of `diode_peak`; `ntc_temperature` is the
    highest of the limiter, °C.
    """

    winding_peak: float
    diode_peak: float
    line_peak: float
    line_i2t: Floats
    time_to_90: float | None
    half_cycles: int
    closing_angle: float
    capacitor_peaks: dict[int, float]
    ntc_temperature: float | None

    @property
    def first_half_cycle_i2t(self) -> float:
        """I²t of the line current over the first half period, A²s."""
        return float(np.max(self.line_i2t[:, 0]))

    @property
    def surge_i2t(self) -> float:
        """I²t of the line current, A²s, to the end of the half period in which the supply reaches 90 %.

        A fuse dissipates heat in that time, so this overstates its stress if the surge lasts tens of milliseconds.
        """
        return float(np.max(np.sum(self.line_i2t, axis=1)))


@dataclass
class _Surge:
    """The state of the integration; arrays are (b,) over closing angles.

    `watched` is the node that shows whether the supply has started, `volts` its last voltage, `level` the voltage at
    which it has, and `reached` the time of that in seconds (NaN before).
    """

    circuit: ClosedCircuit
    bench: Bench
    watched: Node
    level: float
    ntc: Floats
    winding_peak: Floats
    diode_peak: Floats
    line_peak: Floats
    reached: Floats
    capacitor_peaks: dict[int, Floats]
    volts: Floats
    line_i2t: list[Floats] = field(default_factory=list)

    def update(self, run: TransientRun) -> None:
        """Update peaks, I²t, the temperature of the limiter and the start time by the steps of a run."""
        equations, wiring = self.circuit.equations, self.circuit.equations.wiring
        current, _ = path_currents(equations, run.y, self.circuit.emf(run.angles), self.circuit.junction)
        net = current @ np.array(wiring.signs, float)
        line = equations.windings.line_ratio[:, None, None] * net
        seconds = run.weights / self.circuit.angular_frequency[:, None, None]
        i2t = np.sum(line**2 * seconds, axis=2)
        self.line_i2t[-1] += i2t.sum(axis=1)
        self.diode_peak = np.maximum(self.diode_peak, current.max(axis=(1, 2, 3)))
        for winding in set(wiring.windings):
            own = np.abs(current @ wiring.through(winding)) / wiring.windings_in_parallel
            self.winding_peak = np.maximum(self.winding_peak, own.max(axis=(1, 2)))
        self.line_peak = np.maximum(self.line_peak, np.abs(line).max(axis=(1, 2)))
        for index in equations.capacitors:
            for placed in equations.placed(index):
                volts = run.y[..., list(placed.inner)].sum(-1).max(axis=(1, 2))
                self.capacitor_peaks[index] = np.maximum(self.capacitor_peaks[index], volts)
        self._update_start_time(run.y[:, :, 1, list(self.watched)].sum(-1), run.angles[:, 1], np.sum(seconds, axis=2))
        if self.bench.ntc is not None:
            self._update_limiter(self.bench.ntc, i2t, np.sum(seconds, axis=2))

    def keep_worst_angles(self, y: Floats) -> Floats:
        """Keep only the closing angles that are the worst in any figure; return their unknowns of `y` (b, n)."""
        past = np.stack(self.line_i2t)
        late = np.where(np.isnan(self.reached), np.inf, self.reached)
        highest = [self.winding_peak, self.diode_peak, self.line_peak, late, -self.volts, past[0], past.sum(axis=0)]
        chosen = np.unique([int(np.argmax(value)) for value in [*highest, *self.capacitor_peaks.values()]])
        parts = self.circuit.equations.parts
        kept = Parts({name: value[chosen] for name, value in parts.values.items()})
        self.circuit = closed_circuit(self.bench, kept, self.circuit.closing[chosen])
        self.ntc, self.volts, self.reached = self.ntc[chosen], self.volts[chosen], self.reached[chosen]
        self.winding_peak, self.diode_peak = self.winding_peak[chosen], self.diode_peak[chosen]
        self.line_peak = self.line_peak[chosen]
        self.capacitor_peaks = {index: peak[chosen] for index, peak in self.capacitor_peaks.items()}
        self.line_i2t = [pulse[chosen] for pulse in self.line_i2t]
        kept_unknowns: Floats = y[chosen]
        return kept_unknowns

    def _update_start_time(self, volts: Floats, angle: Floats, seconds: Floats) -> None:
        """Interpolate the time at which the watched voltage reached its level, if that is within these steps.

        `volts` (b, k) and `angle` (k,) are those at the ends of steps that last `seconds` (b, k).
        """
        before = np.concatenate([self.volts[:, None], volts[:, :-1]], axis=1)
        rise = np.where(volts > before, volts - before, 1.0)
        excess = np.clip((volts - self.level) / rise, 0.0, 1.0)
        time = angle / self.circuit.angular_frequency[:, None] - excess * seconds
        there = volts >= self.level
        first = time[np.arange(len(time)), there.argmax(axis=1)]
        self.reached = np.where(there.any(axis=1) & np.isnan(self.reached), first, self.reached)
        self.volts = volts[:, -1]

    def _update_limiter(self, ntc: Ntc, i2t: Floats, seconds: Floats) -> None:
        """Heat the limiter over steps (b, k): D·τ·dT/dt = i²·R − D·(T − Ta), exact where power is constant."""
        parts = self.circuit.equations.parts
        end = parts["ambient.temperature"][:, None] + i2t / seconds * (
            parts["ntc.resistance"][:, None] / ntc.dissipation_factor
        )
        decay = np.exp(-seconds / ntc.time_constant)
        hottest = parts["ambient.temperature"] + _HOTTEST_RISE
        for step in range(end.shape[1]):
            self.ntc = np.minimum(end[:, step] + (self.ntc - end[:, step]) * decay[:, step], hottest)


def switch_on(bench: Bench, mains_voltage: float | None = None, angles: int = ANGLES) -> SwitchOn:
    """Return the worst case of switch-on, over `angles` closing angles in each half period that differs.

    `mains_voltage` (V rms) replaces that of the bench. All parts start at ambient, capacitors empty. Raises
    `PredictionError` if the circuit has no steady state or its transient cannot be integrated.
    """
    parts = parts_of(bench)
    if mains_voltage is not None:
        parts = parts.replaced({"mains.voltage": np.array([mains_voltage])})
    settled = solve_in_equilibrium(bench, parts)
    symmetric = settled.state.circuit.equations.wiring.symmetric
    count = angles if symmetric else 2 * angles
    closing = np.arange(count, dtype=np.float64) * (np.pi / angles)
    parts = parts.replaced({name: np.repeat(value, count) for name, value in parts.values.items()})
    if bench.ntc is not None:
        parts = parts.replaced({"ntc.resistance": ntc_resistance(parts, parts["ambient.temperature"])})
    circuit = closed_circuit(bench, parts, closing)
    watched = _watched(circuit.equations)
    volts = unknowns_over_period(settled.state)[0][..., list(watched)].sum(-1)
    level = float(mean_of(volts, settled.traces.weights)[0])
    surge = _at_rest(circuit, bench, watched, _STARTED * level)
    _integrate_until_started(surge)
    return _result(surge)


def _watched(equations: Equations) -> Node:
    """Return the node whose voltage shows that the supply has started."""
    if not equations.capacitors:
        return equations.load_node
    first = next(iter(equations.capacitors.values()))
    return equations.input_node if len(equations.input_node) > 1 else first.node


def _at_rest(circuit: ClosedCircuit, bench: Bench, watched: Node, level: float) -> _Surge:
    none = np.zeros(len(circuit.closing))
    ntc = circuit.equations.parts["ambient.temperature"]
    peaks = dict.fromkeys(circuit.equations.capacitors, none)
    return _Surge(circuit, bench, watched, level, ntc, none, none, none, none + np.nan, peaks, none)


def _integrate_until_started(surge: _Surge) -> None:
    """Integrate until the supply has started at every angle, and with chokes as long again for the overshoot."""
    y = np.zeros((len(surge.circuit.closing), surge.circuit.equations.size))
    enough, half_cycle = _MOST_HALF_CYCLES, 0
    segments = _LONGER_SEGMENTS if surge.bench.ntc is None else _SEGMENTS
    while half_cycle < enough:
        steps = _STEPS if half_cycle < _FINE_HALF_CYCLES else _LATER_STEPS
        surge.line_i2t.append(np.zeros(len(y)))
        for segment in range(segments):
            start = (half_cycle + segment / segments) * np.pi
            end = (half_cycle + (segment + 1) / segments) * np.pi
            for run in integrate(surge.circuit, y, start, end, np.pi / (_SEGMENTS * steps)):
                surge.update(run)
                y = run.y[:, -1, 1]
            _set_limiter_resistance(surge)
        half_cycle += 1
        if half_cycle == _FINE_HALF_CYCLES:
            y = surge.keep_worst_angles(y)
        if enough == _MOST_HALF_CYCLES and not np.any(np.isnan(surge.reached)):
            overshoot = half_cycle if any(isinstance(part, Choke) for part in surge.bench.filter) else 0
            enough = max(half_cycle + overshoot, _LEAST_HALF_CYCLES)


def _set_limiter_resistance(surge: _Surge) -> None:
    """Set the resistance of the limiter in the circuit to that of its temperature."""
    if surge.bench.ntc is None:
        return
    parts = surge.circuit.equations.parts
    warm = parts.replaced({"ntc.resistance": ntc_resistance(parts, surge.ntc)})
    surge.circuit = closed_circuit(surge.bench, warm, surge.circuit.closing)


def _result(surge: _Surge) -> SwitchOn:
    slowest = float(np.max(surge.reached))
    return SwitchOn(
        winding_peak=float(np.max(surge.winding_peak)),
        diode_peak=float(np.max(surge.diode_peak)),
        line_peak=float(np.max(surge.line_peak)),
        line_i2t=np.stack(surge.line_i2t, axis=1),
        time_to_90=None if np.isnan(slowest) else slowest,
        half_cycles=len(surge.line_i2t),
        closing_angle=float(np.degrees(surge.circuit.closing[np.argmax(surge.diode_peak)])),
        capacitor_peaks={index: float(np.max(peak)) for index, peak in surge.capacitor_peaks.items()},
        ntc_temperature=float(np.max(surge.ntc)) if surge.bench.ntc else None,
    )


REMANENCE = 0.8
"""Largest remanent flux relative to the normal peak flux: a toroid without a gap; stacked cores have less."""

SATURATION = 1.25
"""Flux at which the core saturates, relative to the normal peak flux: about 1.9 T in a core that works at 1.5 T."""


@dataclass(frozen=True)
class CoreInrush:
    """An upper bound of the magnetising inrush: `peak` in amperes of the line, `i2t` in A²s.

    `resistance` is that of the cold primary circuit in ohms, the only limit in this estimate; `saturated_from` is the
    angle of saturation in degrees after closing at a zero of the mains. `peak` and `i2t` are None if the bench file
    gives no resistance of the primary circuit.
    """

    peak: float | None
    i2t: float | None
    resistance: float
    saturated_from: float


def core_inrush(bench: Bench, mains_voltage: float, remanence: float = REMANENCE) -> CoreInrush:
    """Return the worst magnetising inrush at `mains_voltage` (V rms), closed at its zero.

    The flux starts at the remanence r and would rise by twice its peak, m = mains/primary voltage. Above saturation s
    the winding is modelled as the resistance R of the cold primary circuit: its air-core inductance is unknown and
    would only lower the current. So i = V̂·sin θ/R from θs = arccos(1 − (s − r)/m) to π, where the voltage reverses, and
    I²t = (V̂/R)²/ω·((π − θs)/2 + sin(2θs)/4). Source: textbook transformer theory (flux doubling), from memory. Raises
    `PredictionError` if the diode of the bench cannot be fitted.
    """
    level = mains_voltage / bench.transformer.primary_voltage
    start = float(np.arccos(np.clip(1.0 - (SATURATION - remanence) / level, -1.0, 1.0)))
    parts = parts_of(bench)
    resistance = (bench.mains.source_resistance or 0.0) + bench.transformer.primary_resistance
    resistance += bench.fuse.resistance if bench.fuse else 0.0
    if bench.ntc is not None:
        resistance += float(ntc_resistance(parts, parts["ambient.temperature"])[0])
    if resistance <= 0.0:
        return CoreInrush(None, None, resistance, float(np.degrees(start)))
    top = float(np.sqrt(2.0)) * mains_voltage / resistance
    peak = top * float(np.sin(max(start, np.pi / 2.0)))
    i2t = top**2 / (2.0 * np.pi * bench.mains.frequency) * ((np.pi - start) / 2.0 + np.sin(2.0 * start) / 4.0)
    return CoreInrush(peak, float(i2t), resistance, float(np.degrees(start)))
