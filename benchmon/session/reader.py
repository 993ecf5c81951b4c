"""Reading the rows of a session file as what they mean.

Readings, and beside them events, causes, forecasts, waveforms, predictions and identities, each from a table whose rows
rise with time. A row of the wrong kind or without sense is skipped, never believed.
"""

from __future__ import annotations

import json
import math
import operator
import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, ClassVar, Generic, TypeVar

from benchmon.bench import Bench, Channel, read_bench
from benchmon.errors import BenchFileError, SessionFileError
from benchmon.event_kinds import LASTING_KINDS, EventKind, read_kind
from benchmon.quantities import Expected
from benchmon.session.database import check_is_session, display_path, reading
from benchmon.session.encodings import PackedWaveform, decode_details, decode_prediction, details_of_old, unpack
from benchmon.session.recorder_lock import Beat, is_beating
from benchmon.session.records import BenchChange, RecorderState, SessionInfo, SettledPrediction, StepPrediction, Timed
from benchmon.session.schema import SPANS, decode_state, number_of, session_time
from benchmon.text import one_line
from benchmon.watch.bench_changes import changes_between
from benchmon.watch.records import Event, Explanation, Explanations, Forecast, Judgement, Waveform
from benchmon.watch.verdict import judgement_of

OLD_AFTER = 1.0
"""Seconds by which a session file may be behind the heartbeat of its recorder, which beats four times a second."""
_LATEST_START = 1e11
_MOST_NAMES = 10_000


@dataclass(frozen=True, slots=True)
class Ending:
    """How far a session has come: its last known time in seconds, whether a recorder still writes, and its trouble.

    `lag` is by how many seconds the file is behind its recorder.
    """

    time: float
    state: RecorderState
    trouble: str = ""
    lag: float = 0.0


def read_info(connection: sqlite3.Connection, path: Path) -> SessionInfo:
    """Return what does not change in a session. Raises `SessionFileError` where the file is none or is damaged."""
    layout = check_is_session(connection, path)
    row = connection.execute("SELECT bench, started, program_version FROM session").fetchone()
    if row is None or not isinstance(row[0], str):
        raise SessionFileError(f"{display_path(path)}: is damaged: it does not say which bench it is of")
    try:
        bench = _bench_of(row[0], f"{display_path(path)}, its bench file")
    except BenchFileError as problem:
        raise SessionFileError(str(problem)) from problem
    started = number_of(row[1], _LATEST_START)
    began = 0.0 if started is None else started
    facts = _test_facts(connection) if layout >= 2 else {}
    return SessionInfo(
        str(path),
        bench,
        began,
        one_line(row[2], 40),
        layout,
        layout >= _WITH_PREDICTIONS,
        facts.get("serial", ""),
        facts.get("operator", ""),
        "guess" in facts,
    )


def _bench_of(text: str, origin: str) -> Bench:
    """Return the bench of a session. Raises `BenchFileError`, with the `origin` of the text, where it is none."""
    try:
        return _bench_once(text).of_origin(origin)
    except BenchFileError:
        return read_bench(text, origin)


@lru_cache(maxsize=4)
def _bench_once(text: str) -> Bench:
    """Return a bench, read once: the sessions of a batch all hold the same text."""
    return read_bench(text)


def _test_facts(connection: sqlite3.Connection) -> dict[str, str]:
    """Return which unit was tested and by whom, as far as the session says, and whether it is guessed first."""
    rows = connection.execute("SELECT name, text FROM facts WHERE name IN ('serial', 'operator', 'guess')")
    return {name: one_line(text, 200) for name, text in rows if isinstance(text, str)}


def has_tripped(path: Path) -> bool:
    """Return whether a limit tripped in the session at `path`. Raises `SessionFileError`."""
    with reading(path) as connection:
        row = connection.execute("SELECT 1 FROM events WHERE kind = ? LIMIT 1", (str(EventKind.TRIPPED),)).fetchone()
    return row is not None


