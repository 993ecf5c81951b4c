"""An independent steady state of a bench's circuit: scipy integrates it until the period repeats.

It shares nothing with the prediction but the bench file's reader. The unknowns are the junction voltage of every
conducting path, the capacitors' charge and the chokes' current; Shockley's law gives currents from junction voltages.
A junction follows its voltage with a lag of 10 ns, so that blocking and conducting diodes are one ordinary
differential equation for a stiff solver. Newton's method on the period map (shooting) takes out slow transients; the
last period is integrated again, checked to repeat, and sampled densely.

Supplies without storage are solved instant by instant.
"""

from __future__ import annotations

import itertools
import warnings
from dataclasses import dataclass
from math import exp, pi, sin

import numpy as np
import scipy

from benchmon.bench import Bench, Capacitor, Choke, CurrentLoad, ResistorLoad

THERMAL_VOLTAGE = 1.380649e-23 * 298.15 / 1.602176634e-19
LAG = 1e-8
CLOSE = 1e-6
SAMPLES = 4000
LARGEST_CURRENT = 1e4
MOST_RATES = 10_000


class Creeps(Exception):
    """A solver that takes far too many steps."""


class Unrepeated(Exception):
    """The reference did not settle into a period; it then judges nothing."""


@dataclass
class Source:
    """The transformer seen by the paths: rms EMF of a path, ohms and henries that couple the two path currents."""

    rms: float
    ohms: np.ndarray
    henries: np.ndarray
    winding_ohms: float
    winding_henries: float
    reflected: float
    ratio: float
    turns: int
    halves: int
    diodes: int


def source_of(bench: Bench, ntc_ohms: float) -> Source:
    """Derive the paths from windings and ampere-turns, for each wiring."""
    kind, t = bench.rectifier.kind, bench.transformer
    ratio = t.open_circuit_voltage / t.primary_voltage
    primary = t.primary_resistance + bench.mains.source_resistance + ntc_ohms
    primary += bench.fuse.resistance if bench.fuse else 0.0
    tapped = kind in ("centre tap", "split rail")
    turns = 2 if t.connection == "series" and not tapped else 1
    halves = 2 if t.connection == "parallel" else 1
    ohms, henries = t.secondary_resistance * turns / halves, t.leakage_inductance * turns / halves
    both = np.array([[1.0, -1.0], [-1.0, 1.0]])
    if kind == "split rail":
        # Both halves carry the same current, so the primary carries twice one half's ampere-turns.
        ratio_of_line, reflected = 2 * ratio, primary * 2 * ratio**2
    else:
        ratio_of_line, reflected = turns * ratio, primary * (turns * ratio) ** 2
    own = np.eye(2) if kind == "centre tap" else both
    coupled, leaking = ohms * own + reflected * both, henries * own
    if kind == "half wave":
        coupled, leaking = coupled[:1, :1], leaking[:1, :1]
    rms = bench.mains.voltage * ratio * turns
    diodes = 2 if kind == "bridge" else 1
    return Source(rms, coupled, leaking, ohms, henries, reflected, ratio_of_line, turns, halves, diodes)


class Load:
    """What the load node draws at its voltage."""

    def __init__(self, bench: Bench) -> None:
        self.regulator, self.load = bench.regulator, bench.load
        self.linear = self.regulator is None and not isinstance(self.load, CurrentLoad)
        self.ohms = np.inf
        if isinstance(self.load, ResistorLoad):
            self.ohms = self.load.resistance
            self.ohms *= 1 + self.load.temperature_coefficient * (bench.ambient.temperature - 25.0)
        self.amperes = self.load.current if isinstance(self.load, CurrentLoad) else 0.0

    def output(self, volts):
        if self.regulator is None:
            return volts
        return np.clip(np.minimum(volts - self.regulator.dropout, self.regulator.output_voltage), 0.0, None)

    def current(self, volts):
        return self.output(volts) / self.ohms + self.amperes * (self.output(volts) > 0)

    def drawn(self, volts):
        quiescent = self.regulator.quiescent_current if self.regulator else 0.0
        return self.current(volts) + quiescent * (np.asarray(volts) > 0)

    def behind(self, volts: float, ohms: float) -> float:
        """Return what is drawn through `ohms` from a node that would stand at `volts` unloaded."""
        quiescent = self.regulator.quiescent_current if self.regulator else 0.0
        full = self.amperes + quiescent
        if self.regulator is None:
            return full
        regulated = full + self.regulator.output_voltage / self.ohms
        edge = self.regulator.output_voltage + self.regulator.dropout
        if volts - ohms * regulated >= edge:
            return regulated
        dropped = full + (volts - ohms * full - self.regulator.dropout) / (self.ohms + ohms)
        return dropped if volts - ohms * dropped > self.regulator.dropout else quiescent


