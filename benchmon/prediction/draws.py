"""Draws of a supply: circuits near the nominal solution, solved many at once.

Every draw is a circuit of its own. The fast method starts from the nominal solution moved by the first-order
sensitivities and takes one or two Newton steps on a coarser mesh; the error of the coarser mesh is removed by that of
the nominal solution and its sensitivities on the same mesh (a control variate). A few draws are solved in full to
verify the accuracy, and every draw must conserve charge and lie among the others; one that does not is solved in full.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench
from benchmon.prediction.circuit.circuit import Circuit, Sag, circuit_of
from benchmon.prediction.circuit.parts import COPPER_GROWTH, WINDING_WARMTH, Parts
from benchmon.prediction.circuit.steady_state import SteadyState
from benchmon.prediction.circuit.trace_measures import mean_of, readings_of, rms_of
from benchmon.prediction.circuit.traces import Traces, sag_of, traces_of
from benchmon.prediction.collocation import Mesh, PeriodicSolution, blocked_matmul, solve_periodic
from benchmon.prediction.solved import (
    STEP,
    SolvedQuantities,
    solve,
    temperatures_of,
    varied_parts,
    warmth_scale,
)
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium, ntc_resistance, ntc_temperature
from benchmon.prediction.uncertainty import (
    JUNCTION_SHIFT,
    MODEL_FLOOR,
    InputUncertainty,
)
from benchmon.quantities import UNITS
from benchmon.signals.arrays import Floats
from benchmon.standards import COPPER_ZERO

_CHUNK = 16_000
"""Intervals of the draws that are solved at once: enough for operations to be long, and few enough for the cache."""

_LEAST_CHUNK = 100
_PILOTS = 32
_FAST_METHODS = ((4, 1), (4, 2), (2, 1), (4, 3), (2, 2), (2, 3), (1, 2), (1, 3), (2, 6), (1, 6))
"""Stride of the mesh edges that are kept, and number of Newton steps, fastest first."""

_MORE_STEPS = 2
"""Further Newton steps for the draws that are not solved by those of the others."""

_FEW_LEFT = 0.85
"""Part of the pilots that a fast method must solve: each of the others costs as much as some tens of its own."""

_CLOSE = 0.15
"""Allowed error of a draw relative to the standard deviation, which makes the deviation itself 1 % too large."""

_UNBALANCED, _STRAY_CURRENT = 3e-3, 1e-6
"""Allowed imbalance of charge: relative to the load current, and in amperes."""

_STRAYED = 6.0
"""Distance from the median, in medians of that distance, beyond which a draw is solved in full: 4 deviations."""

_NEGLIGIBLE = 1e-5
_HIGHEST_LOG = 3.0
"""Largest change of the logarithm of a temperature rise that is extrapolated."""


@dataclass(frozen=True)
class Nominal:
    """The nominal solution, and one moved by each of k inputs, with junction shifts (k,) in kelvin."""

    bench: Bench
    inputs: list[InputUncertainty]
    solved: SolvedQuantities
    moved: SolvedQuantities
    shift: Floats


@dataclass(frozen=True)
class _Warmth:
    """How temperatures follow the inputs: changes (k,) by one standard uncertainty of each.

    They are those of the logarithm of a rise: of the `junction`, of the limiter (`ntc`), of the `windings`, and of the
    `loads` that warm themselves, by their points.
    """

    junction: Floats
    ntc: Floats
    windings: Floats
    loads: dict[str, Floats]


@dataclass(frozen=True)
class _Drawn:
    """Circuits of b draws at temperatures of first order: junction and limiter in °C, the `shift` in kelvin, (b,).

    `moves` (b, k) are those of the inputs.
    """

    circuit: Circuit
    parts: Parts
    junction: Floats
    ntc: Floats
    shift: Floats
    moves: Floats


@dataclass(frozen=True)
class _FastMethod:
    """A fast method for draws near the nominal solution: `steps` Newton steps on a coarser `mesh`.

    `y` (m, 2, n) are the nominal stage values on it, `y_slopes` (k, m, 2, n) their change by one standard uncertainty
    of each input. `sags` are the nominal sag on it, and those that are moved by `STEP` of that. `offsets` are the
    corrections of each quantity for the coarser mesh, `offset_slopes` (k,) their changes.
    """

    nominal: Nominal
    mesh: Mesh
    steps: int
    y: Floats
    y_slopes: Floats
    sags: tuple[Sag | None, Sag | None]
    offsets: dict[str, Floats]
    offset_slopes: dict[str, Floats]

    @property
    def core_steps(self) -> int:
        """Newton steps of the core: where it balances a mean current its flux moves far, otherwise hardly at all."""
        is_balanced = self.nominal.solved.equilibrium.state.circuit.equations.wiring.symmetric
        return self.steps - 1 if is_balanced else self.steps + 1


def nominal_and_moved(bench: Bench, inputs: list[InputUncertainty], first: SolvedQuantities) -> Nominal:
    """Return the nominal solution, found from a `first` one by the same steps as the moved ones.

    Where the nominal one stopped a little sooner, what it lacks would be in every difference, many times enlarged.
    """
    parts = first.equilibrium.parts
    moved, shift = varied_parts(parts, first.equilibrium, inputs)
    both = Parts({name: np.concatenate([parts[name], moved[name]]) for name in parts.values})
    solved = solve(bench, both, np.append(0.0, shift), initial_guess=first.equilibrium)
    return Nominal(bench, inputs, _rows(solved, slice(0, 1)), _rows(solved, slice(1, None)), shift)


def _rows(solved: SolvedQuantities, rows: slice) -> SolvedQuantities:
    """Return those variants of a solution alone."""
    found, at = solved.equilibrium, np.arange(len(solved.equilibrium.junction))[rows]
    state = found.state
    solution = PeriodicSolution(
        state.solution.mesh, state.solution.y[at], state.solution.dy[at], state.solution.converged[at]
    )
    traces = Traces(found.traces.angle, found.traces.weights, {n: v[at] for n, v in found.traces.values.items()})
    equilibrium = ThermalEquilibrium(
        SteadyState(state.circuit.chosen(at), solution),
        traces,
        found.parts.chosen(at),
        found.junction[at],
        found.ntc[at],
        np.broadcast_to(found.slope, found.junction.shape)[at],
    )
    by_meter = {meter: value[at] for meter, value in solved.by_meter.items()}
    return SolvedQuantities(
        equilibrium, {name: value[at] for name, value in solved.quantities.items()}, solved.harmonics[at], by_meter
    )


def _fast_method(nominal: Nominal, stride: int) -> _FastMethod | None:
    """Return the fast method on every `stride`-th edge of the mesh, or None if the circuit does not converge on it.

    It takes one step.
    """
    equilibrium, moved = nominal.solved.equilibrium, nominal.moved.equilibrium
    fine = equilibrium.state.solution
    half, whole = stride // 2 - 1, stride - 1
    start = fine.y if stride == 1 else np.stack([fine.y[:, half::stride, 1], fine.y[:, whole::stride, 1]], axis=2)
    mesh = Mesh(fine.mesh.edges[::stride])
    circuit = circuit_of(nominal.bench, equilibrium.parts, equilibrium.junction, equilibrium.state.circuit.sag)
    one = solve_periodic(circuit, mesh, start)
    moved_circuit = circuit_of(nominal.bench, moved.parts, moved.junction, moved.state.circuit.sag)
    many = solve_periodic(moved_circuit, mesh, np.repeat(one.y, len(nominal.inputs), axis=0))
    if not (np.all(one.converged) and np.all(many.converged)):
        return None
    state, sag = _with_own_sag(SteadyState(circuit, one), equilibrium.parts)
    moved_state, moved_sag = _with_own_sag(SteadyState(moved_circuit, many), moved.parts)
    coarse, _ = _quantities(nominal.bench, state, equilibrium.parts, np.zeros(1))
    coarse_moved, _ = _quantities(nominal.bench, moved_state, moved.parts, nominal.shift)
    offsets = {name: nominal.solved.quantities[name] - value for name, value in coarse.items()}
    moved_offsets = {name: nominal.moved.quantities[name] - value for name, value in coarse_moved.items()}
    return _FastMethod(
        nominal,
        mesh,
        1,
        one.y[0],
        (many.y - one.y) / STEP,
        (sag, moved_sag),
        offsets,
        {name: (moved_offsets[name] - value) / STEP for name, value in offsets.items()},
    )


def _with_own_sag(state: SteadyState, parts: Parts) -> tuple[SteadyState, Sag | None]:
    """Return a state whose sag is the same on its own mesh, with the flux there; and that sag."""
    sag = state.circuit.sag
    found = None if sag is None else sag_of(state, parts)
    if sag is None or found is None:
        return state, sag
    sag = replace(found, volts=sag.at(found.angle))
    return replace(state, circuit=replace(state.circuit, sag=sag)), sag


def _warmth_of(nominal: Nominal) -> _Warmth:
    equilibrium, moved = nominal.solved.equilibrium, nominal.moved.equilibrium
    ambient, moved_ambient = equilibrium.parts["ambient.temperature"], moved.parts["ambient.temperature"]
    windings, moved_windings = (
        one.quantities.get("transformer.temperature", np.zeros(1)) for one in (nominal.solved, nominal.moved)
    )
    return _Warmth(
        _log_slopes(equilibrium.junction - ambient, moved.junction - moved_ambient - nominal.shift),
        _log_slopes(equilibrium.ntc - ambient, moved.ntc - moved_ambient),
        _log_slopes(windings - ambient, moved_windings - moved_ambient),
        {
            load: _log_slopes(equilibrium.parts[load] - ambient, moved.parts[load] - moved_ambient)
            for load in _LOADS_WARM
            if load in equilibrium.parts
        },
    )


_LOADS_WARM = ("load.temperature", "load_2.temperature")


def _log_slopes(rise: Floats, moved: Floats) -> Floats:
    """Return the change of ln(rise) by one standard uncertainty of each input; 0 where there is no rise."""
    safe = (rise > 0.0) & (moved > 0.0)
    return np.where(safe, np.log(np.where(safe, moved, 1.0) / np.where(safe, rise, 1.0)), 0.0) / STEP


def _drawn_parts(nominal: Nominal, deviates: Floats) -> tuple[Parts, Floats]:
    """Return the parts of every draw, and the deviation of its junction from the thermal model, in kelvin (b,)."""
    parts = nominal.solved.equilibrium.parts
    changes = {name: np.repeat(value, len(deviates)) for name, value in parts.values.items()}
    shift = np.zeros(len(deviates))
    rise = nominal.solved.equilibrium.junction - parts["ambient.temperature"]
    warmth = warmth_scale(nominal.solved.equilibrium)
    for column, entry in enumerate(nominal.inputs):
        moved = entry.size * deviates[:, column] * (warmth if entry.part == WINDING_WARMTH else 1.0)
        if entry.part == JUNCTION_SHIFT:
            shift = -moved * rise
        elif not entry.relative:
            changes[entry.part] = changes[entry.part] + moved
        else:
            changes[entry.part] = changes[entry.part] * (1.0 + moved if entry.rectangular else np.exp(moved))
        for other, size in entry.along:
            changes[other] = changes[other] * np.exp(size * deviates[:, column])
    return Parts(changes), shift


_BY_LOGARITHM = ("diode.saturation_current",)
"""Inputs on which the circuit depends by their logarithm, as a junction's volts do."""


