"""Captured waves, as an oscilloscope gives them: a preamble that says what the codes mean, and a block of codes.

A SCPI twin's channel n, in the order of the bench file, whose quantity is of a wave answers

    WAVeform<n>:PREamble?   captures one period anew and answers  points,dx,x0,dy,y0  : sample k is at x0 + k·dx
                            seconds, code c is y0 + c·dy in the unit of the wave
    WAVeform<n>:DATA?       the codes of the last capture as a definite block (IEEE 488.2, 8.7.9), two bytes each,
                            signed, the higher first

The words are our own. The codes have twelve bits, with half a step of noise, as an oscilloscope of some quality has.
"""

from __future__ import annotations

import math

import numpy as np

from benchmon_simulated.circuit import Floats
from benchmon_simulated.scpi import real
from benchmon_simulated.supply import Snapshot

LEVELS = 2048
"""Codes go from −2048 to 2047."""


def definite_block(data: bytes) -> bytes:
    """Return `data` as a definite-length arbitrary block (IEEE 488.2, 8.7.9).

    >>> definite_block(b"HELLO")
    b'#15HELLO'
    """
    count = str(len(data)).encode()
    return b"#" + str(len(count)).encode() + count + data


class Capture:
    """The last wave that one channel captured. `scale` is the probe's or clamp's ratio."""

    def __init__(self, wave: str, scale: float, seed: int) -> None:
        self._wave, self._scale = wave, scale
        self._random = np.random.default_rng([seed, len(wave)])
        self._step = 1.0
        self._codes = np.zeros(0, dtype=">i2")

    def preamble(self, snapshot: Snapshot) -> str:
        """Capture anew; return points, dx, x0, dy and y0."""
        wave, times = snapshot.waveforms[self._wave] / self._scale, snapshot.waveforms["time"]
        self._step = full_scale(wave) / LEVELS
        noisy = wave / self._step + 0.5 * self._random.standard_normal(len(wave))
        self._codes = np.clip(np.rint(noisy), -LEVELS, LEVELS - 1).astype(">i2")
        spacing = float(times[1] - times[0])
        return ",".join([str(len(wave)), real(spacing), real(0.0), real(self._step), real(0.0)])

    def data(self, snapshot: Snapshot) -> bytes:
        """Return the codes of the last capture as a block; of a new one if there is none."""
        if not len(self._codes):
            self.preamble(snapshot)
        return definite_block(self._codes.tobytes())


def full_scale(wave: Floats) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that holds `wave`, at least a microvolt or microampere.

    >>> full_scale(np.array([-3.1, 1.0])), full_scale(np.array([0.0]))
    (5.0, 1e-06)
    """
    size = max(float(np.abs(wave).max()), 1e-6)
    decade = 10.0 ** math.floor(math.log10(size))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if size <= step * decade * (1.0 + 1e-12))
