"""Circuit and heat together: dissipation warms a part, the warm part changes the circuit, until both agree."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from benchmon.bench import Bench
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.diode import REFERENCE, ZERO_CELSIUS, forward_voltage
from benchmon.prediction.circuit.network import path_currents
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.circuit.steady_state import SteadyState, solve_circuit
from benchmon.prediction.circuit.trace_measures import rms_of
from benchmon.prediction.circuit.traces import Traces, traces_of
from benchmon.prediction.thermal.rated_rise import load_heats_itself, load_rise
from benchmon.signals.arrays import Floats

_CLOSE_KELVIN = 0.02
_CLOSE_RATIO = 1e-4
_CLOSE_LOAD_KELVIN = 0.05
_MOST_ROUNDS = 30
_HOTTEST = 300.0
"""In °C: above it silicon conducts by itself, and no diode's law holds."""

_STEEPEST = 20.0


S = TypeVar("S")


@dataclass(frozen=True)
class ThermalEquilibrium:
    """A steady state whose temperatures, in °C and of shape (b,), fit its dissipations."""

    state: SteadyState
    traces: Traces
    parts: Parts
    junction: Floats
    ntc: Floats


def solve_in_equilibrium(
    bench: Bench, parts: Parts, near: ThermalEquilibrium | None = None, shift: Floats | float = 0.0
) -> ThermalEquilibrium:
    """Return the settled state of circuit and temperatures; `near` is one to start from.

    `shift` (b,) kelvin is added to every junction's rise, for what the thermal model does not know. Raises
    `PredictionError` where circuit and heat find no common answer.
    """

    def solve(now: Parts, junction: Floats, state: SteadyState | None) -> tuple[SteadyState, Floats]:
        state = solve_circuit(bench, now, junction, state)
        return state, diode_power(state)

    start = near.junction if near else parts["ambient.temperature"]
    parts, ntc = with_ntc(bench, parts, near.ntc if near else None)
    warmth = Temperatures(parts, _widened(start, parts), ntc)
    state, warmth = solve_equilibrium(
        bench, warmth, shift, near.state if near else None, solve=solve, traces_of=traces_of
    )
    return ThermalEquilibrium(state, traces_of(state), warmth.parts, warmth.junction, warmth.ntc)


@dataclass(frozen=True)
class Temperatures:
    """Parts with the resistances that their temperatures give them, and temperatures in °C.

    `junction` is (b,), or (b, d) where diodes differ; `ntc` (b,).
    """

    parts: Parts
    junction: Floats
    ntc: Floats


def solve_equilibrium(
    bench: Bench,
    warmth: Temperatures,
    shift: Floats | float,
    state: S | None,
    *,
    solve: Callable[[Parts, Floats, S | None], tuple[S, Floats]],
    traces_of: Callable[[S], Traces],
) -> tuple[S, Temperatures]:
    """Return the circuit's state and the temperatures that fit it, from first guesses of both.

    `solve` gives the state at parts and junctions, starting from another, and the diodes' dissipations in the shape of
    the junctions. Raises `PredictionError` where there is no common answer.
    """
    parts, junction, ntc = warmth.parts, warmth.junction, warmth.ntc
    alike = (-1, *[1] * (junction.ndim - 1))
    shift = np.reshape(shift, alike)
    last: tuple[Floats, Floats] | None = None
    for _ in range(_MOST_ROUNDS):
        state, power = solve(parts, junction, state)
        rise = parts["diode.thermal_resistance"].reshape(alike) * power
        off = parts["ambient.temperature"].reshape(alike) + rise + np.where(rise > 0, shift, 0.0) - junction
        _refuse_too_hot(junction, off)
        settled = bool(np.max(np.abs(off)) < _CLOSE_KELVIN)
        following = junction + off if settled else _secant(junction, off, last)
        last, junction = (junction, off), following
        if bench.ntc is not None:
            traces = traces_of(state)
            ntc = ntc_temperature(parts, rms_of(traces["mains.current"], traces.weights))
            ohms = ntc_resistance(parts, ntc)
            settled = settled and bool(np.max(np.abs(ohms / parts["ntc.resistance"] - 1.0)) < _CLOSE_RATIO)
            parts = parts.replaced({"ntc.resistance": ohms})
        if load_heats_itself(bench):
            parts, load_settled = _with_warm_load(bench, parts, traces_of(state))
            settled = settled and load_settled
        if settled:
            return state, Temperatures(parts, junction, ntc)
    raise PredictionError(
        "diode, load or inrush limiter: circuit and temperature find no common answer; "
        "check thermal_resistance, temperature_coefficient and the limiter's r25, beta and dissipation_factor"
    )