def _moves(inputs: list[InputUncertainty], deviates: Floats) -> Floats:
    """Return how far each input is moved in every draw, (b, k), in standard uncertainties.

    Currents and volts are about straight in the value of a part. One known to a factor of two, such as a no-load
    current that is not given, moves much farther up than down.
    """
    moves = deviates.copy()
    for column, entry in enumerate(inputs):
        if entry.relative and not entry.rectangular and entry.size > 0.0 and entry.part not in _BY_LOGARITHM:
            moves[:, column] = np.expm1(entry.size * deviates[:, column]) / entry.size
    return moves


def _drawn_circuits(
    nominal: Nominal, deviates: Floats, sags: tuple[Sag | None, Sag | None], steps: int | None
) -> _Drawn:
    """Return the circuit of every draw, with temperatures and sag of first order.

    `sags` are the nominal one and those that are moved; `steps` of Newton's are enough for the core, None: all.
    """
    equilibrium, warmth = nominal.solved.equilibrium, _warmth_of(nominal)
    parts, shift = _drawn_parts(nominal, deviates)
    moves = _moves(nominal.inputs, deviates)
    ambient, usual = parts["ambient.temperature"], equilibrium.parts["ambient.temperature"]
    junction, ntc = (
        ambient + (celsius - usual) * np.exp(np.clip(deviates @ slopes, -_HIGHEST_LOG, _HIGHEST_LOG))
        for celsius, slopes in ((equilibrium.junction, warmth.junction), (equilibrium.ntc, warmth.ntc))
    )
    if nominal.bench.ntc is not None:
        parts = parts.replaced({"ntc.resistance": ntc_resistance(parts, ntc)})
    if COPPER_GROWTH in parts:
        windings = nominal.solved.quantities["transformer.temperature"]
        warm = ambient + (windings - usual) * np.exp(np.clip(deviates @ warmth.windings, -_HIGHEST_LOG, _HIGHEST_LOG))
        parts = parts.replaced({COPPER_GROWTH: parts[COPPER_GROWTH] * (COPPER_ZERO + warm) / (COPPER_ZERO + windings)})
    for load, slopes in warmth.loads.items():
        rise = equilibrium.parts[load] - usual
        parts = parts.replaced({load: ambient + rise * np.exp(np.clip(deviates @ slopes, -_HIGHEST_LOG, _HIGHEST_LOG))})
    circuit = circuit_of(nominal.bench, parts, junction + shift, _drawn_sag(*sags, moves, steps))
    return _Drawn(circuit, parts, junction + shift, ntc, shift, moves)


