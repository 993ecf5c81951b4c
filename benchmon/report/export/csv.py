"""A session as CSV: long, with a line a reading, or wide, with a line a span of time and a column a channel."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Generic, TypeVar

from benchmon.bench import Channel
from benchmon.errors import BadInput
from benchmon.report.escaping import csv_cell, csv_line, for_cell
from benchmon.report.export.rows import LONGEST, Progress, RowBatch, StepSpans, parts_of, words_of_states
from benchmon.report.session_reader import RecordedSession

LONG_COLUMNS = (
    "time_s",
    "time",
    "channel",
    "quantity",
    "value",
    "unit",
    "expected",
    "expected_uncertainty",
    "verdict",
    "flags",
    "step",
    "serial",
    "operator",
)
_SECOND = 1_000_000
_MOST_KEPT = 50_000
_MOST_LINES = 50_000_000

Key = TypeVar("Key", int, float)


class _Texts(dict[Key, str], Generic[Key]):
    """Texts that many lines share: each is made once and kept. All are forgotten where they become too many."""

    def __init__(self, make: Callable[[Key], str]) -> None:
        super().__init__()
        self._make: Callable[[Key], str] = make

    def __missing__(self, key: Key) -> str:
        text = self._make(key)
        if len(self) >= _MOST_KEPT:
            self.clear()
        self[key] = text
        return text


def write_long(session: RecordedSession, path: Path, progress: Progress | None = None) -> int:
    """Write a line for each usable reading, its value to the last bit; return how many."""
    lines, written = _LongLines(session), 0
    with path.open("w", encoding="utf-8", newline="") as out:
        out.write(csv_line(LONG_COLUMNS))
        for part in parts_of(session, progress, as_stored=True):
            made = lines.of(part)
            out.write("".join(made))
            written += len(made)
    return written


class _LongLines:
    """Makes the lines of the readings of a session, one part after the other."""

    def __init__(self, session: RecordedSession) -> None:
        self._began = round(session.info.started * 1e6)
        self._names = {number: f"{csv_cell(one.name)},{one.quantity}," for number, one in session.numbers.items()}
        self._units = {number: f",{one.unit}," for number, one in session.numbers.items()}
        self._expected = {number: f"{unit},," for number, unit in self._units.items()}
        self._values: dict[Any, str] = _Texts(_value)
        self._ends: dict[str, _Texts[int]] = {}
        self._steps = StepSpans(session)
        self._of_unit = _of_unit(session)

    def of(self, part: RowBatch) -> list[str]:
        """Return the lines of a part. Readings without a value, of no known channel or that make no sense get none."""
        names, values, expected = self._names, self._values, self._expected
        expectations, lines = part.expectations, list[str]()
        after = up_to = second = clock = 0
        whole = stamp = ""
        ends = _Texts(_end)
        for number, channel, at, value, state in part.rows:
            if number in expectations and channel in expected:
                expected[channel] = self._units[channel] + _expected(*expectations[number])
            # Rows are not checked beforehand: what makes no sense is found where it is looked up.
            try:
                if not after <= at < up_to:
                    after, up_to, second, clock, whole, stamp, ends = self._seconds_of(at)
                lines.append(
                    "%s%06d,%s%06dZ,%s%s%s%s"  # noqa: UP031 - quicker than an f-string
                    % (
                        whole,
                        at - second,
                        stamp,
                        at - clock,
                        names[channel],
                        values[value],
                        expected[channel],
                        ends[state],
                    )
                )
            except (KeyError, TypeError):
                continue
        return lines

    def _seconds_of(self, at: int) -> tuple[int, int, int, int, str, str, _Texts[int]]:
        """Return the span around a moment in which neither second nor step of the plan changes, in microseconds.

        Also where the second of the session began, and that of the wall clock, these two seconds as texts, and the
        ends of lines by state.
        """
        if not (isinstance(at, int) and 0 <= at <= LONGEST):
            raise TypeError
        second = at - at % _SECOND
        clock = at - (self._began + at) % _SECOND
        whole, stamp = f"{at // _SECOND}.", f"{_stamp((self._began + at) // _SECOND)}."
        step, since, until = self._steps.at(at)
        if step not in self._ends:
            tail = f"{_cell(step)},{self._of_unit}"
            self._ends[step] = _Texts(lambda state: _end(state) + tail)
        return (
            max(second, clock, since),
            min(second + _SECOND, clock + _SECOND, until),
            second,
            clock,
            whole,
            stamp,
            self._ends[step],
        )


def _of_unit(session: RecordedSession) -> str:
    """Return the end of each line: serial number and operator."""
    return f"{_cell(session.info.serial)},{_cell(session.info.operator)}\n"


def _cell(text: str) -> str:
    return csv_cell(text) if text else ""


def _stamp(second: int) -> str:
    """Return a whole second since 1970 as ISO 8601 in UTC."""
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(second))


def _value(value: float) -> str:
    """Return the shortest text that gives a value back to the last bit. Raises `TypeError` for what is no value.

    >>> _value(22.1), _value(float("-inf"))
    ('22.1', '-Inf')
    """
    if not isinstance(value, float):
        raise TypeError
    return repr(value).replace("inf", "Inf")


def _end(state: int) -> str:
    verdict, flags = words_of_states()[state & 0xFF]
    return f"{verdict},{flags},"


def _expected(value: float | None, uncertainty: float | None) -> str:
    if value is None or uncertainty is None or not abs(value) < 1e300:
        return ",,"
    return f"{_rounded(value, 9)},{_rounded(uncertainty, 6)},"


def _rounded(value: float, digits: int) -> str:
    """Return a number rounded to so many significant digits.

    >>> _rounded(22.1234567, 6), _rounded(22.0, 6)
    ('22.1235', '22.0')
    """
    return repr(float(f"{value:.{digits}g}"))


def write_wide(session: RecordedSession, path: Path, every: float = 1.0, progress: Progress | None = None) -> int:
    """Write a line for each span of `every` seconds that has a reading, the last ones in it; return how many.

    Raises `BadInput` for a span out of range, or one that makes too many lines, and `OSError`.
    """
    if not 0.01 <= every <= 86_400:
        raise BadInput(f"--every {every:g}: must be between 0.01 and 86400 seconds")
    if session.duration / every > _MOST_LINES:
        raise BadInput(f"--every {every:g}: makes more than {_MOST_LINES} lines; take a longer span")
    began, stamps = round(session.info.started * 1e6), _Texts(_stamp)
    steps, of_unit = StepSpans(session), _of_unit(session)
    written = 0
    with path.open("w", encoding="utf-8", newline="") as out:
        headings = [_heading(channel) for channel in session.numbers.values()]
        out.write(csv_line(["time_s", "time", *headings, "step", "serial", "operator"]))
        for span, values in _spans(session, round(every * 1e6), progress):
            at = round(span * every * 1e6)
            second, rest = divmod(began + at, _SECOND)
            out.write(
                f"{at / 1e6!r},{stamps[second]}.{rest:06d}Z,{','.join(values)},{_cell(steps.at(at)[0])},{of_unit}"
            )
            written += 1
    return written


def _heading(channel: Channel) -> str:
    return for_cell(f"{channel.name} [{channel.unit}]" if channel.unit else channel.name)


def _spans(session: RecordedSession, width: int, progress: Progress | None) -> Iterator[tuple[int, list[str]]]:
    """Yield each span's number with the last value of every channel in it; instruments may overtake each other."""
    places = {number: place for place, number in enumerate(session.numbers)}
    waiting: dict[int, list[str]] = {}
    for part in parts_of(session, progress):
        for _, channel, at, value, _ in part.rows:
            place = places.get(channel)
            if place is not None and value is not None:
                cells = waiting.get(at // width)
                if cells is None:
                    cells = waiting[at // width] = [""] * len(places)
                cells[place] = repr(value)
        newest = max(waiting, default=0)
        for span in sorted(waiting):
            if span < newest - max(5_000_000 // width, 1):
                yield span, waiting.pop(span)
    for span in sorted(waiting):
        yield span, waiting[span]
