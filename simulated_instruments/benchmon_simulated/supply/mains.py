"""The mains socket: its level, harmonics, slow wander, flicker, steps, and a switch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from benchmon.bench import Mains
from benchmon.errors import BadInput
from benchmon_simulated.effects import Effects, SlowNoise
from benchmon_simulated.supply.circuit import STEPS, Floats

_ANGLES = 2.0 * np.pi * np.arange(STEPS) / STEPS


class Harmonic(NamedTuple):
    """One harmonic of the voltage: order, part of the fundamental, phase φ in degrees, as in part·sin(kωt + φ)."""

    order: int
    part: float
    degrees: float


MEASURED_PLACES: tuple[tuple[Harmonic, ...], ...] = tuple(
    tuple(Harmonic(3 + 2 * at, percent / 100.0, degrees) for at, (percent, degrees) in enumerate(place))
    for place in (
        ((0.62, 52), (0.71, -135), (0.86, 45), (0.44, 180), (0.13, -121), (0.41, 102)),
        ((2.43, 61), (1.99, -141), (1.06, 47), (0.76, 78), (0.61, -106), (0.58, 39)),
        ((0.40, 53), (2.19, -167), (0.47, 37), (0.26, 156), (0.44, -45), (0.35, 51)),
        ((2.78, 61), (2.37, -147), (0.96, 50), (0.90, 69), (0.80, -110), (0.59, 13)),
        ((0.38, 100), (0.85, -127), (1.07, 53), (0.09, -112), (0.69, -40), (0.38, 64)),
        ((1.69, 67), (1.89, -149), (0.88, 66), (0.33, 93), (0.72, -82), (0.55, 49)),
    )
)
"""Orders 3 to 13 of the mains voltage at six sockets, worked out from the open data set HFHAD-C (high-frequency voltage
and current of household appliances, 50 Hz): induction cooker, kettle, range hood, refrigerator, television,
dispenser."""

_SAME_PHASES = 0.5
"""The share of sockets that have phases like one of the measured ones; the others have any (our assumption)."""


def draw_harmonics(mains: Mains, random: np.random.Generator, scale: float) -> tuple[Harmonic, ...]:
    """Return the harmonics of this socket, drawn within what the bench file says of them.

    Given one by one, each differs by a twentieth and 3° (a socket's shape hardly moves within hours: HFHAD-C), and
    those that are not given have 0.1 %. Else the sizes are those of a measured place, each times 0.8 to 1.25, scaled to
    the bench file's THD if it gives one. A distortion that is given as zero is zero.
    """
    given = mains.harmonics
    if given is not None:
        named = [
            Harmonic(
                int(order),
                part * (1.0 + 0.05 * scale * float(random.standard_normal())),
                degrees + 3.0 * scale * float(random.standard_normal()),
            )
            for order, part, degrees in given
        ]
        orders = {harmonic.order for harmonic in named}
        rest = [
            Harmonic(order, 0.001 * scale * float(random.rayleigh(0.7)), float(random.uniform(-180.0, 180.0)))
            for order in range(3, 14, 2)
            if order not in orders
        ]
        return tuple(named + rest)
    thd = mains.voltage_thd if "voltage_thd" in mains.model_fields_set else None
    if thd == 0.0:
        return ()
    place = MEASURED_PLACES[int(random.integers(len(MEASURED_PLACES)))]
    alike = float(random.uniform()) < _SAME_PHASES
    drawn = [
        Harmonic(
            harmonic.order,
            scale * harmonic.part * float(1.25 ** random.uniform(-1.0, 1.0)),
            harmonic.degrees + (15.0 * float(random.standard_normal()) if alike else float(random.uniform(-180, 180))),
        )
        for harmonic in place
    ]
    if thd is None:
        return tuple(drawn)
    factor = thd * (1.0 + 0.03 * float(random.standard_normal())) / math.hypot(*(each.part for each in drawn))
    return tuple(each._replace(part=factor * each.part) for each in drawn)


class Wander:
    """A sinusoidal swing of ±`amplitude` with a `period` in seconds and a phase in radians."""

    def __init__(self, period: float, amplitude: float, phase: float) -> None:
        self._period, self._amplitude, self._phase = period, amplitude, phase

    def at(self, time: float) -> float:
        """Return the swing at `time` seconds."""
        return self._amplitude * math.sin(2.0 * math.pi * time / self._period + self._phase)


class Steps:
    """Steps of the level as other loads switch: in each stretch of two minutes one for some time, or none.

    Each is ±`size` at most. Household loads of 1 to 3 kW on a source of about 0.4 Ω change the voltage by that much.
    """

    _STRETCH = 120.0

    def __init__(self, seed: int, size: float) -> None:
        self._seed, self._size = seed, size
        self._drawn: dict[int, tuple[float, float, float]] = {}

    def at(self, time: float) -> float:
        """Return the step at `time` seconds, as a part of the voltage."""
        stretch = int(time // self._STRETCH)
        if stretch not in self._drawn:
            random = np.random.default_rng([self._seed, 0x57E9, stretch])
            begin, length, size = random.uniform(0.0, 1.0, 3).tolist()
            there = self._size * (2.0 * size - 1.0) if random.uniform() < 0.6 else 0.0
            self._drawn = {stretch: (begin * self._STRETCH, 10.0 + length * self._STRETCH, there)}
        begin, length, size = self._drawn[stretch]
        return size if begin <= time - stretch * self._STRETCH < begin + length else 0.0


class MainsSocket:
    """The mains of a bench file at `volts` rms and `frequency` hertz; `volts` are those of the whole wave.

    On an ideal bench the voltage wanders by ±0.5 % within minutes, and a third and a fifth harmonic share the bench
    file's distortion. On a real one it wanders by 1 to 2 % within 1 to 10 minutes, flickers by 0.1 %, steps by up to
    0.6 %, and its harmonics vary by 3 % of their size (from experience; the sizes: `draw_harmonics`). The frequency
    wanders by ±0.02 %.
    """

    def __init__(self, mains: Mains, volts: float, seed: int, effects: Effects) -> None:
        phases = np.random.default_rng([seed, 0x3A145]).uniform(0.0, 2.0 * math.pi, 3).tolist()
        self._swings = [Wander(41.0, 0.003, phases[0]), Wander(127.0, 0.002, phases[1])]
        self._drift = Wander(73.0, 2e-4, phases[2])
        self._volts, self._frequency = volts, mains.frequency
        self._bent = _flat_topped(mains.voltage_thd or 0.0)
        self._flicker = self._steps = self._swelling = None
        if effects.mains:
            random = np.random.default_rng([seed, 0x40C1A])
            self._bent = _bend(draw_harmonics(mains, random, effects.scale))
            self._swings = [
                Wander(period * float(random.uniform(0.7, 1.4)), size * effects.scale, float(random.uniform(0.0, 7.0)))
                for period, size in zip((90.0, 240.0, 600.0), random.uniform(0.002, 0.007, 3).tolist(), strict=True)
            ]
            self._flicker = SlowNoise(random, 0.001 * effects.scale, 0.4, 3)
            self._swelling = SlowNoise(random, 0.03 * effects.scale, 60.0, 2)
            self._steps = Steps(seed, 0.006 * effects.scale)
        self.on = True

    @property
    def volts(self) -> float:
        """The voltage that was set, without wander, in volts rms."""
        return self._volts

    def set_voltage(self, volts: float) -> None:
        """Turn the variable transformer to `volts` rms. Raises `BadInput` outside 0 to 1000 V."""
        if not 0.0 <= volts <= 1000.0:
            raise BadInput(f"{volts} V is no mains voltage; give 0 to 1000 V")
        self._volts = volts

    def level(self, time: float) -> float:
        """Return the volts rms at `time` seconds while it is on."""
        moved = sum(swing.at(time) for swing in self._swings)
        if self._flicker is not None and self._steps is not None:
            moved += self._flicker.at(time) + self._steps.at(time)
        return self._volts * (1.0 + moved)

    def shape(self, time: float) -> float:
        """Return the factor on the size of its harmonics at `time` seconds."""
        return 1.0 if self._swelling is None else 1.0 + self._swelling.at(time)

    def wave(self, volts: float, shape: float = 1.0, distortion: float = 0.0, direct: float = 0.0) -> Floats:
        """Return one period of the unloaded voltage of `volts` rms, shape (STEPS,), volts.

        `shape` is a factor on its harmonics, `distortion` is added to its THD by a flat top, `direct` volts are added.
        """
        bent = np.sin(_ANGLES) + shape * self._bent + _flat_topped(distortion)
        wave: Floats = volts / math.sqrt(float(bent @ bent) / STEPS) * bent + direct
        return wave

    def frequency(self, time: float) -> float:
        """Return the frequency in hertz at `time` seconds."""
        return self._frequency * (1.0 + self._drift.at(time))


def _bend(harmonics: Sequence[Harmonic]) -> Floats:
    """Return the sum of `harmonics` beside a fundamental with an amplitude of one, shape (STEPS,)."""
    bent = np.zeros(STEPS)
    for order, part, degrees in harmonics:
        bent += part * np.sin(order * _ANGLES + math.radians(degrees))
    return bent


def _flat_topped(distortion: float) -> Floats:
    """Return what flattens the top, as mains that feed many rectifiers have it, shape (STEPS,), for a THD.

    The share of each order is our assumption.
    """
    return _bend((Harmonic(3, 0.6 * distortion, 0.0), Harmonic(5, 0.8 * distortion, 180.0)))
