"""What an instrument's thread reports: readings, captured waves, and news of the instrument itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from benchmon.event_kinds import EventKind

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MOST_SAMPLES = 200_000
"""Samples of a captured wave, as many as a session keeps."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one channel, in the quantity's SI unit, at a monotonic time in seconds.

    `value` is None where the instrument answered without a usable number; `problem` then says why, in words.
    An overrange display has the value ±inf.
    """

    channel: str
    time: float
    value: float | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class InstrumentNews:
    """A change in an instrument's own state: reached (with its identity), lost, or something it complained of."""

    instrument: str
    time: float
    kind: Literal[EventKind.CONNECTED, EventKind.LOST, EventKind.COMPLAINT]
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class CapturedWave:
    """A wave captured on `channel` at a monotonic time: `times` (n,) in s, which rise, and `values` (n,) in `unit`."""

    channel: str
    time: float
    times: NDArray[np.float64]
    values: NDArray[np.float64]
    unit: str
