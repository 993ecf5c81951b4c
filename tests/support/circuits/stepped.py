"""An independent circuit of single diodes and windings: scipy steps it until its periods repeat.

It shares nothing with the prediction but the bench file's reader. Every node has a small capacitance of its own, as
every winding and diode has, so that the circuit is an ordinary differential equation of its node voltages; windings
are resistances linked by the primary circuit, diodes Shockley's law in series with their resistance. The circuits are
drawn by hand below, node by node; node 0 is common.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from benchmon.bench import Bench, Diode

STRAY = 2e-8
SHORT = 5e-3
THERMAL_VOLTAGE = 1.380649e-23 * 298.15 / 1.602176634e-19
SAMPLES = 4000
MOST_ROUNDS = 12


@dataclass
class Drawn:
    """A circuit: pairs of nodes for windings (start, end), diodes (anode, cathode), capacitors and loads (plus, minus).

    `polarities` are those of the windings; `states` of the diodes: "", "open" or "shorted".
    """

    nodes: int
    windings: list[tuple[int, int]]
    polarities: list[int]
    diodes: list[tuple[int, int]]
    states: list[str]
    capacitors: list[tuple[int, int]]
    loads: list[tuple[int, int]]


def drawing(kind: str) -> Drawn:
    """Return the sound circuit of a rectifier; in a tapped one, windings follow each other through node 0."""
    if kind == "split rail":
        diodes, rails = [(1, 3), (2, 3), (4, 1), (4, 2)], [(3, 0), (0, 4)]
        return Drawn(4, [(1, 0), (0, 2)], [1, 1], diodes, [""] * 4, rails, rails)
    if kind == "two bridges":
        diodes = [(1, 3), (2, 3), (0, 1), (0, 2), (4, 0), (5, 0), (6, 4), (6, 5)]
        return Drawn(6, [(1, 2), (4, 5)], [1, 1], diodes, [""] * 8, [(3, 0), (0, 6)], [(3, 0), (0, 6)])
    if kind == "centre tap":
        return Drawn(3, [(1, 0), (0, 2)], [1, 1], [(1, 3), (2, 3)], [""] * 2, [(3, 0)], [(3, 0)])
    if kind == "bridge":
        diodes = [(1, 3), (2, 3), (0, 1), (0, 2)]
        return Drawn(3, [(1, 2)], [1], diodes, [""] * 4, [(3, 0)], [(3, 0)])
    return _multiplier(kind)


def _multiplier(kind: str) -> Drawn:
    if kind == "half-wave doubler":
        return Drawn(3, [(1, 0)], [1], [(0, 2), (2, 3)], [""] * 2, [(2, 1), (3, 0)], [(3, 0)])
    if kind == "tripler":
        # Two rows of capacitors, 0 to 2 to 4 and 1 to 3, with the diodes in a zigzag between them.
        return Drawn(4, [(1, 0)], [1], [(1, 2), (2, 3), (3, 4)], [""] * 3, [(2, 0), (3, 1), (4, 2)], [(4, 0)])
    return Drawn(3, [(1, 0)], [1], [(1, 2), (3, 1)], [""] * 2, [(2, 0), (0, 3)], [(2, 3)])


def unequal(bench: Bench) -> Drawn:
    """Return the sound circuit of two outputs with loads of their own, or with one load across both."""
    found = drawing(bench.rectifier.kind)
    if bench.rectifier.loads == "across":
        found.loads = [(found.loads[0][0], found.loads[1][1])]
    return found


def _each(drawn: Drawn, first: float, second: float | None) -> np.ndarray:
    """Return a value of each output's capacitor: of all but the second the first one."""
    return np.array([first if at != 1 or second is None else second for at in range(len(drawn.capacitors))])


