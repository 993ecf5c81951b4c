"""Times as exports write them: rounded to too few digits, or the same one twice."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchmon.errors import DataFileError
from benchmon.prediction.result import Floats

_ROUNDING = 1.01


def usable_times(time: Floats, values: Sequence[Floats]) -> tuple[Floats, list[Floats], tuple[str, ...]]:
    """Return times (n,) that rise, the values that belong to them, and what had to be put right, in words.

    Times that stand still only because they were rounded are those of even sampling. Other samples of one time count
    as one, their mean. Times that go back are left as they are, for whoever measures to refuse.
    """
    if len(time) < 2 or np.all(time[1:] > time[:-1]) or not np.all(np.isfinite(time)):
        return time, list(values), ()
    steps = np.diff(time)
    if steps.min() < 0.0:
        return time, list(values), ()
    largest = float(steps.max())
    if largest == 0.0:
        raise DataFileError("all samples have the same time; export the times with more digits")
    even = np.linspace(time[0], time[-1], len(time))
    # The last time may itself be rounded by up to one step of the writing.
    if len(time) > 2 and np.max(np.abs(time - even)) <= _ROUNDING * largest and _is_rounded(steps):
        return even, list(values), (f"times are rounded to {largest:.3g} s: even sampling is taken",)
    starts = np.flatnonzero(np.concatenate([[True], steps > 0.0]))
    counts = np.diff(np.append(starts, len(time)))
    means = [np.add.reduceat(value, starts) / counts for value in values]
    doubled = len(time) - len(starts)
    return time[starts], means, (f"{doubled} samples have the time of the one before: their mean is taken",)


def _is_rounded(steps: Floats) -> bool:
    """Return whether times stand still as often, and go on by as much, as rounding makes them."""
    moving = steps[steps > 0.0]
    return bool(np.max(moving) <= 2.01 * np.min(moving)) and len(moving) < 0.9 * len(steps)
