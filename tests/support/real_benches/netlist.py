"""Supplies as net lists with a saturating core, stepped through time, many at once; independent of every other engine.

Every winding and diode is a branch of its own. Nodal analysis with the theta method: capacitors, chokes and leakage
inductances become conductances with a memory (companion models, as in L. W. Nagel, SPICE2, ERL-M520, 1975), diodes are
Shockley's with their series resistance in closed form (Wright's omega function, T. C. Banwell and A. Jayakumar,
Electronics Letters 36(4), 2000), and the core is a flux linkage with an odd power law of magnetising current behind the
resistance of the primary circuit, so that no direct current crosses it and its peaks act back.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import scipy

Array = np.ndarray[Any, Any]

_THETA = 0.55
_GMIN = 1e-7
_ELEMENTARY = 1.380649e-23 / 1.602176634e-19
"""Boltzmann's constant over the elementary charge, V/K."""


@dataclass(frozen=True)
class TrueCircuit:
    """Values of one real circuit. Volts rms, hertz, ohms, henries, farads, amperes, °C.

    `harmonics` maps an order to its part of the fundamental and its phase (rad). `diodes` maps a diode's number to its
    factor on the conductance: 0 is open; `leaks` is the conductance across a diode. Of the filter, `shunts` are two
    capacitors (farads, ohms of ESR) and `series` is what lies between (ohms, henries). `load` is ohms, or amperes if
    `is_current`; infinite ohms are an open load. `regulator` is volts, dropout and own current.
    """

    rectifier: str
    mains: float
    harmonics: Mapping[int, tuple[float, float]]
    source: float
    primary: float
    ratio: float
    secondary: float
    leakage: float
    magnetising: float
    """Amperes rms of the magnetising current at `rated`."""
    exponent: float
    iron: float
    """Watts lost in the core at `rated`."""
    rated: float
    saturation: float
    emission: float
    ohmic: float
    junction: float
    shunts: tuple[tuple[float, float], tuple[float, float]]
    series: tuple[float, float]
    load: float
    is_current: bool = False
    regulator: tuple[float, float, float] | None = None
    frequency: float = 50.0
    direct: float = 0.0
    diodes: Mapping[int, float] = field(default_factory=dict)
    leaks: float = 0.0
    second_reservoir: float = 1.0
    """Factor on the capacitance of the second of two reservoirs, in a doubler or a split rail."""
    shorted_turns: float = math.inf
    """Ohms of a shorted turn, referred to the primary."""


@dataclass(frozen=True)
class _Net:
    nodes: int
    windings: tuple[tuple[int, int], ...]
    diodes: tuple[tuple[int, int], ...]
    reservoirs: tuple[tuple[int, int], ...]
    behind: tuple[tuple[int, int], ...]
    """Nodes before and after the filter's series part, one a rail."""
    outputs: tuple[tuple[int, int], ...]


# Node 0 is the primary behind its resistance; -1 is common.
_NETS = {
    "half wave": _Net(4, ((1, -1),), ((1, 2),), ((2, -1),), ((2, 3),), ((3, -1),)),
    "bridge": _Net(5, ((1, 2),), ((1, 3), (2, 3), (-1, 1), (-1, 2)), ((3, -1),), ((3, 4),), ((4, -1),)),
    "centre tap": _Net(5, ((1, -1), (-1, 2)), ((1, 3), (2, 3)), ((3, -1),), ((3, 4),), ((4, -1),)),
    "split rail": _Net(
        7,
        ((1, -1), (-1, 2)),
        ((1, 3), (2, 3), (5, 1), (5, 2)),
        ((3, -1), (-1, 5)),
        ((3, 4), (5, 6)),
        ((4, -1), (-1, 6)),
    ),
    "full-wave doubler": _Net(5, ((1, -1),), ((1, 2), (3, 1)), ((2, -1), (-1, 3)), ((2, 4),), ((4, 3),)),
}


def solved(circuits: Sequence[TrueCircuit], periods: int = 50, steps: int = 320) -> list[dict[str, Array]]:
    """Return the waves of one settled period of each circuit, (steps,) each; all must have the same rectifier.

    Names: `mains.voltage`, `mains.current`, `secondary.voltage`, `secondary.current` (one winding), `diode.current`,
    `diode.power`, `reservoir.voltage`, `output.voltage`, `output.current`, `regulator.power`.
    """
    stepper = _Stepper(circuits)
    coarse = 2 * steps // 5
    for _ in range(periods):
        stepper.period(coarse)
    for _ in range(4):
        waves = stepper.period(steps, keep=True)
    return [{name: wave[:, at] for name, wave in waves.items()} for at in range(len(circuits))]


