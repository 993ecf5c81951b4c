"""Uncertainty by propagation of distributions (Monte Carlo, JCGM 101:2008): what first order cannot tell is seen here.

Every draw is a circuit of its own. It starts from the nominal solution moved by the first-order sensitivities, and a
Newton step or two on a coarser mesh makes it that draw's; what the coarser mesh changes is taken off again, as the
nominal solution and its sensitivities on the same mesh tell it (a control variate). A few draws are solved in full to
see that this is enough, and every draw must balance its charge; where it does not, the draw is solved in full.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench
from benchmon.prediction.circuit.circuit import circuit_of
from benchmon.prediction.circuit.parts import Parts, parts_of
from benchmon.prediction.circuit.steady_state import SteadyState
from benchmon.prediction.circuit.trace_measures import mean_of, readings_of, rms_of
from benchmon.prediction.circuit.traces import traces_of
from benchmon.prediction.collocation import Mesh, blocked_matmul, solve_periodic
from benchmon.prediction.predict import ESTIMATES, STEP, SolvedQuantities, solve, temperatures_of, varied_parts
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium, ntc_resistance, ntc_temperature
from benchmon.prediction.uncertainty import JUNCTION_SHIFT, MODEL_FLOOR, InputUncertainty, input_uncertainties_of
from benchmon.quantities import UNITS
from benchmon.signals.arrays import Floats

_CHUNK = 250
_PILOTS = 32
_WAYS = ((2, 1), (2, 2), (1, 1), (1, 2))
"""Ways to solve a draw, quickest first: every how many edges of the mesh are kept, and how many Newton steps."""

_CLOSE = 0.15
"""A draw may be off by this part of the standard deviation, which makes the deviation itself 1 % too large."""

_UNBALANCED = 3e-3
_NO_CURRENT = 1e-6
_NOTHING = 1e-5
_HIGHEST_LOG = 3.0


@dataclass(frozen=True, slots=True)
class Distribution:
    """A quantity's distribution: mean, standard deviation, and the 95 % interval that leaves 2.5 % on each side."""

    mean: float
    deviation: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True)
class MonteCarlo:
    """The distribution of every quantity. `values` maps a quantity to its draws, (draws,).

    `solved_in_full` counts the draws for which the quick way was not near enough.
    """

    quantities: dict[str, Distribution]
    values: dict[str, Floats]
    solved_in_full: int


@dataclass(frozen=True)
class _Nominal:
    """The nominal solution, and one moved by each allowance, with junction shifts (k,) in kelvin."""

    bench: Bench
    known: list[InputUncertainty]
    solved: SolvedQuantities
    moved: SolvedQuantities
    shift: Floats


@dataclass(frozen=True)
class _Quick:
    """A quick way to solve draws near the nominal solution: `steps` of Newton on `mesh`.

    `y` (m, 2, n) are the nominal stage values on it, `y_slopes` (k, m, 2, n) their change by one standard uncertainty;
    `rise_slopes` and `ntc_slopes` (k,) those of the logarithm of junction's and limiter's rise; `offsets` what is to
    be added to each quantity because the mesh is coarser, `offset_slopes` (k,) how that changes likewise.
    """

    nominal: _Nominal
    mesh: Mesh
    steps: int
    y: Floats
    y_slopes: Floats
    rise_slopes: Floats
    ntc_slopes: Floats
    offsets: dict[str, Floats]
    offset_slopes: dict[str, Floats]


def monte_carlo(
    bench: Bench,
    draws: int = 10_000,
    *,
    mains_voltage: float | None = None,
    seed: int = 1,
    quickly: bool = True,
    progress: Callable[[float], object] = lambda _: None,
) -> MonteCarlo:
    """Return the distribution of every predicted quantity of `bench` over `draws` draws of all its allowances.

    Tolerances of mains and capacitors are drawn evenly, all else normally, in proportion where a value is above zero
    by nature. `mains_voltage` (V rms) is a measured mains, which is not drawn. The same `seed` gives the same draws.
    Without `quickly` every draw is solved in full. `progress` is told now and then which part of them is done; what it
    raises ends this. Raises `PredictionError` where a draw's circuit has no answer.
    """
    parts = parts_of(bench)
    if mains_voltage is not None:
        parts = parts.replaced({"mains.voltage": np.array([mains_voltage])})
    known = input_uncertainties_of(bench, parts, mains_is_measured=mains_voltage is not None)
    random = np.random.default_rng(seed)
    deviates = deviates_of(random, known, max(draws, 2))
    nominal = _nominal(bench, parts, known)
    quick = _quick_enough(nominal, deviates[:_PILOTS]) if quickly else None
    chunks = []
    for start in range(0, len(deviates), _CHUNK):
        progress(start / len(deviates))
        chunks.append(_chunk(nominal, quick, deviates[start : start + _CHUNK]))
    values = {name: np.concatenate([found[name] for found, _ in chunks]) for name in nominal.solved.quantities}
    _add_the_model(random, values)
    spreads = {name: spread_of(value, UNITS[name]) for name, value in values.items()}
    return MonteCarlo(spreads, values, sum(count for _, count in chunks))


