"""An independent supply with a saturating core: scipy integrates flux and reservoir together until they repeat.

It shares nothing with the prediction but the bench file's reader and the core's law, which both assume:
k·((1 − s)·x + s·x·|x|^(n − 1)) amperes at the flux x, relative to its peak at the rated voltage, and a conductance.
Size k and turns are found from the no-load figures by integrating the unloaded transformer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from benchmon.bench import Bench

THERMAL_VOLTAGE = 1.380649e-23 * 298.15 / 1.602176634e-19
SAMPLES = 8000
SATURATING, EXPONENT = 0.6, 9.0


@dataclass
class Idle:
    """A transformer's primary: volts rms and frequency of the source, ohms, and the core's size and conductance.

    `harmonics` of the source are order, part of the fundamental and phase in radians; its volts are those of all.
    """

    volts: float
    frequency: float
    rated: float
    ohms: float
    peak: float
    siemens: float
    harmonics: tuple[tuple[int, float, float], ...] = ()

    def magnetising(self, flux: np.ndarray) -> np.ndarray:
        return self.peak * ((1.0 - SATURATING) * flux + SATURATING * flux * np.abs(flux) ** (EXPONENT - 1.0))

    def source(self, time: np.ndarray) -> np.ndarray:
        angle = 2.0 * np.pi * self.frequency * time
        wave = np.sin(angle) + sum(size * np.sin(order * angle + phase) for order, size, phase in self.harmonics)
        return np.sqrt(2.0 / (1.0 + sum(size**2 for _, size, _ in self.harmonics))) * self.volts * wave

    def emf(self, time: np.ndarray, flux: np.ndarray, reflected: np.ndarray | float = 0.0) -> np.ndarray:
        held = self.source(time) - self.ohms * (reflected + self.magnetising(flux))
        return held / (1.0 + self.ohms * self.siemens)

    def rate(self, emf: np.ndarray) -> np.ndarray:
        return 2.0 * np.pi * self.frequency / (np.sqrt(2.0) * self.rated) * emf


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def idle_of(bench: Bench) -> tuple[Idle, float]:
    """Return the bench's primary with its core, and the secondary's volts per volt of the EMF."""
    t, frequency = bench.transformer, bench.mains.frequency
    copper = t.primary_resistance * t.no_load_current**2

    def unloaded(peak: float) -> tuple[float, float]:
        idle = Idle(t.primary_voltage, frequency, t.primary_voltage, t.primary_resistance, peak, siemens)
        times = np.arange(SAMPLES) / SAMPLES / frequency
        flux = _repeating(lambda time, y: [idle.rate(idle.emf(time, y[0]))], np.array([-1.0]), times)[0]
        emf = idle.emf(times, flux)
        return _rms(idle.magnetising(flux) + siemens * emf), _rms(emf)

    volts = t.primary_voltage
    for _ in range(3):
        siemens = (t.no_load_loss - copper) / volts**2
        peak = scipy.optimize.brentq(
            lambda size: unloaded(size)[0] - t.no_load_current, 1e-4, 5.0 * t.no_load_current, rtol=1e-5
        )
        volts = unloaded(peak)[1]
    ohms = t.primary_resistance + bench.mains.source_resistance
    shape = tuple((order, size, np.radians(phase)) for order, size, phase in bench.mains.harmonics or ())
    idle = Idle(bench.mains.voltage, frequency, t.primary_voltage, ohms, peak, siemens, shape)
    return idle, t.open_circuit_voltage / unloaded(peak)[1]


def _repeating(rate, start: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Return the periodic solution at `times`, by Newton's method on the map of one period."""
    period = times[-1] + times[1]

    def after(state: np.ndarray) -> np.ndarray:
        return scipy.integrate.solve_ivp(rate, (0.0, period), state, "Radau", rtol=1e-7, atol=1e-9).y[:, -1]

    state = start
    for _ in range(40):
        ends = after(state)
        if np.max(np.abs(ends - state)) < 1e-6:
            break
        gain = np.zeros((len(state), len(state)))
        for column in range(len(state)):
            moved = state.copy()
            moved[column] += 1e-4
            gain[:, column] = (after(moved) - ends) / 1e-4
        # The flux of a half wave runs far into saturation: small steps keep the map from overflowing.
        state = state + np.clip(np.linalg.solve(np.eye(len(state)) - gain, ends - state), -0.3, 0.3)
    return scipy.integrate.solve_ivp(rate, (0.0, period), state, "Radau", times, rtol=1e-7, atol=1e-9).y


def saturating(bench: Bench) -> dict[str, float]:
    """Return what meters at mains and output read, for a half wave or a bridge, with one capacitor or none."""
    idle, turns = idle_of(bench)
    t, diode, load = bench.transformer, bench.diode, bench.load
    count = 2 if bench.rectifier.kind == "bridge" else 1
    slope = count * diode.emission_coefficient * THERMAL_VOLTAGE
    ohms = t.secondary_resistance + count * diode.series_resistance
    ohms += turns**2 * idle.ohms / (1.0 + idle.ohms * idle.siemens)
    siemens = 0.0 if load.kind == "open" else 1.0 / load.resistance
    farads = bench.filter[0].capacitance if bench.filter else 0.0

    def path(drive, more: float = 0.0):
        whole = ohms + more
        scale = whole * diode.saturation_current / slope
        return (
            slope / whole * scipy.special.wrightomega(drive / slope + scale + np.log(scale)).real
            - diode.saturation_current
        )

    def currents(time, flux, volts):
        behind = turns * idle.emf(time, flux)
        more = 0.0 if farads else 1.0 / siemens
        forward = path(behind - volts, more)
        return forward, path(-behind - volts, more) if count == 2 else 0.0 * forward

    def rate(time: float, y: np.ndarray) -> list[float]:
        forward, backward = currents(time, y[0], y[1] if farads else 0.0)
        flux = idle.rate(idle.emf(time, y[0], turns * (forward - backward)))
        return [flux, (forward + backward - siemens * y[1]) / farads] if farads else [flux]

    times = np.arange(SAMPLES) / SAMPLES / idle.frequency
    start = np.array([-1.0, 1.1 * turns * idle.volts]) if farads else np.array([-1.0])
    found = _repeating(rate, start, times)
    forward, backward = currents(times, found[0], found[1] if farads else 0.0)
    reflected = turns * (forward - backward)
    emf = idle.emf(times, found[0], reflected)
    line = reflected + idle.magnetising(found[0]) + idle.siemens * emf
    volts = idle.source(times) - bench.mains.source_resistance * line
    output = found[1] if farads else (forward + backward) / siemens
    orders, fundamental = np.abs(np.fft.rfft(line)[:41]), np.fft.rfft(volts)[1]
    return {
        "mains.current.rms": _rms(line),
        "mains.current.peak": float(np.max(np.abs(line))),
        "mains.current.thd": float(np.sqrt(np.sum(orders[2:] ** 2)) / orders[1]),
        "mains.power.active": float(np.mean(volts * line)),
        "mains.power_factor": float(np.mean(volts * line)) / (_rms(volts) * _rms(line)),
        "mains.displacement_factor": float(np.cos(np.angle(fundamental) - np.angle(np.fft.rfft(line)[1]))),
        "output.voltage.mean": float(np.mean(output)),
        "output.voltage.peak": float(np.max(output)),
        "diode.current.mean": float(np.mean(forward)),
    }
