"""Measures of the traces of a circuit, and from them the readings of every meter; many variants at a time.

Traces are (b, k) over one whole period, at unevenly spaced instants with quadrature weights (k,) whose sum is 1.
Definitions are those of IEEE 1459-2010 and IEC 61000-4-7: rms is true rms of the whole wave, distortion is relative to
the fundamental, orders 2 to 40.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchmon.prediction.circuit.traces import Traces, of_second
from benchmon.prediction.collocation import blocked_matmul
from benchmon.quantities import at_second_output
from benchmon.signals.arrays import Floats

ORDERS = 40

_SPLINE_ROUNDS = 12
_NOISE_PEAKS = 6.0
"""Peak to peak of a noise over its rms, beyond which it is for a few parts in a thousand of the time."""

_ROUNDING = 1e-4
"""Part of a trace's size below which a negative value is rounding."""

_ROUND = 0.25
"""Curvature beside the bottom of a trace, relative to that at the bottom, above which it is round and no cusp."""

_CORNER = 0.5
"""Curvature beside the top of a trace, relative to that at the top, below which it is a corner and no parabola."""

Harmonics = NDArray[np.complex128]
"""Complex rms of orders 1 to `ORDERS`, (b, orders)."""


def mean_of(trace: Floats, weights: Floats) -> Floats:
    """Return the average, (b,)."""
    return trace @ weights


def rms_of(trace: Floats, weights: Floats) -> Floats:
    """Return the true rms, (b,)."""
    return np.sqrt((trace * trace) @ weights)


def ac_rms_of(trace: Floats, weights: Floats) -> Floats:
    """Return the rms without the mean, (b,): sqrt(rms² − mean²), calculated without cancellation."""
    return rms_of(trace - mean_of(trace, weights)[:, None], weights)


def peak_of(trace: Floats, angle: Floats) -> Floats:
    """Return the largest value, (b,), from the parabola through the highest sample and its neighbours.

    `angle` (k,) are the instants, rising, over one period of 2π. If a neighbour curves less than half as much as the
    top, it is a corner rather than a parabola, and the rise above the highest sample is reduced in proportion.
    """
    top = np.argmax(trace, axis=1)
    at = (top + np.arange(-2, 3)[:, None]) % trace.shape[1]
    values = trace[np.arange(len(trace)), at]
    steps = ((np.roll(angle, -1) - angle) % (2.0 * np.pi))[at[:-1]]
    slopes = (values[1:] - values[:-1]) / steps
    before, curvature, after = (slopes[:-1] - slopes[1:]) / (steps[:-1] + steps[1:])
    slope = (slopes[1] * steps[2] + slopes[2] * steps[1]) / (steps[1] + steps[2])
    smoothness = np.clip(ratio(np.minimum(before, after), _CORNER * curvature), 0.0, 1.0)
    rise = np.where(curvature > 0, smoothness * ratio(slope * slope, 4.0 * curvature), 0.0)
    top_of_parabola: Floats = values[2] + rise
    return top_of_parabola


def valley_of(trace: Floats, angle: Floats, *, cusps: bool = False) -> Floats:
    """Return the smallest value, (b,); what is zero but for rounding is zero.

    With `cusps` it may lie between two instants, as at the zero of the mains without a filter: where the straight lines
    through the two instants before and the two after meet.
    """
    found = -peak_of(-trace, angle)
    if cusps:
        lowest = np.argmin(trace, axis=1)
        for left in (lowest - 1, lowest):
            found = np.minimum(found, _cusp(trace, angle, left, found))
    least, size = np.min(trace, axis=1), np.max(np.abs(trace), axis=1)
    cleaned: Floats = np.where(least >= -_ROUNDING * size, np.maximum(found, 0.0), found)
    return cleaned


def _cusp(trace: Floats, angle: Floats, left: NDArray[np.intp], otherwise: Floats) -> Floats:
    """Return the bottom, (b,), of the cusp between the instants `left` (b,) and the next; `otherwise` without one."""
    rows, count = np.arange(len(trace)), trace.shape[1]
    at = (left[:, None] + np.arange(-2, 4)) % count
    values, steps = trace[rows[:, None], at], (angle[np.roll(at, -1, axis=1)] - angle[at])[:, :-1] % (2.0 * np.pi)
    slopes = np.diff(values, axis=1) / steps
    falls, rises, width = slopes[:, 1], slopes[:, 3], steps[:, 2]
    meets = ratio(values[:, 3] - values[:, 2] - rises * width, falls - rises)
    # Where the curve bends beside the bottom about as much as at it, the bottom is round.
    bend = np.diff(slopes, axis=1) / (steps[:, 1:] + steps[:, :-1])
    is_round = np.maximum(bend[:, 0], bend[:, 3]) > _ROUND * np.maximum(bend[:, 1], bend[:, 2])
    is_cusp = (falls < 0.0) & (rises > 0.0) & (meets > 0.0) & (meets < width) & ~is_round
    return np.where(is_cusp, values[:, 2] + falls * meets, otherwise)


