"""How each kind of record becomes rows of the session file.

Summaries are made as readings come: the least, the greatest and the mean reading of every 10 s and of every 5 min.
"""

from __future__ import annotations

import getpass
import hashlib
import json
import math
import os
import platform
import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import singledispatchmethod
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import benchmon
from benchmon.bench import Bench
from benchmon.session.encodings import encode_details, encode_prediction, encode_status, pack
from benchmon.session.recorder_lock import boot
from benchmon.session.records import (
    Anchor,
    BenchChange,
    Heartbeat,
    Identity,
    Record,
    Settings,
    SettledPrediction,
    StepPrediction,
)
from benchmon.session.schema import SPANS, encode_state, to_microseconds
from benchmon.session.writable_file import Statement
from benchmon.text import one_line
from benchmon.watch.records import Event, Explanations, Forecast, Judgement, Waveform
from benchmon.watch.status import BenchStatus

_LATE = 2.0
"""Seconds that a span stays open after its end: a reading may come later than those of another instrument."""


@dataclass(slots=True)
class _Open:
    """One span of one channel that is not over yet."""

    number: int
    count: int = 0
    lowest: float = math.inf
    highest: float = -math.inf
    total: float = 0.0
    last_reading: int = 0
    from_reading: int | None = None

    def add(self, value: float | None, reading: int, from_reading: int | None) -> None:
        self.last_reading, self.from_reading = reading, from_reading
        if value is not None and math.isfinite(value):
            self.count += 1
            self.lowest, self.highest = min(self.lowest, value), max(self.highest, value)
            self.total += value

    def row(self, channel: int, span: int) -> tuple[Any, ...]:
        known = self.count > 0
        values = (self.lowest, self.highest, self.total / self.count) if known else (None, None, None)
        return (channel, span, self.number, self.count, *values, self.last_reading, self.from_reading)


