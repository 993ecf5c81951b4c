"""Readings put together to lines of CSV, thousands at once.

What is the same in many lines, a second's date and time, a channel's name, what was expected, is made once and then
only laid in its place; values are told all at once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmon.report.escaping import csv_cell
from benchmon.report.export.rows import words_of_states
from benchmon.report.session_reader import RecordedSession
from benchmon.signals.arrays import Floats

Integers = NDArray[np.int64]
Pieces = NDArray[Any]
"""Pieces of lines, bytes: one for each line, or those that lines choose from."""

MOST_NUMBERS = 1 << 33
"""The numbers of readings that are put together lie closer to each other."""
_SECOND = 1_000_000
_MOST_KEPT = 50_000
_THREE_DIGITS = np.array([b"%03d" % number for number in range(1000)])
_MIDDLE = np.dtype(
    [
        ("point", "S1"),
        ("thousandths", "S3"),
        ("millionths", "S3"),
        ("comma", "S1"),
        ("stamp", "S20"),
        ("thousandths of it", "S3"),
        ("millionths of it", "S3"),
        ("end", "S2"),
    ]
)
"""From the decimal point of `time_s` to the comma behind `time`: as long in every line."""


@dataclass(frozen=True)
class Part:
    """Some readings in their order, arrays (n,): microseconds, numbers, channels, states and values.

    Numbers are counted from the reading before the first, those of channels are as in the file. `expected` is what was
    expected from a reading on, each a channel, the reading's number, value and expanded uncertainty; None for nothing.
    """

    times: Integers
    numbers: Integers
    channels: Integers
    states: Integers
    values: Floats
    expected: Sequence[tuple[int, int, float | None, float | None]]

    def where(self, chosen: NDArray[np.bool_]) -> Part:
        """Return those readings that are chosen (n,)."""
        if np.all(chosen):
            return self
        return Part(
            self.times[chosen],
            self.numbers[chosen],
            self.channels[chosen],
            self.states[chosen],
            self.values[chosen],
            self.expected,
        )


class Lines:
    """Makes the lines of the readings of a session, one part after the other."""

    def __init__(self, session: RecordedSession, most_channels: int) -> None:
        self._began = round(session.info.started * 1e6)
        known = {number: one for number, one in session.numbers.items() if 0 <= number < most_channels}
        self._names = np.zeros(most_channels, object)
        for number, one in known.items():
            self._names[number] = f"{csv_cell(one.name)},{one.quantity},".encode()
        self._units = {number: one.unit for number, one in known.items()}
        self._expected = {number: self._behind(number, None, None) for number in known}
        self._ends = np.array([f"{verdict},{flags}\n".encode() for verdict, flags in words_of_states()], object)
        self._wholes = _Kept(lambda second: b"%d" % second)
        self._stamps = _Kept(_stamp)

    def of(self, part: Part) -> tuple[int, bytes]:
        """Return how many lines the readings of a part make, and the lines; those of unknown channels make none."""
        expected = self._follow(part)
        part = part.where(self._names[part.channels] != 0)
        if not len(part.times):
            return 0, b""
        pieces = (
            _by_runs(part.times // _SECOND, self._wholes).tolist(),
            self._middles(part.times).tolist(),
            self._names[part.channels].tolist(),
            _told(part.values),
            expected(part).tolist(),
            self._ends[part.states].tolist(),
        )
        return len(part.times), b"".join(chain.from_iterable(zip(*pieces, strict=True)))

    def _middles(self, times: Integers) -> Pieces:
        told = np.empty(len(times), _MIDDLE)
        told["point"], told["comma"], told["end"] = b".", b",", b"Z,"
        told["thousandths"], told["millionths"] = _six_digits(times % _SECOND)
        clock = self._began + times
        told["stamp"] = _by_runs(clock // _SECOND, self._stamps)
        told["thousandths of it"], told["millionths of it"] = _six_digits(clock % _SECOND)
        return told.view(f"S{_MIDDLE.itemsize}")

    def _follow(self, part: Part) -> Callable[[Part], Pieces]:
        """Take up what was expected in a part; return a function that gives the pieces behind the values of it."""
        keys = [number * MOST_NUMBERS for number in self._expected]
        texts = list(self._expected.values())
        for channel, number, value, uncertainty in part.expected:
            if channel in self._units:
                self._expected[channel] = self._behind(channel, value, uncertainty)
                keys.append(channel * MOST_NUMBERS + number)
                texts.append(self._expected[channel])
        order = np.argsort(keys)
        begins, pieces = np.array(keys, np.int64)[order], np.array(texts, object)[order]

        def of(chosen: Part) -> Pieces:
            places = np.searchsorted(begins, chosen.channels * MOST_NUMBERS + chosen.numbers, side="right") - 1
            found: Pieces = pieces[places]
            return found

        return of

    def _behind(self, channel: int, value: float | None, uncertainty: float | None) -> bytes:
        """Return what stands behind a value of a channel: its unit and what was expected, with the commas around."""
        told = ","
        if value is not None and uncertainty is not None and abs(value) < 1e300:
            told = f"{_to(9, value)},{_to(6, uncertainty)}"
        return f",{self._units[channel]},{told},".encode()


class _Kept(dict[int, bytes]):
    """Pieces that are made once and kept; all are forgotten where they become too many."""

    def __init__(self, make: Callable[[int], bytes]) -> None:
        super().__init__()
        self._make: Callable[[int], bytes] = make

    def __missing__(self, key: int) -> bytes:
        if len(self) >= _MOST_KEPT:
            self.clear()
        self[key] = made = self._make(key)
        return made


def _by_runs(keys: Integers, made: _Kept) -> Pieces:
    """Return the piece of each key (n,), of which many in a row are alike."""
    begins = np.flatnonzero(np.diff(keys, prepend=keys[0] - 1))
    pieces = np.array([made[key] for key in keys[begins].tolist()])
    return np.repeat(pieces, np.diff(begins, append=len(keys)))


def _told(values: Floats) -> list[bytes]:
    """Return the shortest texts (n,) that give values back to the last bit.

    A whole list is told in a quarter of the time that its values take one by one.

    >>> _told(np.array([22.1, 1e-9, -np.inf]))
    [b'22.1', b'1e-09', b'-Inf']
    """
    return repr(values.tolist())[1:-1].replace("inf", "Inf").encode().split(b", ")


def _six_digits(numbers: Integers) -> tuple[Pieces, Pieces]:
    """Return the first and the last three digits of numbers below a million."""
    first, last = np.divmod(numbers, 1000)
    return _THREE_DIGITS[first], _THREE_DIGITS[last]


def _stamp(second: int) -> bytes:
    """Return a whole second since 1970 as ISO 8601, up to the decimal point."""
    return f"{datetime.fromtimestamp(second, UTC):%Y-%m-%dT%H:%M:%S}.".encode()


def _to(digits: int, value: float) -> str:
    """Return a number rounded to so many digits.

    >>> _to(6, 22.1234567), _to(6, 22.0)
    ('22.1235', '22.0')
    """
    return repr(float(f"{value:.{digits}g}"))