def phasors(trace: Floats, angle: Floats, orders: int = ORDERS) -> NDArray[np.complex128]:
    """Return the complex rms of orders 1 to `orders`, (b, orders), of the periodic cubic spline through a trace.

    The second derivative of the spline is straight between the instants `angle` (k,) and has a closed Fourier integral
    (Filon 1928, with linear interpolation), so high orders need no more instants than the shape of the trace does.
    Phasors are linear in the trace, so where there are more traces than instants, those of one instant each are enough.
    """
    if len(trace) > len(angle):
        parts = blocked_matmul(trace, _phasors_of_instants(angle.tobytes(), orders))
        return parts[:, :orders] + 1j * parts[:, orders:]
    return _phasors_of_spline(trace, angle, orders)


@lru_cache(maxsize=4)
def _phasors_of_instants(angle: bytes, orders: int) -> Floats:
    """Return real and imaginary parts, (k, 2·orders), of traces that are 1 at one instant each and 0 at the others.

    `angle` are the bytes of the instants.
    """
    instants = np.frombuffer(angle)
    found = _phasors_of_spline(np.eye(len(instants)), instants, orders)
    return np.concatenate([found.real, found.imag], axis=1)


def _phasors_of_spline(trace: Floats, angle: Floats, orders: int) -> NDArray[np.complex128]:
    """Return the same as `phasors`, from the spline of every trace."""
    widths = np.append(np.diff(angle), angle[0] + 2.0 * np.pi - angle[-1])
    bend = _second_derivative(trace, widths)
    real, imaginary = _changes_of_turns(angle.tobytes(), orders)
    slopes = (np.roll(bend, -1, axis=1) - bend) / widths
    found: NDArray[np.complex128] = blocked_matmul(slopes, real) + 1j * blocked_matmul(slopes, imaginary)
    return found


@lru_cache(maxsize=4)
def _changes_of_turns(instants: bytes, orders: int) -> tuple[Floats, Floats]:
    """Return what each interval adds to the Fourier integrals, (k, orders): the real parts, and the imaginary ones.

    `instants` are the bytes of the angles (k,). One solution and its varied ones have the same.
    """
    angle = np.frombuffer(instants)
    turns = np.cumprod(np.broadcast_to(np.exp(-1j * angle)[:, None], (len(angle), orders)), axis=1)
    change = (turns - np.roll(turns, -1, axis=0)) / (np.sqrt(2.0) * np.pi * np.arange(1, orders + 1) ** 4)
    return np.ascontiguousarray(change.real), np.ascontiguousarray(change.imag)


def _second_derivative(trace: Floats, widths: Floats) -> Floats:
    """Return the second derivative (b, k) at the instants of the periodic cubic spline through `trace` (b, k), k even.

    `widths` (k,) are those of the intervals after each instant. The equations (de Boor, A Practical Guide to Splines,
    chapter 4) have twice as much on the diagonal as beside it: taking every other instant in turns (Gauss-Seidel)
    leaves a quarter of the error each time.
    """
    before = np.roll(widths, 1)
    slopes = (np.roll(trace, -1, axis=1) - trace) / widths
    right = 3.0 * (slopes - np.roll(slopes, 1, axis=1)) / (widths + before)
    ahead, behind = widths / (2.0 * (widths + before)), before / (2.0 * (widths + before))
    bend = right.copy()
    even, odd = bend[:, 0::2], bend[:, 1::2]
    for _ in range(_SPLINE_ROUNDS):
        even[:] = right[:, 0::2] - ahead[0::2] * odd - behind[0::2] * np.roll(odd, 1, axis=1)
        odd[:] = right[:, 1::2] - behind[1::2] * even - ahead[1::2] * np.roll(even, -1, axis=1)
    return bend


def distortion_of(harmonics: NDArray[np.complex128]) -> Floats:
    """Return the total harmonic distortion, (b,), as a fraction of the fundamental; 0 where there is none."""
    sizes = np.abs(harmonics)
    return ratio(np.sqrt(np.sum(sizes[:, 1:] ** 2, axis=1)), sizes[:, 0])


def ratio(upper: Floats, lower: Floats) -> Floats:
    """Return upper/lower, and 0 where `lower` is zero."""
    nonzero = np.abs(lower) > 1e-300
    return np.where(nonzero, upper / np.where(nonzero, lower, 1.0), 0.0)


def readings_of(traces: Traces, frequency: Floats, ripple_order: Floats | int) -> tuple[dict[str, Floats], Harmonics]:
    """Return every electrical quantity, (b,), and the line current's complex rms harmonics, (b, 40).

    `frequency` (b,) is that of the mains; `ripple_order` how often the output repeats within a mains period.
    """
    values, harmonics = mains_readings(traces, frequency)
    values |= _winding_and_diode(traces)
    first = _reservoir(traces) | _output(traces, frequency * ripple_order) | _regulator(traces)
    return values | first | _second_output(traces, first, frequency * ripple_order), harmonics


