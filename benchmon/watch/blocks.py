"""A channel's readings averaged in blocks, without its spikes; a step that stays begins anew."""

from __future__ import annotations

import math
from typing import NamedTuple

from benchmon.watch.statistics import Noise

_STEP_SIGMAS = 8.0 * math.sqrt(2.0)


class Block(NamedTuple):
    """The average of some readings: time (s), residual (reading less expectation), expectation, warm-up seen so far.

    `held` is the largest step of an expectation that is held and told anew in steps, 0 where it follows smoothly;
    `readings` is how many there are.
    """

    time: float
    residual: float
    expected: float
    warm: float
    held: float
    readings: int


class _Sums:
    """The sums of a block's readings."""

    __slots__ = ("changes", "count", "expected", "held", "residual", "time", "warm")

    def __init__(self) -> None:
        self.count = self.changes = 0
        self.time = self.residual = self.expected = self.warm = self.held = 0.0

    def block(self) -> Block:
        count = self.count
        # An expectation that changes at less than half of the readings is held in between.
        held = self.held if 2 * self.changes < count else 0.0
        return Block(self.time / count, self.residual / count, self.expected / count, self.warm / count, held, count)


class BlockMaker:
    """Collects one channel's readings; `close` makes a block of what came since the last one."""

    def __init__(self) -> None:
        self.noise, self.own_noise, self.expected_noise = Noise(), Noise(), Noise()
        self._sums = _Sums()
        self._last: tuple[float, float] | None = None
        self._suspect: tuple[float, float] | None = None
        self._jump = math.inf

    def update(self, time: float, value: float, expected: float, warm: float) -> bool:
        """Take one finite reading; return whether it is the second of a step that stays, so that all begins anew."""
        reading = (value, value - expected)
        self.noise.add(reading[1])
        self.own_noise.add(value)
        self.expected_noise.add(expected)
        last, begins_anew = self._last, False
        if last is not None and self._is_step(reading, last):
            begins_anew = self._suspect is not None and not self._is_step(reading, self._suspect)
            self._suspect = reading
            if not begins_anew:
                return False
            self._sums = _Sums()
            self.noise.restart()
            self.own_noise.restart()
        elif last is not None and last[0] - last[1] != expected:
            self._sums.changes += 1
            self._sums.held = max(self._sums.held, abs(last[0] - last[1] - expected))
        self._suspect, self._last = None, reading
        self._add(time, reading[1], expected, warm)
        return begins_anew

    def _add(self, time: float, residual: float, expected: float, warm: float) -> None:
        sums = self._sums
        sums.count += 1
        sums.time += time
        sums.residual += residual
        sums.expected += expected
        sums.warm += warm

    def _is_step(self, reading: tuple[float, float], other: tuple[float, float]) -> bool:
        """Return whether both value and residual stepped: not where only the expectation was told anew."""
        return abs(reading[0] - other[0]) > self._jump and abs(reading[1] - other[1]) > self._jump

    def close(self) -> Block | None:
        """Return the block of the readings since the last one, None if there were none."""
        if not self._sums.count:
            return None
        block = self._sums.block()
        self._sums = _Sums()
        if self.noise.known and self.noise.deviation > 0:
            self._jump = _STEP_SIGMAS * self.noise.deviation
        return block