class Ladder:
    """The filter as a linear network: node voltages and capacitor currents from path, choke and load currents."""

    def __init__(self, bench: Bench, load: Load) -> None:
        self.doubler = bench.rectifier.kind == "full-wave doubler"
        self.lead_ohms = self.lead_henries = 0.0
        self.capacitors: list[tuple[int, int, float, float]] = []
        self.series: list[tuple[int, int, float, float]] = []
        self.nodes = 2 if self.doubler else 1
        common, here = (1 if self.doubler else -1), 0
        ohms = henries = 0.0
        for index, part in enumerate(bench.filter):
            if isinstance(part, Capacitor):
                here = self._series_to(here, ohms, henries)
                ohms = henries = 0.0
                if self.doubler and index == 0:
                    self.capacitors += [(0, -1, part.capacitance, part.esr), (-1, 1, part.capacitance, part.esr)]
                else:
                    self.capacitors.append((here, common, part.capacitance, part.esr))
            else:
                ohms += part.resistance
                henries += part.inductance if isinstance(part, Choke) else 0.0
        self.load_node, self.common = self._series_to(here, ohms, henries), common
        self._solve(load)

    def _series_to(self, here: int, ohms: float, henries: float) -> int:
        if ohms == 0 and henries == 0:
            return here
        if not self.capacitors:
            self.lead_ohms, self.lead_henries = ohms, henries
            return here
        self.series.append((here, self.nodes, ohms, henries))
        self.nodes += 1
        return self.nodes - 1

    def _solve(self, load: Load) -> None:
        """Invert the nodal matrix; columns are path currents, capacitor volts, choke currents and load current."""
        self.chokes = [branch for branch in self.series if branch[3] > 0]
        size = self.nodes + len(self.capacitors)
        columns = 2 + len(self.capacitors) + len(self.chokes) + 1
        matrix, known = np.zeros((size, size)), np.zeros((size, columns))
        known[0, 0] = 1.0
        known[1 if self.doubler else 0, 1] = -1.0 if self.doubler else 1.0
        for row, (a, b, _, esr) in enumerate(self.capacitors, self.nodes):
            for node, sign in ((a, 1.0), (b, -1.0)):
                if node >= 0:
                    matrix[node, row] += sign
                    matrix[row, node] += sign
            matrix[row, row] = -esr
            known[row, 2 + row - self.nodes] = 1.0
        for a, b, ohms, henries in self.series:
            if henries == 0:
                _conductance(matrix, a, b, 1 / ohms)
        for column, (a, b, _, _) in enumerate(self.chokes, 2 + len(self.capacitors)):
            known[a, column], known[b, column] = -1.0, 1.0
        if load.linear and np.isfinite(load.ohms):
            _conductance(matrix, self.load_node, self.common, 1 / load.ohms)
        known[self.load_node, -1] -= 1.0
        if self.common >= 0:
            known[self.common, -1] += 1.0
        self.answer = np.linalg.solve(matrix, known)
        self.load_row = self.answer[self.load_node] - (self.answer[self.common] if self.common >= 0 else 0.0)


def _conductance(matrix: np.ndarray, a: int, b: int, siemens: float) -> None:
    matrix[a, a] += siemens
    if b >= 0:
        matrix[b, b] += siemens
        matrix[a, b] -= siemens
        matrix[b, a] -= siemens