def _second_output(traces: Traces, first: dict[str, Floats], ripple_frequency: Floats) -> dict[str, Floats]:
    """Return the quantities of a second output; where it equals the first, those of the `first`."""
    second = of_second(traces)
    if not second.values:
        return {}
    if all(traces.values.get(name) is trace for name, trace in second.values.items()):
        found = first
    else:
        loaded = _output(second, ripple_frequency) | _regulator(second) if "output.voltage" in second else {}
        found = _reservoir(second) | loaded
    return {name: value for known, value in found.items() if (name := at_second_output(known))}


def mains_readings(traces: Traces, frequency: Floats) -> tuple[dict[str, Floats], Harmonics]:
    """Return the quantities of the mains, (b,), and the line current's complex rms harmonics, (b, 40)."""
    both = np.concatenate([traces["mains.voltage"], traces["mains.current"]])
    waves, harmonics = np.split(phasors(both, traces.angle), 2)
    volts, amperes, weights = traces["mains.voltage"], traces["mains.current"], traces.weights
    volts_rms, amperes_rms = rms_of(volts, weights), rms_of(amperes, weights)
    active, apparent = mean_of(volts * amperes, weights), volts_rms * amperes_rms
    peak = peak_of(np.abs(amperes), traces.angle)
    fundamental = waves[:, 0]
    values = {
        "mains.voltage.rms": volts_rms,
        "mains.voltage.crest_factor": ratio(peak_of(np.abs(volts), traces.angle), volts_rms),
        "mains.voltage.thd": distortion_of(waves),
        "mains.current.rms": amperes_rms,
        "mains.current.peak": peak,
        "mains.current.crest_factor": ratio(peak, amperes_rms),
        "mains.current.thd": distortion_of(harmonics),
        "mains.power.active": active,
        "mains.power.apparent": apparent,
        "mains.power_factor": ratio(active, apparent),
        "mains.displacement_factor": np.where(
            np.abs(harmonics[:, 0]) > 0, np.cos(np.angle(fundamental) - np.angle(harmonics[:, 0])), 0.0
        ),
        "mains.frequency": frequency,
    }
    return values, harmonics


def _winding_and_diode(traces: Traces) -> dict[str, Floats]:
    weights, angle = traces.weights, traces.angle
    diode = traces["diode.current"]
    return {
        "secondary.voltage.rms": rms_of(traces["secondary.voltage"], weights),
        "secondary.current.rms": rms_of(traces["secondary.current"], weights),
        "secondary.current.peak": peak_of(np.abs(traces["secondary.current"]), angle),
        "diode.current.mean": mean_of(diode, weights),
        "diode.current.rms": rms_of(diode, weights),
        "diode.current.peak": peak_of(diode, angle),
        "diode.voltage.reverse_peak": peak_of(traces["diode.reverse"], angle),
        "diode.power.mean": mean_of(diode * traces["diode.drop"], weights),
    }


def _reservoir(traces: Traces) -> dict[str, Floats]:
    if "reservoir.voltage" not in traces:
        return {}
    volts = traces["reservoir.voltage"]
    peak, valley = peak_of(volts, traces.angle), valley_of(volts, traces.angle)
    return {
        "reservoir.voltage.mean": mean_of(volts, traces.weights),
        "reservoir.voltage.ripple": peak - valley,
        "reservoir.voltage.peak": peak,
        "reservoir.voltage.valley": valley,
        "reservoir.current.rms": rms_of(traces["reservoir.current"], traces.weights),
    }


def _output(traces: Traces, ripple_frequency: Floats) -> dict[str, Floats]:
    volts, amperes, weights = traces["output.voltage"], traces["output.current"], traces.weights
    rms, mean, ac_rms = rms_of(volts, weights), mean_of(volts, weights), ac_rms_of(volts, weights)
    cusps = "reservoir.voltage" not in traces
    peak, valley = peak_of(volts, traces.angle), valley_of(volts, traces.angle, cusps=cusps)
    if "regulator.noise" in traces:
        noise = traces["regulator.noise"][:, 0]
        ac_rms = np.hypot(ac_rms, noise)
        beyond = (np.hypot(peak - valley, _NOISE_PEAKS * noise) - (peak - valley)) / 2.0
        peak, valley = peak + beyond, valley - beyond
    power = mean_of(volts * amperes, weights)
    return {
        "output.voltage.rms": rms,
        "output.voltage.mean": mean,
        "output.voltage.ac_rms": ac_rms,
        "output.voltage.peak": peak,
        "output.voltage.valley": valley,
        "output.voltage.ripple": peak - valley,
        "output.voltage.frequency": ripple_frequency,
        "output.voltage.form_factor": ratio(rms, mean),
        "output.voltage.ripple_factor": ratio(ac_rms, mean),
        "output.current.rms": rms_of(amperes, weights),
        "output.current.mean": mean_of(amperes, weights),
        "output.power.mean": power,
        "load.power.mean": power,
    }


def _regulator(traces: Traces) -> dict[str, Floats]:
    if "regulator.input" not in traces:
        return {}
    drop = traces["regulator.input"] - traces["output.voltage"]
    quiescent = traces["regulator.input"] * traces["regulator.quiescent"]
    return {
        "regulator.voltage.headroom": -peak_of(-drop, traces.angle),
        "regulator.power.mean": mean_of(drop * traces["output.current"] + quiescent, traces.weights),
    }
