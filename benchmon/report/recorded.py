"""A recorded session as arrays and records, for reports, comparisons, exports and notebooks.

It holds nothing open: every question is one look into the file. So a session that is still recorded can be asked, and
tells what it has come to. Rows that make no sense are passed over, as everywhere a session is read.
"""

from __future__ import annotations

import hashlib
import math
import sqlite3
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Self, TypeVar

from benchmon.bench import Bench, Channel
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.prediction.result import Expected
from benchmon.report.counting import MOST_CHANNELS, counts_of_states
from benchmon.report.readings import Readings, expectations_between, readings_of
from benchmon.session.bands import first_reading_at
from benchmon.session.database import reading
from benchmon.session.records import BenchChange, Timed
from benchmon.session.rows import number_of, read_ending, read_identities, read_info, session_time
from benchmon.session.schema import decode_state, to_microseconds
from benchmon.session.told_rows import Told, ToldRows
from benchmon.session.trends import Trends
from benchmon.session.view import Part, RecorderState, SessionInfo
from benchmon.text import one_line
from benchmon.watch.plan import powered_above
from benchmon.watch.records import Event, Explanations, Flag, Forecast, Verdict, Waveform

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
        self._powered: dict[int, frozenset[int]] = {}
        known = {channel.name: channel for channel in self.info.bench.channel}
        self.numbers: dict[int, Channel] = {
            number: known[name] for number, name in rows if isinstance(number, int) and name in known
        }

    def with_data(self) -> Self:
        """Return this session. Raises `BadInput` where no channel ever gave a reading: nothing can be made of it."""
        with reading(self.path) as connection:
            if connection.execute("SELECT 1 FROM readings WHERE typeof(value) = 'real' LIMIT 1").fetchone():
                return self
        name = one_line(self.path, 300)
        raise BadInput(f"{name}: holds no readings; `benchmon replay --headless {name}` tells why")

    @property
    def bench(self) -> Bench:
        """The bench with which the recording began."""
        return self.info.bench

    @cached_property
    def benches(self) -> tuple[BenchChange, ...]:
        """The edited bench files that came into force while it was recorded, by time."""
        return self._all(lambda told: told.benches)

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
        with reading(self.path) as connection:
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

    def trend(self, channel: str, parts: int = 400, since: float = 0.0, until: float | None = None) -> Sequence[Part]:
        """Return lowest, highest and mean reading of `channel` over `parts` equal parts of the session."""
        self._numbered(channel)
        end = self.duration if until is None else until
        with reading(self.path) as connection:
            trends = Trends(connection, self.bench, self.info.layout)
            return trends.trend(connection, channel, since, end, parts) if end > since else ()

    def powered_parts(self, parts: int) -> frozenset[int]:
        """Return which of so many equal parts of the session had mains, by the channel that reads it; else all."""
        mains = next((channel for channel in self.channels if channel.quantity == "mains.voltage.rms"), None)
        if mains is None:
            return frozenset(range(parts))
        least = powered_above(self.bench)
        if parts not in self._powered:
            found = enumerate(self.trend(mains.name, parts))
            on = (at for at, part in found if part.lowest is not None and part.lowest > least)
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
        with reading(self.path) as connection:
            trends = Trends(connection, self.bench, self.info.layout)
            return trends.band(connection, channel, 0.0, self.duration, parts) if self.duration > 0 else ()

    @cached_property
    def events(self) -> tuple[Event, ...]:
        """Everything that happened, by time."""
        return self._all(lambda told: told.events)

    @property
    def notes(self) -> tuple[Event, ...]:
        """What operators noted."""
        return tuple(event for event in self.events if event.kind == EventKind.NOTE)

    @cached_property
    def explanations(self) -> tuple[Explanations, ...]:
        """The ranked causes, each from its time on."""
        return self._all(lambda told: told.explanations)

    @cached_property
    def forecasts(self) -> tuple[Forecast, ...]:
        """Where channels were heading, each from its time on."""
        return self._all(lambda told: told.forecasts)

    @cached_property
    def waveforms(self) -> tuple[Waveform, ...]:
        """The latest captured wave of each channel, by time."""
        return self.waveforms_until(math.inf)

    def waveforms_until(self, until: float) -> tuple[Waveform, ...]:
        """Return the latest wave that each channel had captured at a session time, by time."""
        with reading(self.path) as connection:
            rows = Told(connection, self.info).waveforms
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
        raise BadInput(f"{one_line(name, 60)!r} is no channel of this session; it has {known}")

    def _between(self, connection: sqlite3.Connection, since: float, until: float) -> tuple[int, int]:
        """Return numbers between which the readings from `since` to `until` are, and some others."""
        first = 0 if since <= 0 else first_reading_at(connection, since - _OVERTAKE)
        last = 2**62 if until > self.duration + 60.0 else first_reading_at(connection, until + _OVERTAKE)
        return first, last

    def _all(self, of: Any) -> tuple[Any, ...]:
        with reading(self.path) as connection:
            rows: ToldRows[Any] | None = of(Told(connection, self.info))
            found: list[Any] = []
            while rows is not None and len(found) < _MOST and (part := rows.after_last(connection, _AT_ONCE)):
                found += part
        return tuple(sorted(found, key=lambda one: one.time))

    def _rows(self, statement: str) -> list[tuple[Any, ...]]:
        if self.info.layout < 2:
            return []
        with reading(self.path) as connection:
            return connection.execute(statement).fetchall()


def sha256_of(bench: Bench) -> str:
    """Return the hash of a bench file's text."""
    return hashlib.sha256(bench.source.encode()).hexdigest()
