"""A recorded session as arrays and records, for reports, comparisons, exports and notebooks.

Nothing is held open: every question reads the file once, so a session that is still recorded can be read too, as far
as it has come. Rows that make no sense are skipped. `Readings` are the readings of one channel as arrays; SQLite counts
them by verdict.
"""

from __future__ import annotations

import hashlib
import math
import sqlite3
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Accuracy, Bench, Channel
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.quantities import Expected
from benchmon.session.database import reading
from benchmon.session.reader import TableReader, TableReaders, read_ending, read_identities, read_info
from benchmon.session.records import BenchChange, RecorderState, SessionInfo, Timed, TrendBin
from benchmon.session.schema import decode_state, number_of, session_time, to_microseconds
from benchmon.session.trends import Trends, first_reading_at
from benchmon.signals.arrays import Floats
from benchmon.text import one_line
from benchmon.watch.plan import powered_above
from benchmon.watch.records import Event, Explanations, Flag, Forecast, Verdict, Waveform


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

    @property
    def last_usable(self) -> Readings:
        """The last reading that is a number, alone; none where there is none."""
        at = np.flatnonzero(np.isfinite(self.values))[-1:]
        return Readings(
            self.channel,
            self.times[at],
            self.values[at],
            self.uncertainties[at],
            self.expected[at],
            self.expected_uncertainties[at],
            self.states[at],
        )


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


MOST_CHANNELS = 4096
_MOST_PLACES = 1000
_AT_ONCE = 10_000
"""Readings that are counted together: so few are sorted within the processor's cache."""
_A_TASK = 50
_THREADS = 2

_COUNTS = """
    SELECT channel << 8 | (state & 255) AS which, count(*) FROM readings
    WHERE id > ? AND id <= ? AND typeof(state) = 'integer' AND typeof(channel) = 'integer'
        AND channel BETWEEN 0 AND ?
    GROUP BY which
"""


def last_of_range(connection: sqlite3.Connection, after: int, count: int) -> int | None:
    """Return the number of the last of `count` readings that follow number `after`, None where there is none.

    Raises `sqlite3.DatabaseError` where the numbers do not rise: a damaged tree of SQLite can lead in circles.
    """
    found: int | None = connection.execute(
        "SELECT max(id) FROM (SELECT id FROM readings WHERE id > ? ORDER BY id LIMIT ?)", (after, count)
    ).fetchone()[0]
    if found is not None and found <= after:
        raise sqlite3.DatabaseError("it is damaged, its rows are out of order")
    return found


def counts_of_states(path: Path) -> list[tuple[int, int, int]]:
    """Return how many readings of each channel had each state: number of the channel, state, count."""
    counted: Counter[int] = Counter()
    tasks = list(_tasks(path))
    if len(tasks) == 1:
        # A short session is counted before a thread has started.
        counted = _counts(path, tasks[0])
    else:
        with ThreadPoolExecutor(_THREADS) as threads:
            for counts in threads.map(lambda edges: _counts(path, edges), tasks):
                counted.update(counts)
    return [(which >> 8, which & 0xFF, count) for which, count in sorted(counted.items())]


def _tasks(path: Path) -> Iterator[list[int]]:
    """Yield the numbers of the readings before, between and at the end of some ranges."""
    edges = [-1]
    with reading(path) as connection:
        while (last := last_of_range(connection, edges[-1], _AT_ONCE)) is not None:
            edges.append(last)
    for first in range(0, len(edges) - 1, _A_TASK):
        yield edges[first : first + _A_TASK + 1]


def _counts(path: Path, edges: list[int]) -> Counter[int]:
    counted: Counter[int] = Counter()
    with reading(path) as connection:
        for after, up_to in pairwise(edges):
            counted.update(dict(connection.execute(_COUNTS, (after, up_to, MOST_CHANNELS - 1)).fetchall()))
    return counted


_AT_ONCE = 10_000
_MOST = 1_000_000
__all__ = ["Readings", "RecordedSession"]
_LONGEST = 1e9
_OVERTAKE = 5.0
"""Seconds by which readings of several instruments may overtake each other in the file."""

