"""The mains voltage as all channels together show it, where it differs from what the mains meter reads.

A mains meter shows steps of its last digit, and a prediction that follows it moves in steps. Between two steps every
expectation is off by as many volts of mains. Each channel's residual shows these volts, by its own slope against the
mains; the others' weighted mean corrects a channel. So what all channels share is the mains, and what one does by
itself is a drift. What they all share and what goes on for minutes is a drift of the mains meter itself.

What is expected follows the mains meter. Where that drifts, every channel that the mains feed departs from what is
expected by as many volts of mains, each by its own slope. Windings that warm do much the same, since they lower volts,
amperes and watts together, but each by its own amount. So both are fitted to what the channels show: volts a second of
the meter, and a part of what warming up may do. The meter is named where the first is clear.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from statistics import median
from typing import NamedTuple

import numpy as np

from benchmon.watch.drift.blocks import BlockAverage
from benchmon.watch.drift.warm_up import USUALLY_WARMED

_LEFT_BY_A_PREDICTION = 0.12
"""How much of a movement of the mains, relative to the reading, a prediction leaves behind. From memory."""

_LEFT_IN_ALL = 0.04
"""The same of what it leaves behind in all channels alike, in volts of mains.

Of drawn supplies (seeds 100 to 114, and 3000 to 3009 with all disturbances doubled) the median channel follows the
mains by 1.5 % rms more or less than predicted, at most by 3.5 %.
"""

_SHAPED_BY_THE_CORE = 4.0
"""The same for what the magnetising current shapes: up to 4 % a per cent. From memory."""

_CORE = (
    "mains.current.rms",
    "mains.current.peak",
    "mains.current.crest_factor",
    "mains.current.thd",
    "mains.power.apparent",
    "mains.power_factor",
    "mains.displacement_factor",
)
_FEWEST_MOVES = 4
"""Movements of the mains from which on what they leave is learnt: by then the noise is known as well."""


def elasticity_of(quantity: str) -> float:
    """Return how uncertain it is how much of a movement of the mains stays in a residual, relative to the reading."""
    return _SHAPED_BY_THE_CORE if quantity in _CORE else _LEFT_BY_A_PREDICTION


class MainsResidual:
    """How much of the mains' movement stays in one channel's residual.

    It begins as 0 with the standard uncertainty `prior`, relative to the reading; then it is the regression of the
    residual's steps from block to block on those of the mains, with an intercept, so that a drift does not bend it.
    Where no mains are measured, the expectation takes their place.
    """

    def __init__(self, prior: float) -> None:
        self._prior = prior
        self.part = self.doubt = 0.0
        self._last: BlockAverage | None = None
        self._count = self._sx = self._sy = self._sxx = self._sxy = 0.0

    def learn(self, block: BlockAverage, noise: float, expected_noise: float) -> None:
        """Take a block; `noise` is a block's standard deviation, `expected_noise` that of its expectation."""
        last, self._last = self._last, block
        prior = self._prior_slope(block)
        if not self._count:
            self.doubt = prior
        if last is None or noise <= 0.0 or prior == 0.0 or math.isnan(block.mains) != math.isnan(last.mains):
            return
        x, y = driver(block) - driver(last), block.residual - last.residual
        if math.isnan(block.mains) and abs(x) <= 5.0 * expected_noise:
            return
        self._count, self._sx, self._sy = self._count + 1.0, self._sx + x, self._sy + y
        self._sxx, self._sxy = self._sxx + x * x, self._sxy + x * y
        if self._count < _FEWEST_MOVES:
            return
        spread = self._sxx - self._sx * self._sx / self._count
        common = self._sxy - self._sx * self._sy / self._count
        weight = 2.0 * noise * noise / (prior * prior)
        self.part = common / (spread + weight)
        self.doubt = prior * math.sqrt(weight / (spread + weight))

    def _prior_slope(self, block: BlockAverage) -> float:
        """Return the prior's standard uncertainty in the channel's unit a unit of what moves."""
        if math.isnan(block.mains) or block.mains <= 0.0:
            return min(self._prior, 1.0)
        return self._prior * abs(block.expected + block.residual) / block.mains


def driver(block: BlockAverage) -> float:
    """Return what moves the residual: the mains (V), or the expectation where they are not measured."""
    return block.expected if math.isnan(block.mains) else block.mains


_FORGET = 0.995
_LARGEST_SHARE = 0.5
_REMEMBERED = 100
_FEWEST = 2


@dataclass(slots=True)
class _Response:
    """How one channel's expectation follows the mains, by sums that forget, and its residual's level."""

    count: float = 0.0
    mains: float = 0.0
    expected: float = 0.0
    squares: float = 0.0
    products: float = 0.0
    level: float = 0.0
    blocks: int = 0

    def learn(self, mains: float, expected: float) -> None:
        self.count = _FORGET * self.count + 1.0
        step = mains - self.mains
        self.mains += step / self.count
        self.expected += (expected - self.expected) / self.count
        self.squares = _FORGET * self.squares + step * (mains - self.mains)
        self.products = _FORGET * self.products + step * (expected - self.expected)

    @property
    def slope(self) -> float:
        """Units of the channel a volt of mains, 0 while the mains have not moved."""
        return self.products / self.squares if self.squares > 1e-12 * self.mains**2 else 0.0

    def settle(self, residual: float) -> None:
        self.blocks = min(self.blocks + 1, _REMEMBERED)
        self.level += (residual - self.level) / self.blocks


