"""A session as a plain SQLite database for other programs: readable names, seconds, and words instead of codes.

| table | columns |
| --- | --- |
| `session` | `name`, `text`: title, serial, operator, started (ISO 8601, UTC), duration_s, program, bench_sha256, bench |
| `benches` | the bench files that were in force, each from its time on: `from_s`, `sha256`, `bench`; `session` and `channels` are of the first |
| `steps` | the steps of the plan that were begun: `name`, `from_s`, `until_s` (NULL where it went on), `outcome` |
| `channels` | `name`, `quantity`, `unit`, `instrument`, `accuracy_relative`, `accuracy_absolute` |
| `readings` | `time_s`, `channel`, `value` (NULL where there was none, ±Inf over range), `expected`, `expected_uncertainty`, `verdict`, `flags` |
| `events` | `time_s`, `channel`, `kind`, `message` |
| `explanations` | `time_s`, `place` (1 is the likeliest), `cause`, `likelihood`, `message` |
| `forecasts` | `time_s`, `channel`, `state`, `rate`, `final`, `uncertainty`, `to_limit_s` |
| `waveforms` | the latest captured wave of each channel, a row a sample: `time_s` (of the capture), `channel`, `unit`, `sample_s`, `value` |
"""  # noqa: E501 - a table's line

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from benchmon.report.export.rows import Progress, StepSpans, parts_of, words_of_states
from benchmon.report.session_reader import RecordedSession, sha256_of
from benchmon.text import finite

_TABLES = """
CREATE TABLE session (name TEXT PRIMARY KEY, text TEXT);
CREATE TABLE benches (from_s REAL, sha256 TEXT, bench TEXT);
CREATE TABLE steps (name TEXT, from_s REAL, until_s REAL, outcome TEXT);
CREATE TABLE channels (name TEXT PRIMARY KEY, quantity TEXT, unit TEXT, instrument TEXT,
                       accuracy_relative REAL, accuracy_absolute REAL);
CREATE TABLE readings (time_s REAL, channel TEXT, value REAL, expected REAL, expected_uncertainty REAL,
                       verdict TEXT, flags TEXT);
CREATE TABLE events (time_s REAL, channel TEXT, kind TEXT, message TEXT);
CREATE TABLE explanations (time_s REAL, place INTEGER, cause TEXT, likelihood REAL, message TEXT);
CREATE TABLE forecasts (time_s REAL, channel TEXT, state TEXT, rate REAL, final REAL, uncertainty REAL,
                        to_limit_s REAL);
CREATE TABLE waveforms (time_s REAL, channel TEXT, unit TEXT, sample_s REAL, value REAL);
"""


def write_sqlite(session: RecordedSession, path: Path, progress: Progress | None = None) -> int:
    """Write a session as a plain database; return how many readings. Raises `OSError` where that cannot be."""
    path.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as out:
            # The file is new and beside its place: there is nothing to be rolled back to.
            out.execute("PRAGMA journal_mode = OFF")
            out.execute("PRAGMA synchronous = OFF")
            out.executescript(_TABLES)
            out.execute("BEGIN")
            _describe(session, out)
            written = 0
            for rows in _rows(session, progress):
                out.executemany("INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
                written += len(rows)
            out.execute("COMMIT")
            return written
    except sqlite3.OperationalError as problem:
        raise OSError(str(problem)) from problem


def _describe(session: RecordedSession, out: sqlite3.Connection) -> None:
    facts = {
        "title": session.bench.title,
        "serial": session.info.serial,
        "operator": session.info.operator,
        "started": session.started.isoformat(),
        "duration_s": repr(session.duration),
        "program": session.info.program_version,
        "bench_sha256": session.bench_sha256(),
        "bench": session.bench.source,
    }
    out.executemany("INSERT INTO session VALUES (?, ?)", facts.items())
    benches = [(one.time, sha256_of(one.bench), one.bench.source) for one in session.every_bench]
    out.executemany("INSERT INTO benches VALUES (?, ?, ?)", benches)
    steps = [(one.name, one.since, finite(one.until), one.outcome) for one in StepSpans(session).spans]
    out.executemany("INSERT INTO steps VALUES (?, ?, ?, ?)", steps)
    channels = [
        (one.name, one.quantity, one.unit, one.instrument, one.accuracy.relative, one.accuracy.absolute)
        for one in session.channels
    ]
    out.executemany("INSERT INTO channels VALUES (?, ?, ?, ?, ?, ?)", channels)
    events = [(event.time, event.channel, event.kind, event.message) for event in session.events]
    out.executemany("INSERT INTO events VALUES (?, ?, ?, ?)", events)
    explanations = [
        (one.time, place, cause.cause, cause.likelihood, cause.message)
        for one in session.explanations
        for place, cause in enumerate(one.ranked, 1)
    ]
    out.executemany("INSERT INTO explanations VALUES (?, ?, ?, ?, ?)", explanations)
    forecasts = [
        (one.time, one.channel, one.state, one.rate, one.final, one.uncertainty, one.to_limit)
        for one in session.forecasts
    ]
    out.executemany("INSERT INTO forecasts VALUES (?, ?, ?, ?, ?, ?, ?)", forecasts)
    for wave in session.waveforms:
        samples = zip(wave.times.tolist(), wave.values.tolist(), strict=True)
        rows = ((wave.time, wave.channel, wave.unit, at, value) for at, value in samples)
        out.executemany("INSERT INTO waveforms VALUES (?, ?, ?, ?, ?)", rows)


def _rows(session: RecordedSession, progress: Progress | None) -> Iterator[list[tuple[Any, ...]]]:
    words = words_of_states()
    names = {number: channel.name for number, channel in session.numbers.items()}
    expected: dict[int, tuple[float | None, float | None]] = dict.fromkeys(names, (None, None))
    for part in parts_of(session, progress):
        rows = []
        for number, channel, at, value, state in part.rows:
            if channel in names:
                if number in part.expectations:
                    expected[channel] = part.expectations[number]
                rows.append((at / 1e6, names[channel], value, *expected[channel], *words[state]))
        yield rows
