"""Drift of all channels of a bench: blocks that begin and end together, corrected for what all share."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from benchmon.watch.blocks import Block, BlockMaker
from benchmon.watch.drift import BLOCK_SECONDS, Drift, DriftWatch, Noises
from benchmon.watch.mains_error import MainsError

_DRAUGHT = 0.3
"""Kelvin by which air that no probe sees moves a temperature."""


class Drifts:
    """Watches `channels` for drift. Name those that are `slow`: temperatures follow the mains only after a while."""

    def __init__(self, channels: Iterable[str], slow: Iterable[str] = ()) -> None:
        late = frozenset(slow)
        self._makers = {name: BlockMaker() for name in channels}
        self._watches = {name: DriftWatch(is_slow=name in late) for name in self._makers}
        self._late = late
        self._spreads = dict.fromkeys(self._makers, 0.0)
        self._shared = MainsError()
        self._mains = _Mean()
        self._turn: int | None = None
        self._began: float | None = None

    def drift(self, channel: str) -> Drift | None:
        """Return the drift of a channel, None where it does not drift."""
        return self._watches[channel].drift

    def mains(self, volts: float) -> None:
        """Take a reading of the mains voltage (V rms) that the expectations follow."""
        self._mains.add(volts)

    def update(
        self, channel: str, time: float, value: float, expected: float, *, uncertainty: float = 0.0, warm: float = 0.0
    ) -> set[str]:
        """Take one finite reading; return the channels whose drift began or ended with it.

        `expected` is the value re-predicted for this moment. Warming up may still change the reading by `uncertainty`
        times the change of `warm`. All in the channel's unit; times rise over all channels.
        """
        changed: set[str] = set()
        if self._began is None:
            self._began = time  # blocks are counted from here, so that it is all one at which time a log begins
        turn = math.floor((time - self._began) / BLOCK_SECONDS)
        if turn != self._turn:
            changed = self._close()
            self._turn = turn
        self._spreads[channel] = uncertainty
        if self._makers[channel].update(time, value, expected, warm):
            if self._watches[channel].drift is not None:
                changed.add(channel)
            self._watches[channel].restart()
            self._shared.forget(channel)
        return changed

    def _close(self) -> set[str]:
        """Hand every channel's block to its watch; return the channels whose drift began or ended."""
        made = {name: block for name, maker in self._makers.items() if (block := maker.close()) is not None}
        noises = {name: self._noises(name) for name in made}
        volts = self._mains.take()
        if volts is not None:
            made |= self._without_what_is_shared(made, noises, volts)
        changed = set()
        for name, block in made.items():
            watch = self._watches[name]
            had = watch.drift is not None
            watch.take(block, noises[name], self._spreads[name], _DRAUGHT if name in self._late else 0.0)
            if had != (watch.drift is not None):
                changed.add(name)
        return changed

    def _noises(self, name: str) -> Noises:
        maker = self._makers[name]
        return Noises(maker.own_noise.deviation, maker.noise.deviation, maker.expected_noise.deviation)

    def _without_what_is_shared(
        self, made: Mapping[str, Block], noises: Mapping[str, Noises], volts: float
    ) -> dict[str, Block]:
        quick = {name: block for name, block in made.items() if name not in self._late}
        deviations = {name: noises[name].reading / math.sqrt(block.readings) for name, block in quick.items()}
        drifting = {name for name in quick if self._watches[name].drift is not None}
        return self._shared.corrected(quick, volts, deviations, drifting)


class _Mean:
    """The mean of what came since it was last taken."""

    def __init__(self) -> None:
        self._count, self._sum = 0, 0.0

    def add(self, value: float) -> None:
        self._count += 1
        self._sum += value

    def take(self) -> float | None:
        if not self._count:
            return None
        mean = self._sum / self._count
        self._count, self._sum = 0, 0.0
        return mean
