"""Levels and shape of a wave: averages over every whole period of it, and harmonics of a handy part."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchmon.analyse.sampling import BLOCK, Sampled, lost_by_averaging
from benchmon.prediction.periods import Samples
from benchmon.prediction.result import Floats
from benchmon.prediction.waveform import WaveMeasures, measure

MOST_FOR_HARMONICS = 400_000
"""Samples from which harmonics are taken, after averaging: some 1500 periods."""


def is_exact(sampled: Sampled) -> bool:
    """Return whether all samples go into the harmonics as they are, so that averages may be taken from those."""
    return sampled.averaged == 1 and len(sampled.wave.time) <= MOST_FOR_HARMONICS


def shape_of(sampled: Sampled) -> tuple[WaveMeasures, tuple[str, ...]]:
    """Return the measures of a handy part of a wave, its harmonics made good for what averaging took, and notes."""
    few, notes = sampled.few, tuple[str, ...]()
    if len(few.time) > MOST_FOR_HARMONICS:
        few = Samples(few.time[:MOST_FOR_HARMONICS], few.value[:MOST_FOR_HARMONICS])
        notes = (f"harmonics are those of its first {few.duration:.3g} s",)
    shape = measure(few.time, few.value, sampled.frequency)
    if sampled.averaged == 1:
        return shape, notes
    orders = np.array([order for order, _ in shape.harmonics])
    lost = lost_by_averaging(orders, sampled.frequency, few.spacing / sampled.averaged, sampled.averaged)
    sizes = np.array([size for _, size in shape.harmonics]) / lost
    thd = float(np.sqrt(np.sum(sizes[1:] ** 2)) / sizes[0]) if sizes[0] > 0.0 else 0.0
    harmonics = [(order, float(size)) for order, size in enumerate(sizes, 1)]
    return replace(shape, thd=thd, harmonics=harmonics), notes


@dataclass(frozen=True)
class Levels:
    """Levels of each piece of a wave, (p,): mean, mean square, mean magnitude; the extremes; and averages over all."""

    mean: Floats
    square: Floats
    magnitude: Floats
    highest: float
    lowest: float
    rms: float
    whole_mean: float
    ac_rms: float
    whole_magnitude: float

    @classmethod
    def of(cls, sampled: Sampled, shape: WaveMeasures) -> Levels:
        """Return the levels of a wave; averages over all are those of its harmonics where these are exact."""
        found = np.zeros((3, len(sampled.pieces)))
        highest, lowest = -math.inf, math.inf
        for row, piece in enumerate(sampled.pieces):
            values = sampled.wave.value[piece.chosen]
            for start in range(0, len(values), BLOCK):
                value = values[start : start + BLOCK]
                weighed = piece.weights[start : start + BLOCK] * value
                found[:, row] += weighed.sum(), weighed @ value, np.abs(weighed).sum()
                highest, lowest = max(highest, float(value.max())), min(lowest, float(value.min()))
        mean, square, magnitude = found
        if is_exact(sampled):
            averages = (shape.rms, shape.mean, shape.ac_rms, shape.rms / shape.form_factor)
        else:
            whole = (float(np.mean(square)), float(np.mean(mean)), float(np.mean(_ac_square(square, mean))))
            averages = (math.sqrt(whole[0]), whole[1], math.sqrt(whole[2]), float(np.mean(magnitude)))
        return cls(mean, square, magnitude, highest, lowest, *averages)

    @property
    def ac_square(self) -> Floats:
        """The mean square of each piece without its mean."""
        return _ac_square(self.square, self.mean)

    @property
    def swing(self) -> float:
        """From the lowest to the highest sample."""
        return self.highest - self.lowest


def _ac_square(square: Floats, mean: Floats) -> Floats:
    without: Floats = np.maximum(square - mean**2, 0.0)
    return without
