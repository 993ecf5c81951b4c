"""The mains socket: its level, slow wander, distortion, and a switch."""

from __future__ import annotations

import math

import numpy as np

from benchmon.errors import BadInput
from benchmon_simulated.supply.circuit import STEPS, Floats

_ANGLES = 2.0 * np.pi * np.arange(STEPS) / STEPS


class Wander:
    """A sinusoidal swing of ±`amplitude` with a `period` in seconds and a phase in radians."""

    def __init__(self, period: float, amplitude: float, phase: float) -> None:
        self._period, self._amplitude, self._phase = period, amplitude, phase

    def at(self, time: float) -> float:
        """Return the swing at `time` seconds."""
        return self._amplitude * math.sin(2.0 * math.pi * time / self._period + self._phase)


class MainsSocket:
    """Mains of `volts` rms and `frequency` hertz; `distortion` is the THD of the voltage, shared by orders 3 and 5.

    The voltage wanders by ±0.5 % within minutes and the frequency by ±0.02 %.
    """

    def __init__(self, volts: float, frequency: float, distortion: float, seed: int) -> None:
        phases = np.random.default_rng([seed, 0x3A145]).uniform(0.0, 2.0 * math.pi, 3).tolist()
        self._swings = (Wander(41.0, 0.003, phases[0]), Wander(127.0, 0.002, phases[1]))
        self._drift = Wander(73.0, 2e-4, phases[2])
        self._volts, self._frequency = volts, frequency
        self._distortion = distortion
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

    def wave(self, time: float, level: float = 1.0, distortion: float = 0.0, *, stuck: bool = False) -> Floats:
        """Return one period of the unloaded voltage at `time` seconds, shape (STEPS,), volts.

        `level` is a factor on it, `distortion` is added to its THD; a switch that is `stuck` does not switch it off.
        """
        if not (self.on or stuck):
            return np.zeros(STEPS)
        volts = self._volts * level * (1.0 + sum(swing.at(time) for swing in self._swings))
        return volts * _flat_topped(self._distortion + distortion)

    def frequency(self, time: float) -> float:
        """Return the frequency in hertz at `time` seconds."""
        return self._frequency * (1.0 + self._drift.at(time))


def _flat_topped(distortion: float) -> Floats:
    """Return one period of 1 V rms, shape (STEPS,), with a flat top as on mains that feed many rectifiers.

    The share of each order is our assumption.
    """
    bent = np.sin(_ANGLES) + distortion * (0.6 * np.sin(3 * _ANGLES) - 0.8 * np.sin(5 * _ANGLES))
    shape: Floats = math.sqrt(2.0 / (1.0 + distortion**2)) * bent
    return shape
