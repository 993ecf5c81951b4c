"""What else a session tells beside its readings: events, explanations, forecasts, waves, identities with their times.

Each has a table of its own whose rows rise with time. A row that makes no sense is passed over, never believed.
"""

from __future__ import annotations

import json
import math
import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import Any, ClassVar, Generic, TypeVar

from benchmon.bench import Bench, read_bench
from benchmon.errors import BenchFileError
from benchmon.event_kinds import LASTING_KINDS, read_kind
from benchmon.session.predictions import SettledPrediction, StepPrediction, decode_prediction
from benchmon.session.records import BenchChange, Timed
from benchmon.session.rows import TableRows, number_of, session_time
from benchmon.session.view import SessionInfo
from benchmon.session.waveform_blobs import PackedWaveform, unpack
from benchmon.text import one_line
from benchmon.watch.edits import edits_between
from benchmon.watch.records import Event, Explanation, Explanations, Forecast, Waveform

_MOST_CAUSES, _MOST_CHANNELS = 100, 1000
_LONGEST_JSON = 200_000
_MOST_KEPT = 2000
_MOST_STEPS = 10_000
_WITH_BENCHES = 3
"""The first layout that tells of edited bench files."""
_WITH_PREDICTIONS = 4
"""The first layout that keeps what the bench settles at."""

T = TypeVar("T", bound=Timed)


class ToldRows(ABC, Generic[T]):
    """The rows of one table in the order they were written; remembers where it is."""

    table: ClassVar[str]
    columns: ClassVar[str]

    def __init__(self) -> None:
        self._rows = TableRows(self.table, f"time, {self.columns}")

    def after_last(self, connection: sqlite3.Connection, limit: int) -> list[T]:
        """Return what the next rows tell, `limit` rows at most."""
        return self._told(self._rows.after_last(connection, limit))

    def of_number(self, connection: sqlite3.Connection, number: int) -> T | None:
        """Return what the row of this id tells, None where it is not there or makes no sense."""
        row = connection.execute(
            f"SELECT id, time, {self.columns} FROM {self.table} WHERE id = ?",  # noqa: S608
            (number,),
        ).fetchall()
        return next(iter(self._told(row)), None)

    def skip_to_latest(self, connection: sqlite3.Connection, count: int) -> int:
        """Pass over all rows but the latest `count`; return how many were passed over."""
        newest = connection.execute(f"SELECT max(id) FROM {self.table}").fetchone()[0]  # noqa: S608
        skipped = max(0, newest - count - self._rows.last) if isinstance(newest, int) else 0
        self._rows.last += skipped
        return skipped

    def _told(self, rows: Sequence[tuple[Any, ...]]) -> list[T]:
        timed = ((session_time(row[1]), row[2:]) for row in rows)
        told = (self._make(time, rest) for time, rest in timed if time is not None)
        return [one for one in told if one is not None]

    @abstractmethod
    def _make(self, time: float, row: tuple[Any, ...]) -> T | None:
        """Return what a row tells, None where it makes no sense."""


class EventRows(ToldRows[Event]):
    """The events of a session, as plain text of one line each."""

    table, columns = "events", "channel, kind, message"

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
        kept = self._told(rows[::-1])
        return kept, skipped - len(kept)

    def _make(self, time: float, row: tuple[Any, ...]) -> Event:
        channel, kind, message = row
        return Event(time, one_line(channel, 40), read_kind(one_line(kind, 40)), one_line(message, 1000))


class BenchRows(ToldRows[BenchChange]):
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
        return None if edits_between(self._bench, bench).anew else BenchChange(time, bench)


class ExplanationRows(ToldRows[Explanations]):
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


def _cause(told: object) -> Explanation | None:
    match told:
        case [str(cause), (int() | float()) as likelihood, str(message), [*channels]] if 0 <= likelihood <= 1:
            names = tuple(one_line(name, 40) for name in channels[:_MOST_CHANNELS])
            return Explanation(one_line(cause, 200), float(likelihood), one_line(message, 1000), names)
    return None


class _ChannelRows(ToldRows[T]):
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


class SettledRows(ToldRows[SettledPrediction]):
    """What the bench settles at, as it is measured."""

    table, columns = "settled", "problem, prediction, waves"

    def _make(self, time: float, row: tuple[Any, ...]) -> SettledPrediction | None:
        prediction, problem = decode_prediction(row[1], row[2]), one_line(row[0], 400)
        return SettledPrediction(time, prediction, problem) if prediction is not None or problem else None


class StepPredictionRows(ToldRows[StepPrediction]):
    """What the bench settles at in each step of its plan."""

    table, columns = "step_predictions", "step, problem, prediction"

    def _make(self, time: float, row: tuple[Any, ...]) -> StepPrediction | None:
        step, problem, prediction = row[0], one_line(row[1], 400), decode_prediction(row[2])
        makes_sense = isinstance(step, int) and 1 <= step <= _MOST_STEPS and (prediction is not None or problem)
        return StepPrediction(time, step, prediction, problem) if makes_sense else None


class Told:
    """All that a session tells beside its readings; a session of an old layout tells less."""

    def __init__(self, connection: sqlite3.Connection, info: SessionInfo) -> None:
        is_old = info.layout < 2
        self.events = EventRows()
        self.benches = BenchRows(info.bench) if info.layout >= _WITH_BENCHES else None
        self.explanations = None if is_old else ExplanationRows()
        self.forecasts = None if is_old else ForecastRows(connection, info.bench)
        self.waveforms = None if is_old else WaveformRows(connection, info.bench)
        keeps_predictions = info.layout >= _WITH_PREDICTIONS
        self.settled = SettledRows() if keeps_predictions else None
        self.steps = StepPredictionRows() if keeps_predictions else None

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
