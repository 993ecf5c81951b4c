"""Follow a measured shape of the mains: what is expected where distortion or crest factor of its voltage are read.

A prediction carries by how much each quantity changes with each harmonic of the mains, in its standard uncertainties.
Following is then algebra, not another solution: a measured distortion scales harmonics whose size was not given, and a
measured crest factor, which is linear in them, conditions their normal distribution (the update of a Kalman filter;
JCGM 102:2011 for the propagation).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchmon.prediction.circuit.meter_response import MeterResponse
from benchmon.quantities import Expected
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE

THD, CREST_FACTOR = "mains.voltage.thd", "mains.voltage.crest_factor"
SHAPE_QUANTITIES = (THD, CREST_FACTOR)

_LEAST_DISTORTION, _LARGEST_DISTORTION = 0.003, 0.15
"""Distortions that are followed; beyond the largest, the meter or the wiring is at fault."""

_CREST_DOUBT = 0.004
"""Standard uncertainty, relative, of taking the crest factor as linear in the harmonics."""


@dataclass(frozen=True)
class ShapeSensitivities:
    """How a prediction depends on the k harmonics of the mains that are uncertain.

    `distortion` is the root of their summed variances; `is_given` whether the bench file lists the harmonics, so that
    they are not scaled. `changes` maps a quantity, or a meter that is no ideal one, to the change of its reading by one
    standard uncertainty of each, (k,).
    """

    distortion: float
    is_given: bool
    changes: Mapping[str | MeterResponse, Floats]


@dataclass(frozen=True, slots=True)
class MeasuredShape:
    """Distortion and crest factor of the mains voltage as read, each with its meter's expanded uncertainty.

    None stands for what no meter reads.
    """

    thd: float | None = None
    thd_uncertainty: float = 0.0
    crest_factor: float | None = None
    crest_factor_uncertainty: float = 0.0


@dataclass(frozen=True)
class KnownShape:
    """The harmonics after a measurement: mean (k,) and covariance (k, k), in the standard uncertainties before it."""

    sensitivities: ShapeSensitivities
    mean: Floats
    covariance: Floats

    def follow(self, quantity: str | MeterResponse, expected: Expected) -> Expected:
        """Return what is expected of `quantity` now, from what was `expected` before the measurement."""
        changes = self.sensitivities.changes.get(quantity)
        if changes is None or quantity in SHAPE_QUANTITIES:
            return expected
        shift = float(changes @ self.mean)
        narrower = float(changes @ self.covariance @ changes - changes @ changes)
        variance = (expected.uncertainty / COVERAGE) ** 2 + narrower
        if expected.low is not None and expected.high is not None:
            # Limits that come from draws are not of the harmonics alone: they move, and stay as wide as they are.
            return replace(expected, value=expected.value + shift, low=expected.low + shift, high=expected.high + shift)
        return Expected(expected.value + shift, COVERAGE * math.sqrt(max(variance, 0.0)), expected.unit)


def known_shape(
    sensitivities: ShapeSensitivities, quantities: Mapping[str, Expected], measured: MeasuredShape
) -> KnownShape | None:
    """Return the harmonics after a measurement, None where nothing usable was measured.

    `quantities` are what was predicted before it.
    """
    count = len(next(iter(sensitivities.changes.values())))
    mean, covariance = np.zeros(count), np.eye(count)
    is_known = False
    thd = measured.thd
    if thd is not None and 0.0 <= thd <= _LARGEST_DISTORTION and sensitivities.distortion > 0.0:
        is_known = True
        if sensitivities.is_given:
            spread = measured.thd_uncertainty / COVERAGE + _LEAST_DISTORTION
            seen = thd - quantities[THD].value
            mean, covariance = _conditioned(mean, covariance, sensitivities.changes[THD], seen, spread)
        else:
            size = math.hypot(max(thd, _LEAST_DISTORTION), measured.thd_uncertainty)
            covariance = covariance * (size / sensitivities.distortion) ** 2
    crest = measured.crest_factor
    if crest is not None and 1.0 <= crest <= 2.0 and CREST_FACTOR in sensitivities.changes:
        is_known = True
        spread = math.hypot(measured.crest_factor_uncertainty / COVERAGE, _CREST_DOUBT * crest)
        seen = crest - quantities[CREST_FACTOR].value
        mean, covariance = _conditioned(mean, covariance, sensitivities.changes[CREST_FACTOR], seen, spread)
    return KnownShape(sensitivities, mean, covariance) if is_known else None


def _conditioned(mean: Floats, covariance: Floats, slope: Floats, seen: float, spread: float) -> tuple[Floats, Floats]:
    """Return mean and covariance after `slope`·z was measured as `seen` with standard uncertainty `spread`."""
    moved = covariance @ slope
    gain = moved / (float(slope @ moved) + spread**2)
    return mean + gain * (seen - float(slope @ mean)), covariance - np.outer(gain, moved)
