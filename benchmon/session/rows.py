"""Reading the rows of a session file as what they mean. A row of the wrong kind is passed over, never believed."""

from __future__ import annotations

import math
import operator
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from benchmon.bench import Bench, Channel, read_bench
from benchmon.errors import BenchFileError, SessionFileError
from benchmon.quantities import Expected
from benchmon.session.beacon import Beat
from benchmon.session.database import check_is_session, shown
from benchmon.session.heartbeat import is_beating
from benchmon.session.records import BenchChange
from benchmon.session.schema import decode_state, to_seconds
from benchmon.session.summing import SPANS
from benchmon.session.view import RecorderState, SessionInfo
from benchmon.text import one_line
from benchmon.watch.agreement import judgement_of
from benchmon.watch.records import Judgement

_LONGEST = 400 * 86_400 * 1_000_000
"""Microseconds beyond which a time is nonsense."""
_LATEST_START = 1e11
_MOST_NAMES = 10_000


@dataclass(frozen=True, slots=True)
class Ending:
    """How far a session has come: its last known time in seconds, whether a recorder still writes, and its trouble."""

    time: float
    state: RecorderState
    trouble: str = ""


def read_info(connection: sqlite3.Connection, path: Path) -> SessionInfo:
    """Return what does not change in a session. Raises `SessionFileError` where the file is none or is damaged."""
    layout = check_is_session(connection, path)
    row = connection.execute("SELECT bench, started, program_version FROM session").fetchone()
    if row is None or not isinstance(row[0], str):
        raise SessionFileError(f"{shown(path)}: is damaged: it does not say which bench it is of")
    try:
        bench = read_bench(row[0], f"{shown(path)}, its bench file")
    except BenchFileError as problem:
        raise SessionFileError(str(problem)) from problem
    started = number_of(row[1], _LATEST_START)
    return SessionInfo(str(path), bench, 0.0 if started is None else started, one_line(row[2], 40), layout)


def read_ending(connection: sqlite3.Connection, beat: Beat | None = None) -> Ending:
    """Return how far the session has come. `beat` is what its recorder last said otherwise, where that is known."""
    row = connection.execute("SELECT finished FROM session").fetchone()
    finished = None if row is None else session_time(row[0])
    if finished is not None:
        return Ending(finished, RecorderState.FINISHED)
    row = connection.execute("SELECT time, monotonic, boot FROM heartbeat").fetchone() or (None, None, None)
    time, monotonic = session_time(row[0]) or 0.0, number_of(row[1])
    if beat is not None and beat.is_recent:
        return Ending(max(time, beat.time), RecorderState.RECORDING, beat.trouble)
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


def session_time(stored: object) -> float | None:
    """Return a stored time in seconds, None where it is none."""
    return to_seconds(stored) if isinstance(stored, int) and 0 <= stored <= _LONGEST else None


def number_of(stored: object, largest: float = math.inf) -> float | None:
    """Return a stored number, None where it is none or is larger than `largest`."""
    return float(stored) if isinstance(stored, int | float) and abs(stored) <= largest else None
