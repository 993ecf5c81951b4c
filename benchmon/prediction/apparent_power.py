"""The apparent power of a distorted voltage and current, resolved into its parts (IEEE 1459-2010, single phase)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

Harmonics = Sequence[tuple[int, float]]
"""Pairs of order and rms, of which order 1 is the fundamental."""


@dataclass(frozen=True)
class ApparentPower:
    """Volt-amperes: S = V·I, S1 of the fundamentals, and of what is not fundamental SN² = S² − S1² = DI² + DV² + SH².

    `current_distortion` DI = V1·IH, `voltage_distortion` DV = VH·I1, `harmonic` SH = VH·IH.
    """

    apparent: float
    fundamental: float
    non_fundamental: float
    current_distortion: float
    voltage_distortion: float
    harmonic: float


def resolve_apparent_power(voltage: Harmonics, current: Harmonics) -> ApparentPower:
    """Return the parts of the apparent power of rms harmonics, as IEEE 1459-2010, 3.1.2, defines them.

    >>> round(resolve_apparent_power([(1, 100.0)], [(1, 3.0), (3, 4.0)]).apparent, 6)
    500.0
    """
    volts, volts_rest = _split(voltage)
    amperes, amperes_rest = _split(current)
    apparent = float(np.hypot(volts, volts_rest) * np.hypot(amperes, amperes_rest))
    parts = (volts * amperes_rest, volts_rest * amperes, volts_rest * amperes_rest)
    return ApparentPower(apparent, volts * amperes, float(np.linalg.norm(parts)), *parts)


def _split(harmonics: Harmonics) -> tuple[float, float]:
    """Return the rms of the fundamental and of all the rest."""
    first = sum(size for order, size in harmonics if order == 1)
    return first, float(np.sqrt(sum(size**2 for order, size in harmonics if order != 1)))
