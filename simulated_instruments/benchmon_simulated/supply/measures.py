"""The quantities of one period of waveforms, as ideal meters would show them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Load, Regulator
from benchmon_simulated.supply.circuit import STEPS, Cycle, Floats
from benchmon_simulated.supply.filter import KNEE, load_current
from benchmon_simulated.supply.parts import LoadedRail

LAST_ORDER = 40
"""Harmonics count up to this order (IEC 61000-4-7)."""

_ANGLES = 2.0 * np.pi * np.arange(STEPS) / STEPS


@dataclass(frozen=True)
class IdleMeasures:
    """The transformer's no-load current: active and magnetising amperes rms at `voltage` volts of mains."""

    voltage: float
    active: float
    magnetising: float

    @classmethod
    def of(cls, voltage: float, current: float, loss: float) -> IdleMeasures:
        """Return the two parts of the no-load `current` (A) with `loss` (W) at `voltage` (V)."""
        active = loss / voltage
        return cls(voltage, active, math.sqrt(max(0.0, current**2 - active**2)))

    def current(self, mains_emf: Floats) -> Floats:
        """Return the no-load current's waveform: the active part in phase, the magnetising part 90° behind."""
        amplitude = 2.0 / STEPS * float(mains_emf @ np.sin(_ANGLES)) / self.voltage
        return amplitude * (self.active * np.sin(_ANGLES) - self.magnetising * np.cos(_ANGLES))

    def loss(self, volts: float) -> float:
        """Return the watts lost in the core at `volts` of mains."""
        return self.active * volts**2 / self.voltage


@dataclass(frozen=True)
class LineSide:
    """Voltage and current at the mains terminals, one period of each, shape (STEPS,)."""

    voltage: Floats
    current: Floats


def line_side(cycle: Cycle, no_load: IdleMeasures, source_resistance: float) -> LineSide:
    """Return voltage and current of the mains lead. No direct current crosses the transformer.

    A core of its own (see `core`) takes its current in the cycle; without one, the no-load current is a sine.
    """
    if cycle.core_current is not None:
        current = cycle.reflected_current + cycle.core_current
    else:
        current = cycle.reflected_current - cycle.reflected_current.mean() + no_load.current(cycle.mains_emf)
    return LineSide(cycle.mains_emf - source_resistance * current, current)


def rms(wave: Floats) -> float:
    """Return the true RMS value."""
    return math.sqrt(float(wave @ wave) / len(wave))


def ratio(part: float, whole: float) -> float:
    """Return part/whole, NaN where `whole` is zero or negligible."""
    return part / whole if abs(whole) > max(1e-9, 1e-6 * abs(part)) else math.nan


def mains_quantities(line: LineSide, frequency: float) -> dict[str, float]:
    """Return the `mains` quantities. Factors are NaN while no current flows."""
    volts, amperes = rms(line.voltage), rms(line.current)
    active, peak = float(line.voltage @ line.current) / STEPS, float(np.abs(line.current).max())
    current_spectrum = np.fft.rfft(line.current) / STEPS
    voltage_spectrum = np.fft.rfft(line.voltage) / STEPS
    fundamental = float(abs(current_spectrum[1]))
    in_phase = float((voltage_spectrum[1] * current_spectrum[1].conjugate()).real)
    harmonics, bent = (
        math.sqrt(float(np.sum(np.abs(spectrum[2 : LAST_ORDER + 1]) ** 2)))
        for spectrum in (current_spectrum, voltage_spectrum)
    )
    return {
        "mains.voltage.rms": volts,
        "mains.voltage.thd": ratio(bent, float(abs(voltage_spectrum[1]))),
        "mains.voltage.crest_factor": ratio(float(np.abs(line.voltage).max()), volts),
        "mains.current.rms": amperes,
        "mains.current.peak": peak,
        "mains.current.crest_factor": ratio(peak, amperes),
        "mains.current.thd": ratio(harmonics, fundamental),
        "mains.power.active": active,
        "mains.power.apparent": volts * amperes,
        "mains.power_factor": ratio(active, volts * amperes),
        "mains.displacement_factor": ratio(in_phase, float(abs(voltage_spectrum[1])) * fundamental),
        "mains.frequency": frequency if volts > 0.0 else math.nan,
    }


def secondary_quantities(cycle: Cycle) -> dict[str, float]:
    """Return the `secondary` quantities, of one winding."""
    return {
        "secondary.voltage.rms": rms(cycle.winding_voltage),
        "secondary.current.rms": rms(cycle.winding_current),
        "secondary.current.peak": float(np.abs(cycle.winding_current).max()),
    }


