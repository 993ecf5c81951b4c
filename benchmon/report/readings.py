"""The readings of one channel as arrays, and how they are read from the rows of a session."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Accuracy, Channel
from benchmon.prediction.result import Floats
from benchmon.session.schema import decode_state
from benchmon.watch.records import Flag, Verdict


@dataclass(frozen=True)
class Readings:
    """The readings of one channel, in the quantity's unit: arrays (n,), in the order they were judged.

    `times` are session seconds. `values` are NaN where there was no usable reading and ±inf where the display showed
    over range; `uncertainties` are theirs (expanded, k = 2), by the channel's accuracy. `expected` and
    `expected_uncertainties` are NaN where nothing was expected. `states` are verdict and flags as they are stored.
    """

    channel: Channel
    times: Floats
    values: Floats
    uncertainties: Floats
    expected: Floats
    expected_uncertainties: Floats
    states: NDArray[np.int64]

    @property
    def en(self) -> Floats:
        """En of every reading (ISO 13528), (n,); NaN where there is nothing to compare."""
        with np.errstate(invalid="ignore", divide="ignore"):
            found = (self.values - self.expected) / np.hypot(self.uncertainties, self.expected_uncertainties)
        return np.where(np.isfinite(found), found, np.nan)

    @property
    def verdicts(self) -> list[Verdict]:
        """The verdict on every reading."""
        return [decode_state(int(state))[0] for state in self.states]

    @property
    def flags(self) -> list[frozenset[Flag]]:
        """The flags of every reading."""
        return [decode_state(int(state))[1] for state in self.states]

    @property
    def usable(self) -> Floats:
        """The values that are numbers, (m,)."""
        return self.values[np.isfinite(self.values)]


def expectations_between(connection: sqlite3.Connection, number: int, first: int, last: int) -> list[tuple[Any, ...]]:
    """Return from which reading on what was expected of a channel: all between two readings, and the one before."""
    columns = (
        "SELECT from_reading, CASE typeof(value) WHEN 'real' THEN value END,"
        " CASE typeof(uncertainty) WHEN 'real' THEN uncertainty END FROM expectations WHERE channel = ?"
    )
    before = connection.execute(
        f"{columns} AND from_reading < ? ORDER BY from_reading DESC LIMIT 1", (number, first)
    ).fetchall()
    return (
        before
        + connection.execute(
            f"{columns} AND from_reading >= ? AND from_reading < ? ORDER BY from_reading", (number, first, last)
        ).fetchall()
    )


def readings_of(
    channel: Channel,
    accuracies: Sequence[tuple[float, Accuracy]],
    rows: Sequence[tuple[Any, ...]],
    expectations: Sequence[tuple[Any, ...]],
    span: tuple[float, float],
) -> Readings:
    """Return rows of readings as arrays, those in `span`, seconds from the first to before the second.

    `accuracies` are the meter's, each from a session time on, the first one from the begin on.
    """
    numbers = np.array([row[0] for row in rows], np.int64)
    times = np.array([row[1] for row in rows], np.float64) / 1e6
    values = np.array([row[2] for row in rows], np.float64)
    states = np.array([row[3] for row in rows], np.int64) & 0xFF
    begins = np.array([row[0] for row in expectations], np.int64)
    expected = np.array([row[1:] for row in [(0, None, None), *expectations]], np.float64)
    holds = expected[np.searchsorted(begins, numbers, side="right")]
    finite = np.where(np.isfinite(values), values, np.nan)
    relative, absolute = np.array([(one.relative, one.absolute) for _, one in accuracies]).T
    in_force = np.searchsorted([time for time, _ in accuracies[1:]], times, side="right")
    uncertainties = relative[in_force] * np.abs(finite) + absolute[in_force]
    kept = (times >= span[0]) & (times < span[1])
    return Readings(
        channel, times[kept], values[kept], uncertainties[kept], holds[kept, 0], holds[kept, 1], states[kept]
    )