def read_ending(connection: sqlite3.Connection, beat: Beat | None = None) -> Ending:
    """Return how far the session has come. `beat` is its recorder's last heartbeat outside the file, if known."""
    row = connection.execute("SELECT finished FROM session").fetchone()
    finished = None if row is None else session_time(row[0])
    if finished is not None:
        return Ending(finished, RecorderState.FINISHED)
    row = connection.execute("SELECT time, monotonic, boot FROM heartbeat").fetchone() or (None, None, None)
    time, monotonic = session_time(row[0]) or 0.0, number_of(row[1])
    if beat is not None and beat.is_recent:
        lag = max(0.0, beat.time - time)
        behind = f"the session file is {lag:.0f} s behind its recorder" if lag > OLD_AFTER else ""
        return Ending(max(time, beat.time), RecorderState.RECORDING, beat.trouble or behind, lag)
    beating = monotonic is not None and is_beating(monotonic, str(row[2]))
    return Ending(time, RecorderState.RECORDING if beating else RecorderState.GONE)


def read_beacon_path(connection: sqlite3.Connection, info: SessionInfo) -> Path | None:
    """Return where the recorder of this session has its beacon."""
    row = None
    if info.layout >= 2:
        row = connection.execute("SELECT text FROM facts WHERE name = 'beacon'").fetchone()
    return Path(row[0]) if row is not None and isinstance(row[0], str) else None


def read_identities(connection: sqlite3.Connection, bench: Bench) -> dict[str, str]:
    """Return what each instrument called itself when it was reached, so far."""
    rows = connection.execute("SELECT name, identity FROM instruments LIMIT ?", (_MOST_NAMES,)).fetchall()
    named = {name: one_line(identity) for name, identity in rows if isinstance(identity, str) and identity}
    return {instrument.name: named[instrument.name] for instrument in bench.instrument if instrument.name in named}


class TableRows:
    """The rows of one table in the order of their numbers, `id`, read some at a time; remembers where it is.

    `columns` are read beside the number, of rows for which the condition `where` holds.
    """

    def __init__(self, table: str, columns: str, where: str = "1") -> None:
        self._statement = f"SELECT id, {columns} FROM {table} WHERE id > ? AND {where} ORDER BY id LIMIT ?"  # noqa: S608
        self.last = 0

    def after_last(self, connection: sqlite3.Connection, limit: int, *parameters: object) -> list[tuple[Any, ...]]:
        """Return the next rows, `limit` at most, `parameters` being those of the condition; none at the end.

        Raises `sqlite3.DatabaseError` where the numbers do not rise: a damaged tree of SQLite can lead in circles.
        """
        rows = connection.execute(self._statement, (self.last, *parameters, limit)).fetchall()
        if rows:
            numbers = [row[0] for row in rows]
            if numbers[0] <= self.last or any(map(operator.ge, numbers, numbers[1:])):
                raise sqlite3.DatabaseError("it is damaged, its rows are out of order")
            self.last = numbers[-1]
        return rows


