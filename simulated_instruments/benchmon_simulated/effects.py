"""What makes a real bench differ from an ideal one: `Effects` switches each kind on or off, or scales all of them.

`Effects()` is a real bench, `Effects.none()` an ideal one, `Effects(scale=2.0)` a real one of twice the magnitudes.
What each kind holds, and where its magnitudes come from, is written where it is drawn: `supply/mains`, `supply/core`,
`supply/parts`, `supply/thermal`, `meters/meter`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Effects:
    """The kinds of effects that a simulated bench has, and a `scale` on all their magnitudes.

    `mains`: harmonics, wander, flicker and steps. `core`: flux, saturation and loss; no direct current passes the
    transformer. `leakage`: where the bench file gives none. `parts`: spread by manufacture, also of what the file
    leaves out. `heat`: two stages and moving air. `meters`: bandwidth, errors over the whole accuracy, 1/f noise.
    """

    mains: bool = True
    core: bool = True
    leakage: bool = True
    parts: bool = True
    heat: bool = True
    meters: bool = True
    scale: float = 1.0

    @classmethod
    def none(cls) -> Effects:
        """Return the effects of an ideal bench: parts within a few per cent, mains that swings by half a per cent."""
        return cls(mains=False, core=False, leakage=False, parts=False, heat=False, meters=False)

    @classmethod
    def named(cls, name: str) -> Effects:
        """Return the effects by a name: "none", "real" or "double". Raises `KeyError` for any other."""
        return {"none": cls.none(), "real": cls(), "double": cls(scale=2.0)}[name]


class SlowNoise:
    """Noise whose power falls with frequency (about 1/f), as a function of time: the same time has the same value.

    It is a sum of octaves of equal deviation, each of which joins normally distributed values, `shortest`·4^k seconds
    apart, by half cosines. `deviation` is the standard deviation of the sum, within a tenth.
    """

    _LENGTH = 1024

    def __init__(self, random: np.random.Generator, deviation: float, shortest: float, octaves: int) -> None:
        self._apart = [shortest * 4.0**octave for octave in range(octaves)]
        # The mean square between two values joined by half cosines is 0.75 of theirs.
        part = deviation / np.sqrt(0.75 * octaves)
        self._values: list[list[float]] = (part * random.standard_normal((octaves, self._LENGTH))).tolist()
        self._shifts: list[float] = random.uniform(0.0, 1.0, octaves).tolist()

    def at(self, time: float) -> float:
        """Return the noise at `time` seconds."""
        total = 0.0
        for apart, values, shift in zip(self._apart, self._values, self._shifts, strict=True):
            place = time / apart + shift
            before = int(place // 1.0)
            part = place - before
            # The smoothest cubic between two values; as good as half a cosine, and cheaper.
            weight = part * part * (3.0 - 2.0 * part)
            one, other = values[before % self._LENGTH], values[(before + 1) % self._LENGTH]
            total += one + weight * (other - one)
        return total


Floats = NDArray[np.float64]