class ReadingSummaries:
    """Summarises readings: returns the rows of `summaries` of the spans that are over."""

    def __init__(self) -> None:
        self._open: dict[tuple[int, int], _Open] = {}
        self._over: dict[tuple[int, int], int] = {}

    def add(
        self, channel: int, time: float, value: float | None, reading: int, from_reading: int | None
    ) -> list[tuple[Any, ...]]:
        """Take a reading of `channel` at `time` seconds; return the rows of spans that it ends.

        A reading that comes when its span is over is left out of the summaries; it is among the readings.
        """
        ended = []
        for span in SPANS:
            key, number = (channel, span), int(time // span)
            now = self._open.get(key)
            if now is not None and now.number < number:
                ended.append(self._end(key))
                now = None
            if now is None and number > self._over.get(key, -1):
                now = self._open[key] = _Open(number)
            if now is not None and now.number == number:
                now.add(value, reading, from_reading)
        return ended

    def close(self, time: float) -> list[tuple[Any, ...]]:
        """Return the rows of the spans that were over at `time` seconds, and forget them."""
        over = [key for key, each in self._open.items() if (each.number + 1) * key[1] + _LATE <= time]
        return [self._end(key) for key in over]

    def finish(self) -> list[tuple[Any, ...]]:
        """Return the rows of all spans that are open, as far as they have come."""
        return [self._end(key) for key in list(self._open)]

    def _end(self, key: tuple[int, int]) -> tuple[Any, ...]:
        ended = self._open.pop(key)
        self._over[key] = ended.number
        return ended.row(*key)


_LIBRARIES = ("numpy", "pydantic", "pyvisa", "pyvisa-py", "pyserial", "pymodbus")


_SUMMARY = "INSERT OR REPLACE INTO summaries VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"


class Encoder:
    """Turns records into statements for a new session file. It touches no file, so that writing can be tried again."""

    def __init__(self, bench: Bench) -> None:
        self._channels = {channel.name: number for number, channel in enumerate(bench.channel, 1)}
        self._expected: dict[int, tuple[float | None, float | None]] = {}
        self._expected_from: dict[int, int] = {}
        self._next_reading = self._next_event = 1
        self._summaries = ReadingSummaries()
        self._status: BenchStatus | None = None

    def encode(self, record: Record) -> Iterable[Statement]:
        """Return the statements that write one record. Raises `TypeError` if a session holds no such records."""
        if isinstance(record, Judgement):
            return self._judgement(record)  # nearly all are
        return self._encode(record)

    def finish(self, at: float | None) -> Iterator[Statement]:
        """Yield what the summaries still hold, and the session's end where `at` says when (session seconds)."""
        yield from ((_SUMMARY, row) for row in self._summaries.finish())
        if at is not None:
            yield "UPDATE session SET finished = ?", (to_microseconds(at),)

    @singledispatchmethod
    def _encode(self, record: Any) -> Iterator[Statement]:
        raise TypeError(f"a session holds no {type(record).__name__}")

    def _judgement(self, record: Judgement) -> list[Statement]:
        channel, reading, statements = self._channels[record.channel], self._next_reading, list[Statement]()
        self._next_reading += 1
        expected = (record.expected, record.expected_uncertainty)
        if expected != self._expected.get(channel, (None, None)):
            self._expected[channel], self._expected_from[channel] = expected, reading
            statements.append(("INSERT INTO expectations VALUES (?, ?, ?, ?)", (reading, channel, *expected)))
        state = encode_state(record.verdict, record.flags)
        row = (reading, channel, to_microseconds(record.time), record.value, state)
        statements.append(("INSERT INTO readings VALUES (?, ?, ?, ?, ?)", row))
        ended = self._summaries.add(channel, record.time, record.value, reading, self._expected_from.get(channel))
        statements += [(_SUMMARY, summary) for summary in ended]
        return statements

    @_encode.register
    def _event(self, record: Event) -> Iterator[Statement]:
        number = self._next_event
        self._next_event += 1
        row = (number, to_microseconds(record.time), record.channel, str(record.kind), one_line(record.message, 1000))
        yield "INSERT INTO events VALUES (?, ?, ?, ?, ?)", row
        if record.details is not None:
            yield "INSERT INTO event_details VALUES (?, ?)", (number, encode_details(record.details))

    @_encode.register
    def _heartbeat(self, record: Heartbeat) -> Iterator[Statement]:
        yield "UPDATE heartbeat SET time = ?, monotonic = ?", (to_microseconds(record.time), record.monotonic)
        yield from ((_SUMMARY, summary) for summary in self._summaries.close(record.time))

    @_encode.register
    def _identity(self, record: Identity) -> Iterator[Statement]:
        text = one_line(record.text)
        yield "UPDATE instruments SET identity = ? WHERE name = ?", (text, record.instrument)
        row = (to_microseconds(record.time), record.instrument, text)
        yield "INSERT INTO identities (time, instrument, identity) VALUES (?, ?, ?)", row

    @_encode.register
    def _settings(self, record: Settings) -> Iterator[Statement]:
        settings = json.dumps(dict(record.settings), ensure_ascii=False, default=str)
        yield "INSERT OR REPLACE INTO settings VALUES (?, ?, ?)", (record.kind, record.name, settings)

    @_encode.register
    def _anchor(self, record: Anchor) -> Iterator[Statement]:
        row = (to_microseconds(record.time), record.monotonic, record.wall, record.jump)
        yield "INSERT INTO anchors (time, monotonic, wall, jump) VALUES (?, ?, ?, ?)", row

    @_encode.register
    def _bench_change(self, record: BenchChange) -> Iterator[Statement]:
        row = (to_microseconds(record.time), record.bench.source, _digest(record.bench))
        yield "INSERT INTO benches (time, bench, bench_sha256) VALUES (?, ?, ?)", row

    @_encode.register
    def _explanations(self, record: Explanations) -> Iterator[Statement]:
        ranked = [
            [one.cause, one.likelihood, one.message, list(one.channels), one.evidence, one.advice]
            for one in record.ranked
        ]
        row = (to_microseconds(record.time), json.dumps(ranked, ensure_ascii=False))
        yield "INSERT INTO explanations (time, ranked) VALUES (?, ?)", row

    @_encode.register
    def _bench_status(self, record: BenchStatus) -> Iterator[Statement]:
        former, self._status = self._status, record
        until = to_microseconds(record.until)
        if former is not None and record.is_the_same_as(former):
            yield "UPDATE statuses SET until = ? WHERE id = (SELECT max(id) FROM statuses)", (until,)
            return
        row = (to_microseconds(record.time), until, str(record.level), encode_status(record))
        yield "INSERT INTO statuses (time, until, level, status) VALUES (?, ?, ?, ?)", row

    @_encode.register
    def _settled(self, record: SettledPrediction) -> Iterator[Statement]:
        text, waves = encode_prediction(record.prediction), record.prediction.packed if record.prediction else b""
        row = (to_microseconds(record.time), one_line(record.problem, 400), text, waves)
        yield "INSERT INTO settled (time, problem, prediction, waves) VALUES (?, ?, ?, ?)", row

    @_encode.register
    def _step_prediction(self, record: StepPrediction) -> Iterator[Statement]:
        text = encode_prediction(record.prediction)
        row = (to_microseconds(record.time), record.step, one_line(record.problem, 400), text)
        yield "INSERT INTO step_predictions (time, step, problem, prediction) VALUES (?, ?, ?, ?)", row

    @_encode.register
    def _forecast(self, record: Forecast) -> Iterator[Statement]:
        where = (to_microseconds(record.time), self._channels[record.channel], record.state)
        what = (record.rate, record.final, record.uncertainty, record.to_limit, record.earliest, record.latest)
        columns = "time, channel, state, rate, final, uncertainty, to_limit, earliest, latest"
        yield f"INSERT INTO forecasts ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", where + what  # noqa: S608

    @_encode.register
    def _waveform(self, record: Waveform) -> Iterator[Statement]:
        packed = pack(record.times, record.values)
        where = (to_microseconds(record.time), self._channels[record.channel], record.unit)
        what = (packed.count, packed.first, packed.step, packed.times, packed.samples)
        columns = "time, channel, unit, count, first, step, times, samples"
        yield f"INSERT INTO waveforms ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", where + what  # noqa: S608


def description(bench: Bench, started_monotonic: float, facts: Mapping[str, str]) -> Iterator[Statement]:
    """Yield the statements that write what does not change: bench, channels, instruments, program, machine, `facts`."""
    since_start = time.monotonic() - started_monotonic
    started = (benchmon.__version__, time.time() - since_start, started_monotonic)
    yield (
        "INSERT INTO session VALUES (1, ?, ?, ?, ?, ?, ?, NULL)",
        (bench.title, bench.source, _digest(bench), *started),
    )
    for instrument in bench.instrument:
        row: tuple[Any, ...] = (instrument.name, instrument.driver, instrument.address)
        yield "INSERT INTO instruments (name, driver, address) VALUES (?, ?, ?)", row
    for number, channel in enumerate(bench.channel, 1):
        row = (number, channel.name, channel.quantity, channel.unit)
        yield "INSERT INTO channels VALUES (?, ?, ?, ?)", row
    now = started_monotonic + since_start
    yield "INSERT INTO heartbeat VALUES (1, ?, ?, ?)", (to_microseconds(since_start), now, boot())
    for name, fact in (_facts() | dict(facts)).items():
        yield "INSERT INTO facts VALUES (?, ?)", (name, one_line(fact, 1000))


def _digest(bench: Bench) -> str:
    return hashlib.sha256(bench.source.encode()).hexdigest()


def _facts() -> dict[str, str]:
    """Return the versions of what takes part, and the machine."""
    facts = {
        "benchmon": benchmon.__version__,
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
        # `platform.platform()` would start another program to learn the processor's name.
        "machine": f"{os.uname().sysname} {os.uname().release} {os.uname().machine}",
        "host": platform.node(),
        "process": str(os.getpid()),
    }
    # A container may have no name for its user.
    with suppress(OSError, KeyError, ImportError):
        facts["user"] = getpass.getuser()
    for library in _LIBRARIES:
        try:
            facts[library] = version(library)
        except PackageNotFoundError:
            continue
    return facts