def _with_warm_load(bench: Bench, parts: Parts, traces: Traces) -> tuple[Parts, bool]:
    """Return the parts with the load at the temperature that its dissipation gives it, and whether that has settled."""
    rise = load_rise(bench, traces)
    celsius = parts["ambient.temperature"] + (rise if rise is not None else 0.0)
    before = parts["load.temperature"] if "load.temperature" in parts else parts["ambient.temperature"]
    return parts.replaced({"load.temperature": celsius}), bool(np.max(np.abs(celsius - before)) < _CLOSE_LOAD_KELVIN)


def _refuse_too_hot(junction: Floats, off: Floats) -> None:
    if np.any((junction > _HOTTEST) | ((junction == _HOTTEST) & (off > 0))):
        raise PredictionError(
            f"diode: would be hotter than {_HOTTEST:.0f} °C, where none works and nothing can be predicted; "
            "check the load, diode.thermal_resistance and ambient.temperature"
        )


def _secant(junction: Floats, off: Floats, last: tuple[Floats, Floats] | None) -> Floats:
    """Return the next junction temperatures to try, from how far `off` these and the last ones are.

    A hotter diode dissipates less, so `off` falls by one kelvin or more a kelvin; the root is kept below the hottest.
    """
    slope = np.full_like(off, -1.0)
    if last is not None:
        moved = junction - last[0]
        far = np.abs(moved) > 1e-6
        slope = np.clip(np.where(far, (off - last[1]) / np.where(far, moved, 1.0), -1.0), -_STEEPEST, -1.0)
    return np.minimum(junction - off / slope, _HOTTEST)


def diode_power(state: SteadyState) -> Floats:
    """Return the mean dissipation of one diode, watts, (b,)."""
    circuit, solution = state.circuit, state.solution
    at, mesh = circuit.equations, solution.mesh
    current, _ = path_currents(at, solution.y, circuit.emf(mesh.stages), circuit.junction)
    saturation, thermal = (value[:, None, None, None] for value in circuit.junction)
    ohms = at.parts["diode.series_resistance"][:, None, None, None]
    power = (current * forward_voltage(current, saturation, thermal, ohms)).sum(-1)
    # What one diode does in the second half period, the other path's does in the first.
    mean: Floats = np.einsum("bms,ms->b", power, mesh.weights) / len(at.wiring.signs)
    return mean


def _widened(values: Floats, parts: Parts) -> Floats:
    return np.broadcast_to(values, (parts.variants,))


def with_ntc(bench: Bench, parts: Parts, near: Floats | None) -> tuple[Parts, Floats]:
    """Return the parts with a first guess of the limiter's resistance, and its temperature; `near` is a better one."""
    ambient = parts["ambient.temperature"]
    if bench.ntc is None:
        return parts, ambient
    ntc = _widened(near, parts) if near is not None else ambient + 80.0
    return parts.replaced({"ntc.resistance": ntc_resistance(parts, ntc)}), ntc


def ntc_resistance(parts: Parts, celsius: Floats) -> Floats:
    """Return the limiter's ohms: R25·exp(β·(1/T − 1/298.15 K)) (the β equation of IEC 60539-1, from memory)."""
    inverse = 1.0 / (celsius + ZERO_CELSIUS) - 1.0 / (REFERENCE + ZERO_CELSIUS)
    return parts["ntc.r25"] * np.exp(parts["ntc.beta"] * inverse)


def ntc_temperature(parts: Parts, current: Floats) -> Floats:
    """Return the temperature, °C, at which the limiter gives off what `current` (b,) rms amperes bring.

    D·(T − Ta) − I²·R(T) rises with T, so there is one root; it is bisected between ambient and 1000 K above.
    """
    ambient = parts["ambient.temperature"]
    low, high = ambient.copy(), ambient + 1000.0
    for _ in range(45):
        middle = (low + high) / 2.0
        too_cold = parts["ntc.dissipation_factor"] * (middle - ambient) < current**2 * ntc_resistance(parts, middle)
        low, high = np.where(too_cold, middle, low), np.where(too_cold, high, middle)
    return (low + high) / 2.0