class MainsEstimate:
    """Corrects blocks of all channels for what they share."""

    def __init__(self) -> None:
        self._responses: dict[str, _Response] = {}

    def forget(self, channel: str) -> None:
        """Start over with a channel that has stepped."""
        self._responses.pop(channel, None)

    def corrected(
        self,
        blocks: Mapping[str, BlockAverage],
        mains: float,
        deviations: Mapping[str, float],
        drifting: Collection[str],
    ) -> dict[str, BlockAverage]:
        """Return `blocks` of the same moment, corrected; `deviations` are those of the blocks' residuals.

        `mains` is the measured voltage (V rms). A channel that is `drifting` counts for itself alone.
        """
        for name, block in blocks.items():
            self._responses.setdefault(name, _Response()).learn(mains, block.expected)
        slopes = {name: self._responses[name].slope for name in blocks}
        steps = [block.held / abs(slopes[name]) for name, block in blocks.items() if block.held and slopes[name]]
        shown = self._shown(blocks, slopes, deviations, drifting)
        doubt = median(steps) ** 2 / 12.0 if steps else 0.0
        found = {name: _correct(block, name, slopes[name], shown, doubt) for name, block in blocks.items()}
        for name, block in found.items():
            self._responses[name].settle(block.residual)
        return found

    def slope(self, channel: str) -> float:
        """Return how a channel's expectation follows the mains, its unit a volt; 0 where that is not known yet."""
        response = self._responses.get(channel)
        return 0.0 if response is None else response.slope

    def _shown(
        self,
        blocks: Mapping[str, BlockAverage],
        slopes: Mapping[str, float],
        deviations: Mapping[str, float],
        drifting: Collection[str],
    ) -> dict[str, tuple[float, float]]:
        """Return by channel the volts of mains that it shows beyond the meter's, and its weight, at most a half."""
        shown = {}
        for name, block in blocks.items():
            slope, response = slopes[name], self._responses[name]
            if slope and response.blocks and name not in drifting and deviations[name] > 0.0:
                shown[name] = ((response.level - block.residual) / slope, (slope / deviations[name]) ** 2)
        total = sum(weight for _, weight in shown.values())
        return {name: (volts, min(weight, _LARGEST_SHARE * total)) for name, (volts, weight) in shown.items()}


def _correct(
    block: BlockAverage, name: str, slope: float, shown: Mapping[str, tuple[float, float]], doubt: float
) -> BlockAverage:
    others = [pair for other, pair in shown.items() if other != name]
    weight = math.fsum(pair[1] for pair in others)
    if len(others) < _FEWEST or doubt == 0.0 or slope == 0.0 or weight == 0.0:
        return block
    volts = math.fsum(pair[0] * pair[1] for pair in others) / weight
    # As much as the step of the expectation can be off, and not what is only the others' noise. Their own last digits
    # may hold that noise still for a while, so it stays a doubt.
    left = min(block.held or math.inf, 2.0 * abs(slope) * math.sqrt(1.0 / weight))
    return block._replace(residual=block.residual + slope * volts * doubt / (doubt + 1.0 / weight), held=left)


_FEWEST_WITNESSES, _AGREEING, _ALIKE = 3, 0.75, 0.5
"""How many channels must show a drift of the mains meter, what part of those that can, and how alike they must be. From
memory."""

_OF_TWO = 0.25
"""How alike two channels must be where no third one follows the mains, as behind a regulator. From memory."""

_CLEAR, _KNOWN_TO, _SCATTER = 3.0, 0.5, 2.5
"""A rate is the meter's from so many of its standard uncertainties on. A channel can show it whose own is known to this
part of it, and does so within so many standard uncertainties. From memory."""


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
    fewest, unlike = (_FEWEST_WITNESSES, _ALIKE) if len(shown) > 2 else (2, _OF_TWO)
    if len(shown) < fewest:
        return None
    slopes, rates, doubts, copper = np.array(list(shown.values())).T
    # The meter went by as many volts as the readings lack; windings that warm make them lack some too.
    volts, doubts, warm = -rates / slopes, doubts / np.abs(slopes), -copper / slopes
    usual = _ALIKE / 2.0 * abs(float(np.median(volts)))
    weights = 1.0 / (doubts**2 + usual**2 + 1e-30)
    if not np.any(np.isfinite(doubts)):
        return None
    warmed, spread = USUALLY_WARMED
    design = np.stack([np.ones_like(volts), warm], axis=1)
    normal = design.T @ (weights[:, None] * design) + np.diag([0.0, spread**-2.0])
    pull = design.T @ (weights * volts) + np.array([0.0, warmed * spread**-2.0])
    covariance = np.linalg.inv(normal)
    part = min(1.0, max(0.0, float((covariance @ pull)[1])))
    rate = float(np.average(volts - part * warm, weights=weights))
    doubt = math.hypot(math.sqrt(covariance[0, 0]), _LEFT_IN_ALL * mains_rate)
    if not abs(rate) > _CLEAR * doubt:
        return None
    own = volts - part * warm
    clear = doubts < _KNOWN_TO * abs(rate)
    fitting = clear & (np.abs(own - rate) < np.maximum(_SCATTER * doubts, unlike * abs(rate)))
    # Where warming windings hide it, it may be guessed: that fits, and is no evidence.
    alike = fitting & (volts * math.copysign(1.0, rate) > _ALIKE * abs(rate))
    if np.count_nonzero(fitting) < _AGREEING * np.count_nonzero(clear) or np.count_nonzero(alike) < fewest:
        return None
    names = frozenset(name for name, is_alike in zip(shown, alike, strict=True) if is_alike)
    return MeterDrift(rate, float(own[alike].min()), float(own[alike].max()), names)