class _Stepper:
    """The state of many circuits of one rectifier, (b, …)."""

    def __init__(self, circuits: Sequence[TrueCircuit]) -> None:
        self._circuits, self._net = circuits, _NETS[circuits[0].rectifier]
        net, b = self._net, len(circuits)

        def column(value: Any) -> Array:
            return np.array([value(one) for one in circuits], float)

        self._r1 = column(lambda c: c.source + c.primary)
        self._source = column(lambda c: c.source)
        self._ratio, self._r2 = column(lambda c: c.ratio), column(lambda c: c.secondary)
        self._l2 = column(lambda c: c.leakage)
        self._frequency = column(lambda c: c.frequency)
        self._flux0 = column(lambda c: math.sqrt(2.0) * c.rated / (2.0 * math.pi * c.frequency))
        self._exponent = column(lambda c: c.exponent)
        angle = 2.0 * np.pi * np.arange(720) / 720
        shape = 0.35 * np.sin(angle) + 0.65 * np.abs(np.sin(angle)) ** self._exponent[:, None] * np.sign(np.sin(angle))
        self._mag = column(lambda c: c.magnetising) / np.sqrt(np.mean(shape**2, axis=1))
        self._iron = column(lambda c: c.iron / c.rated**2 + 1.0 / c.shorted_turns)
        # The forward drop falls by about 2 mV a kelvin from the curve at 25 °C (silicon, at a constant current).
        self._vt = column(lambda c: c.emission) * _ELEMENTARY * 298.15
        self._is = column(lambda c: c.saturation)
        self._shift = 0.002 * column(lambda c: c.junction - 25.0)
        self._ohmic = np.maximum(column(lambda c: c.ohmic), 1e-3)
        self._leaks = column(lambda c: c.leaks) + _GMIN
        self._open = np.array([[one.diodes.get(n + 1, 1.0) for n in range(len(net.diodes))] for one in circuits])
        first = [
            (
                column(lambda c, s=s: c.shunts[0][0] * (c.second_reservoir if s else 1.0)),
                column(lambda c: c.shunts[0][1]),
            )
            for s in range(len(net.reservoirs))
        ]
        second = [(column(lambda c: c.shunts[1][0]), column(lambda c: c.shunts[1][1])) for _ in net.outputs]
        self._caps = [(*nodes, *values) for nodes, values in zip(net.reservoirs, first, strict=True)]
        self._caps += [(*nodes, *values) for nodes, values in zip(net.outputs, second, strict=True)]
        self._series = (column(lambda c: max(c.series[0], 1e-3)), column(lambda c: c.series[1]))
        self._is_current = np.array([one.is_current for one in circuits])
        self._load = column(lambda c: c.load)
        self._regulated = np.array([one.regulator is not None for one in circuits])
        self._reg = np.array([one.regulator or (1e9, 0.0, 0.0) for one in circuits], float)
        # State: node voltages, flux, winding and series currents, capacitors' inner voltages and currents.
        self.v = np.zeros((b, net.nodes))
        self.flux = np.zeros(b)
        self.iw = [np.zeros(b) for _ in net.windings]
        self.uw = [np.zeros(b) for _ in net.windings]
        self.js = [np.zeros(b) for _ in net.behind]
        self.us = [np.zeros(b) for _ in net.behind]
        level = 0.9 * math.sqrt(2.0) * self._ratio * column(lambda c: c.mains / c.rated) * column(lambda c: c.rated)
        self.vc = [level.copy() for _ in self._caps]
        if circuits[0].rectifier == "full-wave doubler":
            self.vc[-1] = 2.0 * level
        self.ic = [np.zeros(b) for _ in self._caps]
        self.vp = np.zeros(b)
        for (plus, minus), vc in zip(net.reservoirs, self.vc, strict=False):
            if plus >= 0:
                self.v[:, plus] = vc
            if minus >= 0:
                self.v[:, minus] = -vc
        for before, after in net.behind:
            self.v[:, after] = self.v[:, before]

    def _emf(self, steps: int) -> Array:
        """Return the source over a period, (steps + 1, b)."""
        angle = 2.0 * np.pi * np.arange(steps + 1) / steps
        rows = []
        for one in self._circuits:
            wave = np.sin(angle)
            for order, (part, phase) in one.harmonics.items():
                wave = wave + part * np.sin(order * angle + phase)
            size = math.sqrt(1.0 + sum(part**2 for part, _ in one.harmonics.values()))
            rows.append(math.sqrt(2.0) * one.mains / size * wave + one.direct)
        return np.array(rows).T

    def _of_load(self, volts: Array) -> tuple[Array, Array, Array]:
        """Return the load's current, its slope and the output voltage at the `volts` (b,) before it."""
        width = 0.004
        gap = (volts - self._reg[:, 1] - self._reg[:, 0]) / width
        held = volts - self._reg[:, 1] - width * np.logaddexp(0.0, gap)
        output = np.where(self._regulated, np.maximum(held, 0.0), volts)
        slope = np.where(
            self._regulated, np.where(held > 0.0, 1.0 / (1.0 + np.exp(np.clip(gap, -500.0, 500.0))), 0.0), 1.0
        )
        turn = np.tanh(np.maximum(output, 0.0) / 0.2)
        current = np.where(self._is_current, self._load * turn, output / np.where(self._is_current, 1.0, self._load))
        rise = np.where(
            self._is_current,
            self._load * (1.0 - turn**2) / 0.2 * (output > 0.0),
            1.0 / np.where(self._is_current, 1.0, self._load),
        )
        own = np.tanh(np.maximum(volts, 0.0) / 0.2)
        return current + self._reg[:, 2] * own, rise * slope, output

    def _diode(self, volts: Array, number: int) -> tuple[Array, Array]:
        vt, ohms = self._vt, self._ohmic
        z = np.log(self._is * ohms / vt) + (volts + self._shift + self._is * ohms) / vt
        omega = scipy.special.wrightomega(np.minimum(z, 1e6)).real
        current = vt / ohms * omega - self._is
        # At the shift of a warm junction no voltage must drive no current.
        rest = (
            vt
            / ohms
            * scipy.special.wrightomega(np.log(self._is * ohms / vt) + (self._shift + self._is * ohms) / vt).real
            - self._is
        )
        part = self._open[:, number]
        shunt = np.where(part > 1.0, 1.0 / self._ohmic, self._leaks)
        is_diode = (part == 1.0).astype(float)
        return is_diode * (current - rest) + shunt * volts, is_diode * omega / (1.0 + omega) / ohms + shunt

    def period(self, steps: int, *, keep: bool = False) -> dict[str, Array]:
        """Step one period; return its waves, (steps, b) each, if `keep`."""
        h = 1.0 / (self._frequency * steps)
        emf = self._emf(steps)
        matrix = self._linear(h)
        waves: dict[str, list[Array]] = {}
        for step in range(steps):
            self._step(emf[step + 1], h, matrix, waves if keep else None)
        return {name: np.array(rows) for name, rows in waves.items()}

    def _linear(self, h: Array) -> Array:
        """Return the matrix of all linear branches for steps of `h` seconds (b,), (b, n, n)."""
        net, b = self._net, len(self._circuits)
        matrix = np.zeros((b, net.nodes, net.nodes))

        matrix[:, 0, 0] += 1.0 / self._r1 + self._iron
        gw = _THETA / (self._l2 / h + _THETA * self._r2)
        for plus, minus in net.windings:
            _stamp(matrix, plus, minus, gw)
            matrix[:, 0, 0] += self._ratio**2 * gw
            for at, sign in ((plus, 1.0), (minus, -1.0)):
                if at >= 0:
                    matrix[:, at, 0] -= sign * self._ratio * gw
                    matrix[:, 0, at] -= sign * self._ratio * gw
        rs, ls = self._series
        gs = _THETA / (ls / h + _THETA * rs)
        for before, after in net.behind:
            _stamp(matrix, before, after, gs)
        gc = [1.0 / (esr + h * _THETA / c) for _, _, c, esr in self._caps]
        for (plus, minus, _, _), g in zip(self._caps, gc, strict=True):
            _stamp(matrix, plus, minus, g)
        matrix[:, range(net.nodes), range(net.nodes)] += 1e-9
        self._companions = gw, gs, gc
        return matrix

    def _between(self, v: Array, plus: int, minus: int) -> Array:
        top = v[:, plus] if plus >= 0 else 0.0
        bottom = v[:, minus] if minus >= 0 else 0.0
        return top - bottom

    def _step(self, e: Array, h: Array, linear: Array, waves: Any) -> None:
        gw, gs, gc = self._companions
        net, v = self._net, self.v.copy()
        known = np.zeros_like(v)
        known[:, 0] += e / self._r1

        def inject(plus: int, minus: int, amperes: Array) -> None:
            if plus >= 0:
                known[:, plus] += amperes
            if minus >= 0:
                known[:, minus] -= amperes

        past = 1.0 - _THETA
        rs, ls = self._series
        hw = []
        for number, (plus, minus) in enumerate(net.windings):
            i0 = self.iw[number]
            memory = (past * (self.uw[number] - self._r2 * i0) + self._l2 / h * i0) * gw / _THETA
            hw.append(memory)
            inject(plus, minus, memory)
            known[:, 0] -= self._ratio * memory
        hs = []
        for number, (before, after) in enumerate(net.behind):
            j0 = self.js[number]
            memory = (past * (self.us[number] - rs * j0) + ls / h * j0) * gs / _THETA
            hs.append(memory)
            inject(after, before, memory)
        hc = []
        for number, (plus, minus, c, _) in enumerate(self._caps):
            memory = gc[number] * (self.vc[number] + h * past / c * self.ic[number])
            hc.append(memory)
            inject(plus, minus, memory)
        v = self._newton(v, known, linear, h)
        self._remember(v, h, (hw, hs, hc))
        if waves is not None:
            self._note(e, waves)

    def _newton(self, v: Array, known: Array, linear: Array, h: Array) -> Array:
        """Return the node voltages at the end of a step, from a guess `v`; `known` are the currents of the past."""
        net, past = self._net, 1.0 - _THETA
        for _ in range(14):
            residual = np.einsum("bij,bj->bi", linear, v) - known
            jacobian = linear.copy()
            flux = self.flux + h * (_THETA * v[:, 0] + past * self.vp)
            x = flux / self._flux0
            power = np.minimum(np.abs(x), 3.0) ** (self._exponent - 1.0)
            residual[:, 0] += self._mag * (0.35 * x + 0.65 * power * x)
            jacobian[:, 0, 0] += self._mag * (0.35 + 0.65 * self._exponent * power) * h * _THETA / self._flux0
            for number, (anode, cathode) in enumerate(net.diodes):
                current, g = self._diode(self._between(v, anode, cathode), number)
                _add((residual, jacobian), anode, cathode, current, g)
            for plus, minus in net.outputs:
                current, g, _ = self._of_load(self._between(v, plus, minus))
                _add((residual, jacobian), plus, minus, current, g)
            change = np.linalg.solve(jacobian, residual[:, :, None])[:, :, 0]
            v -= change
            if np.max(np.abs(change)) < 2e-6:
                break
        return v

    def _remember(self, v: Array, h: Array, memories: Any) -> None:
        gw, gs, gc = self._companions
        net, past = self._net, 1.0 - _THETA
        hw, hs, hc = memories
        self.flux = self.flux + h * (_THETA * v[:, 0] + past * self.vp)
        self.vp = v[:, 0].copy()
        for number, (plus, minus) in enumerate(net.windings):
            self.uw[number] = self._ratio * v[:, 0] - self._between(v, plus, minus)
            self.iw[number] = gw * self.uw[number] + hw[number]
        for number, (before, after) in enumerate(net.behind):
            self.us[number] = self._between(v, before, after)
            self.js[number] = gs * self.us[number] + hs[number]
        for number, (plus, minus, c, _) in enumerate(self._caps):
            i1 = gc[number] * self._between(v, plus, minus) - hc[number]
            self.vc[number] = self.vc[number] + h / c * (_THETA * i1 + past * self.ic[number])
            self.ic[number] = i1
        self.v = v

    def _note(self, e: Array, waves: dict[str, list[Array]]) -> None:
        """Append the waves of this instant."""
        net, v = self._net, self.v
        line = (e - v[:, 0]) / self._r1
        amperes, _, output = self._of_load(self._between(v, *net.outputs[0]))
        drop = self._between(v, *net.diodes[0])
        diode = self._diode(drop, 0)[0]
        before = self._between(v, *net.outputs[0])
        now = {
            "mains.voltage": e - self._source * line,
            "mains.current": line,
            "secondary.voltage": self._between(v, *net.windings[0]),
            "secondary.current": self.iw[0],
            "diode.current": diode,
            "diode.power": diode * drop,
            "reservoir.voltage": self._between(v, *net.reservoirs[0]),
            "output.voltage": output,
            "output.current": amperes - self._reg[:, 2] * self._regulated,
            "regulator.power": (before - output) * amperes,
        }
        for name, value in now.items():
            waves.setdefault(name, []).append(value)


def _stamp(matrix: Array, plus: int, minus: int, g: Array) -> None:
    for at, sign in ((plus, 1.0), (minus, -1.0)):
        for other, also in ((plus, 1.0), (minus, -1.0)):
            if at >= 0 and other >= 0:
                matrix[:, at, other] += sign * also * g


def _add(system: tuple[Array, Array], plus: int, minus: int, current: Array, g: Array) -> None:
    residual, jacobian = system
    for at, sign in ((plus, 1.0), (minus, -1.0)):
        if at >= 0:
            residual[:, at] += sign * current
            for other, also in ((plus, 1.0), (minus, -1.0)):
                if other >= 0:
                    jacobian[:, at, other] += sign * also * g