T = TypeVar("T", bound=Timed)


class RecordedSession:
    """A session file, to be asked. Raises `SessionFileError` where it is none, is damaged or of a newer version."""

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        with reading(self.path) as connection:
            self.info: SessionInfo = read_info(connection, self.path)
            self._ending = read_ending(connection)
            rows = connection.execute("SELECT id, name FROM channels ORDER BY id LIMIT ?", (_AT_ONCE,)).fetchall()
            self.identities: dict[str, str] = read_identities(connection, self.info.bench)
        self._held: sqlite3.Connection | None = None
        self._powered: dict[int, frozenset[int]] = {}
        self._places: dict[tuple[float, float], tuple[int, int]] = {}
        """Between which readings spans lie, of a session that has ended: every channel is asked for the same ones."""
        known = {channel.name: channel for channel in self.info.bench.channel}
        self.numbers: dict[int, Channel] = {
            number: known[name] for number, name in rows if isinstance(number, int) and name in known
        }

    @contextmanager
    def held_open(self) -> Iterator[None]:
        """Answer all that is asked meanwhile from one look at the file, which costs less than one for each question."""
        with reading(self.path) as connection:
            self._held = connection
            try:
                yield
            finally:
                self._held = None

    @contextmanager
    def _look(self) -> Iterator[sqlite3.Connection]:
        if self._held is not None:
            yield self._held
            return
        with reading(self.path) as connection:
            yield connection

    def with_data(self) -> Self:
        """Return this session. Raises `BadInput` where no channel ever gave a reading: there is nothing to report."""
        with self._look() as connection:
            if connection.execute("SELECT 1 FROM readings WHERE typeof(value) = 'real' LIMIT 1").fetchone():
                return self
        name = one_line(self.path, 300)
        raise BadInput(f"{name}: holds no readings; `benchmon replay --headless {name}` shows why")

    @property
    def bench(self) -> Bench:
        """The bench with which the recording began."""
        return self.info.bench

    @cached_property
    def benches(self) -> tuple[BenchChange, ...]:
        """The edited bench files that came into force while it was recorded, by time."""
        return self._all(lambda tables: tables.benches)

    @property
    def every_bench(self) -> tuple[BenchChange, ...]:
        """All bench files that were in force, by time, the one with which the recording began first."""
        return (BenchChange(0.0, self.bench), *self.benches)

    def bench_at(self, time: float) -> Bench:
        """Return the bench that was in force at a session time."""
        return next((change.bench for change in reversed(self.benches) if change.time <= time), self.bench)

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The channels, in the order of the bench file."""
        return self.bench.channel

    @property
    def duration(self) -> float:
        """How far the session has come, in seconds."""
        return self._ending.time

    @property
    def started(self) -> datetime:
        """When it began, by the wall clock, UTC."""
        return datetime.fromtimestamp(self.info.started, UTC)

    @property
    def is_recorded_still(self) -> bool:
        """Whether its recorder was running when this was opened."""
        return self._ending.state is RecorderState.RECORDING

    @property
    def ended_well(self) -> bool:
        """Whether it was ended, and not cut off."""
        return self._ending.state is RecorderState.FINISHED

    def readings(self, channel: str, since: float = 0.0, until: float = math.inf) -> Readings:
        """Return what `channel` read from `since` to before `until`, in session seconds.

        Its channel is as it was then, where the bench file was edited while it was recorded.
        Raises `BadInput` for a channel that the bench does not have, `SessionFileError` where the file is damaged.
        """
        number, found = self._numbered(channel)
        with self._look() as connection:
            first, last = self._between(connection, since, until)
            rows = connection.execute(
                "SELECT id, time, CASE typeof(value) WHEN 'real' THEN value END, state FROM readings"
                " WHERE id >= ? AND id < ? AND channel = ? AND typeof(time) = 'integer' AND typeof(state) = 'integer'"
                " ORDER BY id",
                (first, last, number),
            ).fetchall()
            expectations = expectations_between(connection, number, first, last)
        accuracies = [(0.0, found.accuracy), *((time, one.accuracy) for time, one in self._edited(channel))]
        edited = (one for time, one in reversed(self._edited(channel)) if time <= until)
        return readings_of(next(edited, found), accuracies, rows, expectations, (since, until))

    def _edited(self, name: str) -> list[tuple[float, Channel]]:
        """Return a channel as edited bench files have it, each from its time on."""
        every = ((change.time, channel) for change in self.benches for channel in change.bench.channel)
        return [(time, channel) for time, channel in every if channel.name == name]

    def trend(
        self, channel: str, parts: int = 400, since: float = 0.0, until: float | None = None
    ) -> Sequence[TrendBin]:
        """Return lowest, highest and mean reading of `channel` over `parts` equal parts of the session."""
        self._numbered(channel)
        end = self.duration if until is None else until
        with self._look() as connection:
            trends = Trends(connection, self.bench, self.info.layout)
            return trends.trend(connection, channel, since, end, parts) if end > since else ()

    def powered_parts(self, parts: int) -> frozenset[int]:
        """Return which of so many equal parts of the session had mains at any time, by the channel that reads it.

        A part in which that channel was not read is as the one before; without such a channel all had mains.
        """
        mains = next((channel for channel in self.channels if channel.quantity == "mains.voltage.rms"), None)
        if mains is None:
            return frozenset(range(parts))
        least = powered_above(self.bench)
        if parts not in self._powered:
            found = self.trend(mains.name, parts)
            known = {round(part.start * parts / self.duration): part.highest for part in found}
            on, is_on = set[int](), True
            for at in range(parts):
                highest = known.get(at)
                is_on = is_on if highest is None else highest > least
                on |= {at} if is_on else set()
            self._powered[parts] = frozenset(on)
        return self._powered[parts]

    def counts(self) -> dict[str, dict[Verdict, int]]:
        """Return how many readings of each channel had which verdict."""
        counted: dict[str, dict[Verdict, int]] = {channel.name: {} for channel in self.channels}
        for name, state, count in self._states:
            verdict = decode_state(state)[0]
            counted[name][verdict] = counted[name].get(verdict, 0) + count
        return counted

    def flags_seen(self) -> dict[str, frozenset[Flag]]:
        """Return the flags that each channel ever had."""
        seen: dict[str, frozenset[Flag]] = {channel.name: frozenset() for channel in self.channels}
        for name, state, _ in self._states:
            seen[name] |= decode_state(state)[1]
        return seen

    @cached_property
    def _states(self) -> list[tuple[str, int, int]]:
        """How many readings of each channel had each state: channel, state, count."""
        counts = counts_of_states(self.path)
        return [(self.numbers[number].name, state, count) for number, state, count in counts if number in self.numbers]

    def expected(self, channel: str, parts: int = 400) -> Sequence[Expected | None]:
        """Return what `channel` was expected to read in the middle of each of `parts` equal parts of the session."""
        self._numbered(channel)
        with self._look() as connection:
            trends = Trends(connection, self.bench, self.info.layout)
            return trends.band(connection, channel, 0.0, self.duration, parts) if self.duration > 0 else ()

    @cached_property
    def events(self) -> tuple[Event, ...]:
        """The events, by time."""
        return self._all(lambda tables: tables.events)

    @property
    def notes(self) -> tuple[Event, ...]:
        """The notes of operators, by time."""
        return tuple(event for event in self.events if event.kind == EventKind.NOTE)

    @cached_property
    def explanations(self) -> tuple[Explanations, ...]:
        """The ranked causes, each from its time on."""
        return self._all(lambda tables: tables.explanations)

    @cached_property
    def forecasts(self) -> tuple[Forecast, ...]:
        """Where channels were heading, each from its time on."""
        return self._all(lambda tables: tables.forecasts)

    @cached_property
    def waveforms(self) -> tuple[Waveform, ...]:
        """The latest captured wave of each channel, by time."""
        return self.waveforms_until(math.inf)

    def waveforms_until(self, until: float) -> tuple[Waveform, ...]:
        """Return the latest wave that each channel had captured at a session time, by time."""
        with self._look() as connection:
            rows = TableReaders(connection, self.info).waveforms
            if rows is None:
                return ()
            # One look at the latest of each: in a day there may be thousands.
            latest = connection.execute(
                "SELECT max(id) FROM waveforms WHERE typeof(time) = 'integer' AND time <= ? GROUP BY channel LIMIT ?",
                (to_microseconds(min(until, _LONGEST)), MOST_CHANNELS),
            ).fetchall()
            found = [rows.of_number(connection, number) for (number,) in latest]
        return tuple(sorted((wave for wave in found if wave is not None), key=lambda wave: wave.time))

    @cached_property
    def facts(self) -> dict[str, str]:
        """What recorded it: versions, host, process. Empty in a session of an old layout."""
        rows = self._rows("SELECT name, text FROM facts LIMIT 1000")
        return {one_line(name, 60): one_line(text) for name, text in rows if isinstance(text, str)}

    @cached_property
    def settings(self) -> dict[tuple[str, str], str]:
        """How each instrument and channel was driven: (kind, name) and JSON text. Empty in an old layout."""
        rows = self._rows("SELECT kind, name, settings FROM settings LIMIT 1000")
        return {(one_line(kind, 20), one_line(name, 40)): one_line(text, 4000) for kind, name, text in rows}

    @cached_property
    def clock_jumps(self) -> tuple[tuple[float, float], ...]:
        """When the wall clock was found to have jumped, and by how many seconds."""
        rows = self._rows("SELECT time, jump FROM anchors WHERE jump <> 0 LIMIT 1000")
        found = ((session_time(time), number_of(jump)) for time, jump in rows)
        return tuple((time, jump) for time, jump in found if time is not None and jump is not None)

    def sha256(self) -> str:
        """Return the hash of the session file as it is now."""
        with self.path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    def bench_sha256(self) -> str:
        """Return the hash of the bench file's text that the session carries."""
        return sha256_of(self.bench)

    def _numbered(self, name: str) -> tuple[int, Channel]:
        for number, channel in self.numbers.items():
            if channel.name == name:
                return number, channel
        for channel in self.channels:
            if channel.name == name:
                # The file has lost its number, so nothing in it is of this channel.
                return -1, channel
        known = one_line(", ".join(channel.name for channel in self.channels) or "none", 200)
        raise BadInput(f"{one_line(name, 60)!r} is not a channel of this session; it has {known}")

    def _between(self, connection: sqlite3.Connection, since: float, until: float) -> tuple[int, int]:
        """Return numbers between which the readings from `since` to `until` are, and some others."""
        known = self._places.get((since, until))
        if known is not None:
            return known
        first = 0 if since <= 0 else first_reading_at(connection, since - _OVERTAKE)
        last = 2**62 if until > self.duration + 60.0 else first_reading_at(connection, until + _OVERTAKE)
        if not self.is_recorded_still and len(self._places) < _MOST_PLACES:
            self._places[since, until] = first, last
        return first, last

    def _all(self, of: Any) -> tuple[Any, ...]:
        with self._look() as connection:
            rows: TableReader[Any] | None = of(TableReaders(connection, self.info))
            found: list[Any] = []
            while rows is not None and len(found) < _MOST and (part := rows.after_last(connection, _AT_ONCE)):
                found += part
        return tuple(sorted(found, key=lambda one: one.time))

    def _rows(self, statement: str) -> list[tuple[Any, ...]]:
        if self.info.layout < 2:
            return []
        with self._look() as connection:
            return connection.execute(statement).fetchall()


def sha256_of(bench: Bench) -> str:
    """Return the hash of a bench file's text."""
    return hashlib.sha256(bench.source.encode()).hexdigest()