def spread_of(values: Floats, unit: str) -> Distribution:
    """Return the distribution of `values` (draws,), in `unit`."""
    low, high = np.quantile(values, [0.025, 0.975])
    return Distribution(float(np.mean(values)), float(np.std(values, ddof=1)), float(low), float(high), unit)


def deviates_of(random: np.random.Generator, known: list[InputUncertainty], draws: int) -> Floats:
    """Return deviates of mean 0 and standard deviation 1, (draws, k)."""
    found = random.standard_normal((draws, len(known)))
    for column, entry in enumerate(known):
        if entry.rectangular:
            found[:, column] = random.uniform(-np.sqrt(3.0), np.sqrt(3.0), draws)
    return found


def _add_the_model(random: np.random.Generator, values: dict[str, Floats]) -> None:
    """Add what the model itself does not know, as the first-order uncertainty does."""
    for name, (doubt, _) in ESTIMATES.items():
        if name in values:
            rise = values[name] - values["ambient.temperature"]
            values[name] = values[name] + doubt * rise * random.standard_normal(len(rise))
    for name, value in values.items():
        values[name] = value * (1.0 + MODEL_FLOOR * random.standard_normal(len(value)))


def _nominal(bench: Bench, parts: Parts, known: list[InputUncertainty]) -> _Nominal:
    solved = solve(bench, parts)
    moved, shift = varied_parts(parts, solved.warm, known)
    return _Nominal(bench, known, solved, solve(bench, moved, shift, near=solved.warm), shift)


def _quick(nominal: _Nominal, stride: int, steps: int) -> _Quick | None:
    """Return the quick way on every `stride`-th edge of the mesh, None where the circuit has no answer there."""
    warm, moved = nominal.solved.warm, nominal.moved.warm
    fine = warm.state.solution
    half, whole = stride // 2 - 1, stride - 1
    start = fine.y if stride == 1 else np.stack([fine.y[:, half::stride, 1], fine.y[:, whole::stride, 1]], axis=2)
    mesh = Mesh(fine.mesh.edges[::stride])
    circuit = circuit_of(nominal.bench, warm.parts, warm.junction)
    one = solve_periodic(circuit, mesh, start)
    moved_circuit = circuit_of(nominal.bench, moved.parts, moved.junction)
    many = solve_periodic(moved_circuit, mesh, np.repeat(one.y, len(nominal.known), axis=0))
    if not (np.all(one.converged) and np.all(many.converged)):
        return None
    there, _ = _read(nominal.bench, SteadyState(circuit, one), warm.parts, np.zeros(1))
    around, _ = _read(nominal.bench, SteadyState(moved_circuit, many), moved.parts, nominal.shift)
    offsets = {name: nominal.solved.quantities[name] - value for name, value in there.items()}
    moved_offsets = {name: nominal.moved.quantities[name] - value for name, value in around.items()}
    ambient, moved_ambient = warm.parts["ambient.temperature"], moved.parts["ambient.temperature"]
    return _Quick(
        nominal,
        mesh,
        steps,
        one.y[0],
        (many.y - one.y) / STEP,
        _log_slopes(warm.junction - ambient, moved.junction - moved_ambient - nominal.shift),
        _log_slopes(warm.ntc - ambient, moved.ntc - moved_ambient),
        offsets,
        {name: (moved_offsets[name] - value) / STEP for name, value in offsets.items()},
    )


def _log_slopes(rise: Floats, moved: Floats) -> Floats:
    """Return the change of ln(rise) by one standard uncertainty of each allowance; 0 where nothing warms."""
    safe = (rise > 0.0) & (moved > 0.0)
    return np.where(safe, np.log(np.where(safe, moved, 1.0) / np.where(safe, rise, 1.0)), 0.0) / STEP


def _drawn_parts(nominal: _Nominal, deviates: Floats) -> tuple[Parts, Floats]:
    """Return the parts of every draw, and how far its junction is from what the thermal model says, in kelvin."""
    parts = nominal.solved.warm.parts
    changes = {name: np.repeat(value, len(deviates)) for name, value in parts.values.items()}
    shift = np.zeros(len(deviates))
    rise = nominal.solved.warm.junction - parts["ambient.temperature"]
    for column, entry in enumerate(nominal.known):
        moved = entry.size * deviates[:, column]
        if entry.part == JUNCTION_SHIFT:
            shift = -moved * rise
        elif not entry.relative:
            changes[entry.part] = changes[entry.part] + moved
        else:
            changes[entry.part] = changes[entry.part] * (1.0 + moved if entry.rectangular else np.exp(moved))
    return Parts(changes), shift