class JudgementRows:
    """The readings of a session beside what was expected, in the order they were judged; remembers where it is."""

    def __init__(self, connection: sqlite3.Connection, bench: Bench) -> None:
        by_name = {channel.name: channel for channel in bench.channel}
        rows = connection.execute("SELECT id, name FROM channels LIMIT ?", (_MOST_NAMES,)).fetchall()
        self._channels: dict[Any, Channel] = {number: by_name[name] for number, name in rows if name in by_name}
        self._changes: list[tuple[float, dict[str, Channel]]] = []
        self._expected: dict[Any, Expected | None] = {}
        self._rows = TableRows("readings", "channel, time, value, state")

    @property
    def rows(self) -> TableRows:
        """The rows of the readings, and where in them this is."""
        return self._rows

    def take(self, changes: Iterable[BenchChange]) -> None:
        """Take edited bench files, in the order of their times: a reading is judged by the one that was in force."""
        self._changes += [(one.time, {channel.name: channel for channel in one.bench.channel}) for one in changes]

    def start_at(self, connection: sqlite3.Connection, reading: int) -> list[Judgement]:
        """Pass over all readings before number `reading`; return the last of every channel among them."""
        found = (self._last_before(connection, number, reading) for number in self._channels)
        self._rows.last = reading - 1
        return [judgement for judgement in found if judgement is not None]

    def _last_before(self, connection: sqlite3.Connection, channel: Any, reading: int) -> Judgement | None:
        summary = connection.execute(
            "SELECT last_reading, from_reading FROM summaries"
            " WHERE channel = ? AND span = ? AND last_reading < ? ORDER BY number DESC LIMIT 1",
            (channel, SPANS[0], reading),
        ).fetchone()
        if summary is None:
            return None
        expected = connection.execute(
            "SELECT value, uncertainty FROM expectations"
            " WHERE from_reading >= ? AND from_reading < ? AND channel = ? ORDER BY from_reading DESC LIMIT 1",
            (summary[1] or 0, reading, channel),
        ).fetchone()
        if expected is not None:
            value, uncertainty = expected
            self._expected[channel] = _expected(value, uncertainty, self._channels[channel].unit)
        row = connection.execute(
            "SELECT id, channel, time, value, state FROM readings WHERE id = ? AND channel = ?", (summary[0], channel)
        ).fetchone()
        return None if row is None else self._judgement(row, {})

    def after_last(self, connection: sqlite3.Connection, limit: int) -> tuple[list[Judgement], bool]:
        """Return the next judgements, at most about `limit`, and whether there may be more."""
        before = self._rows.last
        rows = self._rows.after_last(connection, limit)
        if not rows:
            return [], False
        expectations = self._expectations_between(connection, before, self._rows.last, limit)
        found = (self._judgement(row, expectations) for row in rows)
        return [judgement for judgement in found if judgement is not None], len(rows) == limit

    def _expectations_between(
        self, connection: sqlite3.Connection, after: int, up_to: int, limit: int
    ) -> dict[Any, Any]:
        rows = connection.execute(
            "SELECT from_reading, value, uncertainty FROM expectations"
            " WHERE from_reading > ? AND from_reading <= ? LIMIT ?",
            (after, up_to, limit),
        )
        return {reading: (value, uncertainty) for reading, value, uncertainty in rows}

    def _judgement(self, row: tuple[Any, ...], expectations: dict[Any, Any]) -> Judgement | None:
        number, channel_number, stored_time, stored_value, state = row
        channel, time = self._channels.get(channel_number), session_time(stored_time)
        if channel is None or time is None or not isinstance(state, int):
            return None
        in_force = next((channels for since, channels in reversed(self._changes) if since <= time), {})
        channel = in_force.get(channel.name, channel)
        if number in expectations:
            expected, uncertainty = expectations[number]
            self._expected[channel_number] = _expected(expected, uncertainty, channel.unit)
        value = stored_value if isinstance(stored_value, float) else None
        verdict, flags = decode_state(state)
        judgement = judgement_of(channel, time, value, self._expected.get(channel_number), flags)
        # What was judged then stands, whatever today's rules would say.
        return judgement if judgement.verdict is verdict else replace(judgement, verdict=verdict)


def _expected(value: object, uncertainty: object, unit: str) -> Expected | None:
    if isinstance(value, float) and isinstance(uncertainty, float) and math.isfinite(value) and uncertainty >= 0:
        return Expected(value, uncertainty, unit)
    return None


_MOST_CAUSES, _MOST_CHANNELS = 100, 1000
_LONGEST_JSON = 200_000
_MOST_KEPT = 2000
_MOST_STEPS = 10_000
_WITH_BENCHES, _WITH_PREDICTIONS, _WITH_DETAILS = 3, 4, 5
"""The first layouts that hold edited bench files, settled predictions, and details of events."""
_DETAILS = "(SELECT details FROM event_details WHERE event = events.id)"

T = TypeVar("T", bound=Timed)


class TableReader(ABC, Generic[T]):
    """The rows of one table in the order they were written; remembers where it is."""

    table: ClassVar[str]
    columns: str

    def __init__(self) -> None:
        self._rows = TableRows(self.table, f"time, {self.columns}")

    def after_last(self, connection: sqlite3.Connection, limit: int) -> list[T]:
        """Return the records of the next rows, `limit` rows at most. Raises `sqlite3.Error` as `TableRows` does."""
        return self._records(self._rows.after_last(connection, limit))

    @property
    def rows(self) -> TableRows:
        """The rows of the table, and where in them this is."""
        return self._rows

    def is_behind(self, newest: int) -> bool:
        """Return whether there are rows after the last one read, up to the number `newest`."""
        return newest > self._rows.last

    def of_number(self, connection: sqlite3.Connection, number: int) -> T | None:
        """Return the record of the row with this id, None where there is none or it makes no sense."""
        row = connection.execute(
            f"SELECT id, time, {self.columns} FROM {self.table} WHERE id = ?",  # noqa: S608
            (number,),
        ).fetchall()
        return next(iter(self._records(row)), None)

    def skip_to_latest(self, connection: sqlite3.Connection, count: int) -> int:
        """Pass over all rows but the latest `count`; return how many were passed over."""
        newest = connection.execute(f"SELECT max(id) FROM {self.table}").fetchone()[0]  # noqa: S608
        skipped = max(0, newest - count - self._rows.last) if isinstance(newest, int) else 0
        self._rows.last += skipped
        return skipped

    def _records(self, rows: Sequence[tuple[Any, ...]]) -> list[T]:
        timed = ((session_time(row[1]), row[2:]) for row in rows)
        records = (self._make(time, rest) for time, rest in timed if time is not None)
        return [record for record in records if record is not None]

    @abstractmethod
    def _make(self, time: float, row: tuple[Any, ...]) -> T | None:
        """Return the record of a row, None where it makes no sense."""