def _from(y: Floats, slopes: Floats, moves: Floats) -> Floats:
    """Return stage values (b, m, 2, n) of first order: `y` (m, 2, n) with its `slopes` (k, m, 2, n) by `moves`.

    In memory the values of one stage and unknown are a plane of their own, (b, m), as those of a Newton step.
    """
    intervals, _, size = y.shape
    made = np.empty((2, size, len(moves), intervals))
    for stage in (0, 1):
        for unknown in range(size):
            blocked = blocked_matmul(moves, np.ascontiguousarray(slopes[:, :, stage, unknown]))
            np.add(blocked, y[:, stage, unknown], out=made[stage, unknown])
    return made.transpose(2, 3, 0, 1)


def _solve_in_full(nominal: Nominal, deviates: Floats) -> dict[str, Floats]:
    """Return the quantities of every draw, each solved from its values of first order."""
    parts, shift = _drawn_parts(nominal, deviates)
    equilibrium = nominal.solved.equilibrium
    sags = equilibrium.state.circuit.sag, nominal.moved.equilibrium.state.circuit.sag
    drawn = _drawn_circuits(nominal, deviates, sags, None)
    fine, moved = equilibrium.state.solution, nominal.moved.equilibrium.state.solution
    start = _from(fine.y[0], (moved.y - fine.y) / STEP, drawn.moves)
    near = SteadyState(
        drawn.circuit, PeriodicSolution(fine.mesh, start, np.zeros_like(start), np.zeros(len(start), bool))
    )
    guess = replace(equilibrium, state=near, parts=drawn.parts, junction=drawn.junction, ntc=drawn.ntc)
    return solve(nominal.bench, parts, shift, initial_guess=guess).quantities


