"""An integration of whole supplies from their net list, which shares nothing with benchmon.

Every winding, diode and capacitor is a branch of its own in modified nodal analysis (Ho, Ruehli and Brennan, IEEE
Trans. Circuits Syst. 22, 1975), integrated by the second-order backward difference formula with Newton's method at each
instant, many supplies of one rectifier at a time. A core has flux, a magnetising current that grows with a power of the
flux, and a loss; both sides have leakage; a diode is Shockley's law with a series resistance, solved by the Wright
omega function (Corless and Jeffrey, 2002).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import wrightomega

Floats = NDArray[np.float64]

ROOM_TEMPERATURE_VOLTAGE = 0.025693
"""kT/q at 25 °C, V."""
_LINEAR_PART = 0.25
"""Part of the magnetising current at rated flux that is proportional to it; from experience."""
_LEAK = 1e-9
_TIGHT = 1e-7
_COARSE, _FINE = 400, 4000


@dataclass(frozen=True)
class Supplies:
    """Supplies of one rectifier kind; every value has the shape (b,), SI units.

    `harmonics` are orders of the mains voltage with their part of the fundamental and phase φ (radians) in
    sin(kωt + φ). `ratio` is secondary over primary volts; winding values belong to one winding. `magnetising` is the
    peak of the current at rated flux, `steepness` the power with which it grows.
    """

    kind: str
    mains: Floats
    harmonics: list[tuple[int, Floats, Floats]]
    source_resistance: Floats
    primary_resistance: Floats
    primary_leakage: Floats
    ratio: Floats
    secondary_resistance: Floats
    secondary_leakage: Floats
    magnetising: Floats
    steepness: Floats
    core_resistance: Floats
    saturation_current: Floats
    emission_coefficient: Floats
    diode_resistance: Floats
    capacitance: Floats
    second_capacitance: Floats
    esr: Floats
    load: Floats
    frequency: float = 50.0
    rated_primary: float = 230.0

    @property
    def count(self) -> int:
        """How many supplies there are."""
        return len(self.mains)


def magnetising_shape(flux: Floats, steepness: Floats) -> Floats:
    """Return the magnetising current, in parts of its peak at rated flux, for `flux` in parts of the rated peak."""
    return _LINEAR_PART * flux + (1 - _LINEAR_PART) * flux * np.abs(flux) ** (steepness - 1)


@dataclass
class Circuit:
    """The equations M·x' + G·x + f(x, t) = 0 of some supplies; `place` finds an unknown by its name."""

    supplies: Supplies
    place: dict[str, int] = field(default_factory=dict)
    _stamps: list[tuple[str, int, int, Floats | float]] = field(default_factory=list)
    _diodes: list[tuple[int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Lay out the supply of its kind."""
        s = self.supplies
        for name in ("terminal", "line", "induced", "flux"):
            self._unknown(name)
        line, induced, flux = (self.place[name] for name in ("line", "induced", "flux"))
        terminal = self.place["terminal"]
        # The source: terminal = source − R·line. The primary: terminal = R·line + L·line' + induced.
        self._stamp("g", terminal, terminal, 1.0)
        self._stamp("g", terminal, line, s.source_resistance)
        self._stamp("g", line, terminal, 1.0)
        self._stamp("g", line, line, -s.primary_resistance)
        self._stamp("m", line, line, -s.primary_leakage)
        self._stamp("g", line, induced, -1.0)
        # flux' = induced; the core: line = magnetising + loss + reflected currents.
        self._stamp("m", flux, flux, 1.0)
        self._stamp("g", flux, induced, -1.0)
        self._stamp("g", induced, line, 1.0)
        self._stamp("g", induced, induced, -1.0 / s.core_resistance)
        self._lay_out_secondary()
        size = len(self.place)
        self._mass = np.zeros((s.count, size, size))
        self._conductance = np.zeros((s.count, size, size))
        for what, row, column, value in self._stamps:
            (self._mass if what == "m" else self._conductance)[:, row, column] += value

    def _lay_out_secondary(self) -> None:
        s, stray = self.supplies, np.full(self.supplies.count, 2e5)
        if s.kind == "bridge":
            self._winding("winding", "a", "b")
            for ends in (("a", "plus"), ("b", "plus"), ("0", "a"), ("0", "b")):
                self._diode(*ends)
            self._resistor("a", "b", stray)
        elif s.kind == "centre tap":
            self._winding("winding", "a", "0")
            self._winding("second winding", "0", "b")
            for ends in (("a", "plus"), ("b", "plus")):
                self._diode(*ends)
            self._resistor("a", "b", stray)
        elif s.kind == "half wave":
            self._winding("winding", "a", "0")
            self._diode("a", "plus")
            self._resistor("a", "0", stray)
        elif s.kind == "full-wave doubler":
            self._winding("winding", "a", "middle")
            self._diode("a", "plus")
            self._diode("0", "a")
            self._resistor("a", "middle", stray)
        else:
            raise ValueError(s.kind)
        if s.kind == "full-wave doubler":
            self._capacitor("plus", "middle", s.capacitance)
            self._capacitor("middle", "0", s.second_capacitance)
        else:
            self._capacitor("plus", "0", s.capacitance)
        self._resistor("plus", "0", s.load)

    def _unknown(self, name: str) -> int:
        if name == "0":
            return -1
        return self.place.setdefault(name, len(self.place))

    def _stamp(self, what: str, row: int, column: int, value: Floats | float) -> None:
        if row >= 0 and column >= 0:
            self._stamps.append((what, row, column, value))

    def _pair(self, what: str, first: str, second: str, value: Floats | float) -> None:
        a, b = self._unknown(first), self._unknown(second)
        for row, column, sign in ((a, a, 1), (b, b, 1), (a, b, -1), (b, a, -1)):
            self._stamp(what, row, column, sign * value)

    def _resistor(self, first: str, second: str, ohms: Floats) -> None:
        self._pair("g", first, second, 1.0 / ohms)

    def _capacitor(self, first: str, second: str, farads: Floats) -> None:
        inner = f"inside {first}"
        self._resistor(first, inner, self.supplies.esr)
        self._pair("m", inner, second, farads)

    def _winding(self, name: str, first: str, second: str) -> None:
        """Lay a winding; its unknown is the current that flows in at `first`."""
        s, row = self.supplies, self._unknown(name)
        for node, sign in ((self._unknown(first), 1.0), (self._unknown(second), -1.0)):
            self._stamp("g", node, row, sign)
            self._stamp("g", row, node, sign)
        self._stamp("g", row, self.place["induced"], -s.ratio)
        self._stamp("g", row, row, -s.secondary_resistance)
        self._stamp("m", row, row, -s.secondary_leakage)
        self._stamp("g", self.place["induced"], row, s.ratio)

    def _diode(self, anode: str, cathode: str) -> None:
        self._diodes.append((self._unknown(anode), self._unknown(cathode)))

    def source(self, time: float) -> Floats:
        """Return the source's voltage at a time, (b,), whose rms over a period is that of the mains."""
        s, angle = self.supplies, 2 * np.pi * self.supplies.frequency * time
        wave = np.sin(angle) + sum(part * np.sin(order * angle + phase) for order, part, phase in s.harmonics)
        total = 1.0 + sum(part**2 for _, part, _ in s.harmonics)
        return np.sqrt(2.0 / total) * s.mains * wave

    def diode_current(self, volts: Floats) -> tuple[Floats, Floats]:
        """Return current and conductance of a diode at `volts` (…, b)."""
        s = self.supplies
        thermal, ohms = s.emission_coefficient * ROOM_TEMPERATURE_VOLTAGE, s.diode_resistance
        inside = np.log(s.saturation_current * ohms / thermal) + (volts + s.saturation_current * ohms) / thermal
        omega = np.real(wrightomega(inside))
        current = thermal / ohms * omega - s.saturation_current + _LEAK * volts
        return current, omega / (ohms * (1.0 + omega)) + _LEAK

    def _nonlinear(self, x: Floats, time: float) -> tuple[Floats, Floats]:
        s, found, slope = self.supplies, np.zeros_like(x), np.zeros_like(self._mass)
        found[:, self.place["terminal"]] -= self.source(time)
        for anode, cathode in self._diodes:
            volts = (x[:, anode] if anode >= 0 else 0.0) - (x[:, cathode] if cathode >= 0 else 0.0)
            current, conductance = self.diode_current(np.asarray(volts))
            for row, sign in ((anode, 1.0), (cathode, -1.0)):
                if row >= 0:
                    found[:, row] += sign * current
                    for column, other in ((anode, 1.0), (cathode, -1.0)):
                        if column >= 0:
                            slope[:, row, column] += sign * other * conductance
        rated = np.sqrt(2.0) * s.rated_primary / (2 * np.pi * s.frequency)
        flux, at = x[:, self.place["flux"]] / rated, self.place["induced"]
        found[:, at] -= s.magnetising * magnetising_shape(flux, s.steepness)
        steep = _LINEAR_PART + (1 - _LINEAR_PART) * s.steepness * np.abs(flux) ** (s.steepness - 1)
        slope[:, at, self.place["flux"]] -= s.magnetising * steep / rated
        return found, slope

    def integrate(self, x: Floats, steps: int, periods: int) -> Floats:
        """Return the unknowns at the end of each step from `x` (b, n) on, over whole periods, (steps·periods, b, n)."""
        step = 1.0 / self.supplies.frequency / steps
        trace = [x]
        for number in range(1, steps * periods + 1):
            if number == 1:
                rate, past, guess = 1.0 / step, -x / step, x
            else:
                rate, past = 1.5 / step, (-2.0 * trace[-1] + 0.5 * trace[-2]) / step
                guess = 2.0 * trace[-1] - trace[-2]
            trace.append(self._solved(guess, number * step, rate, np.einsum("bij,bj->bi", self._mass, past)))
        return np.array(trace[1:])

    def _solved(self, guess: Floats, time: float, rate: float, past: Floats) -> Floats:
        x, linear = guess, self._conductance + rate * self._mass
        for attempt in range(60):
            found, slope = self._nonlinear(x, time)
            change = np.linalg.solve(linear + slope, -(np.einsum("bij,bj->bi", linear, x) + past + found)[..., None])
            x = x + (1.0 if attempt < 8 else 0.4) * change[..., 0]
            if np.max(np.abs(change)) < _TIGHT:
                break
        return x


def settled(supplies: Supplies) -> tuple[Circuit, Floats, NDArray[np.bool_]]:
    """Return the circuit, its unknowns over a settled period at even instants (k, b, n), and which settled (b,)."""
    circuit = Circuit(supplies)
    x = np.zeros((supplies.count, len(circuit.place)))
    # The flux starts at its trough, as in the steady state.
    x[:, circuit.place["flux"]] = -np.sqrt(2.0) * supplies.rated_primary / (2 * np.pi * supplies.frequency)
    x = circuit.integrate(x, _COARSE, 30)[-1]
    change = np.full(supplies.count, np.inf)
    for _ in range(12):
        later = circuit.integrate(x, _COARSE, 6)[-1]
        change = np.max(np.abs(later - x), axis=1) / np.max(np.abs(later), axis=1)
        x = later
        if np.all(change < 2e-4):
            break
    x = circuit.integrate(x, _FINE // 2, 2)[-1]
    return circuit, circuit.integrate(x, _FINE, 1), change < 1e-3


def measured(circuit: Circuit, trace: Floats) -> dict[str, Floats]:
    """Return what exact meters read, (b,), by the definitions of IEEE 1459-2010 (THD: orders 2 to 40)."""
    supplies, place = circuit.supplies, circuit.place
    line, mains = trace[..., place["line"]], trace[..., place["terminal"]]
    plus, winding = trace[..., place["plus"]], trace[..., place["winding"]]
    cold = {"bridge": "b", "full-wave doubler": "middle"}.get(supplies.kind)
    secondary = trace[..., place["a"]] - (trace[..., place[cold]] if cold else 0.0)
    diode = circuit.diode_current(trace[..., place["a"]] - plus)[0]
    power = np.mean(line * mains, axis=0)
    return {
        "mains.voltage.rms": _rms(mains),
        "mains.voltage.thd": _thd(mains),
        "mains.voltage.crest_factor": np.max(np.abs(mains), axis=0) / _rms(mains),
        "mains.current.rms": _rms(line),
        "mains.power.active": power,
        "mains.power_factor": power / _rms(line) / _rms(mains),
        "mains.current.thd": _thd(line),
        "mains.current.crest_factor": np.max(np.abs(line), axis=0) / _rms(line),
        "secondary.voltage.rms": _rms(secondary),
        "secondary.current.rms": _rms(winding),
        "output.voltage.mean": np.mean(plus, axis=0),
        "output.voltage.ac_rms": np.std(plus, axis=0),
        "output.voltage.ripple": np.ptp(plus, axis=0),
        "diode.current.mean": np.mean(diode, axis=0),
        "diode.current.peak": np.max(diode, axis=0),
    }


def _rms(trace: Floats) -> Floats:
    found: Floats = np.sqrt(np.mean(trace**2, axis=0))
    return found


def _thd(trace: Floats) -> Floats:
    sizes = np.abs(np.fft.rfft(trace, axis=0))[1:41]
    found: Floats = np.sqrt(np.sum(sizes[1:] ** 2, axis=0)) / sizes[0]
    return found
