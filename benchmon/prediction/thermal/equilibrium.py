"""Thermal equilibrium: the steady state of a circuit and the temperatures of its parts, solved together.

Dissipation warms a part, and its temperature changes the circuit: the diode junction (a secant iteration), the inrush
limiter, the windings and a load resistor with a temperature coefficient (fixed-point iterations).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Generic, TypeVar

import numpy as np

from benchmon.bench import Bench
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.circuit import circuit_of
from benchmon.prediction.circuit.diode import REFERENCE, ZERO_CELSIUS, forward_voltage
from benchmon.prediction.circuit.network import like_paths
from benchmon.prediction.circuit.parts import COPPER_GROWTH, SECOND_WARMER, Parts
from benchmon.prediction.circuit.steady_state import FINE, SteadyState
from benchmon.prediction.circuit.trace_measures import rms_of
from benchmon.prediction.circuit.traces import Traces, load_traces_of, sag_of, traces_of
from benchmon.prediction.thermal.rated_rise import copper_growth, copper_warms, load_heats_itself, load_rises
from benchmon.prediction.thermal.settling_core import CoreModel, SettlingCore
from benchmon.signals.arrays import Floats

_CLOSE_KELVIN = 0.02
_CLOSE_RATIO = 1e-4
_CLOSE_LOAD_KELVIN = 0.002  # inputs are moved by so little that 0.05 K hides how a warmer load draws less
_CLOSE_GROWTH = 1e-5
_MOST_ROUNDS = 30

_HOTTEST = 300.0
"""In °C: above this, silicon is intrinsically conducting and the diode law does not hold."""

_TELLING, _TELLING_ROUGHLY = 1e-3, 2.0
"""Kelvins between two junction temperatures from which their errors give a slope, on one mesh and on different ones."""

_STEEPEST = 20.0
"""Largest fall of the temperature error per kelvin that the secant iteration assumes."""

_LOAD_TEMPERATURES = ("load.temperature", "load_2.temperature")

S = TypeVar("S")


@dataclass(frozen=True)
class ThermalEquilibrium:
    """A steady state in equilibrium with its temperatures, in °C (b,): those of the measured diode and the limiter."""

    state: SteadyState
    traces: Traces
    parts: Parts
    junction: Floats
    ntc: Floats
    slope: Floats = field(default_factory=lambda: np.array([-1.0]))
    """By how much the error of a junction temperature changed in a kelvin while it was sought, (b,)."""


def solve_in_equilibrium(
    bench: Bench, parts: Parts, initial_guess: ThermalEquilibrium | None = None, shift: Floats | float = 0.0
) -> ThermalEquilibrium:
    """Return the steady state of circuit and temperatures; `initial_guess` is one to start from.

    `shift` (b,) kelvin is added to the rise of every junction, for the error of the thermal model. Raises
    `PredictionError` if the circuit has no steady state or the temperatures find no equilibrium.
    """
    settling = SettlingCore(
        CoreModel(
            bench,
            lambda now, junction, sag: circuit_of(bench, now, junction, sag),
            SteadyState,
            sag_of,
            FINE,
            together=bench.rectifier.topology.repeats_after_half and bench.ntc is None,
        )
    )

    def with_core(state: SteadyState) -> Traces:
        return traces_of(state, settling.idle_of(state))

    def solve(now: Parts, junction: Floats, state: SteadyState | None) -> Turn[SteadyState]:
        state, settled = settling.next(now, junction, state)
        powers = diode_powers(state)
        return Turn(state, powers[:, 0], settled, settling.is_resolved, powers[:, -1] - powers[:, 0])

    start = initial_guess.junction if initial_guess else parts["ambient.temperature"]
    parts, ntc = with_ntc(bench, parts, initial_guess.ntc if initial_guess else None)
    if initial_guess and load_heats_itself(bench):
        warm = {name: initial_guess.parts[name] for name in _LOAD_TEMPERATURES if name in initial_guess.parts}
        parts = parts.replaced({name: _for_all_variants(value, parts) for name, value in warm.items()})
    if initial_guess and COPPER_GROWTH in initial_guess.parts:
        parts = parts.replaced({COPPER_GROWTH: _for_all_variants(initial_guess.parts[COPPER_GROWTH], parts)})
    if initial_guess and SECOND_WARMER in initial_guess.parts:
        parts = parts.replaced({SECOND_WARMER: _for_all_variants(initial_guess.parts[SECOND_WARMER], parts)})
    slope = initial_guess.slope if initial_guess else np.array([-1.0])
    temperatures = Temperatures(parts, _for_all_variants(start, parts), ntc, _for_all_variants(slope, parts))
    first, measured = initial_guess.state if initial_guess else None, load_traces_of
    if bench.ntc or copper_warms(bench):
        measured = with_core
    state, temperatures = solve_equilibrium(bench, temperatures, shift, first, solve=solve, traces_of=measured)
    found = temperatures
    return ThermalEquilibrium(state, with_core(state), found.parts, found.junction, found.ntc, found.slope)


@dataclass(frozen=True)
class Turn(Generic[S]):
    """A `state` of the circuit at given temperatures, and the dissipation `power` of its diodes, watts.

    `core_settled` is whether the idle current of the core has settled, `is_resolved` whether the mesh is the final one.
    `second_more` (b,) is by how many watts a diode of the second output dissipates more than one of the first.
    """

    state: S
    power: Floats
    core_settled: bool
    is_resolved: bool
    second_more: Floats | float = 0.0


@dataclass(frozen=True)
class Temperatures:
    """Temperatures in °C, and the parts with their resistances at these temperatures.

    `junction` is (b,), or (b, d) if the diodes differ; `ntc` is (b,). `slope`, in the shape of the junctions or of one
    variant, is by how much the error of a junction temperature changes in a kelvin.
    """

    parts: Parts
    junction: Floats
    ntc: Floats
    slope: Floats = field(default_factory=lambda: np.array([-1.0]))


def solve_equilibrium(
    bench: Bench,
    temperatures: Temperatures,
    shift: Floats | float,
    state: S | None,
    *,
    solve: Callable[[Parts, Floats, S | None], Turn[S]],
    traces_of: Callable[[S], Traces],
) -> tuple[S, Temperatures]:
    """Return the state of the circuit and the temperatures in equilibrium with it, from first guesses of both.

    `solve` returns the turn at given parts and junctions, from a state to start from, with the dissipation of the
    diodes in the shape of the junctions. Raises `PredictionError` if the iteration does not converge, or a diode would
    be too hot.
    """
    parts, junction, ntc = temperatures.parts, temperatures.junction, temperatures.ntc
    column = (-1, *[1] * (junction.ndim - 1))
    shift = np.reshape(shift, column)
    last: tuple[Floats, Floats] | None = None
    telling = _TELLING_ROUGHLY
    slope = np.broadcast_to(temperatures.slope, junction.shape)
    if copper_warms(bench) and COPPER_GROWTH not in parts:
        parts = parts.replaced({COPPER_GROWTH: copper_growth(bench, parts, None)})
    for _ in range(_MOST_ROUNDS):
        turn = solve(parts, junction, state)
        state = turn.state
        rise = parts["diode.thermal_resistance"].reshape(column) * turn.power
        error = parts["ambient.temperature"].reshape(column) + rise + np.where(rise > 0, shift, 0.0) - junction
        _refuse_too_hot(junction, error)
        settled = bool(np.max(np.abs(error)) < _CLOSE_KELVIN)
        slope = _slope(junction, error, last, slope, telling)
        following = junction + error if settled else np.minimum(junction - error / slope, _HOTTEST)
        settled = settled and turn.core_settled
        last, junction = (junction, error), following
        if SECOND_WARMER in parts:
            warmer = parts["diode.thermal_resistance"] * turn.second_more
            settled = settled and bool(np.max(np.abs(warmer - parts[SECOND_WARMER])) < _CLOSE_KELVIN)
            parts = parts.replaced({SECOND_WARMER: warmer})
        telling = _TELLING if turn.is_resolved else _TELLING_ROUGHLY
        if bench.ntc is not None:
            traces = traces_of(state)
            ntc = ntc_temperature(parts, rms_of(traces["mains.current"], traces.weights))
            ohms = ntc_resistance(parts, ntc)
            settled = settled and bool(np.max(np.abs(ohms / parts["ntc.resistance"] - 1.0)) < _CLOSE_RATIO)
            parts = parts.replaced({"ntc.resistance": ohms})
        if copper_warms(bench):
            growth = copper_growth(bench, parts, traces_of(state))
            settled = settled and bool(np.max(np.abs(growth - parts.copper_growth)) < _CLOSE_GROWTH)
            parts = parts.replaced({COPPER_GROWTH: growth})
        if load_heats_itself(bench):
            parts, load_settled = _with_warm_load(bench, parts, traces_of(state))
            settled = settled and load_settled
        if settled:
            return state, Temperatures(parts, junction, ntc, slope)
    raise PredictionError(
        "diode, load or inrush limiter: circuit and temperature find no equilibrium; "
        "check thermal_resistance, temperature_coefficient and the limiter's r25, beta and dissipation_factor"
    )


def _with_warm_load(bench: Bench, parts: Parts, traces: Traces) -> tuple[Parts, bool]:
    """Return the parts with the load at the temperature of its dissipation, and whether that has converged."""
    settled = True
    for point, rise in load_rises(bench, traces).items():
        name, ambient = f"{point}.temperature", parts["ambient.temperature"]
        celsius, before = ambient + rise, parts.values.get(name, ambient)
        settled = settled and bool(np.max(np.abs(celsius - before)) < _CLOSE_LOAD_KELVIN)
        parts = parts.replaced({name: celsius})
    return parts, settled


def _refuse_too_hot(junction: Floats, error: Floats) -> None:
    if np.any((junction > _HOTTEST) | ((junction == _HOTTEST) & (error > 0))):
        raise PredictionError(
            f"diode: would be hotter than {_HOTTEST:.0f} °C, where no diode works and nothing can be predicted; "
            "check the load, diode.thermal_resistance and ambient.temperature"
        )


def _slope(
    junction: Floats, error: Floats, last: tuple[Floats, Floats] | None, known: Floats, telling: float
) -> Floats:
    """Return the change of the `error` of junction temperatures by a kelvin, from these and the last ones.

    A hotter diode dissipates less, so the error falls by at least one kelvin per kelvin. Where the last ones are too
    near for that, less than `telling` kelvins, it is the one `known` before.
    """
    if last is None:
        return known
    moved = junction - last[0]
    far = np.abs(moved) > telling
    slope = np.clip((error - last[1]) / np.where(far, moved, 1.0), -_STEEPEST, -1.0)
    return np.where(far, slope, known)


def diode_powers(state: SteadyState) -> Floats:
    """Return the mean dissipation of one diode of each output, watts, (b, 1), or (b, 2) where two differ."""
    circuit, solution = state.circuit, state.solution
    equations, mesh = circuit.equations, solution.mesh
    current = circuit.currents(solution.y, mesh.stages)
    saturation, thermal = (like_paths(value, current) for value in circuit.junction)
    ohms = equations.parts["diode.series_resistance"][:, None, None, None]
    power = current * forward_voltage(current, saturation, thermal, ohms)
    power = power.reshape(*power.shape[:3], 2 if equations.wiring.apart else 1, -1).sum(-1)
    # In the second half period a diode behaves as that of the other path does in the first.
    paths = len(equations.wiring.signs) // power.shape[-1]
    mean: Floats = np.einsum("bmso,ms->bo", power, mesh.weights) / paths
    return mean


def _for_all_variants(values: Floats, parts: Parts) -> Floats:
    return np.broadcast_to(values, (parts.variants,))


def with_ntc(bench: Bench, parts: Parts, initial_guess: Floats | None) -> tuple[Parts, Floats]:
    """Return the parts with a first value of the limiter's resistance, and its temperature, °C (b,).

    `initial_guess` is a temperature to start from; None starts at a usual one.
    """
    ambient = parts["ambient.temperature"]
    if bench.ntc is None:
        return parts, ambient
    ntc = _for_all_variants(initial_guess, parts) if initial_guess is not None else ambient + 80.0
    return parts.replaced({"ntc.resistance": ntc_resistance(parts, ntc)}), ntc


def ntc_resistance(parts: Parts, celsius: Floats) -> Floats:
    """Return the resistance of the limiter: R25·exp(β·(1/T − 1/298.15 K)) (β equation of IEC 60539-1, from memory)."""
    inverse = 1.0 / (celsius + ZERO_CELSIUS) - 1.0 / (REFERENCE + ZERO_CELSIUS)
    return parts["ntc.r25"] * np.exp(parts["ntc.beta"] * inverse)


def ntc_temperature(parts: Parts, current: Floats) -> Floats:
    """Return the temperature, °C (b,), at which the limiter dissipates the heat of `current` (b,) rms amperes.

    D·(T − Ta) − I²·R(T) rises with T, so there is one root; it is bisected between ambient and 1000 K above.
    """
    ambient = parts["ambient.temperature"]
    low, high = ambient.copy(), ambient + 1000.0
    for _ in range(45):
        middle = (low + high) / 2.0
        too_cold = parts["ntc.dissipation_factor"] * (middle - ambient) < current**2 * ntc_resistance(parts, middle)
        low, high = np.where(too_cold, middle, low), np.where(too_cold, high, middle)
    return (low + high) / 2.0