def _solve_fast(method: _FastMethod, deviates: Floats) -> tuple[dict[str, Floats], NDArray[np.bool_]]:
    """Return the quantities of every draw, and which draws conserve charge."""
    nominal = method.nominal
    drawn = _drawn_circuits(nominal, deviates, method.sags, method.core_steps)
    circuit, parts = drawn.circuit, drawn.parts
    start = _from(method.y, method.y_slopes, drawn.moves)
    if circuit.sag is not None and not circuit.equations.wiring.symmetric:
        # The mean of the current makes the sag large, and first order is not enough for it.
        near = PeriodicSolution(method.mesh, start, np.zeros_like(start), np.zeros(len(start), bool))
        sag = sag_of(SteadyState(circuit, near), parts)
        circuit = replace(circuit, sag=sag and replace(sag, core_steps=method.core_steps))
    state = SteadyState(circuit, solve_periodic(circuit, method.mesh, start, most_steps=method.steps))
    found, balanced = _quantities(nominal.bench, state, parts, drawn.shift)
    slopes = np.stack([method.offset_slopes[name] for name in found], axis=1)
    for (name, value), more in zip(found.items(), blocked_matmul(drawn.moves, slopes).T, strict=True):
        found[name] = value + method.offsets[name] + more
    return found, balanced