def _in_full(nominal: _Nominal, deviates: Floats) -> dict[str, Floats]:
    parts, shift = _drawn_parts(nominal, deviates)
    return solve(nominal.bench, parts, shift, near=nominal.solved.warm).quantities


def _quickly(quick: _Quick, deviates: Floats) -> tuple[dict[str, Floats], NDArray[np.bool_]]:
    """Return the quantities of every draw, and which draws balance their charge."""
    nominal, warm = quick.nominal, quick.nominal.solved.warm
    parts, shift = _drawn_parts(nominal, deviates)
    ambient, usual = parts["ambient.temperature"], warm.parts["ambient.temperature"]
    junction, ntc = (
        ambient + (celsius - usual) * np.exp(np.clip(deviates @ slopes, -_HIGHEST_LOG, _HIGHEST_LOG))
        for celsius, slopes in ((warm.junction, quick.rise_slopes), (warm.ntc, quick.ntc_slopes))
    )
    if nominal.bench.ntc is not None:
        parts = parts.replaced({"ntc.resistance": ntc_resistance(parts, ntc)})
    circuit = circuit_of(nominal.bench, parts, junction + shift)
    moves = blocked_matmul(deviates, quick.y_slopes.reshape(len(quick.y_slopes), -1))
    start = quick.y + moves.reshape(-1, *quick.y.shape)
    state = SteadyState(circuit, solve_periodic(circuit, quick.mesh, start, most_steps=quick.steps))
    found, balanced = _read(nominal.bench, state, parts, shift)
    for name, value in found.items():
        found[name] = value + quick.offsets[name] + deviates @ quick.offset_slopes[name]
    return found, balanced


def _read(bench: Bench, state: SteadyState, parts: Parts, shift: Floats) -> tuple[dict[str, Floats], NDArray[np.bool_]]:
    """Return quantities and temperatures of a solved state, and which variants balance their charge."""
    wiring, traces = state.circuit.equations.wiring, traces_of(state)
    found, _ = readings_of(traces, parts["mains.frequency"], bench.rectifier.topology.ripple_order)
    ambient = parts["ambient.temperature"]
    rise = parts["diode.thermal_resistance"] * found["diode.power.mean"]
    ntc = ambient if bench.ntc is None else ntc_temperature(parts, rms_of(traces["mains.current"], traces.weights))
    warm = ThermalEquilibrium(state, traces, parts, ambient + rise + np.where(rise > 0, shift, 0.0), ntc)
    found |= temperatures_of(bench, warm, found)
    drawn = found["output.current.mean"]
    if "regulator.quiescent" in traces:
        drawn = drawn + mean_of(traces["regulator.quiescent"], traces.weights)
    together = len(wiring.signs) // wiring.ports
    away = np.abs(together * found["diode.current.mean"] - drawn)
    finite = np.all([np.isfinite(value) for value in found.values()], axis=0)
    return found, finite & (away <= _UNBALANCED * np.abs(drawn) + _NO_CURRENT)


def _quick_enough(nominal: _Nominal, deviates: Floats) -> _Quick | None:
    """Return the quickest way that comes near the full solution of a few draws, None where none does."""
    wanted = _in_full(nominal, deviates)
    allowed = {name: _CLOSE * float(np.std(value)) + _floor(name, wanted) for name, value in wanted.items()}
    for stride, steps in _WAYS:
        quick = _quick(nominal, stride, steps)
        if quick is None:
            continue
        found, balanced = _quickly(quick, deviates)
        if 2 * np.count_nonzero(balanced) > len(deviates) and all(
            np.sqrt(np.mean((found[name] - value)[balanced] ** 2)) <= allowed[name] for name, value in wanted.items()
        ):
            return quick
    return None


def _floor(name: str, wanted: dict[str, Floats]) -> float:
    """Return what is too little to matter for a quantity: beside the largest of its kind at the same point."""
    kin = [
        float(np.mean(np.abs(value)))
        for other, value in wanted.items()
        if other.rpartition(".")[0] == name.rpartition(".")[0] and UNITS[other] == UNITS[name]
    ]
    return MODEL_FLOOR * max(kin) + _NOTHING


def _chunk(nominal: _Nominal, quick: _Quick | None, deviates: Floats) -> tuple[dict[str, Floats], int]:
    """Return the quantities of a chunk of draws, and how many of them were solved in full."""
    if quick is None:
        return _in_full(nominal, deviates), len(deviates)
    found, balanced = _quickly(quick, deviates)
    rest = np.flatnonzero(~balanced)
    if len(rest):
        for name, value in _in_full(nominal, deviates[rest]).items():
            found[name][rest] = value
    return found, len(rest)