class Circuit:
    """The circuit as dx/dt = rates(t, x): junction volts of the paths, capacitor volts, choke currents."""

    def __init__(self, bench: Bench, junction: float, ntc_ohms: float) -> None:
        self.bench, self.source, self.load = bench, source_of(bench, ntc_ohms), Load(bench)
        diode = bench.diode
        slope = diode.emission_coefficient * THERMAL_VOLTAGE
        self.saturation = diode.saturation_current * exp(2e-3 * (junction - 25.0) / slope)
        self.slope = slope * self.source.diodes
        self.ohmic = diode.series_resistance * self.source.diodes
        self.omega = 2 * pi * bench.mains.frequency
        self.harmonics = [(order, size, phase * pi / 180) for order, size, phase in bench.mains.harmonics or ()]
        self.peak = self.source.rms * (2 / (1 + sum(size**2 for _, size, _ in self.harmonics))) ** 0.5
        self.paths = len(self.source.ohms)
        self.creeps = False
        # No direct current passes the transformer: the mean of the winding's current makes no drop in the primary.
        self.balanced = 0.0

    def emf(self, t):
        wave = np.sin(self.omega * t)
        for order, size, phase in self.harmonics:
            wave = wave + size * np.sin(order * self.omega * t + phase)
        return self.peak * wave + self.balanced

    def build(self) -> None:
        self.ladder = Ladder(self.bench, self.load)
        self.limit = self.slope * np.log(LARGEST_CURRENT / self.saturation)
        self.stored = np.array([c for _, _, c, _ in self.ladder.capacitors])
        # As lists: single numbers of an array cost ten times as much, and they are asked for at every step.
        self.mass = (self.source.henries + self.ladder.lead_henries).tolist()
        self.ohms = self.source.ohms.tolist()

    def conduct(self, volts: float) -> tuple[float, float]:
        """Shockley's current and conductance; a straight line above 10 kA keeps trial steps finite."""
        top = min(volts, self.limit)
        grown = self.saturation * exp(max(top / self.slope, -200.0))
        return grown - self.saturation + (volts - top) * grown / self.slope, grown / self.slope

    def rates(self, t: float, x: np.ndarray) -> np.ndarray:
        paths, ladder = self.paths, self.ladder
        turns = self.omega * t
        emf = self.peak * (sin(turns) + sum(size * sin(order * turns + phase) for order, size, phase in self.harmonics))
        emf += self.balanced
        junctions = x[:paths].tolist()
        pairs = [self.conduct(volts) for volts in junctions]
        currents = [pair[0] for pair in pairs] + [0.0] * (2 - paths)
        known = np.array([*currents, *x[paths:], 0.0])
        if not self.load.linear:
            known[-1] = self.load.behind(float(ladder.load_row @ known), -float(ladder.load_row[-1]))
        nodes = ladder.answer @ known
        port = float(nodes[0])
        ports = (port, -float(nodes[1])) if ladder.doubler else (port + ladder.lead_ohms * sum(currents),) * 2
        rest = [
            (emf if path == 0 else -emf)
            - ports[path]
            - self.ohmic * currents[path]
            - sum(ohms * current for ohms, current in zip(self.ohms[path], currents, strict=False))
            - junctions[path]
            for path in range(paths)
        ]
        changes = _follow([pair[1] for pair in pairs], self.mass, rest)
        charge = nodes[ladder.nodes :] / self.stored
        chokes = [
            (nodes[a] - nodes[b] - ohms * current) / henries
            for (a, b, ohms, henries), current in zip(ladder.chokes, x[paths + len(self.stored) :], strict=True)
        ]
        return np.array([*changes, *charge, *chokes])


def _follow(gain: list[float], mass: list[list[float]], rest: list[float]) -> list[float]:
    """Solve (LAG + mass·gain)·change = rest for one or two paths."""
    if len(rest) == 1:
        return [rest[0] / (LAG + mass[0][0] * gain[0])]
    (own, mutual), (_, other) = mass
    # Written out, because the determinant of two windings that are one is zero, and rounding would not leave it so.
    loose = 0.0 if own == other == -mutual or own == other == mutual else own * other - mutual * mutual
    whole = LAG * LAG + LAG * (own * gain[0] + other * gain[1]) + loose * gain[0] * gain[1]
    return [
        (LAG * rest[0] + gain[1] * (other * rest[0] - mutual * rest[1])) / whole,
        (LAG * rest[1] + gain[0] * (own * rest[1] - mutual * rest[0])) / whole,
    ]