def _drawn_sag(sag: Sag | None, moved: Sag | None, moves: Floats, steps: int | None) -> Sag | None:
    """Return what the core's idle current takes from the EMF of every draw, to first order: it is small."""
    if sag is None or moved is None:
        return sag
    volts = sag.volts + blocked_matmul(moves, (moved.volts - sag.volts) / STEP)
    slopes = ((moved.flux - sag.flux) / STEP).reshape(len(moved.flux), -1)
    flux = sag.flux + blocked_matmul(moves, slopes).reshape(-1, *sag.flux.shape[1:])
    return Sag(sag.angle, volts, flux, steps)


def _quantities(
    bench: Bench, state: SteadyState, parts: Parts, shift: Floats
) -> tuple[dict[str, Floats], NDArray[np.bool_]]:
    """Return quantities and temperatures of a solved state, and which variants conserve charge."""
    traces = traces_of(state)
    found, _ = readings_of(traces, parts["mains.frequency"], bench.rectifier.topology.ripple_order)
    ambient = parts["ambient.temperature"]
    rise = parts["diode.thermal_resistance"] * found["diode.power.mean"]
    ntc = ambient if bench.ntc is None else ntc_temperature(parts, rms_of(traces["mains.current"], traces.weights))
    equilibrium = ThermalEquilibrium(state, traces, parts, ambient + rise + np.where(rise > 0, shift, 0.0), ntc)
    found |= temperatures_of(bench, equilibrium, found)
    drawn = found["output.current.mean"]
    if "regulator.quiescent" in traces:
        drawn = drawn + mean_of(traces["regulator.quiescent"], traces.weights)
    imbalance = np.abs(_supplied(state, found["diode.current.mean"]) - drawn)
    finite = np.all([np.isfinite(value) for value in found.values()], axis=0)
    return found, finite & (imbalance <= _UNBALANCED * np.abs(drawn) + _STRAY_CURRENT)


def _supplied(state: SteadyState, first: Floats) -> Floats:
    """Return the mean current, (b,), that all paths bring to a port; `first` is that of the first path."""
    wiring, mesh = state.circuit.equations.wiring, state.solution.mesh
    if wiring.symmetric or len(wiring.signs) == 1:
        return len(wiring.signs) // wiring.ports * first
    # The two half periods of the mains may differ, and then so do the paths. Two outputs have paths of their own.
    paths = [path for path, charges in enumerate(wiring.charges) if charges[0] or not wiring.apart]
    currents = state.circuit.currents(state.solution.y, mesh.stages)[..., paths]
    means: Floats = np.einsum("bmsp,ms->b", currents, mesh.weights)
    return means if wiring.apart else means / wiring.ports


