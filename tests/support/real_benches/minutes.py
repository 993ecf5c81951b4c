"""What the meters of a real supply show for minutes: waves measured every way, mains that wander, windings that warm.

The circuit is settled at three states (mains voltage and warmth of the windings), and readings lie on the plane through
them. A meter has gain and offset within its accuracy, slow noise, and a last digit. Magnitudes are from experience.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchmon.bench import Channel
from benchmon.watch.records import LoggedReading
from support.real_benches.netlist import TrueCircuit, solved
from support.real_benches.supplies import RealSupply

Array = np.ndarray[Any, Any]

SPAN = 0.02
"""The part of the mains voltage by which two of the states lie above and below."""

SINE = math.pi / (2.0 * math.sqrt(2.0))


def states_of(real: RealSupply) -> tuple[TrueCircuit, TrueCircuit, TrueCircuit]:
    """Return the circuits to solve for a supply: low and high mains with half-warm windings, and cold windings."""
    return real.at(1.0 - SPAN, 0.5), real.at(1.0 + SPAN, 0.5), real.at(1.0, 0.0)


def measured(circuits: Sequence[TrueCircuit]) -> list[dict[str, float]]:
    """Return what ideal meters read off each of `circuits`; a trace in other ways as `trace|way`."""
    groups: dict[str, list[int]] = {}
    for at, one in enumerate(circuits):
        groups.setdefault(one.rectifier, []).append(at)
    found: list[dict[str, float]] = [{} for _ in circuits]
    for places in groups.values():
        for start in range(0, len(places), 150):
            part = places[start : start + 150]
            for at, waves in zip(part, solved([circuits[at] for at in part]), strict=True):
                found[at] = _measures(waves)
    return found


def _rms(wave: Array) -> float:
    return float(np.sqrt(np.mean(wave * wave)))


def _measures(waves: Mapping[str, Array]) -> dict[str, float]:
    volts, amperes = waves["mains.voltage"], waves["mains.current"]
    v, i = _rms(volts), _rms(amperes)
    spectrum = np.abs(np.fft.rfft(amperes))
    found = {
        "mains.voltage.rms": v,
        "mains.current.rms": i,
        "mains.power.active": float(np.mean(volts * amperes)),
        "mains.power_factor": float(np.mean(volts * amperes)) / (v * i) if i > 1e-5 else math.nan,
        "mains.current.thd": float(np.sqrt(np.sum(spectrum[2:41] ** 2))) / spectrum[1] if i > 1e-5 else math.nan,
        "mains.current.crest_factor": float(np.abs(amperes).max()) / i if i > 1e-5 else math.nan,
        "secondary.voltage.rms": _rms(waves["secondary.voltage"]),
        "secondary.current.rms": _rms(waves["secondary.current"]),
        "output.voltage.mean": float(waves["output.voltage"].mean()),
        "output.voltage.ac_rms": _rms(waves["output.voltage"] - waves["output.voltage"].mean()),
        "output.voltage.ripple": float(np.ptp(waves["output.voltage"])),
        "diode.current.mean": float(waves["diode.current"].mean()),
        "diode.current.peak": float(waves["diode.current"].max()),
        "diode.power.mean": float(waves["diode.power"].mean()),
    }
    for name in ("mains.current", "secondary.current", "secondary.voltage", "output.voltage", "diode.current"):
        wave = waves[name]
        found[f"{name}|mean"] = float(wave.mean())
        found[f"{name}|rms"] = _rms(wave)
        found[f"{name}|ac_rms"] = _rms(wave - wave.mean())
        found[f"{name}|average"] = SINE * float(np.mean(np.abs(wave)))
    return found


@dataclass(frozen=True)
class MeterFault:
    """A mistake at one channel, which reads `quantity` (or a trace in another way) × `factor`.

    `late` (s) is by how much its log is late; `frozen_from` when it stops; `drift` its gain's change a minute;
    `flips` whether a contact is intermittent, which loses a part of the reading now and then; `in_decibels` whether it
    shows decibels of its unit.
    """

    channel: str
    reads: str | None = None
    factor: float = 1.0
    late: float = 0.0
    frozen_from: float = math.inf
    drift: float = 0.0
    flips: float = 0.0
    in_decibels: bool = False


def slow_noise(count: int, random: np.random.Generator, period: float, memory: float) -> Array:
    """Return an Ornstein-Uhlenbeck process of deviation 1 with a `memory` in seconds, (count,)."""
    kept = math.exp(-period / memory)
    found, level = np.empty(count), random.standard_normal()
    for at, shock in enumerate(random.standard_normal(count) * math.sqrt(1.0 - kept**2)):
        level = kept * level + shock
        found[at] = level
    return found


def readings(
    real: RealSupply,
    channels: Sequence[Channel],
    states: Sequence[Mapping[str, float]],
    *,
    seed: int,
    minutes: float = 20.0,
    period: float = 2.0,
    on_for: float = 0.0,
    fault: MeterFault | None = None,
    cooling: float = 1.0,
    air: float = 0.0,
    scale: float = 1.0,
) -> list[LoggedReading]:
    """Return the log of a supply, by time; `states` are those of `states_of`, measured, or the one that it stays in.

    It is switched on, cold, at 0 s, or has been `on_for` seconds by then.
    """
    random = np.random.default_rng([seed, real.seed, 0x3E7])
    count = int(60.0 * minutes / period)
    time = period * np.arange(1, count + 1)
    mains = 0.004 * scale * slow_noise(count, random, period, 90.0)
    mains += 0.004 * scale * slow_noise(count, random, period, 600.0)
    step = int(random.integers(count))
    mains[step:] += 0.003 * scale * random.uniform(-1, 1)
    on = on_for + time
    warmth = 1.0 - np.exp(-on / real.copper_constant)
    room = air + 0.3 * scale * slow_noise(count, random, period, 400.0)
    draught = 1.0 + (0.02 * scale if real.way != "gentle" else 0.005) * slow_noise(count, random, period, 120.0)
    found: list[LoggedReading] = []
    for channel in channels:
        one = fault if fault is not None and fault.channel == channel.name else None
        name = channel.quantity if one is None or one.reads is None else one.reads
        if name == "ambient":
            true = real.ambient + room
        elif channel.quantity == "diode.temperature.case":
            power = _plane(states, "diode.power.mean", mains, warmth)
            share, fast, slow = real.stages
            risen = 1.0 - share * np.exp(-on / (fast * cooling)) - (1.0 - share) * np.exp(-on / (slow * cooling))
            rise = real.thermal_resistance * cooling * real.case_share
            true = real.ambient + room + power * rise * risen * draught
        else:
            true = _plane(states, name, mains, warmth)
        found += _shown(channel, time, true, one, random)
    return sorted(found, key=lambda one: one.time)


def _plane(states: Sequence[Mapping[str, float]], name: str, mains: Array, warmth: Array) -> Array:
    if len(states) == 1:
        return np.full(len(mains), states[0][name])
    low, high, cold = (one[name] for one in states)
    middle = (low + high) / 2.0
    return middle + mains * (high - low) / (2.0 * SPAN) + (warmth - 0.5) * 2.0 * (middle - cold)


def _shown(
    channel: Channel, time: Array, true: Array, fault: MeterFault | None, random: np.random.Generator
) -> list[LoggedReading]:
    relative, absolute = channel.accuracy.relative, channel.accuracy.absolute
    gain, offset = random.uniform(-0.6, 0.6, 2)
    level = float(np.nanmedian(np.abs(true))) if np.isfinite(true).any() else 0.0
    size = relative * level + absolute
    shift = float(random.uniform(0.0, 0.8))
    if fault is not None:
        true = true * fault.factor * (1.0 + fault.drift * time / 60.0)
        if fault.flips:
            bad = slow_noise(len(time), random, float(time[1] - time[0]), 8.0) > 0.7
            true = np.where(bad, true * (1.0 - fault.flips), true)
        if math.isfinite(fault.frozen_from):
            true = np.where(time > fault.frozen_from, np.nan, true)
    value = true + gain * relative * np.abs(true) + offset * absolute
    value += 0.03 * size * random.standard_normal(len(time))
    value += 0.06 * size * slow_noise(len(time), random, 2.0, 200.0)
    digit = 10.0 ** math.floor(math.log10(size / 5.0))
    if channel.unit == "°C":
        digit = 0.1
    value = np.round(value / digit) * digit
    if fault is not None and math.isfinite(fault.frozen_from):
        last = value[time <= fault.frozen_from][-1]
        value = np.where(time > fault.frozen_from, last, value)
    if fault is not None and fault.in_decibels:
        value = 20.0 * np.log10(np.maximum(np.abs(value), 1e-6))
    late = shift + (fault.late if fault is not None else 0.0)
    return [LoggedReading(float(t) + late, channel.name, float(v)) for t, v in zip(time, value, strict=True)]