def diode_quantities(cycle: Cycle) -> dict[str, float]:
    """Return the electrical `diode` quantities, of one diode."""
    return {
        "diode.current.mean": float(cycle.diode_current.mean()),
        "diode.current.rms": rms(cycle.diode_current),
        "diode.current.peak": float(cycle.diode_current.max()),
        "diode.voltage.reverse_peak": max(0.0, -float(cycle.diode_voltage.min())),
        "diode.power.mean": cycle.diode_powers[0],
    }


def reservoir_quantities(cycle: Cycle) -> dict[str, float]:
    """Return the electrical `reservoir` quantities."""
    wave = cycle.reservoir_voltage
    return {
        "reservoir.voltage.mean": float(wave.mean()),
        "reservoir.voltage.ripple": float(np.ptp(wave)),
        "reservoir.voltage.peak": float(wave.max()),
        "reservoir.voltage.valley": float(wave.min()),
        "reservoir.current.rms": rms(cycle.reservoir_current),
    }


def regulator_quantities(cycle: Cycle, regulator: Regulator, load: Load) -> dict[str, float]:
    """Return the electrical `regulator` quantities. Its own current comes from its input."""
    over = cycle.feed_voltage - cycle.output_voltage
    own = regulator.quiescent_current * np.clip(cycle.feed_voltage / KNEE, 0.0, 1.0)
    power = over @ load_currents(load, cycle.output_voltage) + own @ cycle.feed_voltage
    return {"regulator.voltage.headroom": float(over.min()), "regulator.power.mean": float(power) / STEPS}


def load_currents(load: Load, wave: Floats) -> Floats:
    """Return the amperes that `load` draws along `wave`."""
    return np.array([load_current(load, volts) for volts in wave.tolist()])


def output_quantities(cycle: Cycle, load: Load) -> dict[str, float]:
    """Return the `output` and `load` quantities except temperatures."""
    wave = cycle.output_voltage
    current = load_currents(load, wave)
    total, mean = rms(wave), float(wave.mean())
    alternating, power = rms(wave - mean), float(wave @ current) / STEPS
    return {
        "output.voltage.rms": total,
        "output.voltage.mean": mean,
        "output.voltage.ac_rms": alternating,
        "output.voltage.peak": float(wave.max()),
        "output.voltage.valley": float(wave.min()),
        "output.voltage.ripple": float(np.ptp(wave)),
        "output.voltage.frequency": ripple_frequency(wave, cycle.frequency),
        "output.voltage.form_factor": ratio(total, mean),
        "output.voltage.ripple_factor": ratio(alternating, mean),
        "output.current.rms": rms(current),
        "output.current.mean": float(current.mean()),
        "output.power.mean": power,
        "load.power.mean": power,
    }


def of_second_output(cycle: Cycle, rail: LoadedRail, across: bool) -> tuple[dict[str, float], dict[str, Floats]]:
    """Return quantities and waveforms of a second output with what its `rail` has; of its reservoir alone if `across`.

    Only where one load is across both outputs has the second none.
    """
    seen = cycle.seen_from_second()
    values: dict[str, float] = {}
    waves: dict[str, Floats] = {}
    if not across:
        values |= output_quantities(seen, rail.load)
        waves["output.voltage"], waves["output.current"] = (
            seen.output_voltage,
            load_currents(rail.load, seen.output_voltage),
        )
        if rail.regulator is not None:
            values |= regulator_quantities(seen, rail.regulator, rail.load)
    if seen.reservoir_voltage.any():
        values |= reservoir_quantities(seen)
        waves |= {"reservoir.voltage": seen.reservoir_voltage, "reservoir.current": seen.reservoir_current}
    return (
        {"{}_2{}{}".format(*name.partition(".")): value for name, value in values.items()},
        {"{}_2{}{}".format(*name.partition(".")): wave for name, wave in waves.items()},
    )


def ripple_frequency(wave: Floats, frequency: float) -> float:
    """Return the frequency in hertz of the strongest alternating part of `wave`, NaN where there is no ripple."""
    spectrum = np.abs(np.fft.rfft(wave)) / STEPS
    order = 1 + int(np.argmax(spectrum[1:]))
    return order * frequency if spectrum[order] > 1e-5 * max(1.0, spectrum[0]) else math.nan


def waveforms(cycle: Cycle, line: LineSide, load: Load) -> dict[str, Floats]:
    """Return the waveforms of one period by circuit point and quantity, and `time` in seconds; all (STEPS,)."""
    traces = {
        "time": np.arange(STEPS) / (STEPS * cycle.frequency),
        "mains.voltage": line.voltage,
        "mains.current": line.current,
        "secondary.voltage": cycle.winding_voltage,
        "secondary.current": cycle.winding_current,
        "diode.current": cycle.diode_current,
        "output.voltage": cycle.output_voltage,
        "output.current": load_currents(load, cycle.output_voltage),
    }
    if cycle.reservoir_voltage.any():
        traces |= {"reservoir.voltage": cycle.reservoir_voltage, "reservoir.current": cycle.reservoir_current}
    return traces