def stepped(bench: Bench, drawn: Drawn, periods: int) -> dict[str, float]:
    """Return what meters read in the last of `periods`, at 25 °C; no inductance, one capacitor a rail."""
    part, load, diode, t = bench.filter[0], bench.load, bench.diode, bench.transformer
    other = bench.filter_2[0] if bench.filter_2 else part
    farads, esr = _each(drawn, part.capacitance, other.capacitance), _each(drawn, part.esr, other.esr)
    ohms = np.full(len(drawn.loads), load.resistance)
    if bench.load_2 is not None:
        ohms[1] = bench.load_2.resistance
    ratio, omega = t.open_circuit_voltage / t.primary_voltage, 2.0 * np.pi * bench.mains.frequency
    primary = t.primary_resistance + bench.mains.source_resistance + (bench.fuse.resistance if bench.fuse else 0.0)
    sign = np.array(drawn.polarities, float)
    coupling = np.linalg.inv(
        np.diag(np.full(len(sign), t.secondary_resistance)) + primary * ratio**2 * np.outer(sign, sign)
    )
    inner = len(drawn.capacitors)
    across = {name: _pick(getattr(drawn, name), drawn.nodes) for name in ("windings", "diodes", "capacitors", "loads")}
    alive = np.array([state == "" for state in drawn.states])
    shorted = np.array([state == "shorted" for state in drawn.states])

    def flows(time: float, y: np.ndarray) -> tuple[np.ndarray, ...]:
        volts, stored = y[: drawn.nodes], y[drawn.nodes :]
        emf = bench.mains.voltage * np.sqrt(2.0) * ratio * np.sin(omega * time) + balanced
        winding = coupling @ (sign * emf - across["windings"] @ volts)
        over = across["diodes"] @ volts
        current = np.where(alive, _shockley(over, diode), np.where(shorted, over / SHORT, 0.0))
        charging = (across["capacitors"] @ volts - stored) / esr
        return winding, current, charging, across["loads"] @ volts / ohms

    def rate(time: float, y: np.ndarray) -> np.ndarray:
        winding, current, charging, drawn_by_load = flows(time, y)
        into = across["windings"].T @ winding - across["diodes"].T @ current
        into -= across["capacitors"].T @ charging + across["loads"].T @ drawn_by_load
        return np.concatenate([into / STRAY, charging / farads])

    start, end = (periods - 1) / bench.mains.frequency, periods / bench.mains.frequency
    charged = np.full(inner, 1.2 * bench.mains.voltage * ratio)
    state = np.concatenate([np.zeros(drawn.nodes), charged])
    times = np.linspace(start, end, SAMPLES + 1)
    # No direct current passes the transformer: the core balances the mean, which then makes no drop in the primary.
    balanced, tried = 0.0, []
    for _ in range(MOST_ROUNDS):
        found = scipy.integrate.solve_ivp(rate, (0.0, end), state, "Radau", times, rtol=1e-5, atol=1e-6)
        assert found.success
        state, volts = found.y[:, -1], found.y[: drawn.nodes]
        winding, current, _, _ = (np.array(each) for each in zip(*map(flows, times, found.y.T), strict=True))
        reflected = ratio * winding @ sign
        mean = float(np.trapezoid(reflected, times) / (times[-1] - times[0]))
        tried.append((balanced, primary * ratio * mean - balanced))
        if abs(tried[-1][1]) < 1e-4 * bench.mains.voltage * ratio:
            break
        steepness = -1.0
        if len(tried) > 1 and tried[-1][0] != tried[-2][0]:
            steepness = (tried[-1][1] - tried[-2][1]) / (tried[-1][0] - tried[-2][0])
        balanced -= tried[-1][1] / steepness
    wave = np.sqrt(2.0) * bench.mains.voltage * np.sin(omega * times)
    found = _readings(bench, times * omega, wave, (reflected, winding[:, 0], current[:, 0], across["loads"][0] @ volts))
    if bench.outputs_apart:
        reservoir, point = across["capacitors"][1] @ volts, "reservoir_2.voltage"
        found[f"{point}.mean"] = float(np.trapezoid(reservoir, times) / (times[-1] - times[0]))
        found[f"{point}.ripple"] = float(np.ptp(reservoir))
    return found


def _pick(pairs: list[tuple[int, int]], nodes: int) -> np.ndarray:
    rows = np.zeros((len(pairs), nodes + 1))
    for row, (plus, minus) in zip(rows, pairs, strict=True):
        row[plus] += 1.0
        row[minus] -= 1.0
    return rows[:, 1:]


def _shockley(volts: np.ndarray, diode: Diode) -> np.ndarray:
    slope, ohms = diode.emission_coefficient * THERMAL_VOLTAGE, diode.series_resistance
    scale = ohms * diode.saturation_current / slope
    return (
        slope / ohms * scipy.special.wrightomega(volts / slope + scale + np.log(scale)).real - diode.saturation_current
    )


def _readings(bench: Bench, angle: np.ndarray, wave: np.ndarray, traces: tuple[np.ndarray, ...]) -> dict[str, float]:
    reflected, winding, diode, output = traces

    def mean(values: np.ndarray) -> float:
        return float(np.trapezoid(values, angle) / (angle[-1] - angle[0]))

    line = reflected - mean(reflected)
    return {
        "output.voltage.mean": mean(output),
        "output.voltage.ripple": float(np.ptp(output)),
        "secondary.current.rms": mean(winding**2) ** 0.5,
        "diode.current.mean": mean(diode),
        "mains.current.rms": mean(line**2) ** 0.5,
        "mains.power.active": mean((wave - bench.mains.source_resistance * line) * line),
    }