def _period(circuit: Circuit, x: np.ndarray, times: np.ndarray | None = None, *, rough: bool = False) -> np.ndarray:
    """Return the state after a period, or at `times`: by LSODA, or by Radau where LSODA creeps or gives up."""
    done = None
    if not circuit.creeps:
        try:
            done = _integrated(circuit, x, times, "LSODA", 1e-6 if rough else 1e-8)
        except (Creeps, UserWarning):
            # It would in the next period, too.
            circuit.creeps = True
    if done is None:
        done = _integrated(circuit, x, times, "Radau", 1e-5 if rough else 1e-6)
    if done.status != 0:
        raise Unrepeated(done.message)
    return done.y if times is not None else done.y[:, -1]


def _integrated(circuit: Circuit, x: np.ndarray, times: np.ndarray | None, method: str, exact: float):
    period = 1.0 / circuit.bench.mains.frequency
    asked = itertools.count()

    def rates(t: float, at: np.ndarray) -> np.ndarray:
        if method == "LSODA" and next(asked) > MOST_RATES:
            raise Creeps
        return circuit.rates(t, at)

    with warnings.catch_warnings():
        warnings.simplefilter("error", UserWarning)
        return scipy.integrate.solve_ivp(
            rates, (0.0, period), x, method, times, rtol=exact, atol=exact / 10, max_step=period / 100
        )


def repeat(circuit: Circuit) -> np.ndarray:
    """Return the state at t = 0 of the periodic solution. Raises `Unrepeated`."""
    paths = circuit.paths
    x = np.zeros(paths + len(circuit.stored) + len(circuit.ladder.chokes))
    x[paths : paths + len(circuit.stored)] = (0.6 if circuit.ladder.lead_henries else 0.8) * circuit.peak
    if circuit.ladder.common >= 0:
        x[paths + 2 : paths + len(circuit.stored)] *= 2
    x[paths + len(circuit.stored) :] = circuit.load.drawn(0.8 * circuit.peak)
    level = float(circuit.load.drawn(0.6 * circuit.peak))
    through = paths == 2 and circuit.ladder.lead_henries > 0
    # A choke that leads keeps the load's current up through the zero of the mains, half in each path.
    x[:paths] = circuit.slope * np.log1p(level / 2 / circuit.saturation) if through else -1.0
    for _ in range(3):
        x = _period(circuit, x, rough=True)
    before, nearest, best = np.inf, np.inf, x
    for _ in range(30):
        ends = _period(circuit, x)
        away = float(np.max(np.abs(ends - x) / (1e-2 + np.abs(x))))
        if away < 1e-6:
            return ends
        if away < nearest:
            nearest, best = away, ends
        if away < 0.2 * before:
            x, before = ends, away
            continue
        before = away
        gain = np.zeros((len(x), len(x)))
        for column in range(len(x)):
            moved = x.copy()
            moved[column] += 1e-4 * (0.1 + abs(x[column]))
            gain[:, column] = (_period(circuit, moved) - ends) / (moved[column] - x[column])
        # A conducting junction's voltage is the logarithm of its current: it never needs to move far.
        most = np.full(len(x), 0.5 * circuit.peak)
        most[:paths] = np.where(x[:paths] > 0, 2.0 * circuit.slope, most[:paths])
        x = x + np.clip(np.linalg.solve(np.eye(len(x)) - gain, ends - x), -most, most)
    # In a stiff circuit the integrator's own error keeps the steps from coming nearer; what is compared is allowed a
    # part in a thousand and more.
    if nearest < 5e-5:
        return best
    raise Unrepeated("the period map has no fixed point within 30 steps")


def reference(bench: Bench, junction: float | None = None, ntc_ohms: float = 0.0) -> dict[str, float]:
    """Return every electrical quantity of `bench`, with junctions at `junction` °C (ambient if None).

    The core takes nothing, but balances the mean of the windings' current, as of a half wave.
    """
    celsius = bench.ambient.temperature if junction is None else junction
    circuit = Circuit(bench, celsius, ntc_ohms)
    stored = any(not hasattr(part, "resistance") or isinstance(part, Choke) for part in bench.filter)
    solve = _with_storage if stored or bench.transformer.leakage_inductance > 0 else _instant
    traces = solve(circuit)
    balance = circuit.source.reflected * float(np.mean(traces["net"]))
    while abs(balance - circuit.balanced) > CLOSE * circuit.peak:
        circuit.balanced = balance
        traces = solve(circuit)
        balance = circuit.source.reflected * float(np.mean(traces["net"]))
    return _quantities(circuit, traces)


