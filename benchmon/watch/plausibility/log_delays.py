"""Logs whose clocks differ: a channel that follows the mains, but some time after, or before, all others do.

What is expected of a channel follows the measured mains at once. So the delay at which its readings fit that best is
the delay of its log. Where the readings of all channels come too early by as much, the mains meter's log is late.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from statistics import median

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from benchmon.bench import Channel
from benchmon.quantities import is_temperature
from benchmon.signals.arrays import Floats
from benchmon.text import duration
from benchmon.watch.records import Explanation

_LOOKED_AT_EVERY, _SECONDS_KEPT, _LEAST_SECONDS = 120.0, 1200.0, 360.0
"""Seconds from one look at a channel to the next, how many are looked at, and how many it takes. From memory."""

_STEP, _MOST_POINTS = 2.0, 700
"""Seconds between two values that are compared, and the points of a channel that are kept at most."""

_LONGEST_GAP = 30.0
"""Seconds without an expected value, or a reading, after which all begins again. From memory."""

_MOST, _PART = 120.0, 0.2
"""The longest delay that is looked for (s), and the part of what was read that it may be. From memory."""

_LEAST_DELAY, _LEAST_READINGS = 8.0, 3.0
"""The shortest delay that is stated (s), and of how many readings at least: meters average for some seconds. From
memory."""

_EXPLAINED, _BETTER = 0.5, 0.6
"""What is left at the delay, as a part of the movement, and of what is left without a delay, at most. From memory."""

_MOVES = 0.15
"""The part of a meter's accuracy by which what is expected must move (k = 1): slow noise is about 0.06. From memory."""

_LEAST_GAIN, _LARGEST_GAIN = 0.5, 2.0
"""Times what is expected to move by which a reading may move: the slope of a distortion is not known well. From
memory."""

_JUMP, _MAINS_JUMP = 0.02, 0.005
"""A relative step of what is expected that the mains do not explain: a load was changed, when exactly nobody knows.
From memory."""

_FEWEST, _SHARE, _ALIKE = 3, 0.75, 0.2
"""How many channels must show one delay for it to be the mains meter's, the part of all that show any, how alike.
From memory."""


class LogDelay:
    """Finds by how much the log of one channel is late."""

    def __init__(self, channel: Channel) -> None:
        self.channel = channel
        self.delay: float | None = None
        """By how much it is late (s), negative where it is early; 0 where it is neither, None while nobody knows."""
        self._points: deque[tuple[float, float, float]] = deque(maxlen=_MOST_POINTS)
        self._mains = math.nan
        self._look_at = -math.inf

    def update(self, time: float, value: float, expected: float, mains: float) -> bool:
        """Take a reading at `time` (s), what was expected then, and the mains (V); return whether it looked again."""
        last = self._points[-1] if self._points else None
        if last is not None and time - last[0] < _STEP / 2.0:
            return False
        if last is not None and (time - last[0] > _LONGEST_GAP or self._is_a_load_step(last[2], expected, mains)):
            self._points.clear()
        if not self._points:
            self._look_at = time + _LEAST_SECONDS
        self._points.append((time, value, expected))
        self._mains = mains
        if time < self._look_at:
            return False
        self._look_at = time + _LOOKED_AT_EVERY
        while self._points[0][0] < time - _SECONDS_KEPT:
            self._points.popleft()
        times, values, wanted = np.array(self._points).T
        self.delay = delay_of(times, values, wanted, self.channel.accuracy.of(value))
        return True

    def _is_a_load_step(self, before: float, now: float, mains: float) -> bool:
        return abs(now - before) > _JUMP * abs(before) and abs(mains - self._mains) < _MAINS_JUMP * abs(mains)


