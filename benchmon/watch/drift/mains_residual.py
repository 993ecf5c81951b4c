"""How a channel's residual follows the mains: learnt on the bench, block by block.

A prediction follows the mains, but never exactly. Power factor and distortion follow them through the transformer's
core by several per cent a per cent, which a file without the core's data cannot know. So the residual's slope against
the mains is learnt, from a prior as wide as such effects are.
"""

from __future__ import annotations

import math

from benchmon.watch.drift.blocks import BlockAverage

_PRIOR = 0.12
"""How much of a movement of the mains, relative to the reading, a prediction leaves behind. From experience."""

_SHAPED_BY_THE_CORE = 4.0
"""The same for what the magnetising current shapes: up to 4 % a per cent. From experience."""

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
    return _SHAPED_BY_THE_CORE if quantity in _CORE else _PRIOR


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