def _instants(circuit: Circuit) -> np.ndarray:
    return np.arange(SAMPLES) / SAMPLES / circuit.bench.mains.frequency


def _instant(circuit: Circuit) -> dict[str, np.ndarray]:
    """Solve a circuit without storage at each instant; its output is never negative, so one path conducts at a time."""
    source, load, times = circuit.source, circuit.load, _instants(circuit)
    emf = circuit.emf(times)
    drives = [emf, -emf][: circuit.paths]
    ohms = source.ohms[0, 0] + circuit.ohmic + sum(part.resistance for part in circuit.bench.filter)

    def currents(volts, more=0.0):
        scale = (ohms + more) * circuit.saturation / circuit.slope
        return [
            circuit.slope
            / (ohms + more)
            * scipy.special.wrightomega((drive - volts) / circuit.slope + scale + np.log(scale)).real
            - circuit.saturation
            for drive in drives
        ]

    if load.linear:
        paths = currents(0.0, load.ohms)
        volts = load.ohms * sum(paths)
    else:
        low, high = np.zeros_like(emf), np.full_like(emf, circuit.peak)
        for _ in range(60):
            volts = (low + high) / 2
            more = sum(currents(volts)) > load.drawn(volts)
            low, high = np.where(more, volts, low), np.where(more, high, volts)
        paths = currents(volts)
    port = volts + sum(paths) * (ohms - source.ohms[0, 0] - circuit.ohmic)
    first, second = (*paths, np.zeros_like(emf))[:2]
    mutual = source.ohms[0, 1] * second if circuit.paths == 2 else 0.0
    net, own = _windings(circuit, first, second)
    return {
        "time": times,
        "emf": emf,
        "first": first,
        "reverse": -(emf - mutual - port) / source.diodes,
        "net": net,
        "own": own,
        "terminal": emf - source.reflected * net - source.winding_ohms * own,
        "load": volts,
        "drawn": sum(paths),
    }