class EventRows(TableReader[Event]):
    """The events of a session, as plain text of one line each."""

    table, columns = "events", "channel, kind, message"

    def __init__(self, info: SessionInfo) -> None:
        layout = info.layout
        self._steps = None if layout >= _WITH_DETAILS else [step.name for step in info.bench.step]
        self.columns = f"{type(self).columns}, {_DETAILS if layout >= _WITH_DETAILS else 'NULL'}"
        super().__init__()

    def skip_to_latest_of(
        self, connection: sqlite3.Connection, count: int, kinds: Sequence[str]
    ) -> tuple[list[Event], int]:
        """Pass over all rows but the latest `count`; return those of `kinds` among them, and how many others."""
        before = self._rows.last
        skipped = self.skip_to_latest(connection, count)
        marks = ", ".join("?" * len(kinds))
        rows = connection.execute(
            f"SELECT id, time, {self.columns} FROM events WHERE id > ? AND id <= ? AND kind IN ({marks})"  # noqa: S608
            " ORDER BY id DESC LIMIT ?",
            (before, self._rows.last, *kinds, _MOST_KEPT),
        ).fetchall()
        kept = self._records(rows[::-1])
        return kept, skipped - len(kept)

    def _make(self, time: float, row: tuple[Any, ...]) -> Event:
        channel, kind, message, details = row
        known, words = read_kind(one_line(kind, 40)), one_line(message, 1000)
        facts = decode_details(details) if self._steps is None else details_of_old(known, words, self._steps)
        return Event(time, one_line(channel, 40), known, words, facts)


class BenchRows(TableReader[BenchChange]):
    """The edited bench files that came into force. One that cannot have done so is passed over."""

    table, columns = "benches", "bench"

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self._bench = bench

    def _make(self, time: float, row: tuple[Any, ...]) -> BenchChange | None:
        if not isinstance(row[0], str):
            return None
        try:
            bench = read_bench(row[0], self._bench.origin)
        except BenchFileError:
            return None
        return None if changes_between(self._bench, bench).needs_new_recording else BenchChange(time, bench)


class ExplanationRows(TableReader[Explanations]):
    """The ranked causes of a session."""

    table, columns = "explanations", "ranked"

    def _make(self, time: float, row: tuple[Any, ...]) -> Explanations | None:
        if not isinstance(row[0], str) or len(row[0]) > _LONGEST_JSON:
            return None
        try:
            ranked = json.loads(row[0])
        except (ValueError, RecursionError):
            return None
        causes = [_cause(one) for one in ranked[:_MOST_CAUSES]] if isinstance(ranked, list) else [None]
        if None in causes:
            return None
        return Explanations(time, tuple(cause for cause in causes if cause is not None))


def _cause(stored: object) -> Explanation | None:
    match stored:
        case [str(cause), (int() | float()) as likelihood, str(message), [*channels], *more] if 0 <= likelihood <= 1:
            names = tuple(one_line(name, 40) for name in channels[:_MOST_CHANNELS])
            # Versions before wrote neither evidence nor advice.
            evidence, advice = (one_line(each, 1000) for each in (*more, "", "")[:2])
            return Explanation(
                one_line(cause, 200), float(likelihood), one_line(message, 1000), names, evidence, advice
            )
    return None


class _ChannelRows(TableReader[T]):
    """Rows that are of a channel, the first of their columns."""

    def __init__(self, connection: sqlite3.Connection, bench: Bench) -> None:
        super().__init__()
        known = {channel.name for channel in bench.channel}
        rows = connection.execute("SELECT id, name FROM channels LIMIT ?", (_MOST_CHANNELS,)).fetchall()
        self._names: dict[Any, str] = {number: name for number, name in rows if name in known}


