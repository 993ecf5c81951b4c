"""A session as CSV, a line a span of time: a column a channel, the last reading in each span."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

from benchmon.bench import Channel
from benchmon.errors import BadInput
from benchmon.report.plain_text import csv_line, for_cell
from benchmon.report.recorded import RecordedSession
from benchmon.report.rows_out import parts_of

_KEPT = 1000
_MOST_LINES = 50_000_000


class _Seconds(dict[int, str]):
    """Whole seconds since 1970 as ISO 8601 in UTC; each is written once and kept."""

    def __missing__(self, second: int) -> str:
        if len(self) > _KEPT:
            self.clear()
        self[second] = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(second))
        return self[second]


def write_wide(session: RecordedSession, path: Path, every: float = 1.0) -> int:
    """Write a line for each span of `every` seconds that has a reading; return how many."""
    if not 0.01 <= every <= 86_400:
        raise BadInput(f"--every {every:g}: must be between 0.01 and 86400 seconds")
    if session.duration / every > _MOST_LINES:
        raise BadInput(f"--every {every:g}: makes more than {_MOST_LINES} lines; take a longer span")
    began, seconds = round(session.info.started * 1e6), _Seconds()
    places = {number: place for place, number in enumerate(session.numbers)}
    written = 0
    with path.open("w", encoding="utf-8", newline="") as out:
        out.write(csv_line(["time_s", "time", *(_heading(channel) for channel in session.numbers.values())]))
        for span, values in _spans(session, places, round(every * 1e6)):
            at = round(span * every * 1e6)
            second, rest = divmod(began + at, 1_000_000)
            out.write(f"{at / 1e6!r},{seconds[second]}.{rest:06d}Z,{','.join(values)}\n")
            written += 1
    return written


def _heading(channel: Channel) -> str:
    return for_cell(f"{channel.name} [{channel.unit}]" if channel.unit else channel.name)


def _spans(session: RecordedSession, places: dict[int, int], width: int) -> Iterator[tuple[int, list[str]]]:
    """Yield each span's number with the last value of every channel in it; instruments may overtake each other."""
    waiting: dict[int, list[str]] = {}
    for part in parts_of(session):
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