def _windings(circuit: Circuit, first: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    net = first - second
    return net, first if circuit.bench.rectifier.kind == "centre tap" else net


def _with_storage(circuit: Circuit) -> dict[str, np.ndarray]:
    circuit.build()
    times, paths, ladder = _instants(circuit), circuit.paths, circuit.ladder
    x = _period(circuit, repeat(circuit), times)
    rates = np.array([circuit.rates(t, x[:, k]) for k, t in enumerate(times)]).T
    pairs = np.array([[circuit.conduct(volts) for volts in row] for row in x[:paths]])
    zero = np.zeros_like(times)
    first, second = (*pairs[:, :, 0], zero)[:2]
    rising = pairs[:, :, 1] * rates[:paths]
    first_rise, second_rise = (*rising, zero)[:2]
    known = np.array([first, second, *x[paths:], zero])
    if not circuit.load.linear:
        unloaded, ohms = ladder.load_row @ known, -float(ladder.load_row[-1])
        known[-1] = [circuit.load.behind(float(volts), ohms) for volts in unloaded]
    nodes = ladder.answer @ known
    net, own = _windings(circuit, first, second)
    own_rise = _windings(circuit, first_rise, second_rise)[1]
    source, emf = circuit.source, circuit.emf(times)
    traces = {
        "time": times,
        "emf": emf,
        "first": first,
        "reverse": -x[0] / source.diodes,
        "net": net,
        "own": own,
        "terminal": emf - source.reflected * net - source.winding_ohms * own - source.winding_henries * own_rise,
        "load": ladder.load_row @ known,
    }
    if ladder.capacitors:
        a, b, _, _ = ladder.capacitors[0]
        traces["reservoir"] = nodes[a] - (nodes[b] if b >= 0 else 0.0)
        traces["charging"] = nodes[ladder.nodes]
    return traces


def _rms(trace: np.ndarray) -> float:
    return float(np.sqrt(np.mean(trace**2)))


def _quantities(circuit: Circuit, traces: dict[str, np.ndarray]) -> dict[str, float]:
    values = _mains(circuit, traces)
    first, own = traces["first"], traces["own"] / circuit.source.halves
    diode = circuit.bench.diode
    per_diode = circuit.slope / circuit.source.diodes
    drop = per_diode * np.log1p(np.maximum(first / circuit.saturation, -1 + 1e-12)) + diode.series_resistance * first
    values |= {
        "secondary.voltage.rms": _rms(traces["terminal"]) / circuit.source.turns,
        "secondary.current.rms": _rms(own),
        "secondary.current.peak": float(np.max(np.abs(own))),
        "diode.current.mean": float(np.mean(first)),
        "diode.current.rms": _rms(first),
        "diode.current.peak": float(np.max(first)),
        "diode.voltage.reverse_peak": float(np.max(traces["reverse"])),
        "diode.power.mean": float(np.mean(first * drop)),
    }
    if "reservoir" in traces:
        volts = traces["reservoir"]
        values |= _levels("reservoir.voltage", volts)
        values["reservoir.voltage.mean"] = float(np.mean(volts))
        values["reservoir.current.rms"] = _rms(traces["charging"])
    return values | _output(circuit, traces)


def _levels(name: str, volts: np.ndarray) -> dict[str, float]:
    high, low = float(np.max(volts)), float(np.min(volts))
    return {f"{name}.peak": high, f"{name}.valley": low, f"{name}.ripple": high - low}


def _mains(circuit: Circuit, traces: dict[str, np.ndarray]) -> dict[str, float]:
    bench = circuit.bench
    mains = bench.mains
    current = circuit.source.ratio * (traces["net"] - np.mean(traces["net"]))
    source = (traces["emf"] - circuit.balanced) / circuit.source.rms * mains.voltage
    volts = source - mains.source_resistance * current
    lines = np.fft.rfft(current)[:41] / len(current)
    waves = np.abs(np.fft.rfft(volts)[:41])
    fundamental = np.fft.rfft(volts)[1]
    active, apparent = float(np.mean(volts * current)), _rms(volts) * _rms(current)
    return {
        "mains.voltage.rms": _rms(volts),
        "mains.voltage.crest_factor": float(np.max(np.abs(volts))) / _rms(volts),
        "mains.voltage.thd": float(np.sqrt(np.sum(waves[2:] ** 2)) / waves[1]),
        "mains.current.rms": _rms(current),
        "mains.current.peak": float(np.max(np.abs(current))),
        "mains.current.crest_factor": float(np.max(np.abs(current))) / _rms(current),
        "mains.current.thd": float(np.sqrt(np.sum(np.abs(lines[2:]) ** 2)) / np.abs(lines[1])),
        "mains.power.active": active,
        "mains.power.apparent": apparent,
        "mains.power_factor": active / apparent,
        "mains.displacement_factor": float(np.cos(np.angle(fundamental) - np.angle(lines[1]))),
        "mains.frequency": mains.frequency,
    }


def _output(circuit: Circuit, traces: dict[str, np.ndarray]) -> dict[str, float]:
    load, regulator, node = circuit.load, circuit.bench.regulator, traces["load"]
    volts, current = load.output(node), load.current(node)
    if regulator is None and "drawn" in traces:
        # A constant current that the supply cannot give pulls the output to zero, and takes what there is.
        current = np.where(volts > 0.01, current, traces["drawn"])
    mean, power = float(np.mean(volts)), float(np.mean(volts * current))
    ac_rms = _rms(volts - mean)
    values = _levels("output.voltage", volts) | {
        "output.voltage.rms": _rms(volts),
        "output.voltage.mean": mean,
        "output.voltage.ac_rms": ac_rms,
        "output.voltage.frequency": circuit.bench.mains.frequency * circuit.paths,
        "output.voltage.form_factor": _rms(volts) / mean,
        "output.voltage.ripple_factor": ac_rms / mean,
        "output.current.rms": _rms(current),
        "output.current.mean": float(np.mean(current)),
        "output.power.mean": power,
        "load.power.mean": power,
    }
    if regulator is not None:
        over = node - volts
        values["regulator.voltage.headroom"] = float(np.min(over))
        values["regulator.power.mean"] = float(np.mean(over * current + node * regulator.quiescent_current))
    return values
