"""A steady state as one would have it from scipy: LSODA from rest until the period repeats, written to be quick.

It takes the supplies that can be written down as a plain differential equation: a filter that begins with a capacitor,
a linear load, no leakage inductance. Unknowns are the capacitors' volts and the chokes' current; the conducting path's
current has a closed form (Wright's omega function, scipy.special), so there is nothing to iterate at an instant.
"""

from __future__ import annotations

from math import log, pi, sin

import numpy as np
from scipy.integrate import solve_ivp
from scipy.special import wrightomega

from benchmon.bench import Bench, Capacitor
from support.circuits.reference import Circuit

RELATIVE = 1e-6
"""LSODA's tolerance: with 1e-5 ripples and peaks were off by more than 0.1 %."""

REPEATS = 1e-5
"""The change of any unknown over a period, of the largest, below which it counts as settled."""


def can_take(bench: Bench) -> bool:
    """Return whether `steady_state` can have this supply."""
    plain = bench.regulator is None and bench.load.kind == "resistor" and bench.transformer.leakage_inductance == 0
    return plain and bool(bench.filter) and isinstance(bench.filter[0], Capacitor)


def steady_state(bench: Bench, samples: int = 2000) -> dict[str, float]:
    """Return mean, rms and ripple of the output, and a path's mean and rms current, of the last period."""
    circuit = Circuit(bench, bench.ambient.temperature, 0.0)
    circuit.build()
    ladder, stored = circuit.ladder, circuit.stored
    answer = ladder.answer[:, :-1]
    ports = [answer[0]] + ([-answer[1]] if ladder.doubler else [answer[0]])
    ports = ports[: circuit.paths]
    ohms = [circuit.source.ohms[path, path] + circuit.ohmic + ports[path][path] for path in range(circuit.paths)]
    slope, saturation, peak, omega = circuit.slope, circuit.saturation, circuit.peak, circuit.omega
    harmonics = circuit.harmonics
    stiff = [each * saturation / slope for each in ohms]
    logs = [log(each) for each in stiff]
    branches = [(a, b, r, h) for a, b, r, h in ladder.chokes]
    count = len(stored)

    def paths_at(t: float, state: np.ndarray) -> np.ndarray:
        turns = omega * t
        emf = peak * (sin(turns) + sum(size * sin(order * turns + phase) for order, size, phase in harmonics))
        known = np.zeros(2 + len(state))
        known[2:] = state
        path = 0 if emf > 0 or circuit.paths == 1 else 1
        drive = (emf if path == 0 else -emf) - ports[path] @ known
        known[path] = slope / ohms[path] * wrightomega(drive / slope + stiff[path] + logs[path]) - saturation
        return known

    def rates(t: float, state: np.ndarray) -> np.ndarray:
        known = paths_at(t, state)
        nodes = answer @ known
        changes = np.empty(len(state))
        changes[:count] = nodes[ladder.nodes :] / stored
        for at, (a, b, r, h) in enumerate(branches, count):
            changes[at] = (nodes[a] - nodes[b] - r * state[at]) / h
        return changes

    period = 2 * pi / omega
    span = (0.0, period)
    state = np.zeros(count + len(branches))
    times = np.arange(samples + 1) / samples * period
    while True:
        # At the mains' zero nothing flows: left alone, LSODA would step over the first pulse.
        done = solve_ivp(rates, span, state, "LSODA", times, rtol=RELATIVE, atol=RELATIVE * peak, max_step=period / 100)
        ends = done.y[:, -1]
        if np.max(np.abs(ends - state)) < REPEATS * np.max(np.abs(ends)):
            break
        state = ends
    known = np.array([paths_at(t, done.y[:, k]) for k, t in enumerate(times[:-1])]).T
    volts = ladder.load_row[:-1] @ known
    return {
        "output.voltage.mean": float(np.mean(volts)),
        "output.voltage.rms": float(np.sqrt(np.mean(volts**2))),
        "output.voltage.ripple": float(np.ptp(volts)),
        "diode.current.mean": float(np.mean(known[0])),
        "diode.current.rms": float(np.sqrt(np.mean(known[0] ** 2))),
    }
