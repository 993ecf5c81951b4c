"""Whether channels that drift together show that the mains meter drifts, and not they.

What is expected follows the mains meter. Where that drifts, every channel that the mains feed departs from what is
expected by as many volts of mains, each by its own slope. Windings that warm do much the same, since they lower volts,
amperes and watts together, but each by its own amount. So both are fitted to what the channels show: volts a second of
the meter, and a part of what warming up may do. The meter is named where the first is clear.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

_FEWEST, _AGREEING, _ALIKE = 3, 0.75, 0.5
"""How many channels must show a drift of the mains meter, what part of those that can, and how alike they must be."""

_WARMED, _WARMED_DOUBT = 0.4, 0.4
"""The part of what warming up may do that it usually does, and the standard uncertainty of that."""

_LEFT_BY_A_PREDICTION = 0.12
"""The part of a movement of the mains that predictions leave behind in all channels alike. From memory."""

_CLEAR, _KNOWN_TO, _SCATTER = 3.0, 0.5, 2.5
"""A rate is the meter's from so many of its standard uncertainties on. A channel can show it whose own is known to this
part of it, and does so within so many standard uncertainties."""


class ShownMovement(NamedTuple):
    """What a channel that follows the mains shows: its slope (its unit a volt), and by how much its residual moves.

    `rate` and its standard uncertainty `doubt` are in its unit a second, so is `copper`, what warming windings may do.
    """

    slope: float
    rate: float
    doubt: float
    copper: float


@dataclass(frozen=True, slots=True)
class MeterDrift:
    """A drift of the mains meter, V/s, with the least and most of what its `witnesses` show of it."""

    rate: float
    low: float
    high: float
    witnesses: frozenset[str]


def meter_drift(shown: Mapping[str, ShownMovement], mains_rate: float) -> MeterDrift | None:
    """Return the drift of the mains meter that channels show, None where they show none clearly.

    `mains_rate` is by how much the meter's own reading moves (V/s).
    """
    if len(shown) < _FEWEST:
        return None
    slopes, rates, doubts, copper = np.array(list(shown.values())).T
    # The meter went by as many volts as the readings lack; windings that warm make them lack some too.
    volts, doubts, warm = -rates / slopes, doubts / np.abs(slopes), -copper / slopes
    usual = _ALIKE / 2.0 * abs(float(np.median(volts)))
    weights = 1.0 / (doubts**2 + usual**2 + 1e-30)
    if not np.any(np.isfinite(doubts)):
        return None
    design = np.stack([np.ones_like(volts), warm], axis=1)
    normal = design.T @ (weights[:, None] * design) + np.diag([0.0, _WARMED_DOUBT**-2.0])
    pull = design.T @ (weights * volts) + np.array([0.0, _WARMED * _WARMED_DOUBT**-2.0])
    covariance = np.linalg.inv(normal)
    part = min(1.0, max(0.0, float((covariance @ pull)[1])))
    rate = float(np.average(volts - part * warm, weights=weights))
    doubt = math.hypot(math.sqrt(covariance[0, 0]), _LEFT_BY_A_PREDICTION * mains_rate)
    if not abs(rate) > _CLEAR * doubt:
        return None
    own = volts - part * warm
    clear = doubts < _KNOWN_TO * abs(rate)
    alike = clear & (np.abs(own - rate) < np.maximum(_SCATTER * doubts, _ALIKE * abs(rate)))
    # What windings hide may be guessed; it is no evidence.
    alike &= volts * math.copysign(1.0, rate) > _ALIKE * abs(rate)
    if np.count_nonzero(alike) < max(_FEWEST, _AGREEING * np.count_nonzero(clear)):
        return None
    names = frozenset(name for name, is_alike in zip(shown, alike, strict=True) if is_alike)
    return MeterDrift(rate, float(own[alike].min()), float(own[alike].max()), names)
