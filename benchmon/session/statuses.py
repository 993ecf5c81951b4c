"""The status of a bench as a session file keeps it, and as a reader takes it: stored, or derived where none is."""

from __future__ import annotations

import json
import math
import sqlite3
from dataclasses import asdict, replace
from typing import Any

from benchmon.bench import Bench
from benchmon.event_kinds import AlarmKind, read_kind
from benchmon.session.rows import session_time
from benchmon.session.schema import to_microseconds
from benchmon.session.view import RecorderState, Update
from benchmon.text import one_line
from benchmon.watch.glance import Glance, shown
from benchmon.watch.records import Event
from benchmon.watch.status import Alarm, BenchStatus, Finding, Level, StatusWatch, Subject

_FIRST_LAYOUT = 4
"""The first layout that keeps statuses."""
_LONGEST_JSON = 50_000
_MOST_ALARMS = 1000
_APART = ("time", "until", "level")
_STATES = tuple(map(str, RecorderState))


def encode_status(status: BenchStatus) -> str:
    """Return a status as JSON, without its times, its level and what is empty.

    >>> encode_status(BenchStatus(0.0, Level.WAITING, Finding.WAITING, silent=3))
    '{"finding": "waiting for readings", "state": "recording", "silent": 3}'
    """
    told = {name: value for name, value in asdict(status).items() if name not in _APART and value not in _EMPTY}
    return json.dumps(told, ensure_ascii=False)


_EMPTY: tuple[Any, ...] = (None, "", 0, ())


def _decode(time: float, until: float, level: object, told: object) -> BenchStatus | None:
    """Return the status that a row holds, None where it makes no sense."""
    if not isinstance(told, dict) or told.get("state") not in _STATES:
        return None
    try:
        finding = Finding(told.get("finding", ""))
        status = BenchStatus(time, Level(str(level)), finding, told["state"], until=max(time, until))
    except ValueError:
        return None
    alarms = told.get("alarms")
    found = [_alarm(each) for each in alarms[:_MOST_ALARMS]] if isinstance(alarms, list) else []
    return replace(
        status,
        about=_subject(told.get("about")),
        also=_subject(told.get("also")),
        limit_at=_number(told.get("limit_at")),
        surely=told.get("surely") is True,
        cause=one_line(told.get("cause") or "", 200),
        agreeing=_count(told.get("agreeing")),
        silent=_count(told.get("silent")),
        known=_count(told.get("known")),
        switching=_event(told.get("switching")),
        alarms=tuple(alarm for alarm in found if alarm is not None),
    )


def _subject(told: object) -> Subject | None:
    if not isinstance(told, dict) or not isinstance(told.get("channel"), str):
        return None
    value, expected, spread = (_number(told.get(name)) for name in ("value", "expected", "expected_uncertainty"))
    is_hot, others = told.get("is_hot") is True, _count(told.get("others"))
    return Subject(one_line(told["channel"], 40), value, expected, spread, is_hot, others)


def _alarm(told: object) -> Alarm | None:
    match told:
        case {"kind": str(kind), "channel": str(channel), "since": int() | float() as since, "value": value}:
            known = kind in set(AlarmKind)
            return Alarm(AlarmKind(kind), one_line(channel, 40), float(since), _number(value)) if known else None
    return None


def _event(told: object) -> Event | None:
    match told:
        case {"time": int() | float() as time, "kind": str(kind), "message": str(message)}:
            return Event(float(time), "", read_kind(one_line(kind, 40)), one_line(message, 1000))
    return None


def _number(told: object) -> float | None:
    return float(told) if isinstance(told, int | float) and not math.isnan(told) else None


def _count(told: object) -> int:
    return told if isinstance(told, int) and told >= 0 else 0


def read_status(connection: sqlite3.Connection, layout: int, at: float = math.inf) -> BenchStatus | None:
    """Return the status that was in force `at` a session time in seconds, by default the latest.

    None where none is stored, or it makes no sense.
    """
    if layout < _FIRST_LAYOUT:
        return None
    latest = connection.execute("SELECT max(id) FROM statuses").fetchone()[0]
    number = latest if at == math.inf else _number_at(connection, latest or 0, at)
    row = connection.execute("SELECT time, until, level, status FROM statuses WHERE id = ?", (number,)).fetchone()
    if row is None or not isinstance(row[3], str) or len(row[3]) > _LONGEST_JSON:
        return None
    time, until = session_time(row[0]), session_time(row[1])
    try:
        told = json.loads(row[3])
    except (ValueError, RecursionError):
        return None
    return None if time is None or until is None else _decode(time, until, row[2], told)


def _number_at(connection: sqlite3.Connection, latest: int, at: float) -> int:
    """Return the number of the last of `latest` rows that is from before or at a session time, 0 for none."""
    wanted, low, high = to_microseconds(at), 0, latest
    while low < high:
        middle = (low + high + 1) // 2
        row = connection.execute("SELECT time FROM statuses WHERE id = ?", (middle,)).fetchone()
        if row is not None and isinstance(row[0], int) and row[0] <= wanted:
            low = middle
        else:
            high = middle - 1
    return low


class StatusReader:
    """Gives the status of a session after each of its updates, as its recorder decided it.

    A session that holds none, of an old layout or judged by another bench, has it derived by the recorder's own rules.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._watch = StatusWatch(bench)
        self._now = 0.0
        self.status = self._watch.at(0.0)

    def take(self, update: Update) -> None:
        """Take what a poll brought."""
        if update.bench is not None:
            self._bench = update.bench
            self._watch.change(update.bench)
        self._now = update.now
        if update.status is not None:
            self.status = update.status.seen_in(str(update.state), update.now)
            return
        for judgement in update.judgements:
            self._watch.judgement(judgement)
        self._watch.events(update.events)
        for forecast in update.forecasts:
            self._watch.forecast(forecast)
        if update.explanations is not None:
            self._watch.explanations(update.explanations)
        self.status = self._watch.at(update.now, str(update.state))

    @property
    def glance(self) -> Glance:
        """Return the status in words, with its age where nothing has confirmed it for long."""
        return shown(self.status, self._bench, self._now)