def delay_of(times: Floats, values: Floats, expected: Floats, accuracy: float) -> float | None:
    """Return by how many seconds `values` (n,) follow what was `expected` (n,) late, at rising `times` (n,) in s.

    0 where they follow at once; None where they do not show it, as they do not move, or otherwise than expected.
    `accuracy` is the meter's, in the unit of `values`.
    """
    if times[-1] - times[0] < _LEAST_SECONDS:
        return None
    grid = np.arange(times[0], times[-1], _STEP)
    read, wanted = np.interp(grid, times, values), np.interp(grid, times, expected)
    most = int(min(_MOST, _PART * (grid[-1] - grid[0])) / _STEP)
    core = slice(most, len(grid) - most)
    straight = _without_a_line(read[core][None, :])[0]
    # Row k holds what was expected `most − k` steps before.
    shifted = _without_a_line(sliding_window_view(wanted, len(grid) - 2 * most))
    sizes = np.sqrt(np.mean(shifted**2, axis=1))
    if not float(np.median(sizes)) > _MOVES * accuracy:
        return None
    gains = np.clip(shifted @ straight / np.sum(shifted**2, axis=1), _LEAST_GAIN, _LARGEST_GAIN)
    left = np.sqrt(np.mean((straight - gains[:, None] * shifted) ** 2, axis=1))
    best = int(np.argmin(left))
    if left[best] > _EXPLAINED * float(np.sqrt(np.mean(straight**2))) or best in (0, len(left) - 1):
        return None
    delay = _STEP * (most - best)
    apart = float(np.median(np.diff(times)))
    is_clear = abs(delay) >= max(_LEAST_DELAY, _LEAST_READINGS * apart) and left[best] < _BETTER * left[most]
    return delay if is_clear else 0.0


def _without_a_line(rows: Floats) -> Floats:
    """Return each of `rows` (m, n) without its mean and its trend."""
    ramp = np.linspace(-1.0, 1.0, rows.shape[1])
    centred = rows - rows.mean(axis=1, keepdims=True)
    found: Floats = centred - np.outer(centred @ ramp / float(ramp @ ramp), ramp)
    return found


class LogDelays:
    """Follows the channels of a bench that follow the mains. `mains` names the one that measures it, None for none."""

    def __init__(self, channels: Sequence[Channel], mains: str | None) -> None:
        self._mains = mains
        followers = [one for one in channels if not is_temperature(one.quantity) and one.name != mains]
        self._logs = {one.name: LogDelay(one) for one in followers} if mains is not None else {}
        self._volts = math.nan
        self.found: dict[str, float] = {}
        """By channel, by how many seconds its log is late; negative where it is early."""
        self.witnesses: tuple[str, ...] = ()
        """The channels that show that the mains meter's log is late."""

    def change(self, channels: Sequence[Channel]) -> None:
        """Go by another description of the same channels."""
        for one in channels:
            if one.name in self._logs:
                self._logs[one.name].channel = one

    def update(self, channel: str, time: float, value: float, expected: float | None) -> set[str]:
        """Take a finite reading at `time` (s) and what was expected; return those that are new in `found`, or gone."""
        if channel == self._mains:
            self._volts = value
        log = self._logs.get(channel)
        if log is None or expected is None or not log.update(time, value, expected, self._volts):
            return set()
        before, self.found = self.found, self._found_now()
        return before.keys() ^ self.found.keys()

    def _found_now(self) -> dict[str, float]:
        known = {name: log.delay for name, log in self._logs.items() if log.delay is not None}
        delays = {name: delay for name, delay in known.items() if delay != 0.0}
        self.witnesses = ()
        if self._mains is not None and len(delays) >= _FEWEST:
            middle = median(delays.values())
            alike = [name for name, one in delays.items() if abs(one - middle) <= max(2 * _STEP, _ALIKE * abs(middle))]
            if len(alike) >= max(_FEWEST, _SHARE * len(known)):
                self.witnesses = tuple(alike)
                return {self._mains: -middle, **{name: one for name, one in delays.items() if name not in alike}}
        # Only beside others that follow at once is it this log that is late.
        return delays if len(known) - len(delays) >= max(1, len(delays)) else {}

    def sentence(self, channel: str) -> str:
        """Return in words that a channel's log is late or early, or that it no longer is."""
        delay = self.found.get(channel)
        if delay is None:
            return f"{channel} keeps pace with the mains again"
        size, way = f"about {duration(abs(delay))}", "late" if delay > 0.0 else "early"
        if channel == self._mains:
            others = "before" if delay > 0.0 else "after"
            return f"all that follows the mains moves {size} {others} {channel} does: its log is {size} {way}"
        return f"{channel} follows the mains {size} {way}, and others do so at once: its log is {size} {way}"

    def causes(self, likelihood: float) -> list[Explanation]:
        """Return a cause for each log that is late or early."""
        advice = "compare the clocks of the logs; a meter that averages for long is late too"
        found = []
        for name, delay in self.found.items():
            cause = f"{name}: its log is about {duration(abs(delay))} {'late' if delay > 0.0 else 'early'}"
            channels = (name, *self.witnesses) if name == self._mains else (name,)
            found.append(Explanation(cause, likelihood, f"{self.sentence(name)}; {advice}", channels, name, advice))
        return found