class ForecastRows(_ChannelRows[Forecast]):
    """Where channels are heading."""

    table, columns = "forecasts", "channel, state, rate, final, uncertainty, to_limit, earliest, latest"

    def _make(self, time: float, row: tuple[Any, ...]) -> Forecast | None:
        number, state, *numbers = row
        name = self._names.get(number)
        if name is None:
            return None
        rate, final, uncertainty, to_limit, earliest, latest = (number_of(each) for each in numbers)
        return Forecast(name, time, one_line(state, 40), rate, final, uncertainty, to_limit, earliest, latest)


class WaveformRows(_ChannelRows[Waveform]):
    """Captured waves."""

    table, columns = "waveforms", "channel, unit, count, first, step, times, samples"

    def _make(self, time: float, row: tuple[Any, ...]) -> Waveform | None:
        number, unit, count, *rest = row
        name = self._names.get(number)
        match (count, *rest):
            case (int(), float(first), float(step), bytes(), bytes()) if math.isfinite(first) and 0 <= step < math.inf:
                arrays = unpack(PackedWaveform(count, *rest))
                if name is not None and arrays is not None:
                    return Waveform(name, time, *arrays, one_line(unit, 20))
        return None


class SettledRows(TableReader[SettledPrediction]):
    """What the bench settles at, as it is measured."""

    table, columns = "settled", "problem, prediction, waves"

    def _make(self, time: float, row: tuple[Any, ...]) -> SettledPrediction | None:
        prediction, problem = decode_prediction(row[1], row[2]), one_line(row[0], 400)
        return SettledPrediction(time, prediction, problem) if prediction is not None or problem else None


class StepPredictionRows(TableReader[StepPrediction]):
    """What the bench settles at in each step of its plan."""

    table, columns = "step_predictions", "step, problem, prediction"

    def _make(self, time: float, row: tuple[Any, ...]) -> StepPrediction | None:
        step, problem, prediction = row[0], one_line(row[1], 400), decode_prediction(row[2])
        makes_sense = isinstance(step, int) and 1 <= step <= _MOST_STEPS and (prediction is not None or problem)
        return StepPrediction(time, step, prediction, problem) if makes_sense else None


class TableReaders:
    """The tables of a session beside its readings, None for those that its layout has not."""

    def __init__(self, connection: sqlite3.Connection, info: SessionInfo) -> None:
        is_old = info.layout < 2
        self.events = EventRows(info)
        self.benches = BenchRows(info.bench) if info.layout >= _WITH_BENCHES else None
        self.explanations = None if is_old else ExplanationRows()
        self.forecasts = None if is_old else ForecastRows(connection, info.bench)
        self.waveforms = None if is_old else WaveformRows(connection, info.bench)
        keeps_predictions = info.layout >= _WITH_PREDICTIONS
        self.settled = SettledRows() if keeps_predictions else None
        self.steps = StepPredictionRows() if keeps_predictions else None

        grows = (self.events, self.benches, self.explanations, self.forecasts, self.waveforms, self.settled, self.steps)
        readers = [reader for reader in grows if reader is not None]
        self.rows = [reader.rows for reader in readers]
        tables = (reader.table for reader in readers)
        newest = (f"SELECT '{table}', ifnull(max(id), 0) FROM {table}" for table in tables)  # noqa: S608
        self._newest = " UNION ALL ".join(newest)

    def newest(self, connection: sqlite3.Connection) -> dict[str, int]:
        """Return the number of the newest row of every table, 0 where it has none."""
        return dict(connection.execute(self._newest).fetchall())

    def skip_to_recent(self, connection: sqlite3.Connection, count: int) -> tuple[list[Event], int]:
        """Pass over all but the latest `count` events and forecasts.

        Return the earlier events that still count, and how many others were passed over.
        """
        if self.forecasts is not None:
            self.forecasts.skip_to_latest(connection, count)
        return self.events.skip_to_latest_of(connection, count, LASTING_KINDS)

    def skip_what_is_past(self, connection: sqlite3.Connection, waves: int) -> None:
        """Pass over explanations and predictions that no longer stand, and over all but the latest `waves`."""
        if self.explanations is not None:
            self.explanations.skip_to_latest(connection, 1)
        if self.waveforms is not None:
            self.waveforms.skip_to_latest(connection, waves)
        if self.settled is not None:
            self.settled.skip_to_latest(connection, 1)