def _accurate_method(nominal: Nominal, deviates: Floats) -> _FastMethod | None:
    """Return the fastest method that agrees with the full solution of a few draws, or None if none does."""
    full = _solve_in_full(nominal, deviates)
    allowed = {name: _CLOSE * float(np.std(value)) + _negligible(name, full) for name, value in full.items()}
    by_stride: dict[int, _FastMethod | None] = {}
    for stride, steps in _FAST_METHODS:
        if stride not in by_stride:
            by_stride[stride] = _fast_method(nominal, stride)
        method = by_stride[stride]
        if method is None:
            continue
        method = replace(method, steps=steps)
        found, balanced = _solve_fast(method, deviates)
        if np.count_nonzero(balanced) >= _FEW_LEFT * len(deviates) and all(
            np.sqrt(np.mean((found[name] - value)[balanced] ** 2)) <= allowed[name] for name, value in full.items()
        ):
            return method
    return None


def _negligible(name: str, full: dict[str, Floats]) -> float:
    """Return a negligible error of a quantity, relative to the largest quantity of its unit at the same point."""
    sizes = [
        float(np.mean(np.abs(value)))
        for other, value in full.items()
        if other.rpartition(".")[0] == name.rpartition(".")[0] and UNITS[other] == UNITS[name]
    ]
    return MODEL_FLOOR * max(sizes) + _NEGLIGIBLE


def _strayed(values: Floats) -> NDArray[np.bool_]:
    """Return which draws, (b,), are so far from the others that Newton's few steps may have gone astray."""
    away = np.abs(values - np.median(values))
    strayed: NDArray[np.bool_] = away > _STRAYED * np.median(away) + MODEL_FLOOR * np.abs(np.median(values))
    return strayed


def solve_draws(
    nominal: Nominal, deviates: Floats, *, fast: bool = True, progress: Callable[[float], object] = lambda _: None
) -> tuple[dict[str, Floats], int]:
    """Return the quantities of all draws, (draws,), and how many of them were solved in full.

    `deviates` (draws, k) are those of the inputs, in standard uncertainties. The few that need more steps, or a full
    solution, are gathered from all chunks: a handful of them takes half as long as a whole chunk. Without `fast` every
    draw is solved in full. `progress` is called with the fraction done. Raises `PredictionError` if the circuit of a
    draw cannot be solved.
    """
    method = _accurate_method(nominal, deviates[:_PILOTS]) if fast else None
    values = {name: np.empty(len(deviates)) for name in nominal.solved.quantities}
    balanced = np.zeros(len(deviates), np.bool_)
    rest = np.arange(len(deviates))
    methods = () if method is None else (method, replace(method, steps=method.steps + _MORE_STEPS))
    for way in methods:
        for some in _chunks(rest, way.mesh):
            progress(some[0] / len(deviates))
            found, balanced[some] = _solve_fast(way, deviates[some])
            _put(values, some, found)
        rest = rest[(~balanced | _strayed(values["diode.current.peak"]))[rest]]
    for some in _chunks(rest, nominal.solved.equilibrium.state.solution.mesh):
        progress(some[0] / len(deviates))
        _put(values, some, _solve_in_full(nominal, deviates[some]))
    return values, len(rest)


def _chunks(draws: NDArray[np.intp], mesh: Mesh) -> list[NDArray[np.intp]]:
    """Return the numbers of draws in chunks that are solved at once on a mesh."""
    chunk = max(_LEAST_CHUNK, _CHUNK // len(mesh.widths))
    return [draws[start : start + chunk] for start in range(0, len(draws), chunk)]


def _put(values: dict[str, Floats], draws: NDArray[np.intp], found: dict[str, Floats]) -> None:
    for name, value in found.items():
        values[name][draws] = value
